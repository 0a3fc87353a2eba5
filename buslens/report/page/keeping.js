'use strict';
/* What is seen, as files that can be kept. */

/**
 * @param {string|number} cell
 * @returns {string} A cell of a CSV file (RFC 4180) that no spreadsheet takes for a formula.
 */
function csvCell(cell) {
  let text = String(cell);
  if (typeof cell === 'string' && /^[=+\-@\t\r]/.test(text)) text = `'${text}`;
  return /[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
}

/**
 * What is seen as numbers: for each lane the state at the beginning, then its changes.
 * @param {object} capture
 * @param {number[]} shown
 * @param {{start: number, end: number}} view
 * @returns {string}
 */
function numbersOf(capture, shown, view) {
  const rows = [['time_s', 'not_before_s', 'lane', 'state', 'value', 'unit']];
  const exact = (time) => (time / 1e6).toFixed(6);
  for (const number of shown) {
    const lane = capture.lanes[number];
    const first = Math.max(lastAtOrBelow(lane.seen, view.start), 0);
    const last = Math.min(lastAtOrBelow(lane.seen, view.end), lane.seen.length - 1);
    for (let entry = first; entry <= last; entry++) {
      const known = lane.code[entry] < capture.unknown_from;
      const isValue = lane.value !== null && known;
      rows.push([
        exact(lane.seen[entry]),
        exact(lane.since[entry]),
        lane.role,
        isValue ? '' : entryWords(capture, lane, entry),
        isValue ? lane.value[entry] : '',
        isValue ? lane.unit : '',
      ]);
    }
  }
  return `${rows.map((row) => row.map(csvCell).join(',')).join('\r\n')}\r\n`;
}

/**
 * Hand a file to the person at the browser.
 * @param {Blob} blob
 * @param {string} name
 */
function keep(blob, name) {
  const link = document.createElement('a');
  link.href = URL.createObjectURL(blob);
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
}

/**
 * Paint a sheet of its own, with the verdict above the lanes.
 * @param {HTMLCanvasElement} canvas
 * @param {object} capture
 * @param {object} layout
 * @param {{start: number, end: number}} view
 * @param {object} ink
 * @param {{width: number, gutter: number, lines: string[], selected: number|null, words: TimeWords,
 *   uprights: {time: number, tag: string}[]}} how
 */
function paintSheet(canvas, capture, layout, view, ink, how) {
  const margin = 16;
  const finest = 2;
  const ctx = canvas.getContext('2d');
  const lines = how.lines.flatMap((line, index) => wrapped(ctx, line, how.width - 2 * margin, index));
  const head = margin + lines.length * 18 + 8;
  const height = head + layout.height + margin;
  canvas.width = how.width * finest;
  canvas.height = height * finest;
  ctx.scale(finest, finest);
  ctx.fillStyle = ink.paper;
  ctx.fillRect(0, 0, how.width, height);
  ctx.textBaseline = 'middle';
  lines.forEach(({ text, font, isTitle }, index) => {
    ctx.font = font;
    ctx.fillStyle = isTitle ? ink.ink : ink.quiet;
    ctx.fillText(text, margin, margin + index * 18 + 8);
  });
  const frame = { left: how.gutter, top: head, width: how.width - 2 * margin - how.gutter };
  ctx.save();
  ctx.translate(margin, 0);
  new Painter(ctx, capture, layout, frame, view, ink, how).paint();
  for (const { time, tag } of how.uprights) {
    if (time < view.start || time > view.end) continue;
    const x = frame.left + ((time - view.start) * frame.width) / (view.end - view.start);
    ctx.fillStyle = ink.ink;
    ctx.fillRect(x - 0.5, head, 1, layout.floor);
    ctx.font = `bold 11px ${FONT}`;
    ctx.textAlign = 'center';
    ctx.fillText(tag, x, head - 5);
  }
  ctx.restore();
}

/**
 * @param {CanvasRenderingContext2D} ctx
 * @param {string} text
 * @param {number} room
 * @param {number} index The first line is the title.
 * @returns {{text: string, font: string, isTitle: boolean}[]}
 */
function wrapped(ctx, text, room, index) {
  const isTitle = index === 0;
  const font = `${isTitle ? 'bold 14px' : '12px'} ${FONT}`;
  ctx.font = font;
  const lines = [];
  let line = '';
  for (const word of text.split(' ')) {
    const tried = line ? `${line} ${word}` : word;
    if (line && ctx.measureText(tried).width > room) {
      lines.push(line);
      line = word;
    } else line = tried;
  }
  return [...lines, line].map((words) => ({ text: words, font, isTitle }));
}
