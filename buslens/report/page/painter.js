'use strict';
/* Draws lanes, findings and the scale onto a canvas. Only what is visible is drawn, and neighbouring changes that
 * pixels cannot tell apart become one block; the work is bounded by the changes in view, what is drawn by the width. */

/** So many changes nearer to one another than `CROWD_PX` are drawn together. */
const CROWD = 3;
const CROWD_PX = 3.5;
/** Thickness of a waveform. */
const WAVE = 1.5;
const FONT = '"Helvetica Neue", Helvetica, Arial, "DejaVu Sans", sans-serif';

/** Paints one state of affairs; make a new one for each paint. */
class Painter {
  /**
   * @param {CanvasRenderingContext2D} ctx
   * @param {object} capture
   * @param {object} layout Of `layOut`.
   * @param {{left: number, top: number, width: number}} box The frame; the names of the lanes stand left of it.
   * @param {{start: number, end: number}} view
   * @param {object} ink Colours by name.
   * @param {object} [options]
   * @param {number|null} [options.selected] Index of the finding that is dwelt on.
   * @param {TimeWords} options.words
   */
  constructor(ctx, capture, layout, box, view, ink, options) {
    this.ctx = ctx;
    this.capture = capture;
    this.layout = layout;
    this.view = view;
    this.ink = ink;
    this.selected = options.selected ?? null;
    this.words = options.words;
    this.left = box.left;
    this.top = box.top;
    this.right = box.left + box.width;
    this.perUs = box.width / (view.end - view.start);
    /** Words and rings of findings, which stand in front of everything. */
    this.later = [];
    this.widths = Painter.widths;
  }

  /**
   * @param {number} time
   * @returns {number}
   */
  x(time) {
    return this.left + (time - this.view.start) * this.perUs;
  }

  /**
   * @param {number} time
   * @returns {number} Where it stands, or the nearer end of the frame.
   */
  held(time) {
    return Math.min(Math.max(this.x(time), this.left), this.right);
  }

  /** Draw everything. */
  paint() {
    const { ctx, layout } = this;
    ctx.save();
    ctx.textBaseline = 'middle';
    ctx.lineCap = 'butt';
    ctx.lineJoin = 'round';
    this.names();
    ctx.save();
    ctx.beginPath();
    ctx.rect(this.left, this.top, this.right - this.left, layout.floor + 1);
    ctx.clip();
    // From the back to the front: what is allowed, dimension and extension lines, the lanes, words.
    for (const track of layout.tracks) this.bands(track);
    for (const track of layout.tracks) this.annotations(track);
    this.overhead();
    for (const track of layout.tracks) this.lane(track);
    this.strips();
    this.seams();
    for (const draw of this.later) draw();
    ctx.restore();
    for (const track of layout.tracks) this.rails(track);
    this.axis();
    ctx.restore();
  }

  // --- words --------------------------------------------------------------------------------------------

  /**
   * @param {string} text
   * @param {string} [style] Such as 'bold'.
   * @returns {number}
   */
  width(text, style = '') {
    const key = style + text;
    let width = this.widths.get(key);
    if (width === undefined) {
      this.ctx.font = `${style} ${SIZE.text}px ${FONT}`;
      width = this.ctx.measureText(text).width;
      if (this.widths.size > 5000) this.widths.clear();
      this.widths.set(key, width);
    }
    return width;
  }

  /**
   * @param {string} text
   * @param {number} x
   * @param {number} y
   * @param {{style?: string, align?: CanvasTextAlign, tone?: string, halo?: boolean}} [how]
   */
  write(text, x, y, { style = '', align = 'left', tone = this.ink.ink, halo = false } = {}) {
    const { ctx } = this;
    ctx.font = `${style} ${SIZE.text}px ${FONT}`;
    ctx.textAlign = align;
    if (halo) {
      ctx.strokeStyle = this.ink.paper;
      ctx.lineWidth = 4;
      ctx.strokeText(text, x, y + 0.5);
    }
    ctx.fillStyle = tone;
    ctx.fillText(text, x, y + 0.5);
  }

  /**
   * @param {string} text
   * @param {number} room
   * @param {string} [style]
   * @returns {string} As much of the text as fits, with an ellipsis; empty if hardly anything does.
   */
  fitted(text, room, style = '') {
    if (this.width(text, style) <= room) return text;
    let [low, high] = [0, text.length];
    while (low < high) {
      const middle = (low + high + 1) >> 1;
      if (this.width(`${text.slice(0, middle)}\u2026`, style) <= room) low = middle;
      else high = middle - 1;
    }
    return low >= 4 ? `${text.slice(0, low)}\u2026` : '';
  }

