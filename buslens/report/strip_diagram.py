"""The evidence strip as a picture: alone, or that of before a repair above that of after it, on one axis."""

from buslens.checks.findings import Result
from buslens.errors import UsageError
from buslens.report.diagram import DiagramLayout
from buslens.report.display_list import DisplayList
from buslens.report.finding_layout import places
from buslens.report.formatting import file_name, verdict_sentence
from buslens.report.strip import Strip, evidence_pair, evidence_strip
from buslens.report.style import Format
from buslens.report.text_metrics import Ruler
from buslens.report.view import View

_NOTHING = "the capture shows nothing to draw: no lane has a value in it"


def lay_strip_out(result: Result, fmt: Format, ruler: Ruler) -> DisplayList:
    """Return the few lanes and the stretch that show what is wrong, without notes: for a report.

    Raises UsageError if the capture has nothing to show.
    """
    strip = evidence_strip(result)
    if strip is None:
        raise UsageError(_NOTHING)
    return _layout(result, strip, fmt, ruler, "").draw()


def lay_pair_out(before: Result, after: Result, fmt: Format, ruler: Ruler) -> DisplayList:
    """Return the evidence of two captures, one above the other, with the same lanes and the same axis.

    Raises UsageError if one of them has nothing to show, or they share no lane.
    """
    pair = evidence_pair(before, after)
    if pair is None:
        raise UsageError("the two captures share no lane; check that both are of the same car")
    sides = ((before, pair[0], "Before"), (after, pair[1], "After"))
    trial = [_layout(result, strip, fmt, ruler, "") for result, strip, _ in sides]
    for layout in trial:
        layout.tracks()
    column = max(layout.scale.left for layout in trial) - fmt.margin
    upper, lower = (
        _layout(
            result, strip, fmt, ruler, f"{name}, {file_name(result.path)}: {verdict_sentence(result)}", column
        ).draw()
        for result, strip, name in sides
    )
    return upper.with_below(lower)


def _layout(result: Result, strip: Strip, fmt: Format, ruler: Ruler, title: str, column: float = 0.0) -> DiagramLayout:
    run = strip.handshake
    view = View(
        start_ns=strip.start_ns,
        end_ns=strip.end_ns,
        zero_ns=strip.zero_ns,
        in_ms=run is not None,
        scale_words=f"{'ms' if run is not None else 's'} after {strip.zero_words}",
        caption="" if run is None else f"{run.rule} {run.number}",
        handshake=run,
        roles=strip.roles,
    )
    drawn = {id(it.finding) for it in strip.places}
    # Measures of what is OK are left out: the strip shows what the sentence speaks of.
    placed = places(result, [it for it in result.findings if id(it) in drawn])
    return DiagramLayout(result, placed, view, fmt, ruler, title=title, least_column=column, has_notes=False)
