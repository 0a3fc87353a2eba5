/* Searching for a vehicle; everything else needs no script. */
(() => {
  'use strict';
  const find = document.getElementById('find');
  if (!find) return;
  const rows = Array.from(document.getElementById('vehicles').tBodies[0].rows);
  const found = document.getElementById('found');
  // Read once: asking the page again at each key would make typing slow.
  const names = rows.map((row) => row.cells[0].textContent.toLowerCase());

  function search() {
    const wanted = find.value.toLowerCase().split(/\s+/).filter(Boolean);
    let count = 0;
    rows.forEach((row, at) => {
      const isShown = wanted.every((word) => names[at].includes(word));
      row.hidden = !isShown;
      count += isShown;
    });
    found.textContent = wanted.length ? ` ${count} of ${rows.length}` : '';
  }

  find.closest('label').hidden = false;
  find.addEventListener('input', search);
  if (find.value) search();
})();
