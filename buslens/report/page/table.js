'use strict';
/* What is seen, as a table: for those who read it aloud, copy it, or trust figures more than lines. */

const MOST_ROWS = 500;

/**
 * The changes of the lanes in what is seen, and the state of each at its beginning, in the order of time.
 * @param {object} capture
 * @param {number[]} shown
 * @param {{start: number, end: number}} view
 * @returns {{lane: object, entry: number, time: number, isBefore: boolean}[]}
 */
function seenRows(capture, shown, view) {
  const rows = [];
  for (const number of shown) {
    const lane = capture.lanes[number];
    const first = lastAtOrBelow(lane.seen, view.start);
    const last = lastAtOrBelow(lane.seen, view.end);
    for (let entry = Math.max(first, 0); entry <= last; entry++) {
      rows.push({ lane, entry, time: Math.max(lane.seen[entry], view.start), isBefore: entry === first });
    }
  }
  return rows.sort((a, b) => a.time - b.time);
}

/**
 * @param {HTMLTableSectionElement} body
 * @param {HTMLElement} note
 * @param {object} capture
 * @param {number[]} shown
 * @param {{start: number, end: number}} view
 * @param {TimeWords} words
 */
function fillTable(body, note, capture, shown, view, words) {
  const found = seenRows(capture, shown, view);
  body.replaceChildren(
    ...found.slice(0, MOST_ROWS).map(({ lane, entry, time, isBefore }) => {
      const row = document.createElement('tr');
      const when = isBefore ? `at the beginning` : words.moment(time);
      for (const text of [when, lane.name, entryWords(capture, lane, entry)]) {
        const cell = document.createElement('td');
        cell.textContent = text;
        row.append(cell);
      }
      return row;
    }),
  );
  const more = found.length - MOST_ROWS;
  note.textContent = more > 0 ? `${more} more rows: zoom in, or export the view as numbers (CSV).` : '';
}
