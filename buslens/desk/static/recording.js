'use strict';
/* Recording at the car: what comes is shown as it comes, a key marks a moment, a tone says that all is there. */

const GONE_MS = 4000;
const ALL_THERE = 'All is there. Stop and save.';

/** @param {string} id @param {string[]} lines Fill a list, newest entry as given. */
function list(id, lines) {
  const place = document.getElementById(id);
  if (place === null || place.dataset.text === lines.join('\n')) return;
  place.dataset.text = lines.join('\n');
  place.replaceChildren(...lines.map((line) => {
    const item = document.createElement('li');
    item.textContent = line;
    return item;
  }));
}

/** @param {[string, string, boolean][]} items What is still to do. */
function showGuide(items) {
  const place = document.getElementById('guide');
  if (place === null) return;
  items.forEach(([words, mark, isDone], index) => {
    const item = place.children[index] ?? place.appendChild(document.createElement('li'));
    // Only what has changed, for a screen reader reads whatever is put there.
    if (item.dataset.mark === mark) return;
    item.dataset.mark = mark;
    item.className = isDone ? 'done' : '';
    const bold = document.createElement('b');
    const text = document.createElement('span');
    bold.textContent = mark;
    text.textContent = words;
    item.replaceChildren(bold, ' ', text);
  });
}

/** @type {AudioContext|null} There once a person has asked for the tone. */
let sound = null;
let isComplete = false;

/** @param {number} seconds Sound a tone. */
function tone(seconds) {
  if (sound === null) return;
  const source = sound.createOscillator();
  const volume = sound.createGain();
  source.frequency.value = 880;
  volume.gain.setValueAtTime(0.2, sound.currentTime);
  volume.gain.exponentialRampToValueAtTime(0.001, sound.currentTime + seconds);
  source.connect(volume).connect(sound.destination);
  source.start();
  source.stop(sound.currentTime + seconds);
}

/** Let a button switch the tone on; its first sound lets one hear what to listen for. */
function offerTone() {
  const button = document.getElementById('tone');
  button.hidden = !('AudioContext' in window);
  button.addEventListener('click', () => {
    const isOn = button.getAttribute('aria-pressed') !== 'true';
    button.setAttribute('aria-pressed', String(isOn));
    if (isOn) {
      sound = new AudioContext();
      tone(0.3);
    } else {
      sound?.close();
      sound = null;
    }
  });
}

/** @param {object} state What the desk says of the recording. */
function show(state) {
  document.getElementById('sofar').textContent = `${state.seconds} s, ${state.frames} frames`;
  if (state.listening !== '') document.getElementById('listening').textContent = state.listening;
  showGuide(state.guide);
  const open = state.guide.find(([, , isDone]) => !isDone);
  if (state.is_complete) document.getElementById('now').textContent = ALL_THERE;
  else if (open !== undefined) document.getElementById('now').textContent = `Next: ${open[0]}, ${open[1]}`;
  list('told', state.told);
  list('marks', state.marks);
  const lanes = document.getElementById('lanes');
  if (lanes !== null && state.lanes !== '') {
    lanes.replaceChildren(...new DOMParser().parseFromString(state.lanes, 'text/html').body.childNodes);
  }
  if (state.is_complete && !isComplete) {
    document.getElementById('complete').textContent = ALL_THERE;
    tone(1.5);
  }
  isComplete = state.is_complete;
  document.getElementById('stop').classList.toggle('go', isComplete);
}

/** @param {HTMLElement} main Hear of what comes. */
function listen(main) {
  const source = new EventSource(main.dataset.events);
  const gone = document.getElementById('gone');
  let lost = null;
  source.addEventListener('open', () => {
    clearTimeout(lost);
    lost = null;
    gone.hidden = true;
  });
  source.addEventListener('message', (event) => {
    const state = JSON.parse(event.data);
    show(state);
    if (state.has_ended) {
      source.close();
      // The desk says there why it ended, if nobody asked for it.
      document.getElementById('stop').form.requestSubmit();
    }
  });
  source.addEventListener('end', () => {
    source.close();
    gone.hidden = false;
  });
  source.addEventListener('error', () => { lost ??= setTimeout(() => { gone.hidden = false; }, GONE_MS); });
}

/** Mark a moment without leaving the page. */
function connectMark() {
  const form = document.getElementById('mark').form;
  form.addEventListener('submit', async (event) => {
    event.preventDefault();
    await fetch(form.action, { method: 'POST', body: new URLSearchParams(new FormData(form)) });
  });
  addEventListener('keydown', (event) => {
    if (event.key !== 'm' || event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
    if (event.target.matches('input, textarea, select')) return;
    event.preventDefault();
    form.requestSubmit();
  });
}

/** @param {HTMLElement} place Ask for the adapters, which drivers take seconds to name. */
async function search(place) {
  place.querySelector('.searching').hidden = false;
  const answer = await fetch(place.dataset.from);
  const page = new DOMParser().parseFromString(await answer.text(), 'text/html');
  place.replaceChildren(...page.body.childNodes);
}

const recording = document.getElementById('recording');
const adapters = document.getElementById('adapters');
if (recording !== null) {
  connectMark();
  offerTone();
  listen(recording);
}
if (adapters !== null) search(adapters);
document.documentElement.dataset.ready = 'yes';
