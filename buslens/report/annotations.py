"""Dimension lines, marks and brackets find rows of their own above and below a lane, so that no words touch.

Pure arithmetic: widths of words come from a `Ruler`, the outcome is records that say which row and where.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Final

from buslens.report.style import Format
from buslens.report.text_metrics import Ruler

RING: Final = 0.72
"""Half the height of the ring around a number, in type sizes."""

ARROW: Final = 0.62
"""Length of an arrowhead, in type sizes."""


def ring_half(number: int) -> float:
    """Return half the width of the ring around a number, in type sizes: it grows with the digits."""
    return RING + 0.34 * (len(str(number)) - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeAxis:
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

    def span(self, ends_ns: tuple[int, int]) -> tuple[float, float]:
        """Return where the ends of a doubt stand, as `held`."""
        return self.held(ends_ns[0]), self.held(ends_ns[1])

    @property
    def per_ns(self) -> float:
        """Points per nanosecond."""
        return (self.right - self.left) / (self.end_ns - self.start_ns)


@dataclass(frozen=True, slots=True, kw_only=True)
class Annotation:
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
    #: It goes on beyond the picture, or beyond what the log shows.
    open_start: bool = False
    open_end: bool = False
    #: A moment instead of a length.
    is_mark: bool = False
    #: Lower is placed first, and nearer to the lane.
    priority: int = 0
    #: Lane that the reference edge is on, counted from 0; None if it is on the item's own.
    reference_lane: int | None = None

    @property
    def is_open(self) -> bool:
        """Whether one of its ends does not show."""
        return self.open_start or self.open_end

    @property
    def left(self) -> float:
        """Where it begins."""
        return min(*self.start, *self.end)

    @property
    def right(self) -> float:
        """Where it ends."""
        return max(*self.start, *self.end)


def mark(x: float, *words: str, number: int | None = None, is_fault: bool = False, priority: int = 0) -> Annotation:
    """Return what is to be written at one place."""
    return Annotation(
        start=(x, x), end=(x, x), words=words, number=number, is_fault=is_fault, is_mark=True, priority=priority
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedAnnotation:
    """An item that has found its place."""

    item: Annotation
    #: Counted from the lane outwards, from 0.
    row: int
    #: Row of the words: that of the line, or the next.
    words_row: int
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


Reach = tuple[float, float]


@dataclass(slots=True)
class RowAllocator:
    """Which stretches of which row are taken."""

    most: int
    #: Free room kept between neighbours, in points.
    gap: float
    taken: list[list[Reach]] = field(default_factory=list)

    def place(self, *reaches: Reach) -> int | None:
        """Take stretches in rows one over the other, the first as low as it can be; None if there is no room.

        Returns
        -------
        int or None
            Row of the first stretch.
        """
        for row in range(self.most - len(reaches) + 1):
            if all(self._is_free(row + up, reach) for up, reach in enumerate(reaches)):
                while row + len(reaches) > len(self.taken):
                    self.taken.append([])
                for up, reach in enumerate(reaches):
                    self.taken[row + up].append(reach)
                return row
        return None

    def _is_free(self, row: int, reach: Reach) -> bool:
        if row >= len(self.taken):
            return True
        return all(reach[1] + self.gap <= a or b + self.gap <= reach[0] for a, b in self.taken[row])


def arrange(
    items: Iterable[Annotation], ruler: Ruler, fmt: Format, left: float, right: float, most_rows: int
) -> tuple[list[PlacedAnnotation], int, int]:
    """Give each item a row and its words a place.

    Fuller words are preferred to shorter ones, words inside a dimension line to words beside it, and rows near to the
    lane to far ones. What has no room even without words is left out.

    Parameters
    ----------
    left, right : float
        Nothing is written beyond.

    Returns
    -------
    written : list of PlacedAnnotation
    rows : int
        Rows that are used.
    left_out : int
        Numbered items without a place.
    """
    rows = RowAllocator(most=most_rows, gap=0.9 * fmt.text)
    written: list[PlacedAnnotation] = []
    left_out = 0
    for item in sorted(items, key=lambda i: (i.priority, i.right - i.left, i.left)):
        placed = _place(item, rows, ruler, fmt, (left, right))
        if placed is None:
            left_out += item.number is not None
        else:
            written.append(placed)
    return written, len(rows.taken), left_out


def _place(item: Annotation, rows: RowAllocator, ruler: Ruler, fmt: Format, ends: Reach) -> PlacedAnnotation | None:
    size = fmt.text
    ring = 0.0 if item.number is None else 2 * ring_half(item.number) * size
    gap = 0.35 * size
    turned = not item.is_mark and item.right - item.left < 2.4 * ARROW * size
    line = (item.left, item.right)
    if turned:
        line = (item.left - 1.8 * ARROW * size, item.right + (0.5 if item.in_vain else 1.8 * ARROW) * size)
    elif item.in_vain:
        # Room for the cross at its end.
        line = (item.left, item.right + 0.5 * size)
    last_resort = ("",) if item.number is not None and "" not in item.words else ()
    for words in (*item.words, *last_resort):
        width = ruler.width(words, size, bold=item.is_fault) if words else 0.0
        block = ring + (gap if ring and words else 0.0) + width
        for start, position in _positions(item, line, block, turned, (fmt, ends)):
            if start < ends[0] - 0.01 or start + block > ends[1] + 0.01:
                continue
            over = position == "over"
            reach = (start, start + block)
            joined = (min(line[0], start), max(line[1], start + block))
            row = rows.place(line, reach) if over else rows.place(reach if item.is_mark else joined)
            if row is None:
                continue
            mirrored = item.is_mark and position == "left"
            ring_x = None
            if ring:
                ring_x = start + block - ring / 2 if mirrored else start + ring / 2
            return PlacedAnnotation(
                item=item,
                row=row,
                words_row=row + over,
                words=words,
                words_left=start if mirrored or not ring else start + ring + gap,
                words_width=width,
                ring_x=ring_x,
                inside=position == "inside",
                turned=turned,
            )
    return None


def _positions(
    item: Annotation, line: Reach, block: float, turned: bool, room: tuple[Format, Reach]
) -> Iterator[tuple[float, str]]:
    """Yield where words may begin, the best place first."""
    fmt, ends = room
    size, gap = fmt.text, 0.35 * fmt.text
    if item.is_mark:
        # The ring, or the beginning of the words, stands over the moment itself.
        half = min(block, size) / 2 if item.number is None else ring_half(item.number) * size
        yield item.left - half, "right"
        yield item.left + half - block, "left"
        return
    middle = (item.left + item.right - block) / 2
    if not turned and block + 3.2 * ARROW * size <= item.right - item.left:
        yield middle, "inside"
    yield line[1] + gap, "right"
    yield line[0] - gap - block, "left"
    if item.number is not None:
        # What is not as it should be is worth a row of its own to be told in full.
        yield min(max(middle, ends[0]), ends[1] - block), "over"
