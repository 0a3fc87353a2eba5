'use strict';
/* Draws what was found: dimension lines, allowed windows, handshakes, seams. */

/** Draws findings at their places. */
class MarkPainter extends LanePainter {
  /** Strips with the handshakes, above the lanes. */
  strips() {
    for (const { y: offset, runs } of this.layout.strips) {
      const y = this.top + offset;
      const points = [];
      let taken = -Infinity;
      for (const run of runs) {
        if (run.end < this.view.start || run.start[0] > this.view.end) continue;
        const [left, right] = [this.x(run.start[1]), Math.max(this.x(run.end), this.x(run.start[1]) + 1)];
        if (right < taken + 1) continue;
        points.push(left, y + 5, left, y - 5, NaN, NaN, right, y + 5, right, y - 5, NaN, NaN);
        const [a, b] = [Math.max(left, this.left), Math.min(right, this.right)];
        const ended = run.abandoned ? ', cancelled' : run.completed ? '' : ', not complete';
        const [full, short] = [`${run.number}${ended}`, String(run.number)];
        const text = this.width(full) + 16 < b - a ? full : short;
        const width = this.width(text);
        if (width + 16 < b - a) {
          const middle = (a + b) / 2;
          points.push(left, y, middle - width / 2 - 4, y, NaN, NaN, middle + width / 2 + 4, y, right, y, NaN, NaN);
          this.write(text, middle, y, { align: 'center' });
        } else points.push(left, y, right, y, NaN, NaN);
        taken = right;
      }
      this.line(points, 1, this.ink.quiet);
    }
  }

  /** Where the recorded clock ran back. */
  seams() {
    const [top, bottom] = [this.top + this.layout.overheadBase - SIZE.row, this.top + this.layout.floor];
    for (const [time, words] of this.capture.seams) {
      if (time < this.view.start || time > this.view.end) continue;
      const x = this.x(time);
      this.line([x, top, x, bottom], 1, this.ink.quiet, [2, 2]);
      const isLeft = x + this.width(words) + 8 > this.right;
      this.write(words, isLeft ? x - 5 : x + 5, top + 8, { align: isLeft ? 'right' : 'left', halo: true });
    }
  }

  /**
   * The allowed windows, below everything.
   * @param {Track} track
   */
  bands(track) {
    const [top, height] = [this.top + track.top - 2, track.height + 4];
    for (const row of track.below) {
      for (const { finding, index } of row) {
        const [a, b, c, d] = finding.allowed;
        if (d < this.view.start || a > this.view.end) continue;
        this.ctx.fillStyle = this.ink.band_edge;
        this.ctx.fillRect(this.x(a), top, this.x(d) - this.x(a), height);
        if (c > b) {
          this.ctx.fillStyle = this.ink.band;
          this.ctx.fillRect(this.x(b), top, this.x(c) - this.x(b), height);
        }
        if (index === this.selected) {
          this.ctx.strokeStyle = this.ink.ink;
          this.ctx.lineWidth = 1;
          this.ctx.setLineDash([3, 2]);
          this.ctx.strokeRect(this.x(a), top, this.x(d) - this.x(a), height);
          this.ctx.setLineDash([]);
        }
      }
    }
  }

  /**
   * Dimension lines above a lane and brackets below it.
   * @param {Track} track
   */
  annotations(track) {
    const bottom = this.top + track.top + track.height;
    track.above.forEach((row, number) => {
      const y = this.top + track.top - SIZE.clear + 3 - (number + 0.5) * SIZE.row;
      this.inRow(row, (item) => lineReach(item.finding), (item, room) => this.dimension(item, y, bottom, room, track));
    });
    track.below.forEach((row, number) => {
      const y = bottom + 4 + (number + 0.5) * SIZE.row;
      const reach = ({ finding }) => [finding.allowed[0], finding.allowed[3]];
      this.inRow(row, reach, (item, room) => this.bracket(item, y, room));
    });
  }

  /** Findings that belong to no lane that is shown. */
  overhead() {
    this.layout.overhead.forEach((row, number) => {
      const y = this.top + this.layout.overheadBase - (number + 0.5) * SIZE.row;
      this.inRow(row, (item) => lineReach(item.finding), (item, room) => {
        return this.dimension(item, y, this.top + this.layout.floor, room, null);
      });
    });
  }

