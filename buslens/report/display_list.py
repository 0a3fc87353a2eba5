"""A drawing as plain records, before any library draws it.

Everything is in points from the upper left corner, y downwards.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final, Literal, NamedTuple

from buslens.report.style import Tone

_ROUNDING: Final = 1e-6
"""Points."""


class Box(NamedTuple):
    """A rectangle."""

    left: float
    top: float
    right: float
    bottom: float

    def overlaps(self, other: Box) -> bool:
        """Return whether the two share more than an edge, or the rounding of one."""
        wide = min(self.right, other.right) - max(self.left, other.left)
        high = min(self.bottom, other.bottom) - max(self.top, other.top)
        return wide > _ROUNDING and high > _ROUNDING


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """One line of words."""

    #: Left end, middle or right end, as `anchor` says.
    x: float
    #: Middle of the line.
    y: float
    text: str
    size: float
    #: Measured.
    width: float
    bold: bool = False
    italic: bool = False
    anchor: Literal["left", "center", "right"] = "left"
    tone: Tone = Tone.INK

    @property
    def left(self) -> float:
        """Left end."""
        return self.x - {"left": 0.0, "center": 0.5, "right": 1.0}[self.anchor] * self.width

    @property
    def baseline(self) -> float:
        """Where the letters stand: lines up words of one y whatever letters they have."""
        return self.y + 0.36 * self.size

    @property
    def box(self) -> Box:
        """The room that the words take, accents and descenders included."""
        half = 0.6 * self.size
        return Box(self.left, self.y - half, self.left + self.width, self.y + half)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """A line through points."""

    points: tuple[tuple[float, float], ...]
    weight: float
    tone: Tone = Tone.INK
    #: Lengths of dash and gap; empty for a whole line.
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Fill:
    """A polygon."""

    points: tuple[tuple[float, float], ...]
    tone: Tone
    #: 0 lies below all lines, 1 above them.
    level: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Ring:
    """A ring around a number."""

    x: float
    y: float
    half_width: float
    half_height: float
    weight: float
    tone: Tone
    dash: tuple[float, ...] = ()


@dataclass(slots=True, kw_only=True)
class DisplayList:
    """All that is on one picture."""

    width: float
    height: float = 0.0
    labels: list[Label] = field(default_factory=list)
    strokes: list[Stroke] = field(default_factory=list)
    fills: list[Fill] = field(default_factory=list)
    rings: list[Ring] = field(default_factory=list)

    def with_below(self, other: DisplayList) -> DisplayList:
        """Return this picture with another one below it."""
        down = self.height
        return DisplayList(
            width=max(self.width, other.width),
            height=down + other.height,
            labels=[*self.labels, *(replace(it, y=it.y + down) for it in other.labels)],
            strokes=[*self.strokes, *(replace(it, points=_moved(it.points, down)) for it in other.strokes)],
            fills=[*self.fills, *(replace(it, points=_moved(it.points, down)) for it in other.fills)],
            rings=[*self.rings, *(replace(it, y=it.y + down) for it in other.rings)],
        )

    def line(
        self, points: list[tuple[float, float]], weight: float, tone: Tone = Tone.INK, dash: tuple[float, ...] = ()
    ) -> None:
        """Add a line."""
        self.strokes.append(Stroke(points=tuple(points), weight=weight, tone=tone, dash=dash))

    def box(self, box: Box, tone: Tone) -> None:
        """Add a filled rectangle, below everything."""
        corners = ((box.left, box.top), (box.right, box.top), (box.right, box.bottom), (box.left, box.bottom))
        self.fills.append(Fill(points=corners, tone=tone))

    def hatch(self, box: Box, spacing: float, weight: float, tone: Tone = Tone.HATCH) -> None:
        """Fill a rectangle with slanted lines.

        Drawn as lines of our own and not as a library's pattern, so that all file formats show the same.
        """
        height = box.bottom - box.top
        # A line runs from the lower edge up to the right; c is where it would meet the lower edge.
        c = box.left - height + spacing / 2
        while c < box.right:
            start, end = max(c, box.left), min(c + height, box.right)
            if end > start:
                self.line([(start, box.bottom - (start - c)), (end, box.bottom - (end - c))], weight, tone)
            c += spacing

    def upright(self, x: float, top: float, bottom: float, weight: float, tone: Tone) -> None:
        """Add a vertical line that leaves out all words that are on the sheet by now."""
        blocks = sorted(
            (label.box.top, label.box.bottom)
            for label in self.labels
            if label.box.left - 1.0 < x < label.box.right + 1.0
        )
        at = top
        for above, below in blocks:
            if below <= at:
                continue
            if above >= bottom:
                break
            if above > at:
                self.line([(x, at), (x, above)], weight, tone)
            at = below
        if at < bottom:
            self.line([(x, at), (x, bottom)], weight, tone)


def _moved(points: tuple[tuple[float, float], ...], down: float) -> tuple[tuple[float, float], ...]:
    return tuple((x, y + down) for x, y in points)
