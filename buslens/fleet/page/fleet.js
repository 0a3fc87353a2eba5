/* Sorting and searching the table of vehicles; everything else needs no script. */
(() => {
  'use strict';
  const table = document.getElementById('vehicles');
  if (!table) return;
  const body = table.tBodies[0];
  const rows = Array.from(body.rows);
  const heads = Array.from(table.tHead.rows[0].cells);
  const find = document.getElementById('find');
  const found = document.getElementById('found');

  // Read once: asking the page again for each comparison would make sorting slow.
  const words = rows.map((row) => Array.from(row.cells, (cell) => cell.textContent));
  const keys = rows.map((row, at) =>
    Array.from(row.cells, (cell, column) => {
      const text = cell.dataset.n ?? words[at][column];
      const number = Number(text.replaceAll(',', ''));
      return text !== '' && Number.isFinite(number) ? number : text.toLowerCase();
    }));
  const haystacks = words.map((cells) => cells.join('\n').toLowerCase());
  const digits = new Intl.Collator('en', { numeric: true });

  function compare(one, other) {
    // Empty cells come last either way.
    if (one === '' || other === '') return one === other ? 0 : null;
    if (typeof one === 'number' && typeof other === 'number') return one - other;
    return digits.compare(String(one), String(other));
  }

  function sort(column) {
    const head = heads[column];
    const isDown = head.getAttribute('aria-sort') === 'ascending';
    for (const each of heads) each.removeAttribute('aria-sort');
    head.setAttribute('aria-sort', isDown ? 'descending' : 'ascending');
    const order = rows.map((_, at) => at);
    order.sort((one, other) => {
      const a = keys[one][column];
      const b = keys[other][column];
      const side = compare(a, b);
      if (side === null) return a === '' ? 1 : -1;
      return (isDown ? -side : side) || one - other;
    });
    body.append(...order.map((at) => rows[at]));
  }

  function search() {
    const wanted = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    let count = 0;
    rows.forEach((row, at) => {
      const isShown = wanted.every((word) => haystacks[at].includes(word));
      row.hidden = !isShown;
      count += isShown;
    });
    found.textContent = wanted.length ? `${count} of ${rows.length} rows` : '';
  }

  heads.forEach((head, column) => {
    const button = document.createElement('button');
    button.type = 'button';
    button.append(...head.childNodes);
    button.addEventListener('click', () => sort(column));
    head.append(button);
  });
  heads[1].setAttribute('aria-sort', 'ascending');
  find.closest('p').hidden = false;
  find.addEventListener('input', search);
  if (find.value) search();
})();