  /**
   * Draw the visible items of a row, each with the room that its neighbours leave it.
   * @param {Item[]} row
   * @param {(item: Item) => [number, number]} reach
   * @param {(item: Item, room: [number, number]) => number} draw Returns where its words end.
   */
  inRow(row, reach, draw) {
    const visible = row.filter((item) => {
      const [start, end] = reach(item);
      return end >= this.view.start && start <= this.view.end;
    });
    // What is met and too small to be read is left out; of what is not, one per few pixels is drawn.
    let taken = -Infinity;
    const kept = visible.filter((item) => {
      const [left, right] = reach(item).map((time) => this.x(time));
      if (item.index === this.selected) return true;
      if (item.finding.grade === 0 && right - left < 14) return false;
      if (right < taken + 3) return false;
      taken = right;
      return true;
    });
    // Rings would lie on one another: of near ones the first has its ring and words, the others a line.
    taken = -Infinity;
    for (const item of kept) {
      const x = this.x(reach(item)[1]);
      item.isBare = item.finding.grade > 0 && item.index !== this.selected && x < taken + 24;
      if (!item.isBare) taken = x;
    }
    let free = this.left;
    kept.forEach((item, index) => {
      const after = index + 1 < kept.length ? this.x(reach(kept[index + 1])[0]) - 6 : this.right;
      const written = draw(item, [Math.max(free, this.left), Math.min(after, this.right)]);
      free = Math.max(free, written + 8, this.x(reach(item)[1]) + 6);
    });
  }

  /**
   * A dimension line with its words, or a mark where there is only a moment.
   * @param {Item} item
   * @param {number} y
   * @param {number} bottom Lower end of its lane.
   * @param {[number, number]} room
   * @param {Track|null} track
   * @returns {number} Where its words end.
   */
  dimension(item, y, bottom, room, track) {
    const { finding, index } = item;
    const isFault = finding.grade === 2;
    const isChosen = index === this.selected;
    const tone = isFault ? this.ink.accent : finding.grade === 1 || isChosen ? this.ink.ink : this.ink.quiet;
    const weight = isFault ? 2 : isChosen ? 1.8 : 1;
    const [first, last] = lineReach(finding).map((time) => this.held(time));
    const ring = finding.ring;
    const style = isFault ? 'bold' : '';
    if (item.isBare && last - first < 24) {
      this.line([last, y, last, bottom], weight, tone);
      return last;
    }
    if (finding.measured === null || last - first < 8) {
      return this.mark(finding, (first + last) / 2, y, bottom, { tone, weight, ring, style, room });
    }
    const [a, b, c, d] = finding.measured.map((time) => this.held(time));
    const reversed = c + d < a + b;
    const [early, late] = reversed ? [d, a] : [b, c];
    const words = this.place(finding.words, first, last, room, ring, style);
    const gap = words !== null && words.inside ? [words.left - 5, words.left + words.block + 5] : null;
    if (words) this.later.push(() => this.label(words, y, ring, tone, style));
    const sure = late > early ? [early, late] : null;
    this.pieces(first, sure ? sure[0] : last, y, weight, tone, gap, [2, 2]);
    if (sure) {
      this.pieces(sure[0], sure[1], y, weight, tone, gap, []);
      this.pieces(sure[1], last, y, weight, tone, gap, [2, 2]);
    }
    this.tips(finding, first, last, y, weight, tone);
    // Extension lines tie it to its edges; few and only where there is room for them.
    if (last - first >= 24 || isChosen || isFault) {
      const [startX, endX] = reversed ? [last, first] : [first, last];
      this.upright(endX, y - 6, bottom, tone);
      const origin = this.layout.tracks.find((other) => other.number === finding.from_lane);
      const isOther = track !== null && origin !== undefined && origin !== track;
      if (!isOther) this.upright(startX, y - 6, bottom, this.ink.quiet);
      else if (origin.top < track.top) this.upright(startX, this.top + origin.top, y + 6, this.ink.quiet);
      else this.upright(startX, y - 6, this.top + origin.top + origin.height, this.ink.quiet);
    }
    return words === null ? last : words.left + words.block;
  }

  /**
   * @param {object} finding
   * @param {number} x
   * @param {number} y
   * @param {number} bottom
   * @param {{tone: string, weight: number, ring: number|null, style: string, room: [number, number]}} how
   * @returns {number} Where its words end.
   */
  mark(finding, x, y, bottom, { tone, weight, ring, style, room }) {
    const half = ring === null ? 0 : this.ringHalf(ring);
    this.line([x, y + 7, x, bottom], weight, tone);
    if (ring === null) {
      this.line([x - 3, y, x, y + 5, x + 3, y], weight, tone);
      return x + 3;
    }
    this.later.push(() => this.ring(ring, x, y, tone));
    for (const text of finding.words) {
      const width = this.width(text, style);
      const isRight = x + half + 5 + width < room[1];
      if (!isRight && x - half - 5 - width < room[0]) continue;
      const at = isRight ? x + half + 5 : x - half - 5;
      this.later.push(() => this.write(text, at, y, { style, align: isRight ? 'left' : 'right', halo: true }));
      return isRight ? at + width : x + half;
    }
    return x + half;
  }

