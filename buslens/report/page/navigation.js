'use strict';
/* Where to look: along, closer, to a finding, to the next of something. */

/** A view that can be moved. */
class Navigation extends View {
  /**
   * @param {number} start
   * @param {number} end
   */
  look(start, end) {
    const [low, high] = this.bounds;
    const length = Math.min(Math.max(end - start, SHORTEST), high - low);
    const middle = (start + end) / 2;
    const from = Math.min(Math.max(middle - length / 2, low), high - length);
    this.view = { start: from, end: from + length };
    this.repaint();
  }

  /**
   * @param {number} factor Below 1: closer.
   * @param {number} fixed The moment that stays where it is.
   */
  zoom(factor, fixed = this.here) {
    const { start, end } = this.view;
    this.look(fixed - (fixed - start) * factor, fixed + (end - fixed) * factor);
  }

  /**
   * @param {number} share Of what is seen.
   */
  move(share) {
    const { start, end } = this.view;
    const step = (end - start) * share;
    this.look(start + step, end + step);
  }

  /**
   * Bring a moment into view without changing how much is seen.
   * @param {number} time
   */
  centre(time) {
    const { start, end } = this.view;
    this.look(time - (end - start) / 2, time + (end - start) / 2);
  }

  /**
   * @param {number} index Of a finding.
   */
  choose(index) {
    const finding = this.capture.findings[index];
    this.selected = index;
    for (const button of document.querySelectorAll('[data-finding]')) {
      button.setAttribute('aria-current', String(Number(button.dataset.finding) === index));
    }
    if (!finding || finding.extent === null) return;
    const [first, last] = finding.extent;
    const run = this.runOf(index);
    const [start, end] = run ? [Math.min(first, run.start[0]), Math.max(last, run.end)] : [first, last];
    const length = Math.max(end - start, 20000);
    const room = run ? length * 0.12 : Math.max(length / 2, 500000);
    // A lane that was hidden would hide the moment.
    if (this.hidden.delete(finding.lane)) this.listLanes();
    this.look(start - room, end + room * (run ? 0.7 : 1));
    this.cursor = finding.moment ?? first;
    this.isHeld = true;
    this.relayout();
    this.say(`${finding.title}: ${finding.outcome}`);
  }

  /**
   * @param {number} index Of a finding.
   * @returns {object|undefined} The handshake that it belongs to.
   */
  runOf(index) {
    return this.capture.handshakes.find((run) => run.steps.some((step) => step.finding === index));
  }

  /** @returns {number[]} Moments of what is wrong, in order of time. */
  get violations() {
    this.knownViolations ??= this.capture.findings
      .filter((finding) => finding.grade === 2 && finding.moment !== null)
      .map((finding) => finding.moment)
      .sort((a, b) => a - b);
    return this.knownViolations;
  }

  /** @returns {boolean} Whether there is a cursor in view, held or following the pointer. */
  get seesCursor() {
    return this.cursor !== null && this.cursor >= this.view.start && this.cursor <= this.view.end;
  }

  /** @returns {number} From where 'next' and 'previous' count: the cursor, or the middle where none is seen. */
  get here() {
    return this.seesCursor ? this.cursor : (this.view.start + this.view.end) / 2;
  }

  /**
   * Go to the next or previous of some moments.
   * @param {string} what
   * @param {number[]} times In order.
   * @param {number} way 1 or -1.
   * @param {(index: number) => void} go
   */
  jump(what, times, way, go) {
    const index = way > 0 ? lastAtOrBelow(times, this.here + 1) + 1 : lastAtOrBelow(times, this.here - 2);
    if (index < 0 || index >= times.length) {
      this.say(times.length ? `no ${what} ${way > 0 ? 'after' : 'before'} this` : `no ${what} in this capture`);
      return;
    }
    this.cursor = times[index];
    this.isHeld = true;
    go(index);
  }

  /** @param {number} way */
  toHandshake(way) {
    this.runs ??= [...this.capture.handshakes].sort((a, b) => a.start[1] - b.start[1]);
    this.jump('handshake', this.runs.map((run) => run.start[1]), way, (index) => {
      const run = this.runs[index];
      const length = Math.max(run.end - run.start[0], 20000);
      this.look(run.start[0] - length * 0.12, run.end + length * 0.08);
      this.say(runName(run));
    });
  }

  /** @param {number} way */
  toEvent(way) {
    this.jump('event', this.capture.events.map((event) => event[0]), way, (index) => {
      const [time, words] = this.capture.events[index];
      this.centre(time);
      this.say(`${words} at ${this.words.moment(time)}`);
    });
  }

  /** @param {number} way */
  toViolation(way) {
    this.jump('fault', this.violations, way, (index) => {
      const time = this.violations[index];
      this.choose(this.capture.findings.findIndex((finding) => finding.grade === 2 && finding.moment === time));
    });
  }
}
