"""Dimension lines, marks and brackets find rows of their own above and below a lane, so that no words touch.

Pure arithmetic: widths of words come from a `Ruler`, the outcome is records that say which row and where.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable

    from buslens.report.ink import Format
    from buslens.report.lettering import Ruler

RING: Final = 0.66
"""Radius of the ring around a number, in type sizes."""

ARROW: Final = 0.62
"""Length of an arrowhead, in type sizes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """From time to place: linear."""

    left: float
    right: float
    start_ns: int
    end_ns: int

    def x(self, time_ns: int) -> float:
        """Return where a time stands; times outside stand beyond the ends."""
        return self.left + (time_ns - self.start_ns) * self.per_ns

    def held(self, time_ns: int) -> float:
        """Return where a time stands; times outside stand at the ends."""
        return min(max(self.x(time_ns), self.left), self.right)

    @property
    def per_ns(self) -> float:
        """Points per nanosecond."""
        return (self.right - self.left) / (self.end_ns - self.start_ns)


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """Something to be written above or below a lane."""

    #: Least and greatest place of either end; all the same for a mark at a moment.
    start: tuple[float, float]
    end: tuple[float, float]
    #: The fullest first; empty words are a mark without words.
    words: tuple[str, ...]
    #: Number in a ring; None for none.
    number: int | None = None
    is_fault: bool = False
    #: There is no edge at the end: it was awaited in vain.
    in_vain: bool = False
    #: A moment instead of a length.
    is_mark: bool = False
    #: Lower is placed first, and nearer to the lane.
    priority: int = 0
    #: Lane that the reference edge is on, counted from 0; None if it is on the item's own.
    reference_lane: int | None = None

    @property
    def left(self) -> float:
        """Where it begins."""
        return min(*self.start, *self.end)

    @property
    def right(self) -> float:
        """Where it ends."""
        return max(*self.start, *self.end)


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """An item that has found its place."""

    item: Item
    #: Counted from the lane outwards, from 0.
    row: int
    words: str
    #: Where the words begin; the ring, if any, stands before them.
    words_left: float
    words_width: float
    #: Middle of the ring; None without a number.
    ring_x: float | None
    #: Whether the words interrupt the line.
    inside: bool
    #: Whether the arrowheads stand outside and point at each other, for want of room between.
    turned: bool


@dataclass(slots=True)
class Rows:
    """Which stretches of which row are taken."""

    most: int
    #: Free room kept between neighbours, in points.
    gap: float
    taken: list[list[tuple[float, float]]] = field(default_factory=list)

    def place(self, left: float, right: float) -> int | None:
        """Take the stretch in the lowest row in which it is free; None if there is none."""
        row = self.free(left, right)
        if row is None:
            return None
        while row >= len(self.taken):
            self.taken.append([])
        self.taken[row].append((left, right))
        return row

    def free(self, left: float, right: float) -> int | None:
        """Return the lowest row in which the stretch is free; None if there is none."""
        for row in range(self.most):
            if row >= len(self.taken):
                return row
            if all(right + self.gap <= a or b + self.gap <= left for a, b in self.taken[row]):
                return row
        return None


def arrange(
    items: Iterable[Item], ruler: Ruler, fmt: Format, left: float, right: float, most_rows: int
) -> tuple[list[Written], int, int]:
    """Give each item a row and its words a place.

    Fuller words are preferred to shorter ones, words inside a dimension line to words beside it, and rows near to the
    lane to far ones. What has no room even without words is left out.

    Parameters
    ----------
    items : iterable of Item
    ruler : Ruler
    fmt : Format
    left, right : float
        Nothing is written beyond.
    most_rows : int
        Rows that may be used.

    Returns
    -------
    written : list of Written
    rows : int
        Rows that are used.
    left_out : int
        Items without a place.
    """
    rows = Rows(most=most_rows, gap=0.5 * fmt.text)
    written: list[Written] = []
    left_out = 0
    for item in sorted(items, key=lambda i: (i.priority, i.right - i.left, i.left)):
        placed = _place(item, rows, ruler, fmt, (left, right))
        if placed is None:
            left_out += 1
        else:
            written.append(placed)
    return written, len(rows.taken), left_out


def _place(
    item: Item, rows: Rows, ruler: Ruler, fmt: Format, ends: tuple[float, float]
) -> Written | None:
    size = fmt.text
    ring = 2 * RING * size if item.number is not None else 0.0
    gap = 0.35 * size
    arrow = ARROW * size
    turned = not item.is_mark and item.right - item.left < 2.4 * arrow
    low, high = item.left, item.right
    if turned:
        low, high = low - 1.8 * arrow, high + (0.0 if item.in_vain else 1.8 * arrow)
    last_resort = ("",) if item.number is not None and "" not in item.words else ()
    for words in (*item.words, *last_resort):
        width = ruler.width(words, size, bold=item.is_fault) if words else 0.0
        block = ring + (gap if ring and words else 0.0) + width
        for position in ("inside", "right", "left"):
            if item.is_mark:
                # A mark's ring, or the beginning of its words, stands over the moment itself.
                if position == "inside":
                    continue
                half = ring / 2 if ring else min(width, size) / 2
                start = item.left - half if position == "right" else item.left + half - block
                reach = (start, start + block)
            elif position == "inside":
                if turned or block + 3.2 * arrow > item.right - item.left:
                    continue
                start = (item.left + item.right - block) / 2
                reach = (low, high)
            elif position == "right":
                start = high + gap
                reach = (low, start + block)
            else:
                start = low - gap - block
                reach = (start, high)
            if not block:
                reach = (low, high)
            if reach[0] < ends[0] - 0.01 and start < ends[0] - 0.01:
                continue
            if start + block > ends[1] + 0.01:
                continue
            row = rows.place(*reach)
            if row is None:
                continue
            mirrored = item.is_mark and position == "left"
            ring_x = None
            if ring:
                ring_x = start + block - ring / 2 if mirrored else start + ring / 2
            return Written(
                item=item,
                row=row,
                words=words,
                words_left=start if mirrored or not ring else start + ring + gap,
                words_width=width,
                ring_x=ring_x,
                inside=position == "inside",
                turned=turned,
            )
    return None
