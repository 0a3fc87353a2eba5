'use strict';
/* What is going on at the play head: which step of which handshake is awaited, and how long it still may take. */

/**
 * @param {object} capture
 * @param {number} time
 * @param {TimeWords} words
 * @returns {string}
 */
function awaitedWords(capture, time, words) {
  const running = capture.handshakes.filter((run) => run.start[1] <= time && time < run.end);
  const told = running.flatMap((run) => stepsAwaited(run, time));
  if (told.length) return told.join('; ');
  if (running.length) return running.map((run) => `${runName(run)}: nothing is awaited`).join('; ');
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
  for (const step of run.steps) {
    if (time < step.from[1] || (step.came !== null && time >= step.came)) continue;
    told.push(`${runName(run)} awaits ${step.name}${step.await ? ` (${step.await})` : ''}: ${timeLeft(step, time)}`);
  }
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
