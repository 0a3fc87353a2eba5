'use strict';
/* The page: one place that knows what is seen, and everything that a person can do to it. Bokeh keeps the range of
 * time, takes the wheel, the mouse and fingers, and lends the canvas; the lanes are drawn by `Painter`. */

/** Share of the view that an arrow key moves. */
const STRIDE = 0.15;
/** A mark set nearer than this to a change, in pixels, is set at the change. */
const SNAP_PX = 8;

class Page {
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

  /** Connect everything and draw for the first time. */
  async start() {
    this.addSheet();
    this.connectLines();
    this.connectWords();
    this.connectKeys();
    this.connectWorld();
    this.listLanes();
    this.relayout();
    this.look(...this.capture.view);
    for (const id of ['controls', 'readout', 'lanes', 'keys']) document.getElementById(id).hidden = false;
    if (!this.words.hasCalendar) {
      const button = document.getElementById('clock');
      button.disabled = true;
      button.textContent = 'no wall-clock time in this log';
    }
    this.relayout();
  }

  // --- drawing ------------------------------------------------------------------------------------------

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
        page.paint(ctx ?? this.layer.ctx, this.plot_view.frame.bbox);
      }

      /** As versions before 3.6 call it. */
      _render() {
        this._paint(this.layer.ctx);
      }
    }
    class Lanes extends Renderer {}
    Lanes.prototype.default_view = LanesView;
    Lanes.__name__ = 'BuslensLanes';
    this.lanes = new Lanes({ level: 'guide' });
    this.plot.renderers = [...this.plot.renderers, this.lanes];
    this.hasten();
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

  // --- where to look ------------------------------------------------------------------------------------

  /**
   * @param {number} start
   * @param {number} end
   */
  look(start, end) {
    const [low, high] = this.range.bounds;
    const least = this.range.min_interval;
    const length = Math.min(Math.max(end - start, least), high - low);
    const middle = (start + end) / 2;
    const from = Math.min(Math.max(middle - length / 2, low), high - length);
    this.range.setv({ start: from, end: from + length });
    this.repaint();
  }

  /**
   * @param {number} factor Below 1: closer.
   */
  zoom(factor) {
    const { start, end } = this.view;
    const inside = this.cursor !== null && this.cursor > start && this.cursor < end;
    const fixed = inside ? this.cursor : (start + end) / 2;
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

  /** @returns {number} From where 'next' and 'previous' count. */
  get here() {
    const { start, end } = this.view;
    const inside = this.isHeld && this.cursor !== null && this.cursor >= start && this.cursor <= end;
    return inside ? this.cursor : (start + end) / 2;
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
    this.jump('violation', this.violations, way, (index) => {
      const time = this.violations[index];
      this.choose(this.capture.findings.findIndex((finding) => finding.grade === 2 && finding.moment === time));
    });
  }

  // --- lines over the lanes -----------------------------------------------------------------------------

  /**
   * @param {number} x In CSS pixels from the sheet's left edge.
   * @returns {number}
   */
  timeAt(x) {
    const { start, end } = this.view;
    return start + ((x - this.frame.left) / this.frame.width) * (end - start);
  }

  /** Pointer and fingers: the cursor follows, a click holds it, marks are dragged by their letters. */
  connectLines() {
    const sheet = document.getElementById('sheet');
    const at = (event) => {
      const time = this.timeAt(event.clientX - sheet.getBoundingClientRect().left);
      const { start, end } = this.view;
      return time >= start && time <= end ? time : null;
    };
    let pressed = null;
    sheet.addEventListener('pointermove', (event) => {
      const time = at(event);
      if (time === null || this.isHeld) return;
      this.cursor = time;
      this.later();
    });
    sheet.addEventListener('pointerdown', (event) => { pressed = [event.clientX, event.clientY]; }, true);
    sheet.addEventListener('click', (event) => {
      const moved = pressed !== null && Math.hypot(event.clientX - pressed[0], event.clientY - pressed[1]) > 5;
      const time = at(event);
      if (moved || time === null || event.target.closest?.('.grip')) return;
      this.isHeld = !this.isHeld;
      this.cursor = this.isHeld ? this.snapped(time).time : time;
      this.later();
    }, true);
    for (const name of ['a', 'b']) this.connectGrip(name, at);
    const overview = document.getElementById('overview');
    overview.addEventListener('pointerdown', (event) => overview.setPointerCapture(event.pointerId));
    for (const kind of ['pointerdown', 'pointermove']) {
      overview.addEventListener(kind, (event) => {
        if (event.buttons === 0) return;
        const x = event.clientX - overview.getBoundingClientRect().left;
        this.centre(((x - this.frame.left) / this.frame.width) * this.capture.end);
      });
    }
  }

  /**
   * @param {'a'|'b'} name
   * @param {(event: PointerEvent) => number|null} at
   */
  connectGrip(name, at) {
    const grip = document.querySelector(`#mark-${name} .grip`);
    grip.addEventListener('pointerdown', (event) => {
      grip.setPointerCapture(event.pointerId);
      event.stopPropagation();
    });
    grip.addEventListener('pointermove', (event) => {
      const time = at(event);
      if (!grip.hasPointerCapture(event.pointerId) || time === null) return;
      event.stopPropagation();
      this.marks[name] = this.snapped(time);
      this.later();
    });
  }

  /**
   * @param {number} time
   * @returns {{time: number, since: number}} The nearest change of a lane that is shown, if one is near.
   */
  snapped(time) {
    const near = (SNAP_PX * (this.view.end - this.view.start)) / this.frame.width;
    let best = { time, since: time };
    let least = near;
    for (const number of this.shown) {
      const lane = this.capture.lanes[number];
      if (lane.value !== null) continue;
      const entry = lastAtOrBelow(lane.seen, time);
      for (const each of [entry, entry + 1]) {
        if (each < 1 || each >= lane.seen.length) continue;
        const distance = Math.abs(lane.seen[each] - time);
        if (distance >= least) continue;
        least = distance;
        best = { time: lane.seen[each], since: Math.max(lane.since[each], lane.seen[each - 1]) };
      }
    }
    return best;
  }

  /** @param {'a'|'b'} name */
  setMark(name) {
    this.marks[name] = this.snapped(this.here);
    this.later();
  }

  /** Put cursor, play head and marks where they belong. */
  placeLines() {
    const { start, end } = this.view;
    const place = (id, time) => {
      const line = document.getElementById(id);
      const isSeen = time !== null && time >= start && time <= end;
      line.hidden = !isSeen;
      if (!isSeen) return;
      const x = this.frame.left + ((time - start) / (end - start)) * this.frame.width;
      line.style.transform = `translateX(${x}px)`;
      line.style.height = `${this.frame.top + this.layout.floor}px`;
    };
    place('cursor', this.cursor);
    document.getElementById('cursor').classList.toggle('held', this.isHeld);
    place('head', this.head);
    place('mark-a', this.marks.a?.time ?? null);
    place('mark-b', this.marks.b?.time ?? null);
    const { a, b } = this.marks;
    const output = document.getElementById('measured');
    if (a === null || b === null) {
      const one = a ?? b;
      setText(output, one === null ? '' : `${a === null ? 'B' : 'A'} at ${this.words.moment(one.time)}`);
      return;
    }
    const [first, second] = a.time <= b.time ? [a, b] : [b, a];
    const words = span(Math.max(second.since - first.time, 0), second.time - first.since);
    setText(output, `${a.time <= b.time ? 'A to B' : 'B to A'}: ${words}`);
  }

  // --- the read-out -------------------------------------------------------------------------------------

  /** Make a row for each lane that is shown. */
  listReadings() {
    const body = document.querySelector('#readout tbody');
    body.replaceChildren();
    this.rows = this.shown.map((number) => {
      const row = body.insertRow();
      const head = document.createElement('th');
      head.scope = 'row';
      head.textContent = this.capture.lanes[number].role.replaceAll('_', ' ');
      row.append(head);
      return { lane: this.capture.lanes[number], cursor: row.insertCell(), head: row.insertCell() };
    });
  }

  /** Tell what each lane shows at the cursor and at the play head. */
  readOut() {
    setText(document.getElementById('cursor-time'), this.cursor === null ? '' : this.words.moment(this.cursor));
    setText(document.getElementById('head-time'), this.head === null ? '' : this.words.moment(this.head));
    for (const { lane, cursor, head } of this.rows) {
      this.tell(cursor, lane, this.cursor);
      this.tell(head, lane, this.head);
    }
    const awaited = this.head === null ? '' : awaitedWords(this.capture, this.head, this.words);
    setText(document.getElementById('awaited'), awaited);
  }

  /**
   * @param {HTMLTableCellElement} cell
   * @param {Lane} lane
   * @param {number|null} time
   */
  tell(cell, lane, time) {
    const told = time === null ? { words: '', entry: -1, known: true } : reading(this.capture, lane, time);
    setText(cell, told.words);
    cell.classList.toggle('unknown', !told.known);
    // Set off for a moment after a change, so that it is not missed.
    const isFresh = told.known && told.entry > 0 && lane.value === null && time - lane.seen[told.entry] < 400000;
    cell.classList.toggle('fresh', isFresh);
  }

  /** @param {string} words */
  say(words) {
    setText(document.getElementById('status'), words);
  }

  // --- replay -------------------------------------------------------------------------------------------

  /** Let the play head run, or stop it. */
  play() {
    this.isPlaying = !this.isPlaying;
    const button = document.getElementById('play');
    button.textContent = this.isPlaying ? 'pause' : 'play';
    button.setAttribute('aria-pressed', String(this.isPlaying));
    if (!this.isPlaying) return;
    const { start, end } = this.view;
    if (this.head === null || this.head < start || this.head > end || this.head >= this.capture.end) {
      this.head = Math.max(this.isHeld && this.here < this.capture.end ? this.here : start, 0);
    }
    let before = performance.now();
    const run = (now) => {
      if (!this.isPlaying) return;
      const speed = Number(document.getElementById('speed').value);
      this.head = Math.min(this.head + Math.max(now - before, 0) * 1000 * speed, this.capture.end);
      before = now;
      this.follow();
      this.later();
      if (this.head >= this.capture.end) this.play();
      else requestAnimationFrame(run);
    };
    requestAnimationFrame(run);
  }

  /** Keep the play head in view. */
  follow() {
    const { start, end } = this.view;
    const length = end - start;
    if (this.head > end - length * 0.08 && end < this.range.bounds[1]) {
      this.look(this.head - length * 0.2, this.head + length * 0.8);
    } else if (this.head < start) this.look(this.head - length * 0.1, this.head + length * 0.9);
  }

  /**
   * Put the play head at the next change of a state, or at the one before.
   * @param {number} way
   */
  step(way) {
    if (this.isPlaying) this.play();
    const here = this.head ?? this.here;
    const times = [];
    for (const number of this.shown) {
      const lane = this.capture.lanes[number];
      if (lane.value !== null) continue;
      const entry = lastAtOrBelow(lane.seen, way > 0 ? here : here - 0.5) + (way > 0 ? 1 : 0);
      if (entry >= 0 && entry < lane.seen.length) times.push([lane.seen[entry], lane, entry]);
    }
    times.sort((a, b) => (a[0] - b[0]) * way);
    if (!times.length) {
      this.say(`no change ${way > 0 ? 'after' : 'before'} this`);
      return;
    }
    const [time, lane, entry] = times[0];
    this.head = time;
    const { start, end } = this.view;
    if (time < start || time > end) this.centre(time);
    this.say(`${lane.role} ${entryWords(this.capture, lane, entry)} at ${this.words.moment(time)}`);
    this.later();
  }

  /** @param {number} way */
  changeSpeed(way) {
    const select = document.getElementById('speed');
    select.selectedIndex = Math.min(Math.max(select.selectedIndex + way, 0), select.options.length - 1);
    this.say(`replay: ${select.selectedOptions[0].textContent}`);
  }

  // --- lanes --------------------------------------------------------------------------------------------

  /** Make the list in which lanes are chosen and ordered. */
  listLanes() {
    const list = document.querySelector('#lanes ol');
    const rows = this.order.map((number, place) => {
      const row = document.createElement('li');
      const name = this.capture.lanes[number].role.replaceAll('_', ' ');
      const label = document.createElement('label');
      const box = document.createElement('input');
      box.type = 'checkbox';
      box.checked = !this.hidden.has(number);
      box.addEventListener('change', () => {
        if (box.checked) this.hidden.delete(number);
        else this.hidden.add(number);
        this.relayout();
      });
      label.append(box, ' ', name);
      row.append(label);
      for (const [words, way] of [['up', -1], ['down', 1]]) {
        const button = document.createElement('button');
        button.type = 'button';
        button.textContent = words;
        button.setAttribute('aria-label', `${name} ${words}`);
        button.disabled = place + way < 0 || place + way >= this.order.length;
        button.addEventListener('click', () => this.shift(place, way));
        row.append(button);
      }
      return row;
    });
    list.replaceChildren(...rows);
  }

  /**
   * @param {number} place
   * @param {number} way
   */
  shift(place, way) {
    const [number] = this.order.splice(place, 1);
    this.order.splice(place + way, 0, number);
    this.listLanes();
    this.relayout();
    const buttons = document.querySelectorAll(`#lanes li:nth-child(${place + way + 1}) button`);
    (buttons[way < 0 ? 0 : 1].disabled ? buttons[way < 0 ? 1 : 0] : buttons[way < 0 ? 0 : 1]).focus();
  }

  // --- buttons, keys, and the world around --------------------------------------------------------------

  /** @returns {Record<string, () => void>} Everything that can be asked for, by name. */
  get deeds() {
    return {
      previousHandshake: () => this.toHandshake(-1),
      nextHandshake: () => this.toHandshake(1),
      previousEvent: () => this.toEvent(-1),
      nextEvent: () => this.toEvent(1),
      previousViolation: () => this.toViolation(-1),
      nextViolation: () => this.toViolation(1),
      whole: () => this.look(0, this.capture.end),
      closer: () => this.zoom(0.6),
      wider: () => this.zoom(1 / 0.6),
      earlier: () => this.move(-STRIDE),
      later: () => this.move(STRIDE),
      muchEarlier: () => this.move(-0.9),
      muchLater: () => this.move(0.9),
      cursorEarlier: () => this.nudge(-1),
      cursorLater: () => this.nudge(1),
      play: () => this.play(),
      step: () => this.step(1),
      stepBack: () => this.step(-1),
      slower: () => this.changeSpeed(-1),
      faster: () => this.changeSpeed(1),
      markA: () => this.setMark('a'),
      markB: () => this.setMark('b'),
      clearMarks: () => this.clearMarks(),
      clock: () => this.toggleClock(),
      savePicture: () => this.savePicture(),
      saveNumbers: () => this.saveNumbers(),
      allLanes: () => this.allLanes(),
    };
  }

  /** Buttons do what they say. */
  connectWords() {
    const { deeds } = this;
    document.querySelectorAll('[data-do]').forEach((button) => {
      button.addEventListener('click', () => deeds[button.dataset.do]());
    });
    document.querySelectorAll('[data-finding]').forEach((button) => {
      button.addEventListener('click', () => {
        this.choose(Number(button.dataset.finding));
        document.querySelector('.look').scrollIntoView({ block: 'start' });
      });
    });
  }

  /** Keys do the same, wherever nothing else takes them. */
  connectKeys() {
    const { deeds } = this;
    const keys = new Map([...document.querySelectorAll('#keys dt')].flatMap((term) => {
      return term.dataset.keys.split(' ').map((key) => [key, term.dataset.do]);
    }));
    document.addEventListener('keydown', (event) => {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      const isSheet = event.target.closest?.('#sheet') != null;
      const takesKeys = event.target.closest?.('select, input, textarea') != null;
      const takesSpace = event.target.closest?.('button, summary, a') != null;
      const key = `${event.shiftKey && event.key.length > 1 ? 'Shift+' : ''}${event.key === ' ' ? 'Space' : event.key}`;
      const isArrow = key.includes('Arrow');
      if (takesKeys || (takesSpace && (key === 'Space' || key === 'Enter')) || (isArrow && !isSheet)) return;
      const deed = keys.get(key);
      if (deed === undefined) return;
      event.preventDefault();
      deeds[deed]();
    });
  }

  /** The window, the system's colours, paper. */
  connectWorld() {
    matchMedia('(prefers-color-scheme: dark)').addEventListener('change', () => {
      this.readInk();
      this.repaint();
    });
    new ResizeObserver(() => this.relayout()).observe(document.getElementById('sheet'));
    addEventListener('beforeprint', () => this.paintForPaper());
  }

  /** @param {number} way Move the cursor by a small step, or onto the view. */
  nudge(way) {
    const { start, end } = this.view;
    this.cursor = Math.min(Math.max(this.here + way * (end - start) * 0.01, start), end);
    this.isHeld = true;
    this.later();
  }

  /** Take both marks away. */
  clearMarks() {
    this.marks = { a: null, b: null };
    this.later();
  }

  /** Relative or wall-clock time. */
  toggleClock() {
    if (!this.words.hasCalendar) {
      this.say('this log has no wall-clock time');
      return;
    }
    this.words.byCalendar = !this.words.byCalendar;
    document.getElementById('clock').setAttribute('aria-pressed', String(this.words.byCalendar));
    this.repaint();
  }

  /** Show all lanes. */
  allLanes() {
    this.hidden.clear();
    this.listLanes();
    this.relayout();
  }

  /** @returns {string} Of the capture, without its suffix. */
  get name() {
    const file = document.querySelector('.kicker b').textContent;
    return file.replace(/\.gz$/, '').replace(/\.[^.]*$/, '').replace(/[^\p{L}\p{N}._-]+/gu, '_') || 'capture';
  }

  /** @returns {object} How a sheet of its own is painted. */
  sheetOf(width) {
    const { start, end } = this.view;
    const shown = `${document.querySelector('.kicker b').textContent}, ${this.words.moment(start)} to ${this.words.moment(end)}`;
    const uprights = [['A', this.marks.a?.time], ['B', this.marks.b?.time], ['now', this.head ?? undefined]];
    const measured = document.getElementById('measured').textContent;
    return {
      width,
      gutter: 168,
      lines: [document.querySelector('h1').textContent, measured ? `${shown}; ${measured}` : shown],
      selected: this.selected,
      words: this.words,
      uprights: uprights.filter(([, time]) => time !== undefined).map(([tag, time]) => ({ tag, time })),
    };
  }

  /** Keep what is seen as a picture. */
  savePicture() {
    const canvas = document.createElement('canvas');
    const width = Math.max(document.getElementById('sheet').clientWidth, 700);
    paintSheet(canvas, this.capture, this.layout, this.view, this.ink, this.sheetOf(width));
    canvas.toBlob((blob) => {
      if (blob === null) {
        this.say('the picture is too large for this browser; show fewer lanes');
        return;
      }
      keep(blob, `${this.name}.png`);
      this.say('picture kept');
    }, 'image/png');
  }

  /** Keep what is seen as numbers. */
  saveNumbers() {
    const text = numbersOf(this.capture, this.shown, this.view);
    keep(new Blob(['\ufeff', text], { type: 'text/csv;charset=utf-8' }), `${this.name}.csv`);
    this.say('numbers kept');
  }

  /** Paper is white whatever the screen is. */
  paintForPaper() {
    const canvas = document.getElementById('print');
    canvas.hidden = false;
    paintSheet(canvas, this.capture, this.layout, this.view, this.capture.ink, this.sheetOf(1000));
    addEventListener('afterprint', () => { canvas.hidden = true; }, { once: true });
  }
}

/**
 * @param {Element} element
 * @param {string} text Written only where it is new, as writing costs.
 */
function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** Build the page. */
async function begin() {
  const trouble = document.getElementById('trouble');
  try {
    const item = JSON.parse(document.getElementById('plot-model').textContent);
    const capture = await readCapture(document.getElementById('capture').textContent);
    const views = await Bokeh.embed.embed_item(item, 'plot');
    const root = [...views][0];
    const page = new Page(capture, root.model, root);
    await page.start();
    window.buslens = page;
    document.documentElement.dataset.ready = 'yes';
  } catch (error) {
    trouble.hidden = false;
    trouble.textContent = `The lanes cannot be drawn by this browser (${error.message}). The findings above are complete.`;
    throw error;
  }
}

begin();
