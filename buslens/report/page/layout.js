'use strict';
/* Where everything stands from top to bottom. It depends on which lanes are shown and on nothing that moves, so that
 * nothing jumps while one pans. */

/** Sizes in CSS pixels. */
const SIZE = Object.freeze({
  text: 12,
  row: 17,
  levels: 24,
  boxes: 22,
  number: 36,
  clear: 9,
  strip: 18,
  axis: 42,
  mostAbove: 4,
  mostBelow: 3,
});

/**
 * @typedef {object} Item One finding on its way to a lane.
 * @property {object} finding
 * @property {number} index Of the finding.
 * @property {number} row Counted from the lane outwards.
 */

/**
 * @typedef {object} Track
 * @property {object} lane
 * @property {number} number Of the lane in the capture.
 * @property {number} top Upper end of the lane's body, from the frame's upper end.
 * @property {number} height Of the body.
 * @property {Item[][]} above Dimension lines by row, each row in order of time.
 * @property {Item[][]} below Allowed windows by row.
 */

/**
 * Give stretches of time rows so that no two of one row overlap. What finds no row is left out if it is met;
 * what is not met shares the last row.
 * @param {Item[]} items
 * @param {(item: Item) => [number, number]} reach
 * @param {number} most
 * @returns {Item[][]}
 */
function stack(items, reach, most) {
  const rows = [];
  const ends = [];
  for (const item of [...items].sort((a, b) => reach(a)[0] - reach(b)[0])) {
    const [start, end] = reach(item);
    let row = ends.findIndex((taken) => taken < start);
    if (row < 0 && rows.length < most) row = rows.push([]) - 1;
    if (row < 0 && item.finding.grade === 0) continue;
    if (row < 0) row = most - 1;
    ends[row] = Math.max(end, ends[row] ?? -Infinity);
    item.row = row;
    rows[row].push(item);
  }
  return rows;
}

/**
 * @param {object} finding
 * @returns {[number, number]} First and last time of its dimension line, or twice its moment.
 */
function lineReach(finding) {
  if (finding.measured === null) return [finding.moment, finding.moment];
  return [Math.min(...finding.measured), Math.max(...finding.measured)];
}

/**
 * Lay out the lanes.
 * @param {object} capture
 * @param {number[]} shown Numbers of the lanes, from top to bottom.
 * @returns {{strips: object[], overhead: Item[][], overheadBase: number, tracks: Track[], floor: number,
 *   height: number}}
 */
function layOut(capture, shown) {
  const strips = [];
  let y = 4;
  for (const rule of new Set(capture.handshakes.map((run) => run.rule))) {
    strips.push({ rule, y: y + SIZE.strip / 2, runs: capture.handshakes.filter((run) => run.rule === rule) });
    y += SIZE.strip;
  }
  const items = new Map(shown.map((number) => [number, { above: [], below: [] }]));
  const overheadItems = [];
  capture.findings.forEach((finding, index) => {
    if (finding.measured === null && (finding.grade === 0 || finding.moment === null)) return;
    const item = { finding, index, row: 0 };
    const lane = items.get(finding.lane);
    // A fault is never lost with its lane: it goes above all of them.
    if (lane === undefined) {
      if (finding.grade > 0) overheadItems.push(item);
      return;
    }
    lane.above.push(item);
    if (finding.allowed !== null) lane.below.push({ finding, index, row: 0 });
  });
  const overhead = stack(overheadItems, (item) => lineReach(item.finding), 2);
  if (capture.seams.length && overhead.length === 0) overhead.push([]);
  y += overhead.length * SIZE.row;
  const overheadBase = y;
  const tracks = [];
  for (const number of shown) {
    const lane = capture.lanes[number];
    const above = stack(items.get(number).above, (item) => lineReach(item.finding), SIZE.mostAbove);
    const allowed = ({ finding }) => [finding.allowed[0], finding.allowed[3]];
    const below = stack(items.get(number).below, allowed, SIZE.mostBelow);
    const top = y + above.length * SIZE.row + SIZE.clear;
    const height = SIZE[lane.shape];
    tracks.push({ lane, number, top, height, above, below });
    y = top + height + below.length * SIZE.row + SIZE.clear;
  }
  const floor = y + 2;
  return { strips, overhead, overheadBase, tracks, floor, height: floor + SIZE.axis };
}
