"""The pictures of a record: the timing diagram of what the verdict speaks of, and the evidence for page one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from buslens.checks.findings import Result
from buslens.report.finding_kinds import Kind
from buslens.report.formatting import verdict_sentence
from buslens.report.record.markup import Markup

if TYPE_CHECKING:
    from buslens.causes.signs import Observation


def diagram(result: Result, *, label: str) -> tuple[Markup, Mapping[Kind, int]]:
    """Return the picture of what a verdict speaks of, and the number of each kind of finding in it."""
    from buslens.report.diagram import DiagramLayout
    from buslens.report.finding_layout import places
    from buslens.report.inline_svg import drawn
    from buslens.report.style import FORMATS
    from buslens.report.text_metrics import Lettering
    from buslens.report.view import choose

    view = choose(result, places(result, result.findings.unmet))
    placed = places(result, result.findings.during(view.start_ns, view.end_ns))
    # On paper as wide as it is drawn, on a screen a third larger: 8 pt, and 11 pixels. The table has the findings.
    paper = replace(FORMATS["page"], text=8.2, small=8.2, lane=16.0)
    layout = DiagramLayout(result, placed, view, paper, Lettering(), has_notes=False)
    return drawn(layout.draw()).markup(label, kind="diagram"), layout.numbers


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
