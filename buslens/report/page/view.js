'use strict';
/* What is seen, and drawing it. Bokeh keeps the range of time, takes the wheel, the mouse and fingers, and lends the
 * canvas; the lanes are drawn by `Painter`. */

/** What is seen of the capture. */
class View {
  /**
   * @param {object} capture
   * @param {object} plot The plot of Bokeh's document.
   * @param {object} root Its view.
   */
  constructor(capture, plot, root) {
    this.capture = capture;
    this.plot = plot;
    this.root = root;
    this.range = plot.x_range;
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
    this.readInk();
  }

  /** @returns {{start: number, end: number}} */
  get view() {
    return { start: this.range.start, end: this.range.end };
  }

  /** @returns {number[]} */
  get shown() {
    return this.order.filter((number) => !this.hidden.has(number));
  }

  /** Let Bokeh's plot draw the lanes whenever it draws itself. */
  addSheet() {
    const { Renderer, RendererView } = Bokeh.require('models/renderers/renderer');
    const page = this;
    class LanesView extends RendererView {
      /** @returns {boolean} The names of the lanes stand outside the frame. */
      get needs_clip() {
        return false;
      }

      /** @param {CanvasRenderingContext2D} ctx */
      _paint(ctx) {
        page.paint(ctx, this.plot_view.frame.bbox);
      }
    }
    class Lanes extends Renderer {}
    Lanes.prototype.default_view = LanesView;
    Lanes.__name__ = 'BuslensLanes';
    this.lanes = new Lanes({ level: 'guide' });
    this.plot.renderers = [...this.plot.renderers, this.lanes];
    this.hasten();
    // The sheet itself takes the keys; a second stop within it would do nothing.
    passOver(document.getElementById('plot'));
    this.range.connect(this.range.change, () => this.later());
  }

  /** Have Bokeh paint in the next picture: by itself it waits for a timer first, and so misses every other one. */
  hasten() {
    if (typeof this.root.throttled_paint !== 'function' || typeof this.root.repaint !== 'function') return;
    let waiting = null;
    const paint = () => {
      waiting ??= new Promise((resolve) => {
        requestAnimationFrame(() => {
          waiting = null;
          this.root.repaint();
          resolve();
        });
      });
      return waiting;
    };
    paint.stop = () => {};
    this.root.throttled_paint = paint;
  }

  /**
   * @param {CanvasRenderingContext2D} ctx
   * @param {{left: number, top: number, width: number}} box
   */
  paint(ctx, box) {
    if (this.layout === null || box.width < 1) return;
    const before = performance.now();
    this.frame = { left: box.left, top: box.top, width: box.width };
    const how = { selected: this.selected, words: this.words };
    new Painter(ctx, this.capture, this.layout, this.frame, this.view, this.ink, how).paint();
    this.paintTime = performance.now() - before;
    this.later();
  }

  /** Have the lanes drawn again. */
  repaint() {
    this.lanes.change.emit();
    this.root.request_repaint?.();
    this.later();
  }

  /** Bring what lies over and beside the lanes up to date, once before the next picture. */
  later() {
    if (this.isBehind) return;
    this.isBehind = true;
    requestAnimationFrame(() => {
      this.isBehind = false;
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
    this.gutter = room < 560 ? Math.max(96, Math.round(room * 0.24)) : 168;
    this.plot.min_border_left = this.gutter;
    this.plot.height = Math.ceil(this.layout.height) + 12;
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

/**
 * Take everything within an element, and within the trees of its own that it holds, out of the order of the Tab key.
 * @param {Element|ShadowRoot} root
 */
function passOver(root) {
  for (const part of root.querySelectorAll('*')) {
    if (part.tabIndex >= 0) part.tabIndex = -1;
    if (part.shadowRoot) passOver(part.shadowRoot);
  }
}
