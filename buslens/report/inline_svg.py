"""Pictures as elements of the page: lines, areas and words whose look is the style sheet's alone.

A page whose policy names its one style sheet by hash refuses styles of an element's own, so each look is a class:
`ink`, `quiet`, `hatch`, `hair`, `accent` for lines, the same with `f-` for areas, with `t-` for words. By these, a
picture turns over in the dark with everything else.
"""

from collections.abc import Iterable
from typing import Final, Literal

from buslens.report.display_list import DisplayList, Ring
from buslens.report.record.markup import Markup, tag, text
from buslens.report.style import Tone

Point = tuple[float, float]

ANCHORS: Final = {"left": None, "center": "middle", "right": "end"}
"""Names of SVG for where words are held."""


class Drawing:
    """One picture in the making; x to the right, y downwards, in units of about one dot."""

    def __init__(self, width: float, height: float) -> None:
        self.width, self.height = width, height
        self._parts: list[str] = []

    def lines(
        self, lines: Iterable[Iterable[Point]], look: str, weight: float = 1.0, dash: Iterable[float] = ()
    ) -> None:
        """Draw lines of one look."""
        path = "".join(_path(points) for points in lines)
        if path:
            self._parts.append(f'<path class="{look}" stroke-width="{number(weight)}"{_dashes(dash)} d="{path}"/>')

    def areas(self, areas: Iterable[Iterable[Point]], look: str) -> None:
        """Fill areas of one look."""
        path = "".join(f"{_path(points)}z" for points in areas)
        if path:
            self._parts.append(f'<path class="{look}" d="{path}"/>')

    def box(self, left: float, top: float, right: float, bottom: float, look: str) -> None:
        """Fill a rectangle."""
        if right > left and bottom > top:
            size = f'width="{number(right - left)}" height="{number(bottom - top)}"'
            self._parts.append(f'<rect class="{look}" x="{number(left)}" y="{number(top)}" {size}/>')

    def ring(self, ring: Ring) -> None:
        """Draw a ring on paper."""
        half = f'rx="{number(ring.half_width)}" ry="{number(ring.half_height)}"'
        place = f'cx="{number(ring.x)}" cy="{number(ring.y)}"{_dashes(ring.dash)}'
        look = f'class="ring {_name(ring.tone)}" stroke-width="{number(ring.weight)}"'
        self._parts.append(f"<ellipse {look} {place} {half}/>")

    def words(
        self,
        x: float,
        baseline: float,
        words: str,
        look: str = "",
        *,
        anchor: Literal["left", "center", "right"] = "left",
        size: float | None = None,
    ) -> None:
        """Set one line of words; without a size in that of the style sheet."""
        given = f' class="{look}"' if look else ""
        given += f' text-anchor="{ANCHORS[anchor]}"' if anchor != "left" else ""
        given += f' font-size="{number(size)}"' if size is not None else ""
        self._parts.append(f'<text x="{number(x)}" y="{number(baseline)}"{given}>{text(words)}</text>')

    def markup(self, label: str, *, kind: str) -> Markup:
        """Return the picture as an element; `label` says what it shows to who cannot see it."""
        return tag(
            "svg",
            Markup("".join(self._parts)),
            viewBox=f"0 0 {number(self.width)} {number(self.height)}",
            role="img",
            aria_label=label,
            class_=kind,
        )


def drawn(sheet: DisplayList) -> Drawing:
    """Return a sheet of the report's as a picture of the page, with the report's own order of what covers what."""
    drawing = Drawing(sheet.width, sheet.height)
    for level in (0, 1):
        if level == 1:
            _strokes(sheet, drawing)
        areas: dict[Tone, list[tuple[Point, ...]]] = {}
        for fill in sheet.fills:
            if fill.level == level:
                areas.setdefault(fill.tone, []).append(fill.points)
        for tone, points in areas.items():
            drawing.areas(points, f"f-{_name(tone)}")
    for ring in sheet.rings:
        drawing.ring(ring)
    for label in sheet.labels:
        looks = {f"t-{_name(label.tone)}": label.tone is not Tone.INK, "bold": label.bold, "italic": label.italic}
        look = " ".join(name for name, is_so in looks.items() if is_so)
        drawing.words(label.x, label.baseline, label.text, look, anchor=label.anchor, size=label.size)
    return drawing


def number(value: float) -> str:
    """Return a coordinate as short as a hundredth allows.

    >>> number(12.0), number(0.125), number(-0.001)
    ('12', '0.12', '0')
    """
    shown = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if shown == "-0" else shown


def _strokes(sheet: DisplayList, drawing: Drawing) -> None:
    sorts: dict[tuple[bool, Tone, float, tuple[float, ...]], list[tuple[Point, ...]]] = {}
    for stroke in sheet.strokes:
        above = stroke.tone not in {Tone.HATCH, Tone.HAIR}
        sorts.setdefault((above, stroke.tone, stroke.weight, stroke.dash), []).append(stroke.points)
    for (_, tone, weight, dash), points in sorted(sorts.items(), key=lambda sort: sort[0][0]):
        drawing.lines(points, _name(tone), weight, dash)


def _dashes(dash: Iterable[float]) -> str:
    lengths = " ".join(number(length) for length in dash)
    return f' stroke-dasharray="{lengths}"' if lengths else ""


def _name(tone: Tone) -> str:
    return tone.name.lower().replace("_", "-")


def _path(points: Iterable[Point]) -> str:
    """Return a line through points; what does not move along one axis is written shorter."""
    written, last = [], None
    for x, y in points:
        place = number(x), number(y)
        if last is None:
            written.append(f"M{place[0]} {place[1]}")
        elif place[1] == last[1]:
            written.append(f"H{place[0]}")
        elif place[0] == last[0]:
            written.append(f"V{place[1]}")
        else:
            written.append(f"L{place[0]} {place[1]}")
        last = place
    return "".join(written)
