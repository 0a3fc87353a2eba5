'use strict';
/* What the pages of the desk do beyond forms and links: captures are dropped, and what has changed is put in place
   without loading the page anew. Everything else is HTML. */

/** Milliseconds without the desk after which it is said to be gone. */
const GONE_MS = 4000;

/** Milliseconds after which a form that was sent says that it is being worked on. */
const SLOW_MS = 400;

const FOLDER_GONE = 'The folder of this job is not there any more: it was moved or renamed, or its disk was taken out.';

const main = document.getElementById('job');

/** @type {Map<string, string>} Each part as the desk sent it last, by its id. */
const sent = new Map();

/** Part of which a person has just sent a form, until all that comes of it is there. */
let wanted = '';

/** @param {ParentNode} root @returns {HTMLElement[]} The parts that are put in place one by one. */
const parts = (root) => [...root.querySelectorAll('#job > [id]')];

/** @param {Element} part Whether something was typed there that was not sent yet, or was refused. */
function isBeingEdited(part) {
  return [...part.querySelectorAll('input, textarea')].some((it) => (
    it.type !== 'hidden' && it.type !== 'file' && it.value !== it.defaultValue
  )) || part.querySelector('.sending > li, [aria-invalid]') !== null;
}

/** @param {Element} part @returns {Map<string, boolean>} Which of its details are open, by their words. */
function opened(part) {
  return new Map([...part.querySelectorAll('details')].map((it) => (
    [it.querySelector('summary').getAttribute('aria-label') ?? it.querySelector('summary').textContent, it.open]
  )));
}

/**
 * Put in place what has changed.
 * @param {string} text A page of this job.
 * @param {Element|null} by The part from which it was asked for; it is replaced also while it is being edited.
 */
function show(text, by = null) {
  const page = new DOMParser().parseFromString(text, 'text/html');
  const fresh = page.getElementById('job');
  if (fresh === null) return;
  main.className = fresh.className;
  main.dataset.version = fresh.dataset.version;
  main.dataset.busy = fresh.dataset.busy;
  document.title = page.title;
  for (const part of parts(page)) {
    const old = document.getElementById(part.id);
    const markup = part.outerHTML;
    if (sent.get(part.id) === markup && part.id !== by?.id) continue;
    if (old !== by && isBeingEdited(old)) {
      // Its state is shown all the same.
      old.className = part.className;
      continue;
    }
    sent.set(part.id, markup);
    const was = opened(old);
    const next = document.importNode(part, true);
    if (old !== by) {
      next.querySelectorAll('details').forEach((it) => {
        const summary = it.querySelector('summary');
        it.open ||= was.get(summary.getAttribute('aria-label') ?? summary.textContent) === true;
      });
    }
    old.replaceWith(next);
    connect(next);
    if (part.id === wanted && document.activeElement === document.body) settle(next);
  }
  if (main.dataset.busy === 'no') wanted = '';
}

/** @type {Promise<void>|null} The question for the page that is under way. */
let asking = null;

/** Whether something has changed since the page was last asked for, and how often it has. */
let isStale = false;
let changes = 0;

/**
 * Ask for the page, and show what has changed. One question at a time: of two answers the older one could come last,
 * and would stay.
 * @returns {Promise<void>}
 */
function refresh() {
  isStale = true;
  changes += 1;
  asking ??= renew();
  return asking;
}

/** Ask until nothing has changed meanwhile. */
async function renew() {
  try {
    while (isStale) {
      isStale = false;
      const answer = await fetch(location.pathname, { headers: { accept: 'text/html' } });
      if (answer.ok) show(await answer.text());
    }
  } finally {
    asking = null;
  }
}

/** @param {Element} part @param {string} words Say what went wrong. */
function complain(part, words) {
  let line = part.querySelector(':scope > .trouble');
  if (line === null) {
    line = document.createElement('p');
    line.className = 'trouble';
    line.setAttribute('role', 'alert');
    part.append(line);
  }
  line.textContent = words;
}

/** @param {SubmitEvent} event Send a form, and stay where we are. */
async function submit(event) {
  const form = event.target;
  const part = form.closest('#job > [id]');
  if (part === null || form.method !== 'post') return;
  event.preventDefault();
  const body = new URLSearchParams(new FormData(form, event.submitter));
  form.querySelectorAll('button').forEach((it) => { it.disabled = true; });
  const slow = setTimeout(() => { form.append(working()); }, SLOW_MS);
  const before = changes;
  try {
    const answer = await fetch(form.getAttribute('action'), { method: 'POST', body });
    const isPage = answer.headers.get('content-type')?.startsWith('text/html');
    const text = await answer.text();
    if (!isPage) throw new Error(text);
    wanted = part.id;
    show(text, part);
    // The answer may be older than what was shown meanwhile.
    if (answer.ok && changes !== before) refresh().catch(() => {});
    if (!resume(form)) settle(document.getElementById(part.id));
  } catch (error) {
    complain(part, error instanceof TypeError ? 'The desk did not answer. Nothing was saved.' : error.message);
  } finally {
    clearTimeout(slow);
    form.querySelectorAll('button').forEach((it) => { it.disabled = false; });
    form.querySelector('.working')?.remove();
  }
}

