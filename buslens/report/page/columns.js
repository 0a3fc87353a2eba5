'use strict';
/* Reading the pack that columns.py has written, and finding one's way in it by bisection.
 * Times are microseconds from the capture's first frame. */

/**
 * @typedef {object} Lane
 * @property {string} role
 * @property {'levels'|'boxes'|'number'} shape
 * @property {string[]} states
 * @property {string} unit
 * @property {number} high Index of the state that is drawn high.
 * @property {number} end Where its log ends.
 * @property {Float64Array} seen When each entry first shows.
 * @property {Float64Array} since What an entry shows came about after this.
 * @property {Uint16Array} code State, or why it is unknown.
 * @property {Float64Array|null} value Of a number.
 * @property {number[]} limits Of a number.
 * @property {[number, number]|null} scale Least and greatest value that is drawn.
 */

/**
 * Put the bytes of numbers together again.
 * @param {Uint8Array} body All columns.
 * @param {number[]} place First byte, bytes of one number, count.
 * @returns {Uint16Array|Uint32Array|Float64Array}
 */
function column(body, [first, width, count]) {
  const bytes = new Uint8Array(width * count);
  for (let rank = 0; rank < width; rank++) {
    const plane = first + rank * count;
    for (let index = 0; index < count; index++) bytes[index * width + rank] = body[plane + index];
  }
  const Kind = { 2: Uint16Array, 4: Uint32Array, 8: Float64Array }[width];
  return new Kind(bytes.buffer);
}

/**
 * Unpack a capture.
 * @param {string} base64
 * @returns {Promise<object>} What columns.py calls the header, with lanes whose columns are typed arrays.
 */
async function readCapture(base64) {
  const packed = Uint8Array.from(atob(base64), (letter) => letter.charCodeAt(0));
  const plain = new Blob([packed]).stream().pipeThrough(new DecompressionStream('deflate'));
  const whole = new Uint8Array(await new Response(plain).arrayBuffer());
  const length = new DataView(whole.buffer).getUint32(0, true);
  const capture = JSON.parse(new TextDecoder().decode(whole.subarray(4, 4 + length)));
  const body = whole.subarray(4 + length);
  for (const lane of capture.lanes) unpackLane(lane, body);
  return capture;
}

/**
 * @param {object} lane
 * @param {Uint8Array} body
 */
function unpackLane(lane, body) {
  const gaps = column(body, lane.gaps);
  const doubts = column(body, lane.doubts);
  lane.code = column(body, lane.codes);
  const count = lane.code.length;
  const long = new Map(lane.long_gaps);
  lane.seen = new Float64Array(count);
  lane.since = new Float64Array(count);
  for (let index = 0, at = lane.first; index < count; index++) {
    if (index > 0) at += long.get(index - 1) ?? gaps[index - 1];
    lane.seen[index] = at;
    lane.since[index] = at - doubts[index];
  }
  lane.value = null;
  if (lane.shape !== 'number') return;
  const palette = column(body, lane.palette);
  lane.value = palette;
  if (lane.picks !== null) lane.value = Float64Array.from(column(body, lane.picks), (pick) => palette[pick]);
}

/**
 * @param {ArrayLike<number>} sorted
 * @param {number} value
 * @returns {number} Index of the last element that is not above the value; -1 if all are.
 */
function lastAtOrBelow(sorted, value) {
  let [low, high] = [0, sorted.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (sorted[middle] <= value) low = middle + 1;
    else high = middle;
  }
  return low - 1;
}

/**
 * @param {number} value
 * @returns {string} A number with at most four digits that count.
 */
function number(value) {
  return String(Number(value.toPrecision(4))).replace('-', '\u2212');
}

/**
 * What a lane shows at a moment.
 * @param {object} capture
 * @param {Lane} lane
 * @param {number} time
 * @returns {{words: string, entry: number, known: boolean}}
 */
function reading(capture, lane, time) {
  const entry = lastAtOrBelow(lane.seen, time);
  if (entry < 0 || time > lane.end) return { words: 'no log', entry: -1, known: false };
  const here = entryWords(capture, lane, entry);
  const next = entry + 1;
  const known = lane.code[entry] < capture.unknown_from;
  if (next < lane.seen.length && time > lane.since[next] && known && lane.code[next] < capture.unknown_from) {
    return { words: `${here} or ${entryWords(capture, lane, next)}`, entry, known };
  }
  return { words: here, entry, known };
}

