"""The whole picture is laid out: verdict, lanes with what was measured and allowed, scale, signs, notes, footer.

Two passes. First everything that has words finds its row, which needs only places from left to right; then the rows
give the heights, and all is put onto the sheet. Lines that run upright through several lanes come last, as they leave
out the words that they meet.
"""

import math
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from buslens.checks.findings import Outcome, Result
from buslens.report.annotations import Annotation, PlacedAnnotation, TimeAxis, arrange, mark
from buslens.report.decorations import Decorations
from buslens.report.display_list import Box, DisplayList, Fill
from buslens.report.drawing_context import DrawingContext
from buslens.report.finding_kinds import kind_of
from buslens.report.finding_layout import FindingLayout
from buslens.report.formatting import verdict_sentence
from buslens.report.lanes import Lane, Shape, lay_lane
from buslens.report.marks import Marks
from buslens.report.notes import shows, write_notes
from buslens.report.number_scale import limits_of, number_scale
from buslens.report.style import Format, Tone
from buslens.report.text_metrics import Ruler, legible, shorten, wrap
from buslens.report.view import View, runs_beside
from buslens.report.waveforms import draw_lane, state_name, unwritten
from buslens.timeline.model import UNKNOWN_STATE

_LABEL_SHARE: Final = 0.30
"""Most of the width that the names of the lanes may take."""

_CLEAR: Final = 0.72
"""Free room above and below the body of a lane, in type sizes."""

_QUIET: Final = 1.3
"""Height of a lane on which nothing happens, in type sizes."""

_ROWS_CLOSE: Final = 7
"""Rows of annotation per lane where one handshake is shown."""

_ROWS_FAR: Final = 5
"""Rows of annotation per lane where a stretch of the capture is shown."""


@dataclass(slots=True, kw_only=True)
class _LaneLayout:
    """A lane on its way to the sheet."""

    lane: Lane
    name: list[str]
    #: Words at the upper and lower end of the lane: a scale, or the names of the rails.
    ends: tuple[str, str] | None
    height: float
    above: list[Annotation] = field(default_factory=list)
    below: list[Annotation] = field(default_factory=list)
    allowed: list[FindingLayout] = field(default_factory=list)
    written: list[PlacedAnnotation] = field(default_factory=list)
    brackets: list[PlacedAnnotation] = field(default_factory=list)
    rows_above: int = 0
    rows_below: int = 0
    top: float = 0.0

    @property
    def is_quiet(self) -> bool:
        """Whether nothing happens on the lane, nor is anything said of it."""
        lane = self.lane
        if self.rows_above or self.rows_below or lane.changes or lane.crowds or len(self.name) > 1:
            return False
        return lane.steps is None or bool(np.nanmin(lane.steps[:, 1]) == np.nanmax(lane.steps[:, 1]))

    @property
    def bottom(self) -> float:
        return self.top + self.height


