"""Dimension lines, marks and brackets are drawn where they have found their rows."""

from buslens.report.annotations import ARROW, RING, PlacedAnnotation, ring_half
from buslens.report.display_list import Fill
from buslens.report.drawing_context import DrawingContext
from buslens.report.style import Tone


class Marks:
    """Draws annotations; keeps the lines that run upright through other lanes until all words are set."""

    def __init__(self, pen: DrawingContext) -> None:
        self.pen = pen
        self.sheet, self.fmt = pen.sheet, pen.fmt
        #: x, upper end, lower end, thickness, tone.
        self.uprights: list[tuple[float, float, float, float, Tone]] = []
        #: Whether a delay was drawn whose doubt can be seen.
        self.has_doubt = False

    def finish(self) -> None:
        """Draw the upright lines; they leave out the words that they meet."""
        for x, top, bottom, weight, tone in self.uprights:
            self.sheet.upright(x, top, bottom, weight, tone)

    def annotation(
        self, written: PlacedAnnotation, base: float, lane_bottom: float, origin: tuple[float, float] | None
    ) -> None:
        """Draw a dimension line or a mark in its row, and the extension lines that tie it to its edges."""
        fmt, item = self.fmt, written.item
        y = base - (written.row + 0.5) * self.pen.row
        tone = Tone.ACCENT if item.is_fault else Tone.INK if item.number is not None else Tone.QUIET
        weight = fmt.thin * (2.2 if item.is_fault else 1.0)
        self.words(written, base - (written.words_row + 0.5) * self.pen.row)
        if item.is_mark:
            radius = RING * fmt.text if item.number is not None else 0.6 * fmt.text
            self.uprights.append((item.left, y + radius, lane_bottom, weight, tone))
            return
        reverse = item.end[0] + item.end[1] < item.start[0] + item.start[1]
        # Whole where the delay surely lasts, broken where its ends are in doubt.
        first, second = (item.end, item.start) if reverse else (item.start, item.end)
        sure = (first[1], second[0]) if second[0] > first[1] else None
        blocks = None
        if written.inside:
            left = written.words_left
            if written.ring_x is not None and item.number is not None:
                left = written.ring_x - ring_half(item.number) * fmt.text
            blocks = (left - 0.35 * fmt.text, written.words_left + written.words_width + 0.35 * fmt.text)
        dash = (2.2 * fmt.thin, 1.8 * fmt.thin)
        if sure is None:
            self.pen.interrupted((item.left, item.right), y, weight, tone, blocks, dash)
        else:
            self.pen.interrupted((item.left, sure[0]), y, weight, tone, blocks, dash)
            self.pen.interrupted(sure, y, weight, tone, blocks, ())
            self.pen.interrupted((sure[1], item.right), y, weight, tone, blocks, dash)
        if max(item.start[1] - item.start[0], item.end[1] - item.end[0]) > 2.5 * fmt.thin:
            self.has_doubt = True
        self.tips(written, y, weight, tone)
        thin = fmt.thin * 0.9
        start_x, end_x = (item.right, item.left) if reverse else (item.left, item.right)
        overhang = 0.35 * self.pen.row
        if not item.open_end:
            self.uprights.append((end_x, y - overhang, lane_bottom, thin, tone))
        if item.open_start:
            return
        if origin is None:
            self.uprights.append((start_x, y - overhang, lane_bottom, thin, Tone.QUIET))
        elif origin[0] < y:
            self.uprights.append((start_x, origin[0], y + overhang, thin, Tone.QUIET))
        else:
            self.uprights.append((start_x, y - overhang, origin[1], thin, Tone.QUIET))

    def bracket(self, written: PlacedAnnotation, lane_bottom: float) -> None:
        """Draw the thin bracket below the allowed window, with the limit in words."""
        fmt, item = self.fmt, written.item
        y = lane_bottom + 0.3 * fmt.text + (written.row + 0.55) * self.pen.row
        tick = 0.32 * self.pen.row
        block = (written.words_left - 0.35 * fmt.text, written.words_left + written.words_width + 0.35 * fmt.text)
        inside = written.inside and bool(written.words)
        for a, b in [(item.left, block[0]), (block[1], item.right)] if inside else [(item.left, item.right)]:
            self.sheet.line([(a, y), (b, y)], fmt.thin, Tone.QUIET)
        for x in (item.left, item.right):
            self.sheet.line([(x, y), (x, y - tick)], fmt.thin, Tone.QUIET)
        self.words(written, y, Tone.QUIET)

    def words(self, written: PlacedAnnotation, y: float, tone: Tone = Tone.INK) -> None:
        """Set the words and the ring of an annotation."""
        item = written.item
        if written.words:
            self.pen.label(written.words, written.words_left, y, bold=item.is_fault, tone=tone)
        if written.ring_x is not None and item.number is not None:
            self.pen.ring(item.number, written.ring_x, y, item.is_fault)

    def tips(self, written: PlacedAnnotation, y: float, weight: float, tone: Tone) -> None:
        """Draw the arrowheads; a cross at an end that was awaited in vain."""
        item, length = written.item, ARROW * self.fmt.text
        half = 0.22 * self.fmt.text
        outward = [(item.left, -1.0)] if not item.open_start else []
        outward += [(item.right, 1.0)] if not item.open_end else []
        if item.in_vain:
            x = item.right
            for sign in (-1, 1):
                self.sheet.line(
                    [(x - half * 1.4, y - sign * half * 1.4), (x + half * 1.4, y + sign * half * 1.4)], weight, tone
                )
            outward = outward[:-1] if not item.open_end else outward
        for x, direction in outward:
            way = -direction if written.turned else direction
            tail = x - way * length
            self.sheet.fills.append(Fill(points=((x, y), (tail, y - half), (tail, y + half)), tone=tone, level=1))
            if written.turned:
                self.sheet.line([(tail, y), (x - way * 1.8 * length, y)], weight, tone)
