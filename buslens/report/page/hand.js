'use strict';
/* Wheel, mouse and fingers on the sheet. */

/** A pointer that has moved by fewer pixels was meant to stay where it is. */
const STILL_PX = 5;
/** Two fingers are never taken to be nearer to one another than so many pixels. */
const LEAST_APART_PX = 12;
/** Part of the view by which it shrinks or grows for each pixel that the wheel would have scrolled. */
const ZOOM_PER_PX = 0.002;
/** Pixels that a line, and a page, of a wheel that counts in those is taken for. */
const WHEEL_UNITS = [1, 16, 400];

/** A view that is moved by hand. */
class Hand extends Navigation {
  /**
   * @param {number} x In CSS pixels from the sheet's left edge.
   * @returns {number}
   */
  timeAt(x) {
    const { start, end } = this.view;
    return start + ((x - this.frame.left) / this.frame.width) * (end - start);
  }

  /** The wheel scrolls the page, as everywhere; with a modifier, or sideways, it is meant for the lanes. */
  connectWheel() {
    const sheet = document.getElementById('sheet');
    sheet.addEventListener('wheel', (event) => {
      const unit = WHEEL_UNITS[event.deltaMode];
      const across = (event.shiftKey ? event.deltaX || event.deltaY : event.deltaX) * unit;
      const { start, end } = this.view;
      if (event.ctrlKey || event.metaKey) {
        const x = event.clientX - sheet.getBoundingClientRect().left;
        this.zoom(Math.exp(event.deltaY * unit * ZOOM_PER_PX), Math.min(Math.max(this.timeAt(x), start), end));
      } else if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
        this.move(across / this.frame.width);
      } else return;
      event.preventDefault();
    }, { passive: false });
  }

  /** What is under a pointer stays under it; under two, what is between them grows or shrinks with their distance. */
  connectPointers() {
    /** @type {Map<number, number>} Where each pointer is, in pixels from the sheet's left edge. */
    const at = new Map();
    // Where the pointers were when the last of them came or went, and the moments that were under them.
    let grasped = [];
    let hasMoved = false;
    const grasp = () => { grasped = [...at.values()].slice(0, 2).map((x) => ({ x, time: this.timeAt(x) })); };
    const { canvas } = this;
    const x = (event) => event.clientX - canvas.getBoundingClientRect().left;
    canvas.addEventListener('pointerdown', (event) => {
      if (event.button !== 0) return;
      canvas.setPointerCapture(event.pointerId);
      at.set(event.pointerId, x(event));
      hasMoved = at.size > 1;
      grasp();
    });
    canvas.addEventListener('pointermove', (event) => {
      if (!at.has(event.pointerId)) return;
      at.set(event.pointerId, x(event));
      const now = [...at.values()];
      hasMoved ||= Math.abs(now[0] - grasped[0].x) > STILL_PX;
      if (hasMoved) this.drag(grasped, now);
    });
    for (const kind of ['pointerup', 'pointercancel']) {
      canvas.addEventListener(kind, (event) => {
        at.delete(event.pointerId);
        grasp();
      });
    }
  }

  /**
   * @param {{x: number, time: number}[]} grasped One or two pixels, and what was there.
   * @param {number[]} now Where the pointers are.
   */
  drag(grasped, now) {
    const { start, end } = this.view;
    let perPx = (end - start) / this.frame.width;
    if (grasped.length > 1) {
      const way = Math.sign(grasped[1].x - grasped[0].x) || 1;
      perPx = Math.abs(grasped[1].time - grasped[0].time) / Math.max((now[1] - now[0]) * way, LEAST_APART_PX);
    }
    const from = grasped[0].time - (now[0] - this.frame.left) * perPx;
    this.look(from, from + perPx * this.frame.width);
  }
}
