"""The timing diagram as a part of a page that allows no style but its own.

matplotlib writes the look of every line into a ``style`` attribute of its own. A page whose policy names its one style
sheet by hash refuses those, so each distinct look becomes a class of that style sheet, and the tones of the ink become
variables, by which the page turns them over in the dark. Identifiers get a prefix, so that several diagrams can stand
on one page.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final, NamedTuple
from xml.etree import ElementTree as ET

from buslens.checks.findings import Result
from buslens.report.formatting import clean, verdict_sentence
from buslens.report.record.markup import Markup
from buslens.report.style import Tone

if TYPE_CHECKING:
    from buslens.causes.signs import Observation

_SVG: Final = "http://www.w3.org/2000/svg"
_XLINK_HREF: Final = "{http://www.w3.org/1999/xlink}href"
_REFERENCE: Final = re.compile(r"url\(#([^)]+)\)")
_TONES: Final = {tone.value.lower(): f"var(--{tone.name.lower().replace('_', '-')})" for tone in Tone}
_COLOUR: Final = re.compile(r"#[0-9a-fA-F]{6}\b")


class InlineSvg(NamedTuple):
    """A diagram for a page."""

    markup: Markup
    #: Rules for the page's style sheet.
    css: str


def diagram(result: Result, *, prefix: str, label: str) -> InlineSvg:
    """Return the picture of what a verdict speaks of.

    Parameters
    ----------
    prefix : str
        Letters, different for each diagram of a page.
    """
    from buslens.report.figure import as_bytes, figure

    return inlined(as_bytes(figure(result, width="page"), "svg"), prefix=prefix, label=label)


MOST_LANES: Final = 4
"""Two pictures of so many, before and after, leave room on one page for what a customer signs."""


def strips(sides: Sequence[tuple[str, Result]], clue: Observation | None) -> list[tuple[str, Markup]]:
    """Return the evidence for page one, with the name of each side; nothing where there is nothing to draw.

    Parameters
    ----------
    clue : Observation or None
        What speaks most clearly for the leading cause.
    """
    from buslens.report.page.drawing import pair_svg, strip_svg
    from buslens.report.strip import evidence_pair, evidence_strip

    labels = [f"{name}. {verdict_sentence(result)}" for name, result in sides]
    if len(sides) == 1:
        ((name, result),) = sides
        strip = evidence_strip(result, clue, most=MOST_LANES)
        return [] if strip is None else [(name, Markup(strip_svg(result, strip, {}, labels[0])))]
    before, after = (result for _, result in sides)
    pair = evidence_pair(before, after, clue, most=MOST_LANES)
    if pair is None:
        return [drawn for side in sides for drawn in strips([side], clue)]
    drawn = pair_svg([(before, pair[0]), (after, pair[1])], labels)
    return [(name, Markup(svg)) for (name, _), svg in zip(sides, drawn, strict=True)]


def inlined(svg: bytes, *, prefix: str, label: str) -> InlineSvg:
    """Return an SVG document of matplotlib's as an element for a page, and its style rules."""
    root = ET.fromstring(svg)  # noqa: S314 - matplotlib has just written it
    for name in ("metadata", "title"):
        for child in root.findall(f"{{{_SVG}}}{name}"):
            root.remove(child)
    for group in root.iter(f"{{{_SVG}}}defs"):
        for style in group.findall(f"{{{_SVG}}}style"):
            group.remove(style)
    looks: dict[str, str] = {}
    for element in root.iter():
        element.tag = element.tag.removeprefix(f"{{{_SVG}}}")
        for key, value in list(element.attrib.items()):
            if key == "style":
                del element.attrib[key]
                look = _look(value, prefix)
                element.set("class", looks.setdefault(look, f"{prefix}{len(looks)}"))
            elif key == "id":
                element.set(key, f"{prefix}-{value}")
            elif key in {"href", _XLINK_HREF}:
                del element.attrib[key]
                element.set("href", value.replace("#", f"#{prefix}-", 1))
            elif "url(#" in value:
                element.set(key, _REFERENCE.sub(rf"url(#{prefix}-\1)", value))
    for key in ("width", "height", "version"):
        root.attrib.pop(key, None)
    root.set("role", "img")
    root.set("aria-label", clean(label))
    root.set("class", "diagram")
    css = f"#{prefix}{{stroke-linejoin:round;stroke-linecap:butt}}\n"
    root.set("id", prefix)
    css += "".join(f".{name}{{{look}}}\n" for look, name in looks.items())
    return InlineSvg(markup=Markup(ET.tostring(root, encoding="unicode", short_empty_elements=True)), css=css)


def _look(style: str, prefix: str) -> str:
    look = _COLOUR.sub(lambda found: _TONES.get(found[0].lower(), found[0]), style.strip().rstrip(";"))
    # A style sheet stands inside an element of the page; nothing in it may end that.
    return _REFERENCE.sub(rf"url(#{prefix}-\1)", look).replace("<", "\\3c ")
