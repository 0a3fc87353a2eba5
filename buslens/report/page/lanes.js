'use strict';
/* Draws lanes. Only what is visible is drawn, and neighbouring changes that pixels cannot tell apart become one block;
 * the work is bounded by the changes in view, what is drawn by the width. */

/** So many changes nearer to one another than `CROWD_PX` are drawn together. */
const CROWD = 3;
const CROWD_PX = 3.5;

/** Draws waveforms, boxes and staircases. */
class LanePainter extends Pen {
  /**
   * @param {Track} track
   */
  lane(track) {
    track.isCramped = false;
    const { lane } = track;
    if (!lane.seen.length) return;
    const pen = { slants: [], broken: [], names: [] };
    if (lane.shape === 'number') this.staircase(track);
    this.stretches(track, pen);
    this.line(pen.broken, 1.4, this.ink.ink, [6, 5]);
    this.line(pen.slants, 1.5, this.ink.ink);
    for (const [text, x, y, how] of pen.names) this.write(text, x, y, how);
  }

  /**
   * Walk over what is visible of a lane: stretches, changes, and crowds of changes.
   * @param {Track} track
   * @param {object} pen
   */
  stretches(track, pen) {
    const { lane } = track;
    const { seen } = lane;
    const first = Math.max(lastAtOrBelow(seen, this.view.start), 0);
    const last = lastAtOrBelow(seen, this.view.end);
    if (last < 0 || lane.end < this.view.start) return;
    const near = CROWD_PX / this.perUs;
    const ofNumber = lane.value !== null;
    const isUnknown = (entry) => lane.code[entry] >= this.capture.unknown_from;
    let entry = first;
    let at = Math.max(seen[first], this.view.start);
    let index = first + 1;
    while (index <= last) {
      if (ofNumber && isUnknown(index) === isUnknown(entry)) {
        index++;
        continue;
      }
      let beyond = index + 1;
      while (!ofNumber && beyond <= last && seen[beyond] - seen[beyond - 1] < near) beyond++;
      if (beyond - index >= CROWD) {
        this.stretch(track, pen, entry, at, seen[index], index);
        this.crowd(track, pen, seen[index], seen[beyond - 1], beyond - index);
        entry = beyond - 1;
        at = seen[entry];
      } else {
        for (let each = index; each < beyond; each++) {
          this.stretch(track, pen, entry, at, seen[each], each);
          if (!ofNumber) this.change(track, pen, each);
          entry = each;
          at = seen[each];
        }
      }
      index = beyond;
    }
    this.stretch(track, pen, entry, at, Math.min(lane.end, this.view.end), last + 1);
  }

  /**
   * @param {Track} track
   * @param {object} pen
   * @param {number} entry
   * @param {number} start
   * @param {number} end
   * @param {number} next Entry that ends it.
   */
  stretch(track, pen, entry, start, end, next) {
    const { lane } = track;
    const code = lane.code[entry];
    const isUnknown = code >= this.capture.unknown_from;
    const [top, bottom] = [this.top + track.top, this.top + track.top + track.height];
    const middle = (top + bottom) / 2;
    // The room that is surely its own ends where the doubt about the next change begins.
    const nextKnown = next < lane.seen.length && lane.code[next] < this.capture.unknown_from;
    const sure = !isUnknown && nextKnown ? Math.max(start, Math.min(end, lane.since[next])) : end;
    const [left, right] = [this.x(start), this.x(sure)];
    if (isUnknown) {
      this.broken(pen, left, this.x(end), middle, code);
      return;
    }
    if (lane.shape === 'levels') {
      this.level(left, right, code === lane.high ? top : bottom);
    } else if (lane.shape === 'boxes') {
      const slope = right - left > 8 ? 5 : 0;
      const begins = lane.seen[entry] > this.view.start && entry > 0;
      const stops = next < lane.seen.length && lane.seen[next] <= this.view.end;
      if (begins && slope) pen.slants.push(left + slope, top, left, middle, left + slope, bottom, NaN, NaN);
      else if (begins) this.edge(left, top, bottom);
      if (stops && slope) pen.slants.push(right - slope, top, right, middle, right - slope, bottom, NaN, NaN);
      const [a, b] = [begins ? left + slope : left, stops ? right - slope : right];
      this.level(a, b, top);
      this.level(a, b, bottom);
    } else return;
    const room = Math.min(right, this.right) - Math.max(left, this.left) - (lane.shape === 'boxes' ? 14 : 8);
    // Half a name of two says less than the names of the rails, which are then written beside the lane.
    const name = lane.states[code] ?? '?';
    const text = room > 10 && (lane.shape === 'boxes' || this.width(name) <= room) ? this.fitted(name, room) : '';
    if (text === '') track.isCramped = true;
    else pen.names.push([text, (Math.max(left, this.left) + Math.min(right, this.right)) / 2, middle, { align: 'center' }]);
  }

  /**
   * An unknown stretch: a broken line, neither high nor low, with the reason set into it.
   * @param {object} pen
   * @param {number} left
   * @param {number} right
   * @param {number} y
   * @param {number} code
   */
  broken(pen, left, right, y, code) {
    const [a, b] = [Math.max(left, this.left), Math.min(right, this.right)];
    const full = this.capture.why[code - this.capture.unknown_from] ?? 'unknown';
    for (const text of [full, 'unknown']) {
      const width = this.width(text, 'italic');
      if (width + 40 > b - a) continue;
      const middle = (a + b) / 2;
      pen.broken.push(a, y, middle - width / 2 - 5, y, NaN, NaN, middle + width / 2 + 5, y, b, y, NaN, NaN);
      pen.names.push([text, middle, y, { style: 'italic', align: 'center', tone: this.ink.quiet }]);
      return;
    }
    pen.broken.push(a, y, b, y, NaN, NaN);
  }

