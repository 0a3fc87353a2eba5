'use strict';
/* Words, lines and patterns on a canvas. */

const FONT = '"Helvetica Neue", Helvetica, Arial, "DejaVu Sans", sans-serif';
/** Thickness of a waveform. */
const WAVE = 1.5;

/** Draws one state of affairs; make a new one for each. */
class Pen {
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
    this.widths = Pen.widths;
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

  /**
   * @param {'hatch'|'crowd'} kind
   * @returns {CanvasPattern}
   */
  pattern(kind) {
    // One dot of the tile is one dot of the canvas, which is what canvases draw fastest.
    const fine = Math.max(1, Math.round(this.ctx.getTransform().a));
    const key = `${kind} ${fine} ${this.ink.hatch} ${this.ink.ink}`;
    let pattern = Pen.patterns.get(key);
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
      Pen.patterns.set(key, pattern);
    }
    return pattern;
  }
}

/** Widths of words and patterns, kept from one paint to the next. */
Pen.widths = new Map();
Pen.patterns = new Map();