/**
 * @param {object} capture
 * @param {Lane} lane
 * @param {number} entry
 * @returns {string}
 */
function entryWords(capture, lane, entry) {
  const code = lane.code[entry];
  if (code >= capture.unknown_from) return capture.why[code - capture.unknown_from] ?? 'unknown';
  if (lane.value !== null) return `${number(lane.value[entry])} ${lane.unit}`.trimEnd();
  return lane.states[code] ?? '?';
}

/**
 * @param {number} length Microseconds.
 * @returns {string} As a person writes it, to the millisecond from 1 ms on: the same words as the text report's.
 */
function duration(length) {
  const size = Math.abs(length);
  const sign = length < 0 ? '\u2212' : '';
  const trimmed = (value, digits) => String(Number(value.toFixed(digits)));
  if (size < 1000) return `${sign}${trimmed(size, 0)} us`;
  if (Math.round(size / 1000) < 1000) return `${sign}${trimmed(size / 1000, 0)} ms`;
  return `${sign}${trimmed(size / 1e6, 3)} s`;
}

/**
 * @param {number} least Microseconds.
 * @param {number} most Microseconds.
 * @returns {string} A length of time with its doubt, rounded outwards.
 */
function span(least, most) {
  const [low, high] = [Math.floor(least / 1000), Math.ceil(most / 1000)];
  if (high - low <= 1) return duration((least + most) / 2);
  const [one, other] = [duration(low * 1000), duration(high * 1000)];
  const [count, unit] = one.split(' ');
  return low === 0 || unit === other.split(' ')[1] ? `${count} to ${other}` : `${one} to ${other}`;
}

/** Moments as a person reads them: from the first frame, or by the calendar. */
class TimeWords {
  /** @param {object} capture */
  constructor(capture) {
    // Microseconds since 1970 fit into a number of the browser's until the year 2255.
    this.origin = Number(BigInt(capture.origin_ns) / 1000n);
    this.hasCalendar = capture.clock === 'wall' || capture.clock === 'local';
    this.zone = capture.clock === 'wall' ? 'UTC' : 'by the recorder\u2019s clock';
    this.byCalendar = false;
  }

  /**
   * @param {number} time
   * @param {number} [digits] Of a second.
   * @returns {string}
   */
  moment(time, digits = 3) {
    if (this.byCalendar) return this.clock(time, digits);
    // As people say it: from a minute on in minutes too.
    const unit = 10 ** (6 - Math.min(digits, 6));
    const rounded = Math.round(Math.abs(time) / unit) * unit;
    if (rounded < 60e6) return `${this.seconds(time, digits)} s`;
    const minutes = Math.floor(rounded / 60e6);
    const hours = Math.floor(minutes / 60);
    const told = hours > 0 ? `${hours} h ${minutes % 60} min` : `${minutes} min`;
    return `${time < 0 ? '\u2212' : ''}${told} ${this.seconds(rounded - minutes * 60e6, digits)} s`;
  }

  /**
   * @param {number} time
   * @param {number} digits
   * @returns {string}
   */
  seconds(time, digits) {
    const words = (time / 1e6).toFixed(digits);
    return (Number(words) === 0 ? words.replace('-', '') : words).replace('-', '\u2212');
  }

  /**
   * @param {number} time
   * @param {number} digits
   * @returns {string} Hours, minutes and seconds of the day.
   */
  clock(time, digits) {
    const unit = 10 ** (6 - Math.min(digits, 6));
    const rounded = Math.round((this.origin + time) / unit) * unit;
    const text = new Date(Math.floor(rounded / 1e6) * 1000).toISOString().slice(11, 19);
    const rest = String(((rounded % 1e6) + 1e6) % 1e6).padStart(6, '0');
    return digits > 0 ? `${text}.${rest.slice(0, digits)}` : text;
  }

  /**
   * @param {number} time
   * @returns {string} What the scale counts.
   */
  scaleWords(time) {
    if (!this.byCalendar) return 's from the first frame';
    const day = new Date(Math.floor((this.origin + time) / 1000)).toISOString().slice(0, 10);
    return `${day}, ${this.zone}`;
  }
}
