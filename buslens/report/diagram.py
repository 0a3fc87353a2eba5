"""The whole picture is laid out: verdict, lanes with what was measured and allowed, scale, signs, notes, footer.

Two passes. First everything that has words finds its row, which needs only places from left to right; then the rows
give the heights, and all is put onto the sheet. Lines that run upright through several lanes come last, as they leave
out the words that they meet.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from buslens.checks.findings import Outcome
from buslens.report.annotations import ARROW, RING, Item, Scale, Written, arrange
from buslens.report.ink import Tone
from buslens.report.lanes import Lane, Shape, lay_lane
from buslens.report.lettering import legible, shorten, wrap
from buslens.report.notes import group, shows, write_notes
from buslens.report.sheet import Box, Fill, Label, Ring, Sheet
from buslens.report.waves import draw_lane, state_name, unwritten
from buslens.report.words import verdict_sentence
from buslens.timeline.model import UNKNOWN
from buslens.units import NS_PER_MS, NS_PER_S, format_duration

if TYPE_CHECKING:
    from buslens.checks.findings import Result
    from buslens.report.ink import Format
    from buslens.report.lettering import Ruler
    from buslens.report.notes import Note
    from buslens.report.places import Place
    from buslens.report.view import View

_LABEL_SHARE: Final = 0.30
"""Most of the width that the names of the lanes may take."""

_CLEAR: Final = 0.72
"""Free room above and below the body of a lane, in type sizes."""

_ROWS_CLOSE: Final = 7
"""Rows of annotation per lane where one handshake is shown."""

_ROWS_FAR: Final = 3
"""Rows of annotation per lane where a stretch of the capture is shown."""


@dataclass(slots=True, kw_only=True)
class _Track:
    """A lane on its way to the sheet."""

    lane: Lane
    name: list[str]
    #: Words at the upper and lower end of the lane: a scale, or the names of the rails.
    ends: tuple[str, str] | None
    height: float
    above: list[Item] = field(default_factory=list)
    below: list[Item] = field(default_factory=list)
    allowed: list[Place] = field(default_factory=list)
    written: list[Written] = field(default_factory=list)
    brackets: list[Written] = field(default_factory=list)
    rows_above: int = 0
    rows_below: int = 0
    top: float = 0.0

    @property
    def bottom(self) -> float:
        return self.top + self.height


class Diagram:
    """One picture in the making; `lay_out` is the way in."""

    def __init__(self, result: Result, placed: list[Place], view: View, fmt: Format, ruler: Ruler) -> None:
        self.result = result
        self.placed = [place for place in placed if shows(view, place)]
        self.view = view
        self.fmt = fmt
        self.ruler = ruler
        self.sheet = Sheet(width=fmt.width)
        self.notes, self.numbers = write_notes(result, placed, view)
        self.row_height = 1.5 * fmt.text
        self.uprights: list[tuple[float, float, float, float, Tone]] = []
        self.signs: dict[str, None] = {}
        self.unmarked = 0

    # --- first pass: from left to right ---------------------------------------------------------------

    def tracks(self) -> list[_Track]:
        """Lay the lanes and decide how wide their names are."""
        fmt, ruler, view = self.fmt, self.ruler, self.view
        most = _LABEL_SHARE * fmt.width
        right = fmt.width - fmt.margin
        widest = Scale(left=fmt.margin + most, right=right, start_ns=view.start_ns, end_ns=view.end_ns)
        resolution = max(1, math.ceil(1.4 * fmt.wave / widest.per_ns))
        tracks = []
        for role in view.roles:
            lane = lay_lane(self.result.timelines[role], view.start_ns, view.end_ns, resolution)
            ends = self._ends(lane, widest)
            tracks.append(_Track(lane=lane, name=[legible(role.replace("_", " "))], ends=ends, height=fmt.lane))
        gap = 0.8 * fmt.text
        ends_width = {id(t): self._ends_width(t) for t in tracks}
        wanted = [
            ruler.width(t.name[0], fmt.text) + (ends_width[id(t)] + gap if t.ends else 0.0) + gap for t in tracks
        ]
        column = min(most, max(wanted, default=0.0))
        for track in tracks:
            room = column - gap - (ends_width[id(track)] + gap if track.ends else 0.0)
            track.name = wrap(ruler, track.name[0], max(room, 2 * fmt.text), fmt.text, most=2) or [""]
            if len(track.name) > 1:
                track.height = max(track.height, 2.3 * fmt.text)
        self.scale = Scale(
            left=fmt.margin + column, right=right, start_ns=view.start_ns, end_ns=view.end_ns
        )
        return tracks

    def _ends(self, lane: Lane, scale: Scale) -> tuple[str, str] | None:
        if lane.shape is Shape.NUMBER:
            if lane.scale is None:
                return None
            low, high = (legible(f"{value:.4g} {lane.unit}") for value in lane.scale)
            return (high, low)
        if lane.shape is Shape.LEVELS and (unwritten(lane, scale, self.fmt, self.ruler) or lane.crowds):
            return (state_name(lane, lane.high), state_name(lane, 1 - lane.high))
        return None

    def _ends_width(self, track: _Track) -> float:
        if track.ends is None:
            return 0.0
        room = 0.16 * self.fmt.width
        upper, lower = (shorten(self.ruler, words, room, self.fmt.text) for words in track.ends)
        track.ends = (upper, lower)
        return max(self.ruler.width(words, self.fmt.text) for words in track.ends)

    def annotate(self, tracks: list[_Track]) -> tuple[list[Written], int]:
        """Give each finding to its lane and find rows; what belongs to no lane goes above all of them."""
        index = {track.lane.role: number for number, track in enumerate(tracks)}
        overhead: list[Item] = []
        close = self.view.handshake is not None
        for place in self.placed:
            lane = index.get(place.role)
            item = self._item(place, index.get(place.reference_role), lane)
            if item is not None:
                (overhead if lane is None else tracks[lane].above).append(item)
            if lane is not None and place.allowed is not None and place.finding.step:
                tracks[lane].allowed.append(place)
                bracket = self._bracket(place, close)
                if bracket is not None:
                    tracks[lane].below.append(bracket)
        overhead += self._overhead()
        most = _ROWS_CLOSE if close else _ROWS_FAR
        ends = (self.scale.left, self.scale.right)
        for track in tracks:
            if track.lane.shape is Shape.BOXES:
                track.above += self._small_names(track.lane)
            track.written, track.rows_above, lost = arrange(track.above, self.ruler, self.fmt, *ends, most)
            self.unmarked += lost
            track.brackets, track.rows_below, _ = arrange(
                track.below, self.ruler, self.fmt, *ends, 4 if close else 1
            )
        written, rows, lost = arrange(overhead, self.ruler, self.fmt, *ends, most)
        self.unmarked += lost
        return written, rows

    def _item(self, place: Place, reference_lane: int | None, lane: int | None) -> Item | None:
        finding, scale = place.finding, self.scale
        number = self.numbers.get(group(finding))
        is_fault = finding.outcome.is_fault
        words = tuple(legible(w) for w in place.words)
        priority = 0 if is_fault else 1 if finding.outcome is Outcome.UNDECIDED else 2
        reach, in_vain = place.measured, False
        if reach is None and finding.outcome is Outcome.MISSING and place.allowed and finding.reference:
            latest = finding.reference.latest_ns
            first = finding.reference.earliest_ns
            type_reach = type(place.allowed)
            reach = type_reach(start=(first, first if latest is None else latest), end=place.allowed.end)
            in_vain = True
        if reach is None:
            if finding.outcome is Outcome.MET or place.moment_ns is None:
                return None
            x = scale.held(place.moment_ns)
            return Item(
                start=(x, x), end=(x, x), words=words, number=number, is_fault=is_fault, is_mark=True, priority=priority
            )
        item = Item(
            start=(scale.held(reach.start[0]), scale.held(reach.start[1])),
            end=(scale.held(reach.end[0]), scale.held(reach.end[1])),
            words=words,
            number=number,
            is_fault=is_fault,
            in_vain=in_vain,
            priority=priority,
            reference_lane=None if reference_lane == lane else reference_lane,
        )
        if finding.outcome is Outcome.MET and item.right - item.left < 1.5 * self.fmt.text and not self.view.handshake:
            # Too small to be measured by eye, and nothing is wrong with it.
            return None
        return item

    def _bracket(self, place: Place, close: bool) -> Item | None:
        allowed, scale = place.allowed, self.scale
        if allowed is None:
            return None
        item = Item(
            start=(scale.held(allowed.start[0]), scale.held(allowed.start[1])),
            end=(scale.held(allowed.end[0]), scale.held(allowed.end[1])),
            words=tuple(legible(w) for w in place.limit_words) or ("",),
        )
        return item if close or item.right - item.left > 3 * self.fmt.text else None

    def _small_names(self, lane: Lane) -> list[Item]:
        """Name above the lane the states that have no room in it."""
        items = []
        for state, (left, right) in unwritten(lane, self.scale, self.fmt, self.ruler).items():
            x = (left + right) / 2
            items.append(
                Item(start=(x, x), end=(x, x), words=(state_name(lane, state),), is_mark=True, priority=1)
            )
        return items

    def _overhead(self) -> list[Item]:
        """Return what is said above all lanes: handshakes, seams, the end of the log."""
        items = []
        view, scale = self.view, self.scale
        for run in self.result.handshakes:
            same = view.handshake is not None and (run.rule, run.number) == (
                view.handshake.rule,
                view.handshake.number,
            )
            start = run.start.earliest_ns
            if same or run.end_ns < view.start_ns or start > view.end_ns:
                continue
            a, b = scale.held(start), scale.held(max(run.end_ns, start))
            full = f"{run.rule} {run.number}" + (" (abandoned)" if run.abandoned else "")
            items.append(
                Item(start=(a, a), end=(b, b), words=(legible(full), str(run.number)), priority=3)
            )
        for seam in self.result.tally.seams:
            if view.start_ns <= seam.time_ns <= view.end_ns:
                x = scale.held(seam.time_ns)
                words = f"clock ran back {format_duration(seam.back_ns)}"
                items.append(Item(start=(x, x), end=(x, x), words=(words, "clock ran back"), is_mark=True))
        if self._log_end is not None and self._log_end < view.end_ns:
            x = scale.held(self._log_end)
            items.append(Item(start=(x, x), end=(x, x), words=("log ends",), is_mark=True))
        if self.result.origin_ns > view.start_ns:
            x = scale.held(self.result.origin_ns)
            items.append(Item(start=(x, x), end=(x, x), words=("log begins",), is_mark=True))
        return items

    @property
    def _log_end(self) -> int | None:
        ends = [t.end_ns for t in self.result.timelines.values()]
        return max(ends) if ends else self.result.tally.last_ns

    # --- second pass: from top to bottom --------------------------------------------------------------

    def draw(self) -> Sheet:
        """Put everything onto the sheet."""
        fmt, sheet = self.fmt, self.sheet
        tracks = self.tracks()
        overhead, overhead_rows = self.annotate(tracks)
        y = fmt.margin
        y = self.paragraph(verdict_sentence(self.result), y, fmt.title, bold=True)
        y = self.paragraph(self.view.caption, y + 0.2 * fmt.text, fmt.text, tone=Tone.QUIET)
        y += 0.9 * fmt.text
        overhead_base = y + overhead_rows * self.row_height
        y = overhead_base
        for track in tracks:
            track.top = y + track.rows_above * self.row_height + _CLEAR * fmt.text
            y = track.bottom + track.rows_below * self.row_height + _CLEAR * fmt.text
        floor = y + 0.2 * fmt.text
        for track in tracks:
            self.draw_track(track, tracks)
        for written in overhead:
            self.draw_written(written, overhead_base, floor, None)
        self.seams(tracks)
        y = self.axis(floor)
        for x, top, bottom, weight, tone in self.uprights:
            sheet.upright(x, top, bottom, weight, tone)
        y = self.key(y + 0.7 * fmt.text)
        y = self.note_list(y + 0.5 * fmt.text)
        y = self.footer(y + 0.6 * fmt.text)
        sheet.height = y + fmt.margin
        return sheet

    def paragraph(
        self,
        text: str,
        y: float,
        size: float,
        *,
        bold: bool = False,
        tone: Tone = Tone.INK,
        left: float | None = None,
        most: int = 8,
    ) -> float:
        """Set lines of words; return where they end."""
        x = self.fmt.margin if left is None else left
        room = self.fmt.width - self.fmt.margin - x
        for line in wrap(self.ruler, legible(text), room, size, bold=bold, most=most):
            width = self.ruler.width(line, size, bold=bold)
            self.sheet.labels.append(
                Label(x=x, y=y + 0.65 * size, text=line, size=size, width=width, bold=bold, tone=tone)
            )
            y += 1.3 * size
        return y

    def draw_track(self, track: _Track, tracks: list[_Track]) -> None:
        """Draw one lane with everything that is said of it."""
        fmt, sheet, scale = self.fmt, self.sheet, self.scale
        lane, middle = track.lane, track.top + track.height / 2
        for line, text in enumerate(track.name):
            y = middle + (line - (len(track.name) - 1) / 2) * 1.15 * fmt.text
            width = self.ruler.width(text, fmt.text)
            sheet.labels.append(Label(x=fmt.margin, y=y, text=text, size=fmt.text, width=width))
        if track.ends is not None:
            same = track.ends[0] == track.ends[1] and lane.shape is Shape.NUMBER
            spots = [(track.ends[0], middle)] if same else [
                (track.ends[0], track.top),
                (track.ends[1], track.bottom),
            ]
            for text, y in spots:
                sheet.labels.append(
                    Label(
                        x=scale.left - 0.6 * fmt.text,
                        y=y,
                        text=text,
                        size=fmt.text,
                        width=self.ruler.width(text, fmt.text),
                        anchor="right",
                        tone=Tone.QUIET,
                    )
                )
        for place in track.allowed:
            self.band(place, track)
        draw_lane(sheet, lane, scale, track.top, track.height, fmt, self.ruler)
        self.remember_signs(lane)
        for written in track.brackets:
            self.draw_bracket(written, track)
        for written in track.written:
            origin = None
            if written.item.reference_lane is not None:
                origin = tracks[written.item.reference_lane]
            self.draw_written(written, track.top - _CLEAR * fmt.text, track.bottom, origin)

    def remember_signs(self, lane: Lane) -> None:
        """Keep which signs need explaining below the lanes."""
        if any(s.state == UNKNOWN for s in lane.stretches):
            self.signs["unknown"] = None
        wide = (
            (c.seen_ns - c.since_ns) * self.scale.per_ns > 1.2 * self.fmt.wave
            for c in lane.changes
            if UNKNOWN not in (c.before, c.after)
        )
        if any(wide):
            self.signs["doubt"] = None
        if lane.crowds:
            self.signs["crowd"] = None

    def band(self, place: Place, track: _Track) -> None:
        """Shade when a step was allowed to come."""
        allowed, pad = place.allowed, 0.3 * self.fmt.text
        if allowed is None:
            return
        a, b, c, d = (self.scale.held(t) for t in (*allowed.start, *allowed.end))
        top, bottom = track.top - pad, track.bottom + pad
        if d > a:
            self.sheet.box(Box(a, top, d, bottom), Tone.BAND_EDGE)
            self.signs["allowed"] = None
        if c > b:
            self.sheet.box(Box(b, top, c, bottom), Tone.BAND)

    def draw_bracket(self, written: Written, track: _Track) -> None:
        """Draw the thin bracket below the allowed window, with the limit in words."""
        fmt, item = self.fmt, written.item
        y = track.bottom + 0.3 * fmt.text + (written.row + 0.55) * self.row_height
        tick = 0.32 * self.row_height
        block = (written.words_left - 0.35 * fmt.text, written.words_left + written.words_width + 0.35 * fmt.text)
        inside = written.inside and bool(written.words)
        for a, b in [(item.left, block[0]), (block[1], item.right)] if inside else [(item.left, item.right)]:
            self.sheet.line([(a, y), (b, y)], fmt.thin, Tone.QUIET)
        for x in (item.left, item.right):
            self.sheet.line([(x, y), (x, y - tick)], fmt.thin, Tone.QUIET)
        self.words(written, y, Tone.QUIET)

    def words(self, written: Written, y: float, tone: Tone = Tone.INK) -> None:
        """Set the words and the ring of an annotation."""
        fmt, item = self.fmt, written.item
        if written.words:
            self.sheet.labels.append(
                Label(
                    x=written.words_left,
                    y=y,
                    text=written.words,
                    size=fmt.text,
                    width=written.words_width,
                    bold=item.is_fault,
                    tone=tone,
                )
            )
        if written.ring_x is not None and item.number is not None:
            self.ring(item.number, written.ring_x, y, item.is_fault)

    def ring(self, number: int, x: float, y: float, is_fault: bool) -> None:
        """Draw a number in a ring: thick and in the accent for a fault, thin and broken for a doubt."""
        fmt = self.fmt
        size = fmt.text if number < 100 else 0.8 * fmt.text
        text = str(number)
        self.sheet.rings.append(
            Ring(
                x=x,
                y=y,
                radius=RING * fmt.text,
                weight=2.6 * fmt.thin if is_fault else 1.3 * fmt.thin,
                tone=Tone.ACCENT if is_fault else Tone.INK,
                dash=() if is_fault else (1.2, 0.9),
            )
        )
        size = 0.86 * size
        self.sheet.labels.append(
            Label(
                x=x,
                y=y,
                text=text,
                size=size,
                width=self.ruler.width(text, size, bold=is_fault),
                bold=is_fault,
                anchor="center",
            )
        )

    def draw_written(self, written: Written, base: float, lane_bottom: float, origin: _Track | None) -> None:
        """Draw a dimension line or a mark in its row, and the extension lines that tie it to its edges."""
        fmt, item, sheet = self.fmt, written.item, self.sheet
        y = base - (written.row + 0.5) * self.row_height
        tone = Tone.ACCENT if item.is_fault else Tone.INK if item.number is not None else Tone.QUIET
        weight = fmt.thin * (2.2 if item.is_fault else 1.0)
        self.words(written, y)
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
            left = written.words_left if written.ring_x is None else written.ring_x - RING * fmt.text
            blocks = (left - 0.35 * fmt.text, written.words_left + written.words_width + 0.35 * fmt.text)
        dash = (2.2 * fmt.thin, 1.8 * fmt.thin)
        if sure is None:
            self.interrupted((item.left, item.right), y, weight, tone, blocks, dash)
        else:
            self.interrupted((item.left, sure[0]), y, weight, tone, blocks, dash)
            self.interrupted(sure, y, weight, tone, blocks, ())
            self.interrupted((sure[1], item.right), y, weight, tone, blocks, dash)
        self.tips(written, y, weight, tone)
        thin = fmt.thin * 0.9
        start_x, end_x = (item.right, item.left) if reverse else (item.left, item.right)
        overhang = 0.35 * self.row_height
        self.uprights.append((end_x, y - overhang, lane_bottom, thin, tone))
        if origin is None:
            self.uprights.append((start_x, y - overhang, lane_bottom, thin, Tone.QUIET))
        elif origin.top < y:
            self.uprights.append((start_x, origin.top, y + overhang, thin, Tone.QUIET))
        else:
            self.uprights.append((start_x, y - overhang, origin.bottom, thin, Tone.QUIET))

    def interrupted(
        self,
        ends: tuple[float, float],
        y: float,
        weight: float,
        tone: Tone,
        block: tuple[float, float] | None,
        dash: tuple[float, ...],
    ) -> None:
        """Draw a level line that leaves out the words in it."""
        pieces = [ends]
        if block is not None:
            pieces = [(ends[0], min(ends[1], block[0])), (max(ends[0], block[1]), ends[1])]
        for a, b in pieces:
            if b > a:
                self.sheet.line([(a, y), (b, y)], weight, tone, dash)

    def tips(self, written: Written, y: float, weight: float, tone: Tone) -> None:
        """Draw the arrowheads; a cross at an end that was awaited in vain."""
        item, length = written.item, ARROW * self.fmt.text
        half = 0.22 * self.fmt.text
        outward = [(item.left, -1.0), (item.right, 1.0)]
        if item.in_vain:
            x = item.right
            for sign in (-1, 1):
                self.sheet.line([(x - half * 1.4, y - sign * half * 1.4), (x + half * 1.4, y + sign * half * 1.4)], weight, tone)
            outward.pop()
        for x, direction in outward:
            way = -direction if written.turned else direction
            tail = x - way * length
            self.sheet.fills.append(Fill(points=((x, y), (tail, y - half), (tail, y + half)), tone=tone, level=1))
            if written.turned:
                self.sheet.line([(tail, y), (x - way * 1.8 * length, y)], weight, tone)

    def seams(self, tracks: list[_Track]) -> None:
        """Break all lanes where the clock ran back."""
        fmt = self.fmt
        for seam in self.result.tally.seams:
            if not self.view.start_ns <= seam.time_ns <= self.view.end_ns:
                continue
            x, half, lean = self.scale.x(seam.time_ns), 0.22 * fmt.text, 0.3 * fmt.text
            for track in tracks:
                top, bottom = track.top - 0.35 * fmt.text, track.bottom + 0.35 * fmt.text
                corners = (
                    (x - half + lean, top),
                    (x + half + lean, top),
                    (x + half - lean, bottom),
                    (x - half - lean, bottom),
                )
                self.sheet.fills.append(Fill(points=corners, tone=Tone.PAPER, level=1))
                for side in (-half, half):
                    self.sheet.line([(x + side + lean, top), (x + side - lean, bottom)], fmt.wave)

    def axis(self, y: float) -> float:
        """Draw the scale of time; return where it ends."""
        fmt, sheet, scale, view = self.fmt, self.sheet, self.scale, self.view
        sheet.line([(scale.left, y), (scale.right, y)], fmt.thin * 1.4)
        unit_ns = NS_PER_MS if view.in_ms else NS_PER_S
        span = (view.end_ns - view.start_ns) / unit_ns
        room = scale.right - scale.left
        step = _tick_step(span, max(2, int(room / (6.5 * fmt.text))))
        first = (view.start_ns - view.zero_ns) / unit_ns
        number = math.ceil(first / step - 1e-9)
        digits = max(0, -math.floor(math.log10(step) + 1e-9))
        label_y = y + 1.35 * fmt.text
        while number * step <= first + span * (1 + 1e-9):
            value = number * step
            x = scale.left + (value - first) / span * room
            sheet.line([(x, y), (x, y + 0.45 * fmt.text)], fmt.thin * 1.4)
            text = f"{value:.{digits}f}".replace("-", "−")
            width = self.ruler.width(text, fmt.text)
            x = min(max(x, scale.left + width / 2), scale.right - width / 2)
            sheet.labels.append(Label(x=x, y=label_y, text=text, size=fmt.text, width=width, anchor="center"))
            number += 1
        words = legible(view.scale_words)
        width = self.ruler.width(words, fmt.text)
        if width > room:
            words = "ms from the start" if view.in_ms else "s from the first frame"
            width = self.ruler.width(words, fmt.text)
        below = label_y + 1.3 * fmt.text
        sheet.labels.append(
            Label(x=scale.right, y=below, text=words, size=fmt.text, width=width, anchor="right", tone=Tone.QUIET)
        )
        return below + 0.65 * fmt.text

    # --- below the lanes ------------------------------------------------------------------------------

    def key(self, y: float) -> float:
        """Explain the signs that occur, and only those."""
        words = {
            "allowed": "allowed time",
            "doubt": "changed between two frames, moment not known",
            "unknown": "unknown",
            "crowd": "more changes than can be drawn",
        }
        fmt, sheet = self.fmt, self.sheet
        x, size, swatch = fmt.margin, fmt.small, 2.2 * fmt.text
        height = 1.0 * fmt.text
        shown = [sign for sign in words if sign in self.signs]
        if not shown:
            return y
        for sign in shown:
            width = self.ruler.width(words[sign], size)
            if x > fmt.margin and x + swatch + 0.5 * size + width > fmt.width - fmt.margin:
                x, y = fmt.margin, y + 1.5 * fmt.text
            box = Box(x, y, x + swatch, y + height)
            middle = y + height / 2
            if sign == "allowed":
                sheet.box(box, Tone.BAND)
            elif sign == "doubt":
                sheet.hatch(box, 0.3 * fmt.text, 0.55 * fmt.thin)
                for edge in (box.top, box.bottom):
                    sheet.line([(box.left, edge), (box.right, edge)], fmt.thin, Tone.HATCH)
            elif sign == "unknown":
                dash = (0.55 * fmt.text, 0.45 * fmt.text)
                sheet.line([(box.left, middle), (box.right, middle)], fmt.wave, dash=dash)
            else:
                count = 8
                for step in range(count + 1):
                    at = box.left + swatch * step / count
                    sheet.line([(at, box.top), (at, box.bottom)], 0.9 * fmt.thin)
            x += swatch + 0.5 * size
            sheet.labels.append(
                Label(x=x, y=middle, text=words[sign], size=size, width=width, tone=Tone.QUIET)
            )
            x += width + 1.6 * size
        return y + height

    def note_list(self, y: float) -> float:
        """Set the notes: a number in its ring, what it is about, what was found."""
        fmt = self.fmt
        for note in self.notes:
            y = self.set_note(note, y + 0.25 * fmt.text)
        if self.unmarked:
            times = "time" if self.unmarked == 1 else "times"
            y = self.paragraph(
                f"{self.unmarked} {times} there was no room for a mark: see the text report, or draw a shorter window.",
                y + 0.25 * fmt.text,
                fmt.small,
                tone=Tone.QUIET,
            )
        return y

    def set_note(self, note: Note, y: float) -> float:
        """Set one note; return where it ends."""
        fmt = self.fmt
        left = fmt.margin + 2 * RING * fmt.text + 0.6 * fmt.text
        if note.number is not None:
            self.ring(note.number, fmt.margin + RING * fmt.text + 0.2, y + 0.65 * fmt.text, note.is_fault)
        y = self.paragraph(note.head, y, fmt.text, bold=note.is_fault, left=left, most=3)
        if note.body:
            y = self.paragraph(note.body, y, fmt.text, left=left, most=6)
        return y

    def footer(self, y: float) -> float:
        """Say what the picture was made from."""
        fmt = self.fmt
        self.sheet.line([(fmt.margin, y), (fmt.width - fmt.margin, y)], fmt.thin, Tone.HAIR)
        y += 0.45 * fmt.small
        for line in self.footer_lines():
            y = self.paragraph(line, y, fmt.small, tone=Tone.QUIET, most=5)
        return y

    def footer_lines(self) -> list[str]:
        """Return the lines of the footer."""
        result = self.result
        definitions = ", ".join(_file_name(d.path) for d in result.expectations.definitions)
        parts = [_file_name(result.path), f"{result.tally.frames:,} frames"]
        if definitions:
            parts.append(definitions)
        if result.expectations.path:
            parts.append(_file_name(result.expectations.path))
        parts.append(f"buslens {_version()}")
        lines = ["  ·  ".join(parts)]
        bases: dict[str, list[str]] = {}
        for place in self.placed:
            finding = place.finding
            if finding.basis and finding.rule not in bases.setdefault(finding.basis, []):
                bases[finding.basis].append(finding.rule)
        if bases:
            lines.append("Limits: " + "; ".join(f"{', '.join(r)}: {b}" for b, r in bases.items()))
        if self.view.left_out:
            lines.append(f"Not drawn for want of room: {', '.join(self.view.left_out)}")
        return lines


def lay_out(result: Result, placed: list[Place], view: View, fmt: Format, ruler: Ruler) -> Sheet:
    """Return the whole picture as records.

    Parameters
    ----------
    result : Result
    placed : list of Place
        Of all findings.
    view : View
    fmt : Format
    ruler : Ruler
    """
    return Diagram(result, placed, view, fmt, ruler).draw()


def _tick_step(span: float, most: int) -> float:
    """Return the least of 1, 2 and 5 times a power of ten that gives no more steps than asked for."""
    raw = span / most
    power = 10.0 ** math.floor(math.log10(raw))
    return next(power * factor for factor in (1, 2, 5, 10, 20) if power * factor >= raw * (1 - 1e-9))


def _file_name(path: str) -> str:
    return path.replace("\\", "/").rstrip("/").rpartition("/")[2] or path


def _version() -> str:
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("buslens")
    except PackageNotFoundError:
        return ""