  /**
   * @param {number[]} points x and y in turn; NaN breaks the line.
   * @param {number} weight
   * @param {string} tone
   * @param {number[]} [dash]
   */
  line(points, weight, tone, dash = []) {
    const { ctx } = this;
    if (points.length < 4) return;
    ctx.beginPath();
    let begins = true;
    for (let index = 0; index < points.length; index += 2) {
      const [x, y] = [points[index], points[index + 1]];
      if (Number.isNaN(x)) begins = true;
      else if (begins) {
        ctx.moveTo(x, y);
        begins = false;
      } else ctx.lineTo(x, y);
    }
    ctx.lineWidth = weight;
    ctx.strokeStyle = tone;
    ctx.setLineDash(dash);
    ctx.stroke();
    ctx.setLineDash([]);
  }

  /**
   * A level line of a waveform. Rectangles are many times faster to fill than long paths are to stroke.
   * @param {number} left
   * @param {number} right
   * @param {number} y
   */
  level(left, right, y) {
    const [a, b] = [Math.max(left, this.left), Math.min(right, this.right)];
    if (b <= a) return;
    this.ctx.fillStyle = this.ink.ink;
    this.ctx.fillRect(a, y - WAVE / 2, b - a, WAVE);
  }

  /**
   * An upright line of a waveform.
   * @param {number} x
   * @param {number} y
   * @param {number} other
   */
  edge(x, y, other) {
    this.ctx.fillStyle = this.ink.ink;
    this.ctx.fillRect(x - WAVE / 2, Math.min(y, other) - WAVE / 2, WAVE, Math.abs(y - other) + WAVE);
  }

  // --- beside the frame ---------------------------------------------------------------------------------

  /** Names of the lanes and strips. */
  names() {
    const room = this.left - 14;
    for (const strip of this.layout.strips) {
      this.write(this.fitted(strip.rule, room, 'italic'), 2, this.top + strip.y, { style: 'italic' });
    }
    for (const track of this.layout.tracks) {
      const text = track.lane.role.replaceAll('_', ' ');
      const isNarrow = this.left < 130;
      const share = track.lane.shape === 'number' && !isNarrow ? room - 52 : room;
      const y = this.top + track.top + track.height / 2;
      // Where there is little room, the name of a number stands between the ends of its scale.
      const lines = track.lane.shape === 'number' && isNarrow ? [this.fitted(text, room)] : this.twoLines(text, share);
      lines.forEach((words, index) => {
        this.write(words, 2, y + (index - (lines.length - 1) / 2) * (SIZE.text + 2));
      });
    }
  }

  /**
   * @param {string} text
   * @param {number} room
   * @returns {string[]} One line, or two if it is too long for one.
   */
  twoLines(text, room) {
    if (this.width(text) <= room) return [text];
    const words = text.split(' ');
    let first = words.shift() ?? '';
    while (words.length && this.width(`${first} ${words[0]}`) <= room) first += ` ${words.shift()}`;
    return [first, words.join(' ')].filter(Boolean).map((line) => this.fitted(line, room) || line.slice(0, 3));
  }

  /**
   * Ends of a number's scale, or the names of the rails where a name found no room on its lane.
   * @param {Track} track
   */
  rails(track) {
    const { lane } = track;
    const [upper, lower] = [this.top + track.top, this.top + track.top + track.height];
    let ends = null;
    if (lane.shape === 'number' && lane.scale) ends = [lane.scale[1], lane.scale[0]].map((v) => `${number(v)} ${lane.unit}`);
    else if (track.isCramped && lane.shape === 'levels') ends = [lane.states[lane.high], lane.states[1 - lane.high]];
    if (ends === null) return;
    if (ends[0] === ends[1]) {
      if (this.left >= 130) this.write(ends[0], this.left - 8, (upper + lower) / 2, { align: 'right', tone: this.ink.quiet });
      else this.write(ends[0], this.left - 8, lower - 3, { align: 'right', tone: this.ink.quiet });
      this.line([this.left - 5, (upper + lower) / 2, this.left, (upper + lower) / 2], 1, this.ink.quiet);
      return;
    }
    const name = this.width(this.fitted(lane.role.replaceAll('_', ' '), this.left - 14));
    const room = lane.shape === 'number' ? 60 : this.left - 20 - Math.min(name, this.left * 0.6);
    [[ends[0], upper + 3], [ends[1], lower - 3]].forEach(([text, y]) => {
      this.write(this.fitted(text, room), this.left - 8, y, { align: 'right', tone: this.ink.quiet });
    });
    const tick = [this.left - 5, upper, this.left, upper, NaN, NaN, this.left - 5, lower, this.left, lower];
    if (lane.shape === 'number') this.line(tick, 1, this.ink.quiet);
  }

