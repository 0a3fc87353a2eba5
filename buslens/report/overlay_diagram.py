"""All handshakes of a sequence over one another, as a picture."""

from typing import Final

from buslens.checks.findings import Result
from buslens.report.annotations import TimeAxis
from buslens.report.decorations import Decorations
from buslens.report.display_list import Box, DisplayList
from buslens.report.drawing_context import DrawingContext
from buslens.report.overlay import Overlay, OverlayLane
from buslens.report.style import Format, Tone
from buslens.report.text_metrics import Ruler, legible
from buslens.report.view import View
from buslens.units import NS_PER_S

_SECONDS_FROM: Final = 10 * NS_PER_S
_TALLER: Final = 1.3


def lay_overlay_out(result: Result, overlay: Overlay, fmt: Format, ruler: Ruler) -> DisplayList:
    """Return the picture as records; the numbers of the tries and findings stand in the report, not here."""
    sheet = DisplayList(width=fmt.width)
    pen = DrawingContext(sheet, fmt, ruler)
    in_ms = overlay.end_ns < _SECONDS_FROM
    view = View(
        start_ns=overlay.start_ns,
        end_ns=overlay.end_ns,
        zero_ns=0,
        in_ms=in_ms,
        scale_words=f"{'ms' if in_ms else 's'} after {overlay.zero_words}",
        caption="Shaded: allowed in every handshake; lighter: in some of them. Accent: a handshake that failed.",
        roles=tuple(lane.role for lane in overlay.lanes),
    )
    names = [legible(result.expectations.shown_name(lane.role)) for lane in overlay.lanes]
    levels = [words for lane in overlay.lanes for words in _levels(lane)]
    column = max(map(pen.width, names), default=0.0) + max(map(pen.width, levels), default=0.0) + 1.8 * fmt.text
    right = fmt.width - fmt.margin
    scale = TimeAxis(left=fmt.margin + column, right=right, start_ns=view.start_ns, end_ns=view.end_ns)
    around = Decorations(pen, result, view, scale)
    y = pen.paragraph(overlay.title, fmt.margin, fmt.title, bold=True)
    y = pen.paragraph(view.caption, y + 0.2 * fmt.text, fmt.text, tone=Tone.QUIET) + fmt.text
    for name, lane in zip(names, overlay.lanes, strict=True):
        y = _lane(pen, scale, name, lane, y + 0.7 * fmt.text)
    y = around.axis(y + 0.6 * fmt.text)
    sheet.height = around.footer(y + 0.6 * fmt.text, []) + fmt.margin
    return sheet


def _levels(lane: OverlayLane) -> tuple[str, ...]:
    drawn = lane.traces[0].lane
    if len(drawn.states) != 2:
        return ()
    return tuple(legible(drawn.states[n].replace("_", " ")) for n in (drawn.high, 1 - drawn.high))


def _lane(pen: DrawingContext, scale: TimeAxis, name: str, lane: OverlayLane, top: float) -> float:
    """Draw one lane below a height; return where it ends."""
    fmt, sheet = pen.fmt, pen.sheet
    height = _TALLER * fmt.lane
    bottom, pad = top + height, 0.3 * fmt.text
    pen.label(name, fmt.margin, top + height / 2)
    for words, y in zip(_levels(lane), (top, bottom), strict=False):
        pen.label(words, scale.left - 0.6 * fmt.text - pen.width(words), y, tone=Tone.QUIET)
    for band in lane.bands:
        (a, b), (c, d) = band.bounds.start, band.bounds.end
        for first, last, tone in ((a, d, Tone.BAND_EDGE), (b, c, Tone.BAND)):
            if scale.held(last) > scale.held(first):
                sheet.box(Box(scale.held(first), top - pad, scale.held(last), bottom + pad), tone)
    for trace in lane.traces:
        for run in trace.runs:
            points = [(scale.held(time), top + height * below) for *ends, below in run for time in ends]
            weight = fmt.wave * (1.3 if trace.is_fault else 0.6)
            sheet.line(points, weight, Tone.ACCENT if trace.is_fault else Tone.INK)
    told = "; ".join(band.words for band in lane.bands)
    if not told:
        return bottom + pad
    return pen.paragraph(told, bottom + pad + 0.2 * fmt.text, fmt.text, tone=Tone.QUIET, left=scale.left, most=2)
