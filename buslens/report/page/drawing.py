"""The evidence strip as SVG: x in per cent and y in pixels, so that lanes stretch with the page and words do not.

It needs no script and is printed as it is. The wide drawing has the names of the lanes on its left, the narrow one
above each lane.
"""

import html
from collections.abc import Mapping
from collections.abc import Sequence as Several
from itertools import pairwise
from textwrap import wrap
from typing import Final
from zlib import crc32

import numpy as np

from buslens.checks.findings import Outcome, Result
from buslens.checks.phrases import span_text
from buslens.report.finding_layout import FindingLayout
from buslens.report.formatting import clean, spoken, unknown_text
from buslens.report.lanes import Lane, Shape, lay_lane
from buslens.report.number_scale import number_scale, round_step
from buslens.report.page.svg import svg_line, svg_patterns, svg_point, svg_rect, svg_text
from buslens.report.strip import Clue, Strip
from buslens.units import NS_PER_MS, NS_PER_S, exact_duration

_LETTER: Final = 6.9
"""Width of a letter at 12 px, with some reserve."""
_GUTTER: Final = 150
_WIDE, _NARROW, _SIDE = 640, 330, 400
"""Least widths of the lanes in pixels; words are placed as if there were no more."""
_LEVEL, _NUMBER = 24, 52
_ROOM_ABOVE, _ROOM_BELOW, _GAP = 27, 20, 16
_NAME: Final = 16
"""Height of a lane's name where it stands above the lane."""
_LINE: Final = 14
"""From one line of words to the next."""
_LEAST_LINE: Final = 26
"""Letters; where there is no room for so many behind a moment, the words end there."""


def strip_svg(result: Result, strip: Strip, numbers: Mapping[int, int], label: str) -> str:
    """Return both drawings of the evidence.

    Parameters
    ----------
    numbers : mapping of int to int
        Number in its ring of each kind of finding, by the id of the finding.
    label : str
        What is to be seen, for a reader who cannot see it.
    """
    wide = _Drawing(result, strip, numbers, is_narrow=False).svg(label)
    narrow = _Drawing(result, strip, numbers, is_narrow=True).svg(label)
    return f'<div class="strip wide">{wide}</div>\n<div class="strip narrow">{narrow}</div>'


def pair_svg(sides: Several[tuple[Result, Strip]], labels: Several[str]) -> tuple[str, ...]:
    """Return one narrow drawing for each capture, alike in lanes, heights and scales, to stand side by side.

    Parameters
    ----------
    sides : sequence of pairs of Result and Strip
        From `buslens.report.strip.evidence_pair`.
    labels : sequence of str
        What each shows, for a reader who cannot see it.
    """
    drawn = (_Drawing(result, strip, {}, is_narrow=True, sides=sides) for result, strip in sides)
    return tuple(f'<div class="strip side">{it.svg(label)}</div>' for it, label in zip(drawn, labels, strict=True))