  /**
   * @param {string[]} choices The fullest first.
   * @param {number} first
   * @param {number} last
   * @param {[number, number]} room
   * @param {number|null} ring
   * @param {string} style
   * @returns {{text: string, left: number, block: number, inside: boolean, ringX: number}|null}
   */
  place(choices, first, last, room, ring, style) {
    const before = ring === null ? 0 : 2 * this.ringHalf(ring) + 5;
    for (const text of ring === null ? choices : [...choices, '']) {
      const block = before + (text ? this.width(text, style) : -5);
      const found = (left, inside) => ({ text, left, block, inside, ringX: left + before / 2 - 2.5 });
      if (block + 40 <= last - first) return found((first + last - block) / 2, true);
      if (last + 8 + block <= room[1]) return found(last + 8, false);
      if (first - 8 - block >= room[0]) return found(first - 8 - block, false);
    }
    return null;
  }

  /**
   * @param {object} words Of `place`.
   * @param {number} y
   * @param {number|null} ring
   * @param {string} tone
   * @param {string} style
   */
  label(words, y, ring, tone, style) {
    const before = ring === null ? 0 : 2 * this.ringHalf(ring) + 5;
    if (words.text) this.write(words.text, words.left + before, y, { style, halo: true });
    if (ring !== null) this.ring(ring, words.ringX, y, tone);
  }

  /**
   * @param {number} ring
   * @returns {number}
   */
  ringHalf(ring) {
    return 8 + 3.5 * (String(ring).length - 1);
  }

  /**
   * A number in a ring, the same as in the list of findings.
   * @param {number} ring
   * @param {number} x
   * @param {number} y
   * @param {string} tone
   */
  ring(ring, x, y, tone) {
    const { ctx } = this;
    const half = this.ringHalf(ring);
    ctx.beginPath();
    ctx.roundRect(x - half, y - 8, 2 * half, 16, 8);
    ctx.fillStyle = this.ink.paper;
    ctx.fill();
    ctx.lineWidth = 1.8;
    ctx.strokeStyle = tone;
    ctx.stroke();
    ctx.font = `bold 11px ${FONT}`;
    ctx.textAlign = 'center';
    ctx.fillStyle = this.ink.ink;
    ctx.fillText(String(ring), x, y + 0.5);
  }

  /**
   * A line that leaves out the words.
   * @param {number} from
   * @param {number} to
   * @param {number} y
   * @param {number} weight
   * @param {string} tone
   * @param {[number, number]|null} gap
   * @param {number[]} dash
   */
  pieces(from, to, y, weight, tone, gap, dash) {
    const parts = gap === null ? [[from, to]] : [[from, Math.min(to, gap[0])], [Math.max(from, gap[1]), to]];
    for (const [a, b] of parts) if (b > a) this.line([a, y, b, y], weight, tone, dash);
  }

  /**
   * Arrowheads; a cross at an end that was awaited in vain, none at an end that does not show.
   * @param {object} finding
   * @param {number} first
   * @param {number} last
   * @param {number} y
   * @param {number} weight
   * @param {string} tone
   */
  tips(finding, first, last, y, weight, tone) {
    const { ctx } = this;
    const [start, end] = lineReach(finding);
    const head = (x, way) => {
      ctx.beginPath();
      ctx.moveTo(x, y);
      ctx.lineTo(x - way * 7, y - 2.8);
      ctx.lineTo(x - way * 7, y + 2.8);
      ctx.closePath();
      ctx.fillStyle = tone;
      ctx.fill();
    };
    if (start >= this.view.start) head(first, -1);
    if (end > this.view.end || finding.open_end) return;
    if (finding.in_vain) {
      this.line([last - 4, y - 4, last + 4, y + 4, NaN, NaN, last - 4, y + 4, last + 4, y - 4], weight, tone);
    } else head(last, 1);
  }

  /**
   * The bracket below an allowed window, with the limit in words.
   * @param {Item} item
   * @param {number} y
   * @param {[number, number]} room
   * @returns {number} Where its words end.
   */
  bracket({ finding }, y, room) {
    const [left, right] = [this.held(finding.allowed[0]), this.held(finding.allowed[3])];
    const words = this.place(finding.limit_words, left, right, room, null, '');
    const gap = words !== null && words.inside ? [words.left - 5, words.left + words.block + 5] : null;
    this.pieces(left, right, y, 1, this.ink.quiet, gap, []);
    this.line([left, y, left, y - 5, NaN, NaN, right, y, right, y - 5], 1, this.ink.quiet);
    if (words) this.later.push(() => this.write(words.text, words.left, y, { tone: this.ink.quiet, halo: true }));
    return words === null ? right : words.left + words.block;
  }

  /**
   * An extension line.
   * @param {number} x
   * @param {number} from
   * @param {number} to
   * @param {string} tone
   */
  upright(x, from, to, tone) {
    if (x > this.left && x < this.right) this.line([x, from, x, to], 0.9, tone);
  }
}