  /** Scale of time. */
  axis() {
    const y = this.top + this.layout.floor;
    const { start, end } = this.view;
    const most = Math.max(2, Math.floor((this.right - this.left) / (this.words.byCalendar ? 110 : 78)));
    const raw = (end - start) / most;
    const power = 10 ** Math.floor(Math.log10(raw));
    const step = [1, 2, 5, 10].map((factor) => factor * power).find((size) => size >= raw * (1 - 1e-9));
    const digits = Math.min(6, Math.max(0, -Math.floor(Math.log10(step / 1e6) + 1e-9)));
    const ticks = [this.left, y, this.right, y];
    for (let tick = Math.ceil(start / step) * step; tick <= end; tick += step) {
      const x = Math.round(this.x(tick)) + 0.5;
      ticks.push(NaN, NaN, x, y, x, y + 6);
      const text = this.words.byCalendar ? this.words.clock(tick, digits) : this.words.seconds(tick, digits);
      const half = this.width(text) / 2;
      const middle = Math.min(Math.max(x, this.left + half), this.right - half);
      this.write(text, middle, y + 14, { align: 'center' });
    }
    this.line(ticks, 1.2, this.ink.ink);
    this.write(this.words.scaleWords(start), this.right, y + 31, { align: 'right', tone: this.ink.quiet });
  }

  // --- lanes --------------------------------------------------------------------------------------------

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
    const text = room > 10 ? this.fitted(lane.states[code] ?? '?', room) : '';
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

  /**
   * @param {'hatch'|'crowd'} kind
   * @returns {CanvasPattern}
   */
  pattern(kind) {
    // One dot of the tile is one dot of the canvas, which is what canvases draw fastest.
    const fine = Math.max(1, Math.round(this.ctx.getTransform().a));
    const key = `${kind} ${fine} ${this.ink.hatch} ${this.ink.ink}`;
    let pattern = Painter.patterns.get(key);
    if (pattern === undefined) {
      const tile = document.createElement('canvas');
      const size = (kind === 'hatch' ? 5 : 4) * fine;
      tile.width = size;
      tile.height = size;
      const pen = tile.getContext('2d');
      pen.lineWidth = fine * (kind === 'hatch' ? 0.7 : 1);
      pen.strokeStyle = kind === 'hatch' ? this.ink.hatch : this.ink.ink;
      pen.beginPath();
      if (kind === 'hatch') {
        for (const offset of [-size, 0, size]) {
          pen.moveTo(offset - 1, size + 1);
          pen.lineTo(offset + size + 1, -1);
        }
      } else {
        pen.moveTo(fine / 2, 0);
        pen.lineTo(fine / 2, size);
      }
      pen.stroke();
      pattern = this.ctx.createPattern(tile, 'repeat');
      pattern.setTransform(new DOMMatrix().scale(1 / fine));
      Painter.patterns.set(key, pattern);
    }
    return pattern;
  }

  // --- what was found -----------------------------------------------------------------------------------

  /** Strips with the handshakes, above the lanes. */
  strips() {
    for (const { y: offset, runs } of this.layout.strips) {
      const y = this.top + offset;
      const points = [];
      let taken = -Infinity;
      for (const run of runs) {
        if (run.end < this.view.start || run.start[0] > this.view.end) continue;
        const [left, right] = [this.x(run.start[1]), Math.max(this.x(run.end), this.x(run.start[1]) + 1)];
        if (right < taken + 1) continue;
        points.push(left, y + 5, left, y - 5, NaN, NaN, right, y + 5, right, y - 5, NaN, NaN);
        const [a, b] = [Math.max(left, this.left), Math.min(right, this.right)];
        const ended = run.abandoned ? ', abandoned' : run.completed ? '' : ', not carried through';
        const text = this.fitted(`${run.number}${ended}`, b - a - 16) || String(run.number);
        const width = this.width(text);
        if (width + 16 < b - a) {
          const middle = (a + b) / 2;
          points.push(left, y, middle - width / 2 - 4, y, NaN, NaN, middle + width / 2 + 4, y, right, y, NaN, NaN);
          this.write(text, middle, y, { align: 'center' });
        } else points.push(left, y, right, y, NaN, NaN);
        taken = right;
      }
      this.line(points, 1, this.ink.quiet);
    }
  }