class _Drawing:
    """One drawing; marks are collected from top to bottom, words last, so that nothing lies over them."""

    def __init__(
        self,
        result: Result,
        strip: Strip,
        numbers: Mapping[int, int],
        *,
        is_narrow: bool,
        sides: Several[tuple[Result, Strip]] = (),
    ) -> None:
        self.result, self.strip, self.numbers = result, strip, numbers
        #: Captures that are drawn with the same lanes; rooms and scales are for all of them.
        self.sides = sides or ((result, strip),)
        self.is_narrow = is_narrow
        self.width = _SIDE if len(self.sides) > 1 else _NARROW if is_narrow else _WIDE
        self.marks: list[str] = []
        self.words: list[str] = []
        self.names: list[str] = []
        #: Of its patterns: no other drawing of a page has the same.
        self.name = f"{'n' if is_narrow else 'w'}{crc32(repr((result.path, strip.start_ns, strip.end_ns)).encode())}"
        #: Upper and lower end of each lane.
        self.lanes: dict[str, tuple[float, float]] = {}

    def svg(self, label: str) -> str:
        strip = self.strip
        is_zero_seen = strip.start_ns <= strip.zero_ns <= strip.end_ns
        y = 22.0 if is_zero_seen else 6.0
        if is_zero_seen:
            self.text(self.x(strip.zero_ns), 12, strip.zero_words, "q", dx=5)
        begins = [y]
        for role in strip.roles:
            y = self.lane(role, y)
            begins.append(y)
        floor = y + 4
        if is_zero_seen:
            # Where the names stand above the lanes, the line leaves them out.
            room = _NAME if self.is_narrow else 0
            parts = [(4, begins[0]), *((a + room, b) for a, b in pairwise(begins)), (y, floor)]
            x = self.x(strip.zero_ns)
            self.marks[:0] = [svg_line(x, a, x, b, "dot") for a, b in (parts if room else [(4, floor)])]
        for place in strip.places:
            self.finding(place)
        self.clue()
        self.axis(floor)
        height = round(floor + 40)
        attributes = f'height="{height}" role="img" aria-label="{html.escape(clean(label), quote=True)}"'
        content = "".join((*self.marks, *self.words))
        patterns = svg_patterns(self.name) if "url(#" in content else ""
        drawn = f"<svg {attributes}>{patterns}{content}</svg>"
        if self.is_narrow:
            return drawn
        return f'<svg class="names" height="{height}" aria-hidden="true">{"".join(self.names)}</svg>{drawn}'

    # --- places and words ------------------------------------------------------------------------------

    def x(self, time_ns: float) -> float:
        """Return where a time stands, per cent."""
        strip = self.strip
        share = (time_ns - strip.start_ns) / (strip.end_ns - strip.start_ns)
        return 100 * min(max(share, -0.02), 1.02)

    def text(self, x: float, y: float, words: str, look: str = "", *, anchor: str = "start", dx: float = 0) -> None:
        """Write words at a place; those that would leave the drawing are turned to its inside."""
        room = len(words) * _LETTER * 100 / self.width
        if anchor == "start" and x + 100 * dx / self.width + room > 100:
            anchor, x, dx = "end", min(x, 100.0) if x - room > 0 else 100.0, -dx
        if anchor == "end" and x - room < 0:
            anchor, x, dx = "start", 0.0, 0
        if anchor == "middle":
            x = min(max(x, room / 2), 100 - room / 2)
        self.words.append(svg_text(x, y, words, f"halo {look}".strip(), anchor=anchor, dx=dx))

    def fits(self, words: str, left: float, right: float) -> bool:
        return len(words) * _LETTER + 8 <= (right - left) / 100 * self.width

    # --- lanes -----------------------------------------------------------------------------------------

    def lane(self, role: str, y: float) -> float:
        """Draw a lane below `y`; return where the next one may begin."""
        strip = self.strip
        lane = _laid(self.result, strip, role)
        has_line = any(
            any(place.role == role for place in it.places) or (it.clue and it.clue.role == role) for _, it in self.sides
        )
        lines = max(
            sum(it.role == role for it in one.places) + bool(one.clue and one.clue.role == role and not one.places)
            for _, one in self.sides
        )
        beside = [(place, it) for _, it in self.sides for place in it.places if place.role == role]
        clues = [it.clue for _, it in self.sides if it.clue and it.clue.role == role]
        more = _LINE * max((len(self.wrapped(it)) - 1 for it in clues), default=0)
        top = y + (max(lines, 1) * _ROOM_ABOVE if has_line else 6) + (_NAME if self.is_narrow else 0)
        top += 0 if beside else more
        bottom = top + (_NUMBER if lane.shape is Shape.NUMBER else _LEVEL)
        self.lanes[role] = (top, bottom)
        name = clean(self.result.expectations.shown_name(role))
        part = strip.parts.get(role, "")
        if self.is_narrow:
            ends = self.scale(lane)
            told = "" if ends is None else f"{ends[0]:.3g} to {ends[1]:.3g}{unit_text(lane)}"
            self.text(0, y + 13, ", ".join(filter(None, (name, part, told))), "q")
        else:
            middle = (top + bottom) / 2
            self.names.append(svg_text(0, middle + (-2 if part else 4), name, "l", px=True))
            if part:
                self.names.append(svg_text(0, middle + 12, part, "q s", px=True))
        if lane.shape is Shape.NUMBER:
            self.number(lane, top, bottom)
        else:
            self.states(lane, top, bottom)
        lines_below = max(
            (bool(place.allowed) + bool(it.clue and it.clue.role == role) for place, it in beside), default=0
        )
        return bottom + lines_below * _ROOM_BELOW + (more if beside else 0) + _GAP

    def states(self, lane: Lane, top: float, bottom: float) -> None:
        """Draw a waveform between two rails, or a band with the names where there are more states."""
        is_levels = lane.shape is Shape.LEVELS

        def level(state: int) -> float:
            if state < 0 or not is_levels:
                return (top + bottom) / 2
            return top if state == lane.high else bottom

        tries = [] if lane.role != self.strip.tries_role else list(self.strip.tries)
        doubts = {change.seen_ns: change.since_ns for change in lane.changes}
        for stretch in lane.stretches:
            left, right = self.x(stretch.start_ns), self.x(stretch.end_ns)
            until = doubts.get(stretch.end_ns, stretch.end_ns)
            right = max(self.x(until), left)
            y = level(stretch.state)
            is_known = stretch.state >= 0
            if is_known and not is_levels:
                self.marks += [svg_line(left, top, right, top, "w"), svg_line(left, bottom, right, bottom, "w")]
            else:
                self.marks.append(svg_line(left, y, right, y, "w" if is_known else "wu"))
            words = lane.states[stretch.state].replace("_", " ") if is_known else ""
            number = next((n for n, (start, _) in enumerate(tries, 1) if start == stretch.start_ns), 0)
            if number and len(tries) > 1:
                words = f"try {number}" if self.fits(f"try {number}", left, right) else str(number)
            choices = (words,) if is_known else unknown_text(stretch.why, stretch.value)
            shown = next((it for it in choices if self.fits(it, left, right)), "")
            if shown:
                middle = (max(left, 0) + min(right, 100)) / 2
                look = "b" if number and len(tries) > 1 else "" if is_known else "i"
                self.text(middle, (top + bottom) / 2 + 4.5, clean(shown), look, anchor="middle")
        for change in lane.changes:
            a, b = self.x(change.since_ns), self.x(change.seen_ns)
            if b - a > 0.15:
                self.marks.append(svg_rect(a, top, b - a, bottom - top, "ht", fill=f"ht-{self.name}"))
            off = self.x(change.seen_ns + lane.clock_ns) - b
            if off > 0.15 and change.before >= 0 and change.after >= 0:
                self.marks.append(svg_line(a - off, bottom + 4, b + off, bottom + 4, "ck"))
                self.marks += [svg_line(x, bottom + 2, x, bottom + 6, "ck") for x in (a - off, b + off)]
            if is_levels and change.before >= 0 and change.after >= 0:
                self.marks.append(svg_line(a, level(change.before), b, level(change.after), "w"))
        for crowd in lane.crowds:
            a, b = self.x(crowd.start_ns), self.x(crowd.end_ns)
            self.marks.append(svg_rect(a, top, max(b - a, 0.2), bottom - top, "cr", fill=f"cr-{self.name}"))

    def number(self, lane: Lane, top: float, bottom: float) -> None:
        """Draw a staircase over a scale that reaches from nothing, or from its limits, to what is seen."""
        for stretch in lane.stretches:
            a, b = self.x(stretch.start_ns), self.x(stretch.end_ns)
            self.marks.append(svg_line(a, (top + bottom) / 2, b, (top + bottom) / 2, "wu"))
        ends = self.scale(lane)
        if lane.steps is None or ends is None:
            return
        limits = self.strip.bounds.get(lane.role, ())
        low, high = ends
        half = high / 2 - low / 2

        def y(value: float) -> float:
            return bottom - (value / 2 - low / 2) / half * (bottom - top)

        if len(limits) == 2:
            self.marks.append(svg_rect(0, y(limits[1]), 100, y(limits[0]) - y(limits[1]), "band"))
        elif limits:
            self.marks.append(svg_line(0, y(limits[0]), 100, y(limits[0]), "dot"))
        length = self.strip.end_ns - self.strip.start_ns
        path, is_down = [], False
        for time, value in lane.steps:
            if not np.isfinite(value):
                is_down = False
                continue
            along = 1000 * (lane.steps_from_ns + time - self.strip.start_ns) / length
            path.append(f"{'L' if is_down else 'M'}{along:.1f} {y(float(value)) - top:.1f}")
            is_down = True
        self.marks.append(
            f'<svg y="{top:.1f}" width="100%" height="{bottom - top:.1f}" viewBox="0 0 1000 {bottom - top:.1f}" '
            f'preserveAspectRatio="none" class="free"><path d="{"".join(path)}" class="w"/></svg>'
        )
        if self.is_narrow:
            return
        unit = unit_text(lane)
        for value, at in ((high, top + 9), (low, bottom)):
            self.names.append(svg_text(_GUTTER - 10, at, f"{value:.3g}{unit}", "q s", anchor="end", px=True))
        if len(limits) == 2:
            self.text(100, y(limits[0]) - 3, f"allowed {limits[0]:g} to {limits[1]:g}{unit}", "q", anchor="end", dx=-4)

    def scale(self, lane: Lane) -> tuple[float, float] | None:
        """Return the ends of the scale of a number, for all captures that are drawn; None of states."""
        scales = [_laid(*side, lane.role).scale for side in self.sides]
        ends = [end for scale in scales if scale is not None for end in scale]
        return number_scale((min(ends), max(ends)), self.strip.bounds.get(lane.role, ())) if ends else None

    # --- what was found --------------------------------------------------------------------------------

    def finding(self, place: FindingLayout) -> None:
        """Draw a dimension line above its lane, the limit below it, and what was over the limit."""
        if place.role not in self.lanes or place.extent is None:
            return
        top, bottom = self.lanes[place.role]
        finding = place.finding
        is_fault = finding.outcome.is_fault
        look = "ac" if is_fault else "un"
        before = [it for it in self.strip.places if it.role == place.role]
        y = top - 13 - _ROOM_ABOVE * before.index(place)
        first, last = place.extent
        if place.measured is not None:
            first, last = place.measured.start[1], max(place.measured.end)
        if place.allowed is not None:
            (a, b), (_, d) = place.allowed.start, place.allowed.end
            self.marks.insert(0, svg_rect(self.x(b), top - 3, max(self.x(d) - self.x(b), 0), bottom - top + 6, "band"))
            self.bracket(place, self.x(b), self.x(d), bottom + 11)
            if finding.outcome is Outcome.MISSING:
                first, last = (finding.reference.latest_ns if finding.reference else None) or a, d
            if finding.outcome is Outcome.LATE and last > d:
                self.marks.append(svg_rect(self.x(d), top - 3, self.x(last) - self.x(d), bottom - top + 6, "over"))
        left, right = max(self.x(first), 0.0), min(self.x(last), 100.0)
        self.marks.append(svg_line(left, y, right, y, look))
        if finding.outcome is Outcome.MISSING:
            self.marks.append(svg_point(right, y, '<path d="M-4-4L4 4M-4 4L4-4" class="ac"/>'))
        elif last <= self.strip.end_ns:
            self.marks.append(svg_line(right, y - 5, right, bottom, look))
        if first >= self.strip.start_ns:
            self.marks.append(svg_line(left, y - 5, left, y + 5, look))
        number = self.numbers.get(id(finding))
        words = _told(place)
        ring = "ring" if is_fault else "ring doubt"
        room = (len(words) * _LETTER + 34) * 100 / self.width
        # Before the line, else above it at its beginning.
        if left - room > 0:
            self.label(number, left - 1.2, y, words, ring, anchor="end")
        elif right + room < 100:
            self.label(number, right + 1.2, y, words, ring, anchor="start")
        else:
            self.label(number, max(min(left, 100 - room), 0.0), y - 1, words, ring, anchor="start")

    def label(self, number: int | None, x: float, y: float, words: str, ring: str, *, anchor: str) -> None:
        """Write what was found, with the number that it has in the list."""
        if number is None:
            self.text(x, y + 4, words, "b", anchor=anchor)
            return
        way = -1 if anchor == "end" else 1
        self.words.append(
            f'<svg x="{x:.2f}%" y="{y - 10:.1f}" width="1" height="20" class="free"><circle cx="{way * 11}" cy="10" '
            f'r="9" class="{ring}"/><text x="{way * 11}" y="14" text-anchor="middle" class="b s">{number}</text></svg>'
        )
        self.words.append(svg_text(x, y + 4, words, "halo b", anchor=anchor, dx=way * 25))

    def bracket(self, place: FindingLayout, left: float, right: float, y: float) -> None:
        """Draw the limit of a step in words under its window."""
        right = min(right, 100.0)
        self.marks.append(svg_line(left, y, right, y, "th"))
        self.marks += [svg_line(x, y - 5, x, y, "th") for x in (left, right)]
        words = place.limit_words[1] if len(place.limit_words) > 1 else "".join(place.limit_words[:1])
        full = f"allowed: {words}"
        shown = full if self.fits(full, left, right) else words
        if shown:
            self.text((left + right) / 2, y + 4, clean(shown), "q", anchor="middle")

    def clue(self) -> None:
        """Mark where the evidence for the leading cause shows."""
        clue = self.strip.clue
        if clue is None or clue.role not in self.lanes:
            return
        top, bottom = self.lanes[clue.role]
        x = self.x(clue.time_ns)
        beside = [place for place in self.strip.places if place.role == clue.role]
        below = bottom + 14 + (_ROOM_BELOW if any(place.allowed for place in beside) else 0)
        y = below if beside else top - 13
        self.marks.append(svg_line(x, y, x, bottom if y < top else top, "th"))
        self.marks.append(
            f'<svg x="{x:.2f}%" y="{y:.1f}" width="1" height="1" class="free"><circle r="4" class="tell"/></svg>'
        )
        lines = self.wrapped(clue)
        first = y + 4 - (0 if beside else _LINE * (len(lines) - 1))
        for number, line in enumerate(lines):
            self.text(x, first + _LINE * number, line, "b", dx=9)

    def wrapped(self, clue: Clue) -> list[str]:
        """Return the words of a clue in as many lines as they need behind its moment."""
        room = (1 - self.x(clue.time_ns) / 100) * self.width / _LETTER - 3
        return wrap(clean(clue.words), max(int(room), _LEAST_LINE))

    def axis(self, floor: float) -> None:
        """Draw the scale, counted from the start."""
        strip = self.strip
        self.marks.append(svg_line(0, floor, 100, floor, "ax"))
        length = strip.end_ns - strip.start_ns
        in_ms = strip.handshake is not None and length < 10 * NS_PER_S
        unit, name = (NS_PER_MS, "ms") if in_ms else (NS_PER_S, "s")
        step = round_step(length / unit / (4 if self.is_narrow else 10))
        first = -int(-(strip.start_ns - strip.zero_ns) / unit // step)
        for number in range(first, first + 14):
            at = self.x(strip.zero_ns + number * step * unit)
            if 0 <= at <= 100:
                self.marks.append(svg_line(at, floor, at, floor + 4, "ax"))
                self.text(at, floor + 17, f"{number * step:,g}", "q", anchor="middle")
        began = "" if strip.handshake is None else f" ({spoken(strip.zero_ns - self.result.origin_ns)})"
        self.words.append(svg_text(100, floor + 34, f"{name} after {strip.zero_words}{began}", "q", anchor="end"))


def _laid(result: Result, strip: Strip, role: str) -> Lane:
    resolution = max((strip.end_ns - strip.start_ns) // 900, 1)
    return lay_lane(result.timelines[role], strip.start_ns, strip.end_ns, resolution)


def unit_text(lane: Lane) -> str:
    """Return the unit as it stands behind a number; empty without one."""
    return f" {clean(lane.unit)}".rstrip()


def _told(place: FindingLayout) -> str:
    """Return what was found in a few words."""
    finding = place.finding
    if finding.outcome is Outcome.MISSING:
        stayed = place.words[0].partition(": ")[2]
        if stayed.startswith("stayed ") and finding.limit is not None and finding.limit.most is not None:
            return f"still {stayed.removeprefix('stayed ')} after {exact_duration(round(finding.limit.most))}"
        return stayed or "did not happen"
    if finding.kind != "sequence":
        lead = "no frame for" if finding.kind == "alive" else "for"
        return place.words[-1] if finding.delay is None else f"{lead} {span_text(finding.delay)}"
    return next((it for it in place.words if "limit" not in it), place.words[-1])
