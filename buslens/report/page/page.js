'use strict';
/* The page: lanes to choose, buttons and keys, and the world around it. */

/** Width of a sheet of paper between its margins: A4 without 12 mm on each side. */
const PAPER_PX = 703;
/** Share of the view that an arrow key moves. */
const STRIDE = 0.15;

/** Everything that a person can do to a view. */
class Page extends Replay {
  /** Connect everything and draw for the first time. */
  start() {
    this.connectWheel();
    this.connectPointers();
    this.connectLines();
    this.connectWords();
    this.connectKeys();
    this.connectWorld();
    this.hideStill();
    this.listLanes();
    this.relayout();
    this.look(...this.capture.view);
    this.recall();
    addEventListener('hashchange', () => this.recall());
    for (const id of ['controls', 'readout', 'table', 'lanes', 'keys']) document.getElementById(id).hidden = false;
    if (!this.words.hasCalendar) {
      const button = document.getElementById('clock');
      button.disabled = true;
      button.textContent = 'no wall-clock time in this log';
    }
    this.relayout();
  }

  // --- the link ----------------------------------------------------------------------------------------

  /** Show what the link asks for, as `remember` has written it. */
  recall() {
    const asked = new URLSearchParams(location.hash.slice(1));
    const times = (name) => {
      const given = (asked.get(name) ?? '').split(',').map(Number);
      return given.length === 2 && given.every(Number.isFinite) && asked.get(name) !== '' ? given : null;
    };
    const finding = asked.get('finding');
    if (finding !== null && Number(finding) in this.capture.findings) this.choose(Number(finding));
    for (const name of ['a', 'b']) {
      const mark = times(name);
      if (mark !== null) this.marks[name] = { time: mark[0], since: mark[1] };
    }
    const view = times('view');
    if (view !== null && view[0] < view[1]) this.look(...view);
  }

  /** Have the link say what is seen, so that it can be passed on; a little later, as browsers limit how often. */
  remember() {
    clearTimeout(this.remembering);
    this.remembering = setTimeout(() => {
      const { start, end } = this.view;
      const parts = [`view=${Math.round(start)},${Math.round(end)}`];
      for (const name of ['a', 'b']) {
        const mark = this.marks[name];
        if (mark !== null) parts.push(`${name}=${Math.round(mark.time)},${Math.round(mark.since)}`);
      }
      if (this.selected !== null) parts.push(`finding=${this.selected}`);
      history.replaceState(null, '', `#${parts.join('&')}`);
    }, 400);
  }

  /** Everything that moves is remembered. */
  later() {
    super.later();
    if (document.documentElement.dataset.ready === 'yes') this.remember();
    this.retable();
  }

  /** Write the table of what is shown anew, where it is open, once what is shown comes to rest. */
  retable() {
    clearTimeout(this.tabling);
    const table = document.getElementById('table');
    if (!table.open) return;
    this.tabling = setTimeout(() => {
      const lanes = this.order.filter((number) => !this.hidden.has(number) || this.still.includes(number));
      fillTable(table.querySelector('tbody'), table.querySelector('p'), this.capture, lanes, this.view, this.words);
    }, 200);
  }

  // --- lanes --------------------------------------------------------------------------------------------

  /** Lanes without any change, and without a fault, share one line of words until somebody asks for them. */
  hideStill() {
    const faulty = new Set(this.capture.findings.filter((it) => it.grade > 0).map((it) => it.lane));
    this.still = this.order.filter((number) => !faulty.has(number) && stillWords(this.capture, number) !== null);
    if (this.still.length < this.order.length) this.still.forEach((number) => this.hidden.add(number));
  }

  /** Lay out the lanes that are shown, and tell in words what the still ones show. */
  relayout() {
    super.relayout();
    const left = (this.still ?? []).filter((number) => this.hidden.has(number));
    const line = document.getElementById('still');
    line.hidden = left.length === 0;
    const told = left.map((number) => `${this.capture.lanes[number].name} ${stillWords(this.capture, number)}`);
    setText(line.firstElementChild, `Without change: ${told.join(', ')}.`);
  }

  /** Make the list in which lanes are chosen and ordered. */
  listLanes() {
    const list = document.querySelector('#lanes ol');
    const rows = this.order.map((number, place) => {
      const row = document.createElement('li');
      const name = this.capture.lanes[number].name;
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
      letGo: () => this.letGo(),
      clock: () => this.toggleClock(),
      savePicture: () => this.savePicture(),
      saveNumbers: () => this.saveNumbers(),
      allLanes: () => this.allLanes(),
      stillLanes: () => this.allLanes(),
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
        // Whoever chose it by keyboard goes on at its moment.
        document.getElementById('sheet').focus({ preventScroll: true });
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
      const takesKeys = event.target.closest?.('select, input, textarea, .scroll') != null;
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
    document.getElementById('table').addEventListener('toggle', () => this.retable());
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
    // What stands in words only belongs to what is seen.
    const lanes = this.order.filter((number) => !this.hidden.has(number) || this.still.includes(number));
    const text = numbersOf(this.capture, lanes, this.view);
    keep(new Blob(['\ufeff', text], { type: 'text/csv;charset=utf-8' }), `${this.name}.csv`);
    this.say('numbers kept');
  }

  /** Paper is white whatever the screen is. */
  paintForPaper() {
    const canvas = document.getElementById('print');
    canvas.hidden = false;
    const how = this.sheetOf(PAPER_PX);
    paintSheet(canvas, this.capture, this.layout, this.view, this.capture.ink, { ...how, lines: how.lines.slice(1) });
    addEventListener('afterprint', () => { canvas.hidden = true; }, { once: true });
  }
}

/** A number that moves by less than this share of what it could is still: noise. */
const STILL_SHARE = 0.02;

/**
 * @param {object} capture
 * @param {number} number Of a lane.
 * @returns {string|null} What a lane shows throughout; null if it changes.
 */
function stillWords(capture, number) {
  const lane = capture.lanes[number];
  const known = Array.from(lane.code.keys()).filter((entry) => lane.code[entry] < capture.unknown_from);
  // What is not yet known at the beginning is no change.
  if (known.length === 0 || known.length < lane.code.length - 1 || known.at(-1) !== lane.code.length - 1) return null;
  const first = known[0];
  if (lane.value === null) return known.every((it) => lane.code[it] === lane.code[first]) ? lane.states[lane.code[first]] : null;
  let [least, most] = [lane.value[first], lane.value[first]];
  for (const entry of known) {
    least = Math.min(least, lane.value[entry]);
    most = Math.max(most, lane.value[entry]);
  }
  const whole = Math.max(Math.abs(least), Math.abs(most), ...lane.limits.map(Math.abs));
  if (most - least > STILL_SHARE * whole) return null;
  return least === most ? `${least} ${lane.unit}` : `${least.toPrecision(3)} to ${most.toPrecision(3)} ${lane.unit}`;
}

/** Build the page. */
async function begin() {
  const trouble = document.getElementById('trouble');
  try {
    const capture = await readCapture(document.getElementById('capture').textContent);
    const page = new Page(capture);
    page.start();
    window.buslens = page;
    document.documentElement.dataset.ready = 'yes';
  } catch (error) {
    trouble.hidden = false;
    trouble.textContent = `The lanes cannot be drawn by this browser (${error.message}). The findings above are complete.`;
    throw error;
  }
}

begin();
