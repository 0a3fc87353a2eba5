'use strict';
/* Cursor, marks and play head over the lanes, and what the lanes show at them. */

/** A mark set nearer than this to a change, in pixels, is set at the change. */
const SNAP_PX = 8;

/** A view that can be measured in. */
class Measuring extends Hand {
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
      if (time === null || this.isHeld || event.buttons !== 0) return;
      this.cursor = time;
      this.later();
    });
    sheet.addEventListener('pointerdown', (event) => { pressed = [event.clientX, event.clientY]; }, true);
    sheet.addEventListener('click', (event) => {
      const moved = pressed !== null && Math.hypot(event.clientX - pressed[0], event.clientY - pressed[1]) > STILL_PX;
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

  /** @param {'a'|'b'} name Set at the cursor and nowhere else: a mark at another moment would measure something else. */
  setMark(name) {
    if (!this.seesCursor) {
      this.say(`no cursor in view: point at the moment for mark ${name.toUpperCase()}, or click on it`);
      return;
    }
    this.marks[name] = this.snapped(this.cursor);
    this.cursor = this.marks[name].time;
    this.later();
  }

  /** Let the cursor follow the pointer again; one that does so already is taken away until the pointer moves. */
  letGo() {
    if (!this.isHeld) this.cursor = null;
    this.isHeld = false;
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
    setText(document.getElementById('cursor-name'), this.isHeld ? 'cursor, held' : 'cursor');
    place('head', this.head);
    place('mark-a', this.marks.a?.time ?? null);
    place('mark-b', this.marks.b?.time ?? null);
    this.tellMeasured();
  }

  /** Tell what is between the marks: there, and in words. */
  tellMeasured() {
    const { a, b } = this.marks;
    const output = document.getElementById('measured');
    const between = document.getElementById('between');
    const { start, end } = this.view;
    between.hidden = a === null || b === null || Math.max(a.time, b.time) < start || Math.min(a.time, b.time) > end;
    if (a === null || b === null) {
      const one = a ?? b;
      setText(output, one === null ? '' : `${a === null ? 'B' : 'A'} at ${this.words.moment(one.time)}`);
      return;
    }
    const [first, second] = a.time <= b.time ? [a, b] : [b, a];
    const words = span(Math.max(second.since - first.time, 0), second.time - first.since);
    setText(output, `${a.time <= b.time ? 'A to B' : 'B to A'}: ${words}`);
    setText(between.firstElementChild, words);
    document.getElementById('sheet').classList.toggle('swapped', a.time > b.time);
    if (between.hidden) return;
    const x = (time) => this.frame.left + ((time - start) / (end - start)) * this.frame.width;
    const [left, right] = [x(Math.max(first.time, start)), x(Math.min(second.time, end))];
    between.style.left = `${left}px`;
    between.style.width = `${right - left}px`;
    between.style.top = `${this.frame.top + this.layout.floor}px`;
    // Where there is no room between the marks, it stands beside them, on the side where there is more.
    between.classList.toggle('beside', between.firstElementChild.offsetWidth > right - left);
    between.classList.toggle('before', left - this.frame.left > this.frame.left + this.frame.width - right);
  }

  // --- the read-out -------------------------------------------------------------------------------------

  /** Make a row for each lane that is shown; where there is room it stands at the end of its lane. */
  listReadings() {
    const body = document.querySelector('#readout tbody');
    body.replaceChildren();
    document.querySelector('#readout thead').style.top = `${MARGIN.top + this.layout.floor + 4}px`;
    this.rows = this.layout.tracks.map(({ number, top, height }) => {
      const row = body.insertRow();
      row.style.top = `${MARGIN.top + top + height / 2}px`;
      const head = document.createElement('th');
      head.scope = 'row';
      head.textContent = this.capture.lanes[number].name;
      row.append(head);
      return { lane: this.capture.lanes[number], cursor: row.insertCell(), head: row.insertCell() };
    });
  }

  /** Tell what each lane shows at the cursor and at the play head. */
  readOut() {
    const { classList } = document.getElementById('readout');
    classList.toggle('at-cursor', this.cursor !== null);
    classList.toggle('at-head', this.head !== null);
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
}