class DiagramLayout:
    """One picture in the making; `lay_out` is the way in."""

    def __init__(
        self,
        result: Result,
        placed: list[FindingLayout],
        view: View,
        fmt: Format,
        ruler: Ruler,
        *,
        title: str = "",
        least_column: float = 0.0,
        has_notes: bool = True,
    ) -> None:
        self.title = title or verdict_sentence(result)
        self.least_column, self.has_notes = least_column, has_notes
        self.result = result
        self.placed = [place for place in placed if shows(view, place)]
        self.view = view
        self.fmt = fmt
        self.ruler = ruler
        self.sheet = DisplayList(width=fmt.width)
        self.notes, self.numbers = write_notes(result, placed, view)
        self.pen = DrawingContext(self.sheet, fmt, ruler)
        self.marks = Marks(self.pen)
        self.signs: dict[str, None] = {}
        self.unmarked = 0

    # --- first pass: from left to right ---------------------------------------------------------------

    def tracks(self) -> list[_LaneLayout]:
        """Lay the lanes and decide how wide their names are."""
        fmt, ruler, view = self.fmt, self.ruler, self.view
        most = _LABEL_SHARE * fmt.width
        right = fmt.width - fmt.margin
        widest = TimeAxis(left=fmt.margin + most, right=right, start_ns=view.start_ns, end_ns=view.end_ns)
        resolution = max(1, math.ceil(1.4 * fmt.wave / widest.per_ns))
        tracks = []
        for role in view.roles:
            lane = lay_lane(self.result.timelines[role], view.start_ns, view.end_ns, resolution)
            if lane.scale is not None:
                lane = replace(lane, scale=number_scale(lane.scale, limits_of(role, self.result.expectations)))
            ends = self._ends(lane, widest)
            tracks.append(
                _LaneLayout(
                    lane=lane, name=[legible(self.result.expectations.shown_name(role))], ends=ends, height=fmt.lane
                )
            )
        gap = 0.8 * fmt.text

        def width_of(text: str) -> float:
            return ruler.width(text, fmt.text)

        ends_width = {id(t): self._ends_width(t) for t in tracks}
        taken = [(ends_width[id(track)] + gap if track.ends else 0.0) + gap for track in tracks]
        whole = [ruler.width(track.name[0], fmt.text) for track in tracks]
        # Names that stand alone set the width; one with a scale beside it may go on two lines.
        alone = max((w + t for w, t, track in zip(whole, taken, tracks, strict=True) if not track.ends), default=0.0)
        halved = [max(map(width_of, _halves(track.name[0])), default=0.0) for track in tracks]
        strips = [width_of(legible(rule)) + gap for rule in runs_beside(self.result, view)]
        column = min(
            most, max([self.least_column, alone, *strips, *(w + t for w, t in zip(halved, taken, strict=True))])
        )
        for track, used in zip(tracks, taken, strict=True):
            track.name = wrap(ruler, track.name[0], max(column - used, 2 * fmt.text) + 0.01, fmt.text, most=2) or [""]
            if len(track.name) > 1:
                track.height = max(track.height, 2.3 * fmt.text)
        self.scale = TimeAxis(left=fmt.margin + column, right=right, start_ns=view.start_ns, end_ns=view.end_ns)
        return tracks

    def _ends(self, lane: Lane, scale: TimeAxis) -> tuple[str, str] | None:
        if lane.shape is Shape.NUMBER:
            if lane.scale is None:
                return None
            low, high = (legible(f"{value:.4g} {lane.unit}") for value in lane.scale)
            return (high, low)
        if lane.shape is Shape.LEVELS and (unwritten(lane, scale, self.pen) or lane.crowds):
            return (state_name(lane, lane.high), state_name(lane, 1 - lane.high))
        return None

    def _ends_width(self, track: _LaneLayout) -> float:
        if track.ends is None:
            return 0.0
        room = 0.16 * self.fmt.width
        upper, lower = (shorten(self.ruler, words, room, self.fmt.text) for words in track.ends)
        track.ends = (upper, lower)
        return max(self.ruler.width(words, self.fmt.text) for words in track.ends)

    def annotate(self, tracks: list[_LaneLayout]) -> tuple[list[PlacedAnnotation], int]:
        """Give each finding to its lane and find rows; what belongs to no lane goes above all of them."""
        index = {track.lane.role: number for number, track in enumerate(tracks)}
        overhead: list[Annotation] = []
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
            track.brackets, track.rows_below, _ = arrange(track.below, self.ruler, self.fmt, *ends, 4 if close else 1)
        written, rows, lost = arrange(overhead, self.ruler, self.fmt, *ends, most)
        self.unmarked += lost
        return written, rows

    def _item(self, place: FindingLayout, reference_lane: int | None, lane: int | None) -> Annotation | None:
        finding, scale = place.finding, self.scale
        number = self.numbers.get(kind_of(finding))
        is_fault = finding.outcome.is_fault
        words = tuple(legible(w) for w in place.words)
        priority = 0 if is_fault else 1 if finding.outcome is Outcome.UNDECIDED else 2
        reach = place.awaited or place.measured
        if reach is None:
            if finding.outcome is Outcome.MET or finding.time_ns is None:
                return None
            return mark(scale.held(finding.time_ns), *words, number=number, is_fault=is_fault, priority=priority)
        item = Annotation(
            start=scale.span(reach.start),
            end=scale.span(reach.end),
            words=words,
            number=number,
            is_fault=is_fault,
            in_vain=place.awaited is not None,
            open_start=reach.start[1] < self.view.start_ns,
            open_end=reach.end[0] > self.view.end_ns or (finding.delay is not None and finding.delay.latest_ns is None),
            priority=priority,
            reference_lane=None if reference_lane == lane else reference_lane,
        )
        small = item.right - item.left < 1.5 * self.fmt.text
        if finding.outcome is Outcome.MET and small and (item.is_open or not self.view.handshake):
            # Too small to be measured by eye, and nothing is wrong with it.
            return None
        if small and item.is_open:
            x = item.right if item.open_start else item.left
            return replace(item, start=(x, x), end=(x, x), is_mark=True)
        return item

    def _bracket(self, place: FindingLayout, close: bool) -> Annotation | None:
        allowed, scale = place.allowed, self.scale
        if allowed is None:
            return None
        item = Annotation(
            start=scale.span(allowed.start),
            end=scale.span(allowed.end),
            words=tuple(legible(w) for w in place.limit_words) or ("",),
        )
        return item if close or item.right - item.left > 3 * self.fmt.text else None

    def _small_names(self, lane: Lane) -> list[Annotation]:
        """Name above the lane the states that have no room in it."""
        return [
            mark((left + right) / 2, state_name(lane, state), priority=1)
            for state, (left, right) in unwritten(lane, self.scale, self.pen).items()
        ]

    def _overhead(self) -> list[Annotation]:
        """Return what is said above all lanes: clock discontinuities, and where the log begins and ends."""
        view, scale = self.view, self.scale
        items = [
            mark(scale.held(it.time_ns), it.words, it.short_text)
            for it in self.result.stats.discontinuities
            if view.start_ns <= it.time_ns <= view.end_ns
        ]
        if self._log_end is not None and self._log_end < view.end_ns:
            items.append(mark(scale.held(self._log_end), "log ends"))
        if self.result.origin_ns > view.start_ns:
            items.append(mark(scale.held(self.result.origin_ns), "log begins"))
        return items

    @property
    def _log_end(self) -> int | None:
        ends = [t.end_ns for t in self.result.timelines.values()]
        return max(ends) if ends else self.result.stats.last_ns

    # --- second pass: from top to bottom --------------------------------------------------------------

    def draw(self) -> DisplayList:
        """Put everything onto the sheet."""
        fmt, sheet = self.fmt, self.sheet
        tracks = self.tracks()
        overhead, overhead_rows = self.annotate(tracks)
        around = Decorations(self.pen, self.result, self.view, self.scale)
        y = self.head(around)
        overhead_base = y + overhead_rows * self.pen.row
        y = overhead_base
        for track in tracks:
            if track.is_quiet:
                track.height = min(track.height, _QUIET * fmt.text)
            track.top = y + track.rows_above * self.pen.row + _CLEAR * fmt.text
            y = track.bottom + track.rows_below * self.pen.row + _CLEAR * fmt.text
        floor = y + 0.2 * fmt.text
        for track in tracks:
            self.draw_track(track, tracks)
        for written in overhead:
            self.marks.annotation(written, overhead_base, floor, None)
        self.discontinuities(tracks)
        y = around.axis(floor)
        self.marks.finish()
        if self.marks.has_doubt:
            self.signs["delay"] = None
        sheet.height = self.foot(around, y) + fmt.margin
        return sheet

    def head(self, around: Decorations) -> float:
        """Set what stands above the lanes; return where they begin."""
        fmt = self.fmt
        y = self.pen.paragraph(self.title, fmt.margin, fmt.title, bold=True)
        y = self.pen.paragraph(self.view.caption, y + 0.2 * fmt.text, fmt.text, tone=Tone.QUIET)
        return around.strips(y + 0.9 * fmt.text)

    def foot(self, around: Decorations, y: float) -> float:
        """Set what stands below the scale, which ends at y; return where it ends."""
        fmt = self.fmt
        y = around.key(y + 0.7 * fmt.text, self.signs)
        if self.has_notes:
            y = around.note_list(y + 0.5 * fmt.text, self.notes, self.unmarked)
        return around.footer(y + 0.6 * fmt.text, self.placed)

    def draw_track(self, track: _LaneLayout, tracks: list[_LaneLayout]) -> None:
        """Draw one lane with everything that is said of it."""
        fmt, scale = self.fmt, self.scale
        lane, middle = track.lane, track.top + track.height / 2
        for line, text in enumerate(track.name):
            self.pen.label(text, fmt.margin, middle + (line - (len(track.name) - 1) / 2) * 1.2 * fmt.text)
        if track.ends is not None:
            same = track.ends[0] == track.ends[1] and lane.shape is Shape.NUMBER
            spots = [(track.ends[0], middle)] if same else [(track.ends[0], track.top), (track.ends[1], track.bottom)]
            for text, y in spots:
                self.pen.label(text, scale.left - 0.6 * fmt.text, y, anchor="right", tone=Tone.QUIET)
        for place in track.allowed:
            self.band(place, track)
        if lane.shape is Shape.NUMBER:
            self.range_limits(track)
        draw_lane(self.pen, lane, scale, track.top, track.height)
        self.remember_signs(lane)
        for written in track.brackets:
            self.marks.bracket(written, track.bottom)
        for written in track.written:
            origin = None
            if written.item.reference_lane is not None:
                other = tracks[written.item.reference_lane]
                origin = (other.top, other.bottom)
            self.marks.annotation(written, track.top - _CLEAR * fmt.text, track.bottom, origin)

    def range_limits(self, track: _LaneLayout) -> None:
        """Draw the limits of a number as dotted lines."""
        fmt, values = self.fmt, track.lane.scale
        if values is None:
            return
        for limit in limits_of(track.lane.role, self.result.expectations):
            share = (limit / 2 - values[0] / 2) / (values[1] / 2 - values[0] / 2)
            y = track.bottom - share * track.height
            dash = (1.5 * fmt.thin, 3.0 * fmt.thin)
            self.sheet.line([(self.scale.left, y), (self.scale.right, y)], fmt.thin * 1.3, Tone.QUIET, dash)
            self.signs["range"] = None

    def remember_signs(self, lane: Lane) -> None:
        """Keep which signs need explaining below the lanes."""
        seen = 2 * self.fmt.wave / self.scale.per_ns
        if any(s.state == UNKNOWN_STATE and s.end_ns - s.start_ns > seen for s in lane.stretches):
            self.signs["unknown"] = None
        wide = (
            (c.seen_ns - c.since_ns) * self.scale.per_ns > 1.2 * self.fmt.wave
            for c in lane.changes
            if UNKNOWN_STATE not in (c.before, c.after)
        )
        if any(wide):
            self.signs["doubt"] = None
        if lane.clock_ns * self.scale.per_ns > self.fmt.wave and lane.changes:
            self.signs["clock"] = None
        if any(c.end_ns - c.start_ns > seen for c in lane.crowds):
            self.signs["crowd"] = None

    def band(self, place: FindingLayout, track: _LaneLayout) -> None:
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

    def discontinuities(self, tracks: list[_LaneLayout]) -> None:
        """Break all lanes where the clock ran back."""
        fmt = self.fmt
        for discontinuity in self.result.stats.discontinuities:
            if not self.view.start_ns <= discontinuity.time_ns <= self.view.end_ns:
                continue
            x, half, lean = self.scale.x(discontinuity.time_ns), 0.22 * fmt.text, 0.3 * fmt.text
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


def lay_out(result: Result, placed: list[FindingLayout], view: View, fmt: Format, ruler: Ruler) -> DisplayList:
    """Return the whole picture as records."""
    return DiagramLayout(result, placed, view, fmt, ruler).draw()


def _halves(text: str) -> tuple[str, str]:
    """Return a text broken at the blank that is nearest to its middle."""
    blanks = [i for i, character in enumerate(text) if character == " "]
    if not blanks:
        return text, ""
    at = min(blanks, key=lambda i: abs(2 * i - len(text)))
    return text[:at], text[at + 1 :]