/** @returns {HTMLElement} A word that something is being worked out. */
function working() {
  const line = document.createElement('span');
  line.className = 'working';
  line.setAttribute('role', 'status');
  line.textContent = 'Working';
  return line;
}

/**
 * Go on marking: what was done last is chosen still.
 * @param {HTMLFormElement} form As it was sent.
 * @returns {boolean} Whether it is a form that is sent again and again.
 */
function resume(form) {
  const line = form.querySelector('.timeline');
  const next = line === null ? undefined : [...document.forms].find((it) => it.querySelector('.timeline'));
  if (next === undefined) return false;
  const done = form.elements.words.value;
  const again = [...next.elements.words].find((it) => it.value === done && done !== '');
  if (again !== undefined) again.checked = true;
  next.elements.other.value = form.elements.other.value;
  next.elements.time.focus({ preventScroll: true });
  return true;
}

/** @param {Element} part Whoever works by keyboard goes on where there is something to do. */
function settle(part) {
  const next = part.querySelector('.trouble') ? part.querySelector('[aria-invalid]') : null;
  const goal = next ?? part.querySelector('.next input:not([type=hidden]), .next .btn')
    ?? document.querySelector('.beside > .now h2') ?? part.querySelector('h2');
  if (goal.tagName === 'H2') goal.tabIndex = -1;
  goal.focus({ preventScroll: goal.tagName === 'H2' });
}

// --- captures -------------------------------------------------------------------------------------------

let underWay = 0;

/** @param {HTMLElement} zone @param {Iterable<File>} files Send captures one after the other. */
async function send(zone, files) {
  const part = zone.closest('#job > [id]').id;
  for (const file of files) {
    const row = document.createElement('li');
    const bar = document.createElement('progress');
    const words = document.createElement('p');
    bar.max = 1;
    bar.value = 0;
    bar.setAttribute('aria-label', `Copying ${file.name}`);
    words.textContent = `Copying ${file.name}`;
    row.append(words, bar);
    // What came of the file before has put another zone in the place of this one.
    const shown = zone.isConnected ? zone : document.querySelector(`.drop[data-to="${zone.dataset.to}"]`);
    shown.querySelector('.sending').append(row);
    underWay += 1;
    try {
      const { names, left } = await put(
        `${zone.dataset.to}?name=${encodeURIComponent(file.name)}`, file, (share) => { bar.value = share; },
      );
      row.remove();
      if (left.length > 0) {
        // Beside the steps, which change while what was taken is read.
        const told = document.createElement('div');
        document.getElementById('told').append(told);
        tell(told, `${file.name}: ${names.length} taken. Left out: ${left.join('; ')}`);
      }
      wanted = part;
      await refresh();
    } catch (error) {
      tell(row, `${file.name}: ${error.message}`);
      row.firstChild.className = 'trouble';
    } finally {
      underWay -= 1;
    }
  }
}

/** @param {HTMLElement} row @param {string} words Say what came of a file, until the person closes that. */
function tell(row, words) {
  const line = document.createElement('p');
  line.textContent = words;
  row.replaceChildren(line);
  const close = document.createElement('button');
  close.type = 'button';
  close.textContent = 'close this message';
  close.addEventListener('click', () => {
    row.remove();
    refresh().catch(() => {});
  });
  row.append(close);
}

/**
 * @param {string} to
 * @param {File} file
 * @param {(share: number) => void} tell How much of it is there.
 * @returns {Promise<{names: string[], left: string[]}>} What it is called there, and what of an archive was not taken.
 */
function put(to, file, tell) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open('PUT', to);
    request.setRequestHeader('content-type', 'application/octet-stream');
    request.upload.addEventListener('progress', (event) => { if (event.lengthComputable) tell(event.loaded / event.total); });
    request.addEventListener('load', () => {
      if (request.status === 201) resolve(JSON.parse(request.responseText));
      else reject(new Error(request.responseText || `the desk answered ${request.status}`));
    });
    request.addEventListener('error', () => reject(new Error('the desk did not take it, or has ended; drop it again')));
    request.send(file);
  });
}

