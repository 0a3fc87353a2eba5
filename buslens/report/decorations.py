"""What stands around the lanes: handshakes above them, the scale, the signs, the notes and the footer below."""

import math
from collections.abc import Collection
from typing import Final

from buslens.checks.findings import Result
from buslens.report.annotations import RowAllocator, TimeAxis, ring_half
from buslens.report.display_list import Box
from buslens.report.drawing_context import DrawingContext
from buslens.report.finding_layout import FindingLayout
from buslens.report.formatting import file_name
from buslens.report.notes import Note
from buslens.report.number_scale import round_step
from buslens.report.style import Tone
from buslens.report.text_metrics import legible, shorten
from buslens.report.versions import version_of
from buslens.report.view import View, runs_beside
from buslens.report.waveforms import whisker
from buslens.units import NS_PER_MS, NS_PER_S

_MANY_NOTES: Final = 6


class Decorations:
    """Draws what stands around the lanes."""

    def __init__(self, pen: DrawingContext, result: Result, view: View, scale: TimeAxis) -> None:
        self.pen = pen
        self.sheet, self.fmt = pen.sheet, pen.fmt
        self.result, self.view, self.scale = result, view, scale

    def strips(self, y: float) -> float:
        """Draw when handshakes ran: a strip for each sequence, a numbered bracket for each run; return the end."""
        fmt, view, scale = self.fmt, self.view, self.scale
        for rule, runs in runs_beside(self.result, view).items():
            name = shorten(self.pen.ruler, legible(rule), scale.left - fmt.margin - 0.8 * fmt.text, fmt.text)
            middle = y + 0.75 * fmt.text
            self.pen.label(name, fmt.margin, middle)
            taken = RowAllocator(most=1, gap=0.5 * fmt.text)
            for run in runs:
                left, right = scale.held(run.start.earliest_ns), scale.held(run.end_ns)
                words = str(run.number) + (" cancelled" if run.abandoned else "")
                self.strip_bracket(taken, (left, right), words, middle)
            y += 1.9 * fmt.text
        return y

    def strip_bracket(self, taken: RowAllocator, ends: tuple[float, float], words: str, y: float) -> None:
        """Draw one bracket of a strip, its number over it where there is room."""
        fmt = self.fmt
        foot = y + 0.85 * fmt.text
        self.sheet.line([(ends[0], foot), (ends[0], foot - 0.3 * fmt.text)], fmt.thin, Tone.QUIET)
        self.sheet.line([(ends[0], foot - 0.3 * fmt.text), (ends[1], foot - 0.3 * fmt.text)], fmt.thin, Tone.QUIET)
        self.sheet.line([(ends[1], foot - 0.3 * fmt.text), (ends[1], foot)], fmt.thin, Tone.QUIET)
        for text in dict.fromkeys((words, words.partition(" ")[0])):
            width = self.pen.width(text)
            left = min(max((ends[0] + ends[1] - width) / 2, self.scale.left), self.scale.right - width)
            if taken.place((left, left + width)) is not None:
                self.pen.label(text, left, y - 0.15 * fmt.text, tone=Tone.QUIET)
                return

    def axis(self, y: float) -> float:
        """Draw the scale of time; return where it ends."""
        fmt, sheet, scale, view = self.fmt, self.sheet, self.scale, self.view
        sheet.line([(scale.left, y), (scale.right, y)], fmt.thin * 1.4)
        unit_ns = NS_PER_MS if view.in_ms else NS_PER_S
        span = (view.end_ns - view.start_ns) / unit_ns
        room = scale.right - scale.left
        first = (view.start_ns - view.zero_ns) / unit_ns
        step = self._tick_step(first, span, room)
        number = math.ceil(first / step - 1e-9)
        digits = _digits(step)
        label_y = y + 1.35 * fmt.text
        while number * step <= first + span * (1 + 1e-9):
            value = number * step
            x = scale.left + (value - first) / span * room
            sheet.line([(x, y), (x, y + 0.45 * fmt.text)], fmt.thin * 1.4)
            text = _tick_text(value, digits)
            width = self.pen.width(text)
            x = min(max(x, scale.left + width / 2), scale.right - width / 2)
            self.pen.label(text, x, label_y, anchor="center")
            number += 1
        words = legible(view.scale_words)
        if self.pen.width(words) > room:
            words = "ms from the start" if view.in_ms else "s from the first frame"
        below = label_y + 1.3 * fmt.text
        self.pen.label(words, scale.right, below, anchor="right", tone=Tone.QUIET)
        return below + 0.65 * fmt.text

    def key(self, y: float, signs: Collection[str]) -> float:
        """Explain the signs that occur, and only those."""
        words = {
            "allowed": "allowed time",
            "delay": "delay: at least the whole line, at most with the dots",
            "doubt": "changed between two frames, exact time not recorded",
            "clock": "clock of another recording, uncertain by so much",
            "unknown": "unknown",
            "crowd": "more changes than can be drawn",
            "range": "limit of a number",
        }
        fmt = self.fmt
        x, size, swatch = fmt.margin, fmt.small, 2.2 * fmt.text
        height = 1.0 * fmt.text
        shown = [sign for sign in words if sign in signs]
        if not shown:
            return y
        for sign in shown:
            width = self.pen.ruler.width(words[sign], size)
            if x > fmt.margin and x + swatch + 0.5 * size + width > fmt.width - fmt.margin:
                x, y = fmt.margin, y + 1.5 * fmt.text
            box = Box(x, y, x + swatch, y + height)
            middle = y + height / 2
            self._swatch(sign, box)
            x += swatch + 0.5 * size
            self.pen.label(words[sign], x, middle, size=size, tone=Tone.QUIET)
            x += width + 1.6 * size
        return y + height

    def _swatch(self, sign: str, box: Box) -> None:
        fmt, sheet = self.fmt, self.sheet
        middle, swatch = (box.top + box.bottom) / 2, box.right - box.left
        if sign == "allowed":
            sheet.box(box, Tone.BAND)
        elif sign == "doubt":
            sheet.hatch(box, 0.3 * fmt.text, 0.55 * fmt.thin)
            for edge in (box.top, box.bottom):
                sheet.line([(box.left, edge), (box.right, edge)], fmt.thin, Tone.HATCH)
        elif sign == "clock":
            whisker(self.pen, (box.left, box.right), middle, swatch / 2)
        elif sign == "delay":
            dots = (2.2 * fmt.thin, 1.8 * fmt.thin)
            a, b = box.left + 0.2 * swatch, box.right - 0.3 * swatch
            sheet.line([(a, middle), (b, middle)], fmt.thin, Tone.QUIET)
            for left, right in ((box.left, a), (b, box.right)):
                sheet.line([(left, middle), (right, middle)], fmt.thin, Tone.QUIET, dots)
        elif sign == "unknown":
            dash = (0.55 * fmt.text, 0.45 * fmt.text)
            sheet.line([(box.left, middle), (box.right, middle)], fmt.wave, dash=dash)
        elif sign == "range":
            dots = (1.5 * fmt.thin, 3.0 * fmt.thin)
            sheet.line([(box.left, middle), (box.right, middle)], fmt.thin * 1.3, Tone.QUIET, dots)
        else:
            count = 8
            for step in range(count + 1):
                at = box.left + swatch * step / count
                sheet.line([(at, box.top), (at, box.bottom)], 0.9 * fmt.thin)

    def note_list(self, y: float, notes: list[Note], unmarked: int) -> float:
        """Set the notes: a number in its ring, what it is about, what was found."""
        fmt = self.fmt
        for note in notes:
            # Doubts mostly come from one cause, and then in numbers: some words of each will do.
            most = 2 if len(notes) > _MANY_NOTES and not note.is_fault else 6
            y = self.set_note(note, y + 0.25 * fmt.text, most)
        if unmarked:
            times = "time" if unmarked == 1 else "times"
            y = self.pen.paragraph(
                f"{unmarked} {times} there was no room for a mark: see the text report, or draw a shorter window.",
                y + 0.25 * fmt.text,
                fmt.small,
                tone=Tone.QUIET,
            )
        return y

    def set_note(self, note: Note, y: float, most: int) -> float:
        """Set one note; return where it ends."""
        fmt = self.fmt
        left = fmt.margin + (2 * ring_half(note.number or 1) + 0.6) * fmt.text
        if note.number is not None:
            self.pen.ring(
                note.number, fmt.margin + ring_half(note.number) * fmt.text + 0.2, y + 0.65 * fmt.text, note.is_fault
            )
        y = self.pen.paragraph(note.head, y, fmt.text, bold=note.is_fault, left=left, most=3)
        if note.body:
            y = self.pen.paragraph(note.body, y, fmt.text, left=left, most=most)
        return y

    def footer(self, y: float, placed: list[FindingLayout]) -> float:
        """Say what the picture was made from."""
        fmt = self.fmt
        self.sheet.line([(fmt.margin, y), (fmt.width - fmt.margin, y)], fmt.thin, Tone.HAIR)
        y += 0.45 * fmt.small
        line = ""
        for part in self.sources():
            tried = f"{line}  ·  {part}" if line else part
            if line and self.pen.ruler.width(legible(tried), fmt.small) > fmt.width - 2 * fmt.margin:
                y = self.pen.paragraph(line, y, fmt.small, tone=Tone.QUIET, most=2)
                line = part
            else:
                line = tried
        y = self.pen.paragraph(line, y, fmt.small, tone=Tone.QUIET, most=2)
        for line in self.footer_lines(placed):
            y = self.pen.paragraph(line, y, fmt.small, tone=Tone.QUIET, most=5)
        return y

    def sources(self) -> list[str]:
        """Return what the picture was made from, by what."""
        result = self.result
        parts = [file_name(result.path), f"{result.stats.frames:,} {result.stats.counted}s"]
        if result.together is not None:
            first, *others = result.together.recordings
            parts += [file_name(it.path) for it in others if it.stats is not first.stats]
        parts += [file_name(d.path) for d in result.expectations.definitions]
        if result.expectations.path:
            parts.append(file_name(result.expectations.path))
        return [*parts, f"buslens {version_of()}"]

    def footer_lines(self, placed: list[FindingLayout]) -> list[str]:
        """Return where the limits come from, and what is not drawn."""
        lines = []
        bases: dict[str, list[str]] = {}
        for place in placed:
            finding = place.finding
            if finding.basis and finding.rule not in bases.setdefault(finding.basis, []):
                bases[finding.basis].append(finding.rule)
        if bases:
            lines.append("Limits: " + "; ".join(f"{', '.join(r)}: {b}" for b, r in bases.items()))
        if self.view.left_out:
            lines.append(f"Not drawn for want of room: {', '.join(self.view.left_out)}")
        return lines

    def _tick_step(self, first: float, span: float, room: float) -> float:
        """Return the least step of 1, 2 or 5 times a power of ten whose numbers have room side by side."""
        most = max(2, int(room / (6.5 * self.fmt.text)))
        while True:
            step = round_step(span / most)
            digits = _digits(step)
            widest = max(self.pen.width(_tick_text(end, digits)) for end in (first, first + span))
            if most == 1 or step / span * room > widest + self.fmt.text:
                return step
            most -= 1


def _tick_text(value: float, digits: int) -> str:
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0 else text.replace("-", "\N{MINUS SIGN}")


def _digits(step: float) -> int:
    return max(0, -math.floor(math.log10(step) + 1e-9))