  /** Where the recorded clock ran back. */
  seams() {
    const [top, bottom] = [this.top + this.layout.overheadBase - SIZE.row, this.top + this.layout.floor];
    for (const [time, words] of this.capture.seams) {
      if (time < this.view.start || time > this.view.end) continue;
      const x = this.x(time);
      this.line([x, top, x, bottom], 1, this.ink.quiet, [2, 2]);
      const isLeft = x + this.width(words) + 8 > this.right;
      this.write(words, isLeft ? x - 5 : x + 5, top + 8, { align: isLeft ? 'right' : 'left', halo: true });
    }
  }

  /**
   * The allowed windows, below everything.
   * @param {Track} track
   */
  bands(track) {
    const [top, height] = [this.top + track.top - 2, track.height + 4];
    for (const row of track.below) {
      for (const { finding, index } of row) {
        const [a, b, c, d] = finding.allowed;
        if (d < this.view.start || a > this.view.end) continue;
        this.ctx.fillStyle = this.ink.band_edge;
        this.ctx.fillRect(this.x(a), top, this.x(d) - this.x(a), height);
        if (c > b) {
          this.ctx.fillStyle = this.ink.band;
          this.ctx.fillRect(this.x(b), top, this.x(c) - this.x(b), height);
        }
        if (index === this.selected) {
          this.ctx.strokeStyle = this.ink.ink;
          this.ctx.lineWidth = 1;
          this.ctx.setLineDash([3, 2]);
          this.ctx.strokeRect(this.x(a), top, this.x(d) - this.x(a), height);
          this.ctx.setLineDash([]);
        }
      }
    }
  }

  /**
   * Dimension lines above a lane and brackets below it.
   * @param {Track} track
   */
  annotations(track) {
    const bottom = this.top + track.top + track.height;
    track.above.forEach((row, number) => {
      const y = this.top + track.top - SIZE.clear + 3 - (number + 0.5) * SIZE.row;
      this.inRow(row, (item) => lineReach(item.finding), (item, room) => this.dimension(item, y, bottom, room, track));
    });
    track.below.forEach((row, number) => {
      const y = bottom + 4 + (number + 0.5) * SIZE.row;
      const reach = ({ finding }) => [finding.allowed[0], finding.allowed[3]];
      this.inRow(row, reach, (item, room) => this.bracket(item, y, room));
    });
  }

  /** Findings that belong to no lane that is shown. */
  overhead() {
    this.layout.overhead.forEach((row, number) => {
      const y = this.top + this.layout.overheadBase - (number + 0.5) * SIZE.row;
      this.inRow(row, (item) => lineReach(item.finding), (item, room) => {
        return this.dimension(item, y, this.top + this.layout.floor, room, null);
      });
    });
  }

  /**
   * Draw the visible items of a row, each with the room that its neighbours leave it.
   * @param {Item[]} row
   * @param {(item: Item) => [number, number]} reach
   * @param {(item: Item, room: [number, number]) => number} draw Returns where its words end.
   */
  inRow(row, reach, draw) {
    const visible = row.filter((item) => {
      const [start, end] = reach(item);
      return end >= this.view.start && start <= this.view.end;
    });
    // What is met and too small to be read is left out; of what is not, one per few pixels is drawn.
    let taken = -Infinity;
    const kept = visible.filter((item) => {
      const [left, right] = reach(item).map((time) => this.x(time));
      if (item.index === this.selected) return true;
      if (item.finding.grade === 0 && right - left < 14) return false;
      if (right < taken + 3) return false;
      taken = right;
      return true;
    });
    // Rings would lie on one another: of near ones the first has its ring and words, the others a line.
    taken = -Infinity;
    for (const item of kept) {
      const x = this.x(reach(item)[1]);
      item.isBare = item.finding.grade > 0 && item.index !== this.selected && x < taken + 24;
      if (!item.isBare) taken = x;
    }
    let free = this.left;
    kept.forEach((item, index) => {
      const after = index + 1 < kept.length ? this.x(reach(kept[index + 1])[0]) - 6 : this.right;
      const written = draw(item, [Math.max(free, this.left), Math.min(after, this.right)]);
      free = Math.max(free, written + 8, this.x(reach(item)[1]) + 6);
    });
  }

