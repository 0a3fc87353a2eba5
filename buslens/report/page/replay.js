'use strict';
/* What is going on at the play head: which step of which handshake is awaited, and how long it still may take. */

/**
 * @param {object} capture
 * @param {number} time
 * @param {TimeWords} words
 * @returns {string} A line for each step that is awaited.
 */
function awaitedWords(capture, time, words) {
  const running = capture.handshakes.filter((run) => run.start[1] <= time && time < run.end);
  const told = running.flatMap((run) => stepsAwaited(run, time));
  if (told.length) return told.join('\n');
  if (running.length) return running.map((run) => `${runName(run)}: nothing is awaited`).join('\n');
  const next = capture.handshakes.filter((run) => run.start[1] > time).sort((a, b) => a.start[1] - b.start[1])[0];
  const ahead = next ? `; ${runName(next)} begins at ${words.moment(next.start[1])}` : '';
  return `no handshake is running${ahead}`;
}

/**
 * @param {object} run
 * @returns {string}
 */
function runName(run) {
  return `${run.rule} ${run.number}`;
}

/**
 * @param {object} run
 * @param {number} time
 * @returns {string[]}
 */
function stepsAwaited(run, time) {
  const told = [];
  run.steps.forEach((step, index) => {
    if (step.came !== null && time >= step.came) return;
    const name = `${runName(run)} awaits ${step.name}${step.await ? ` (${step.await})` : ''}`;
    const before = run.steps[index - 1];
    if (time >= step.from[1]) told.push(`${name}: ${timeLeft(step, time)}`);
    else if (index === 1 && run.tries > 1 && before.came !== null && time >= before.came) {
      // What was checked is the last try; until then the timer of the second step restarts with each.
      told.push(`${name}: not checked yet, as the step before comes again (${run.tries} tries)`);
    }
  });
  return told;
}

/**
 * @param {object} step
 * @param {number} time
 * @returns {string} The doubt about the moment from which its clock runs is doubt about the time left.
 */
function timeLeft(step, time) {
  const [first, last] = step.from;
  if (step.least !== null && time < first + step.least) {
    return `too early for another ${span(first + step.least - time, last + step.least - time)}`;
  }
  if (step.most === null) return 'no limit';
  const [least, most] = [first + step.most - time, last + step.most - time];
  const limit = `of ${duration(step.most)}`;
  if (least >= 0) return `${span(least, most)} left ${limit}`;
  if (most > 0) return `at most ${duration(most)} left ${limit}`;
  return `over by ${span(-most, -least)}, limit ${duration(step.most)}`;
}

/** A view in which the capture happens again. */
class Replay extends Measuring {
  /** Let the play head run, or stop it. */
  play() {
    this.isPlaying = !this.isPlaying;
    const button = document.getElementById('play');
    button.textContent = this.isPlaying ? 'pause' : 'play';
    button.setAttribute('aria-pressed', String(this.isPlaying));
    if (!this.isPlaying) return;
    const { start, end } = this.view;
    if (this.head === null || this.head < start || this.head > end || this.head >= this.capture.end) {
      this.head = Math.max(this.isHeld && this.seesCursor ? this.cursor : start, 0);
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
    if (this.head > end - length * 0.08 && end < this.bounds[1]) {
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
}
