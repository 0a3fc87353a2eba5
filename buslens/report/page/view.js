'use strict';
/* What is seen, and drawing it once for each picture of the browser; the lanes are drawn by `Painter`. */

/** Margins around the lanes, in CSS pixels; the names of the lanes stand left of them. */
const MARGIN = { top: 2, right: 12, bottom: 10 };
/** The shortest stretch of time that can be looked at, in microseconds. */
const SHORTEST = 20;

/** What is seen of the capture. */
class View {
  /**
   * @param {object} capture
   */
  constructor(capture) {
    this.capture = capture;
    this.canvas = document.getElementById('plot');
    const [start, end] = capture.view;
    /** What is seen, in microseconds. */
    this.view = { start, end };
    // A little beyond both ends, so that these can be looked at, and no further.
    const room = Math.max(capture.end / 20, 100000);
    this.bounds = [-room, capture.end + room];
    this.words = new TimeWords(capture);
    this.order = capture.lanes.map((_, number) => number);
    this.hidden = new Set();
    this.selected = null;
    this.cursor = null;
    this.isHeld = false;
    this.head = null;
    this.isPlaying = false;
    this.marks = { a: null, b: null };
    this.frame = { left: 0, top: 0, width: 1 };
    this.layout = null;
    this.isBehind = false;
    this.isStale = false;
    this.readInk();
  }

  /** @returns {number[]} */
  get shown() {
    return this.order.filter((number) => !this.hidden.has(number));
  }

  /** Draw the lanes. */
  paint() {
    const room = this.canvas.clientWidth;
    if (this.layout === null || room <= this.gutter + MARGIN.right) return;
    const before = performance.now();
    const fine = window.devicePixelRatio || 1;
    const height = MARGIN.top + Math.ceil(this.layout.height) + MARGIN.bottom;
    const [width, tall] = [Math.round(room * fine), Math.round(height * fine)];
    if (this.canvas.width !== width || this.canvas.height !== tall) {
      this.canvas.width = width;
      this.canvas.height = tall;
      this.canvas.style.height = `${height}px`;
    }
    const ctx = this.canvas.getContext('2d');
    ctx.setTransform(fine, 0, 0, fine, 0, 0);
    ctx.clearRect(0, 0, room, height);
    this.frame = { left: this.gutter, top: MARGIN.top, width: room - this.gutter - MARGIN.right };
    const how = { selected: this.selected, words: this.words };
    new Painter(ctx, this.capture, this.layout, this.frame, this.view, this.ink, how).paint();
    this.paintTime = performance.now() - before;
  }

  /** Have the lanes drawn again. */
  repaint() {
    this.isStale = true;
    this.later();
  }

  /** Bring the lanes and what lies over and beside them up to date, once before the next picture. */
  later() {
    if (this.isBehind) return;
    this.isBehind = true;
    requestAnimationFrame(() => {
      this.isBehind = false;
      if (this.isStale) this.paint();
      this.isStale = false;
      this.placeLines();
      this.readOut();
      this.paintOverview();
      const { start, end } = this.view;
      document.getElementById('shown').textContent =
        `shown: ${this.words.moment(start)} to ${this.words.moment(end)}, ${duration(end - start)} long`;
    });
  }

  /** Lay out the lanes that are shown. */
  relayout() {
    this.layout = layOut(this.capture, this.shown);
    const room = document.getElementById('sheet').clientWidth;
    this.gutter = room < 560 ? Math.max(102, Math.round(room * 0.24)) : 168;
    this.listReadings();
    this.repaint();
  }

  /** Take the colours from the style sheet. */
  readInk() {
    const style = getComputedStyle(document.documentElement);
    const names = ['paper', 'ink', 'quiet', 'hatch', 'hair', 'band', 'band-edge', 'accent'];
    this.ink = Object.fromEntries(
      names.map((name) => [name.replace('-', '_'), style.getPropertyValue(`--${name}`).trim()]),
    );
  }

  /** The whole capture in a strip: handshakes, what is wrong, and what is seen of it. */
  paintOverview() {
    const canvas = document.getElementById('overview');
    const [width, height] = [canvas.clientWidth, 26];
    if (width < 1) return;
    const fine = window.devicePixelRatio || 1;
    canvas.width = Math.round(width * fine);
    canvas.height = Math.round(height * fine);
    const ctx = canvas.getContext('2d');
    ctx.scale(fine, fine);
    const [left, right] = [this.frame.left, this.frame.left + this.frame.width];
    const x = (time) => left + (Math.min(Math.max(time, 0), this.capture.end) / this.capture.end) * (right - left);
    const { start, end } = this.view;
    ctx.fillStyle = this.ink.band;
    ctx.fillRect(x(start), 2, Math.max(x(end) - x(start), 2), 20);
    ctx.fillStyle = this.ink.quiet;
    ctx.fillRect(left, 12, right - left, 1);
    let drawn = -1;
    for (const run of this.capture.handshakes) {
      if (x(run.end) < drawn + 1) continue;
      ctx.fillRect(x(run.start[1]), 9.5, Math.max(x(run.end) - x(run.start[1]), 2), 6);
      drawn = x(run.end);
    }
    ctx.fillStyle = this.ink.accent;
    drawn = -1;
    for (const time of this.violations) {
      if (x(time) < drawn + 1) continue;
      drawn = x(time);
      ctx.fillRect(drawn - 1, 3, 2, 18);
    }
    ctx.strokeStyle = this.ink.ink;
    ctx.lineWidth = 1.2;
    ctx.strokeRect(x(start), 2, Math.max(x(end) - x(start), 2), 20);
    ctx.font = `11px ${FONT}`;
    ctx.fillStyle = this.ink.quiet;
    ctx.textBaseline = 'middle';
    ctx.fillText(left > 120 ? 'whole capture' : 'whole', 2, 13);
  }
}

/**
 * @param {Element} element
 * @param {string} text Written only where it is new, as writing costs.
 */
function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}