  /**
   * A dimension line with its words, or a mark where there is only a moment.
   * @param {Item} item
   * @param {number} y
   * @param {number} bottom Lower end of its lane.
   * @param {[number, number]} room
   * @param {Track|null} track
   * @returns {number} Where its words end.
   */
  dimension(item, y, bottom, room, track) {
    const { finding, index } = item;
    const isFault = finding.grade === 2;
    const isChosen = index === this.selected;
    const tone = isFault ? this.ink.accent : finding.grade === 1 || isChosen ? this.ink.ink : this.ink.quiet;
    const weight = isFault ? 2 : isChosen ? 1.8 : 1;
    const [first, last] = lineReach(finding).map((time) => this.held(time));
    const ring = finding.grade > 0 ? index + 1 : null;
    const style = isFault ? 'bold' : '';
    if (item.isBare && last - first < 24) {
      this.line([last, y, last, bottom], weight, tone);
      return last;
    }
    if (finding.measured === null || last - first < 8) {
      return this.mark(finding, (first + last) / 2, y, bottom, { tone, weight, ring, style, room });
    }
    const [a, b, c, d] = finding.measured.map((time) => this.held(time));
    const reversed = c + d < a + b;
    const [early, late] = reversed ? [d, a] : [b, c];
    const words = this.place(finding.words, first, last, room, ring, style);
    const gap = words !== null && words.inside ? [words.left - 5, words.left + words.block + 5] : null;
    if (words) this.later.push(() => this.label(words, y, ring, tone, style));
    const sure = late > early ? [early, late] : null;
    this.pieces(first, sure ? sure[0] : last, y, weight, tone, gap, [2, 2]);
    if (sure) {
      this.pieces(sure[0], sure[1], y, weight, tone, gap, []);
      this.pieces(sure[1], last, y, weight, tone, gap, [2, 2]);
    }
    this.tips(finding, first, last, y, weight, tone);
    // Extension lines tie it to its edges; few and only where there is room for them.
    if (last - first >= 24 || isChosen || isFault) {
      const [startX, endX] = reversed ? [last, first] : [first, last];
      this.upright(endX, y - 6, bottom, tone);
      const origin = this.layout.tracks.find((other) => other.number === finding.from_lane);
      const isOther = track !== null && origin !== undefined && origin !== track;
      if (!isOther) this.upright(startX, y - 6, bottom, this.ink.quiet);
      else if (origin.top < track.top) this.upright(startX, this.top + origin.top, y + 6, this.ink.quiet);
      else this.upright(startX, y - 6, this.top + origin.top + origin.height, this.ink.quiet);
    }
    return words === null ? last : words.left + words.block;
  }

  /**
   * @param {object} finding
   * @param {number} x
   * @param {number} y
   * @param {number} bottom
   * @param {{tone: string, weight: number, ring: number|null, style: string, room: [number, number]}} how
   * @returns {number} Where its words end.
   */
  mark(finding, x, y, bottom, { tone, weight, ring, style, room }) {
    const half = ring === null ? 0 : this.ringHalf(ring);
    this.line([x, y + 7, x, bottom], weight, tone);
    if (ring === null) {
      this.line([x - 3, y, x, y + 5, x + 3, y], weight, tone);
      return x + 3;
    }
    this.later.push(() => this.ring(ring, x, y, tone));
    for (const text of finding.words) {
      const width = this.width(text, style);
      const isRight = x + half + 5 + width < room[1];
      if (!isRight && x - half - 5 - width < room[0]) continue;
      const at = isRight ? x + half + 5 : x - half - 5;
      this.later.push(() => this.write(text, at, y, { style, align: isRight ? 'left' : 'right', halo: true }));
      return isRight ? at + width : x + half;
    }
    return x + half;
  }

  /**
   * @param {string[]} choices The fullest first.
   * @param {number} first
   * @param {number} last
   * @param {[number, number]} room
   * @param {number|null} ring
   * @param {string} style
   * @returns {{text: string, left: number, block: number, inside: boolean, ringX: number}|null}
   */
  place(choices, first, last, room, ring, style) {
    const before = ring === null ? 0 : 2 * this.ringHalf(ring) + 5;
    for (const text of ring === null ? choices : [...choices, '']) {
      const block = before + (text ? this.width(text, style) : -5);
      const found = (left, inside) => ({ text, left, block, inside, ringX: left + before / 2 - 2.5 });
      if (block + 40 <= last - first) return found((first + last - block) / 2, true);
      if (last + 8 + block <= room[1]) return found(last + 8, false);
      if (first - 8 - block >= room[0]) return found(first - 8 - block, false);
    }
    return null;
  }