  /**
   * @param {Track} track
   * @param {object} pen
   * @param {number} entry What begins with the change.
   */
  change(track, pen, entry) {
    const { lane } = track;
    const [before, after] = [lane.code[entry - 1], lane.code[entry]];
    const [top, bottom] = [this.top + track.top, this.top + track.top + track.height];
    const unknown = this.capture.unknown_from;
    const seen = this.x(lane.seen[entry]);
    const level = (code) => (code === lane.high ? top : bottom);
    if (before >= unknown || after >= unknown) {
      // Not a change that was seen: the line simply stops, or begins.
      const known = before >= unknown ? after : before;
      if (lane.shape === 'levels' && known < unknown) {
        this.edge(seen, level(known), (top + bottom) / 2);
      }
      return;
    }
    const since = this.x(Math.max(lane.since[entry], lane.seen[entry - 1]));
    if (seen - since > 2) {
      this.ctx.fillStyle = this.pattern('hatch');
      this.ctx.fillRect(since, top, seen - since, bottom - top);
      this.ctx.fillStyle = this.ink.hatch;
      this.ctx.fillRect(since, top, seen - since, 0.8);
      this.ctx.fillRect(since, bottom - 0.8, seen - since, 0.8);
    }
    const off = lane.clock * this.perUs;
    if (off > 1.5) {
      // So far the clock of its recording may be off to either side.
      const [left, right, y] = [Math.max(since - off, this.left), Math.min(seen + off, this.right), bottom + 4];
      this.ctx.fillStyle = this.ink.quiet;
      this.ctx.fillRect(left, y, right - left, 0.9);
      for (const end of [left, right]) this.ctx.fillRect(end - 0.45, y - 2, 0.9, 5);
    }
    if (lane.shape !== 'levels') return;
    if (seen - since > 1.2) pen.slants.push(since, level(before), seen, level(after), NaN, NaN);
    else this.edge(seen, level(before), level(after));
  }

  /**
   * @param {Track} track
   * @param {object} pen
   * @param {number} start
   * @param {number} end
   * @param {number} count
   */
  crowd(track, pen, start, end, count) {
    const left = Math.max(this.x(start), this.left);
    const right = Math.max(Math.min(this.x(end), this.right), left + 2);
    const [top, bottom] = [this.top + track.top, this.top + track.top + track.height];
    track.isCramped = true;
    const text = `${count} changes`;
    const width = this.width(text, 'italic');
    this.ctx.fillStyle = this.pattern('crowd');
    if (width + 36 < right - left) {
      const middle = (left + right) / 2;
      const half = width / 2 + 5;
      this.ctx.fillRect(left, top, middle - half - left, bottom - top);
      this.ctx.fillRect(middle + half, top, right - middle - half, bottom - top);
      pen.names.push([text, middle, (top + bottom) / 2, { style: 'italic', align: 'center' }]);
    } else {
      this.ctx.fillRect(left, top, right - left, bottom - top);
    }
    this.level(left, right, top);
    this.level(left, right, bottom);
  }

  /**
   * Steps of a number; of all values in one column of pixels only the least and the greatest are drawn.
   * @param {Track} track
   */
  staircase(track) {
    const { lane } = track;
    if (lane.scale === null) return;
    const [low, high] = lane.scale;
    const [top, bottom] = [this.top + track.top, this.top + track.top + track.height];
    // Halved first: the whole span of a double does not fit into a double.
    const half = high / 2 - low / 2;
    const y = (value) => (half > 0 ? bottom - ((value / 2 - low / 2) / half) * (bottom - top) : (top + bottom) / 2);
    for (const limit of lane.limits) this.line([this.left, y(limit), this.right, y(limit)], 1, this.ink.quiet, [1.5, 3]);
    const { seen, value, code } = lane;
    const first = Math.max(lastAtOrBelow(seen, this.view.start), 0);
    const last = lastAtOrBelow(seen, this.view.end);
    const end = this.x(Math.min(lane.end, this.view.end));
    const unknown = this.capture.unknown_from;
    // Where the line stands, once it has begun.
    let pen = null;
    const moveTo = (x) => {
      if (pen !== null) this.level(pen.x, x, pen.y);
    };
    for (let index = first; index <= last; ) {
      const x = Math.max(this.x(seen[index]), this.left);
      moveTo(x);
      if (code[index] >= unknown) {
        pen = null;
        index++;
        continue;
      }
      let [least, most, next] = [value[index], value[index], index + 1];
      while (next <= last && code[next] < unknown && this.x(seen[next]) < x + 1) {
        if (value[next] < least) least = value[next];
        if (value[next] > most) most = value[next];
        next++;
      }
      const [upper, lower] = [y(most), y(least)];
      const from = pen === null ? y(value[index]) : pen.y;
      if (Math.min(upper, from) < Math.max(lower, from)) this.edge(x, Math.min(upper, from), Math.max(lower, from));
      pen = { x, y: y(value[next - 1]) };
      index = next;
    }
    moveTo(end);
  }
}
