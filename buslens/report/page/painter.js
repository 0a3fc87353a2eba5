'use strict';
/* Draws a sheet: everything in its order, the names of the lanes, and the scale of time. */

/** Paints one state of affairs; make a new one for each paint. */
class Painter extends MarkPainter {
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

  /** Names of the lanes and strips. */
  names() {
    const room = this.left - 14;
    for (const strip of this.layout.strips) {
      this.write(this.fitted(strip.rule, this.left - 4, 'italic'), 2, this.top + strip.y, { style: 'italic' });
    }
    for (const track of this.layout.tracks) {
      const text = track.lane.name;
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
    const name = this.width(this.fitted(lane.name, this.left - 14));
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
}