  /**
   * @param {object} words Of `place`.
   * @param {number} y
   * @param {number|null} ring
   * @param {string} tone
   * @param {string} style
   */
  label(words, y, ring, tone, style) {
    const before = ring === null ? 0 : 2 * this.ringHalf(ring) + 5;
    if (words.text) this.write(words.text, words.left + before, y, { style, halo: true });
    if (ring !== null) this.ring(ring, words.ringX, y, tone);
  }

  /**
   * @param {number} ring
   * @returns {number}
   */
  ringHalf(ring) {
    return 8 + 3.5 * (String(ring).length - 1);
  }

  /**
   * A number in a ring, the same as in the list of findings.
   * @param {number} ring
   * @param {number} x
   * @param {number} y
   * @param {string} tone
   */
  ring(ring, x, y, tone) {
    const { ctx } = this;
    const half = this.ringHalf(ring);
    ctx.beginPath();
    ctx.roundRect(x - half, y - 8, 2 * half, 16, 8);
    ctx.fillStyle = this.ink.paper;
    ctx.fill();
    ctx.lineWidth = 1.8;
    ctx.strokeStyle = tone;
    ctx.stroke();
    ctx.font = `bold 10.5px ${FONT}`;
    ctx.textAlign = 'center';
    ctx.fillStyle = this.ink.ink;
    ctx.fillText(String(ring), x, y + 0.5);
  }

  /**
   * A line that leaves out the words.
   * @param {number} from
   * @param {number} to
   * @param {number} y
   * @param {number} weight
   * @param {string} tone
   * @param {[number, number]|null} gap
   * @param {number[]} dash
   */
  pieces(from, to, y, weight, tone, gap, dash) {
    const parts = gap === null ? [[from, to]] : [[from, Math.min(to, gap[0])], [Math.max(from, gap[1]), to]];
    for (const [a, b] of parts) if (b > a) this.line([a, y, b, y], weight, tone, dash);
  }

  /**
   * Arrowheads; a cross at an end that was awaited in vain, none at an end that does not show.
   * @param {object} finding
   * @param {number} first
   * @param {number} last
   * @param {number} y
   * @param {number} weight
   * @param {string} tone
   */
  tips(finding, first, last, y, weight, tone) {
    const { ctx } = this;
    const [start, end] = lineReach(finding);
    const head = (x, way) => {
      ctx.beginPath();
      ctx.moveTo(x, y);
      ctx.lineTo(x - way * 7, y - 2.8);
      ctx.lineTo(x - way * 7, y + 2.8);
      ctx.closePath();
      ctx.fillStyle = tone;
      ctx.fill();
    };
    if (start >= this.view.start) head(first, -1);
    if (end > this.view.end || finding.open_end) return;
    if (finding.in_vain) {
      this.line([last - 4, y - 4, last + 4, y + 4, NaN, NaN, last - 4, y + 4, last + 4, y - 4], weight, tone);
    } else head(last, 1);
  }

  /**
   * The bracket below an allowed window, with the limit in words.
   * @param {Item} item
   * @param {number} y
   * @param {[number, number]} room
   * @returns {number} Where its words end.
   */
  bracket({ finding }, y, room) {
    const [left, right] = [this.held(finding.allowed[0]), this.held(finding.allowed[3])];
    const words = this.place(finding.limit_words, left, right, room, null, '');
    const gap = words !== null && words.inside ? [words.left - 5, words.left + words.block + 5] : null;
    this.pieces(left, right, y, 1, this.ink.quiet, gap, []);
    this.line([left, y, left, y - 5, NaN, NaN, right, y, right, y - 5], 1, this.ink.quiet);
    if (words) this.later.push(() => this.write(words.text, words.left, y, { tone: this.ink.quiet, halo: true }));
    return words === null ? right : words.left + words.block;
  }

  /**
   * An extension line.
   * @param {number} x
   * @param {number} from
   * @param {number} to
   * @param {string} tone
   */
  upright(x, from, to, tone) {
    if (x > this.left && x < this.right) this.line([x, from, x, to], 0.9, tone);
  }
}

/** Widths of words and patterns, kept from one paint to the next. */
Painter.widths = new Map();
Painter.patterns = new Map();