addEventListener('beforeunload', (event) => { if (underWay > 0) event.preventDefault(); });
// A file that misses its place must not be opened in place of the page.
for (const kind of ['dragover', 'drop']) addEventListener(kind, (event) => event.preventDefault());

// --- lanes and record -----------------------------------------------------------------------------------

/** @param {HTMLDetailsElement} details @returns {HTMLIFrameElement} The frame with all lanes, loaded once it is wanted. */
function lanes(details) {
  const frame = details.querySelector('iframe');
  if (!frame.hasAttribute('src')) frame.src = frame.dataset.src;
  return frame;
}

/** @param {HTMLElement} button Show the moment of a finding among all lanes. */
function showFinding(button) {
  const details = button.closest('.step').querySelector('details.lanes');
  details.open = true;
  const frame = lanes(details);
  const go = () => {
    const page = frame.contentWindow?.buslens;
    if (page === undefined) {
      setTimeout(go, 100);
      return;
    }
    page.choose(Number(button.dataset.finding));
    frame.contentDocument.querySelector('.look').scrollIntoView({ block: 'start' });
    details.scrollIntoView({ block: 'start' });
    frame.contentDocument.getElementById('sheet').focus({ preventScroll: true });
  };
  go();
}

/** @param {string} address Print a page without leaving this one. */
function print(address) {
  const frame = document.createElement('iframe');
  // Not hidden: some browsers print nothing of what is not laid out.
  frame.className = 'printing';
  frame.title = 'The page that is being printed';
  frame.addEventListener('load', () => {
    frame.contentWindow.addEventListener('afterprint', () => frame.remove());
    frame.contentWindow.print();
  });
  frame.src = address;
  document.body.append(frame);
}

// --- everything in a part -------------------------------------------------------------------------------

/** @param {ParentNode} root Let what is new do what it says. */
function connect(root) {
  root.querySelectorAll('.drop').forEach((zone) => {
    const input = zone.querySelector('input');
    input.addEventListener('change', () => {
      const files = [...input.files];
      input.value = '';
      send(zone, files);
    });
    zone.addEventListener('dragover', () => zone.classList.add('over'));
    zone.addEventListener('dragleave', () => zone.classList.remove('over'));
    zone.addEventListener('drop', (event) => {
      zone.classList.remove('over');
      send(zone, [...event.dataTransfer.files]);
    });
  });
  root.querySelectorAll('details.lanes').forEach((it) => it.addEventListener('toggle', () => { if (it.open) lanes(it); }));
  root.querySelectorAll('[data-finding]').forEach((it) => it.addEventListener('click', () => showFinding(it)));
  root.querySelectorAll('.timeline').forEach((it) => it.addEventListener('click', (event) => {
    const place = it.getBoundingClientRect();
    const form = it.closest('form');
    form.elements.time.value = (it.dataset.length * (event.clientX - place.left) / place.width).toFixed(2);
    if (form.elements.words.value !== '' || form.elements.other.value !== '') form.requestSubmit();
    else form.elements.words[0].focus({ preventScroll: true });
  }));
  root.querySelectorAll('[data-print]').forEach((it) => {
    it.hidden = false;
    it.addEventListener('click', () => print(it.dataset.print));
  });
}

/** Hear of changes, also of those that a command or another window has made. */
function listen() {
  const gone = document.getElementById('gone');
  let lost = null;
  const words = gone.textContent;
  const isGone = async () => {
    const answer = await fetch(location.pathname).catch(() => null);
    gone.textContent = answer?.status === 404 ? FOLDER_GONE : words;
    gone.hidden = answer?.ok === true;
    if (answer?.ok && source.readyState === EventSource.CLOSED) listen();
  };
  const source = new EventSource(document.body.dataset.events);
  source.addEventListener('open', () => {
    clearTimeout(lost);
    lost = null;
    gone.hidden = true;
  });
  source.addEventListener('message', (event) => {
    const told = JSON.parse(event.data);
    document.getElementById('windows').hidden = told.windows < 2;
    document.querySelectorAll('.seconds').forEach((it) => { it.textContent = told.seconds > 0 ? `for ${told.seconds} s` : ''; });
    // That the desk has ended meanwhile, 'end' and 'error' tell.
    if (told.version !== main.dataset.version) refresh().catch(() => {});
  });
  source.addEventListener('end', () => {
    source.close();
    gone.hidden = false;
  });
  source.addEventListener('error', () => { lost ??= setTimeout(isGone, GONE_MS); });
}

if (main !== null) {
  parts(document).forEach((it) => sent.set(it.id, it.outerHTML));
  connect(document);
  document.addEventListener('submit', submit);
  if (document.body.dataset.events !== undefined) listen();
  document.documentElement.dataset.ready = 'yes';
}
