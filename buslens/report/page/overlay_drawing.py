"""All handshakes of a sequence over one another, as SVG: names above the lanes, so that it fits a phone, too."""

import html
from typing import Final

from buslens.checks.findings import Result
from buslens.report.formatting import clean
from buslens.report.number_scale import round_step
from buslens.report.overlay import Overlay, OverlayLane, OverlayTrace, overlays
from buslens.report.page.svg import svg_line, svg_rect, svg_text
from buslens.units import NS_PER_MS, NS_PER_S

_LEVEL: Final = 26
_NAME: Final = 30
_LIMIT: Final = 16
_ALONG: Final = 1000
_TICKS: Final = 5
_SECONDS_FROM: Final = 10 * NS_PER_S


def overlays_html(result: Result) -> str:
    """Return a figure for each sequence that has two handshakes or more; empty without any."""
    found = overlays(result)
    if not found:
        return ""
    figures = "\n".join(
        f'<figure class="laid"><figcaption>{html.escape(clean(it.title))}</figcaption>'
        f'<div class="strip over-all">{overlay_svg(it)}</div></figure>'
        for it in found
    )
    return (
        '<section class="overlays"><h2>Handshakes compared</h2>\n'
        f'{figures}\n<p class="small">Shaded: allowed in every handshake; lighter: in some of them. Thick: a handshake '
        "that failed.</p></section>"
    )


def overlay_svg(overlay: Overlay) -> str:
    """Return the drawing of one sequence."""
    bands: list[str] = []
    marks: list[str] = []
    words: list[str] = []
    y = 0.0
    for lane in overlay.lanes:
        words.append(svg_text(0, y + 18, lane.name, "l halo"))
        top = y + _NAME
        _lane(overlay, lane, top, bands, marks, words)
        y = top + _LEVEL + (_LIMIT if lane.bands else 0) + 8
    marks.append(svg_line(_x(overlay, 0), 4, _x(overlay, 0), y, "dot"))
    _axis(overlay, y, marks, words)
    label = html.escape(clean(overlay.title), quote=True)
    drawn = "".join((*bands, *marks, *words))
    return f'<svg height="{round(y + 40)}" role="img" aria-label="{label}">{drawn}</svg>'


def _x(overlay: Overlay, time_ns: float) -> float:
    return 100 * (time_ns - overlay.start_ns) / (overlay.end_ns - overlay.start_ns)


def _lane(
    overlay: Overlay, lane: OverlayLane, top: float, bands: list[str], marks: list[str], words: list[str]
) -> None:
    bottom = top + _LEVEL
    told: list[str] = []
    for band in lane.bands:
        (a, b), (c, d) = band.bounds.start, band.bounds.end
        for first, last, look in ((a, d, "band-edge"), (b, c, "band")):
            left, right = max(_x(overlay, first), 0.0), min(_x(overlay, last), 100.0)
            if right > left:
                bands.append(svg_rect(left, top - 3, right - left, _LEVEL + 6, look))
        told.append(band.words)
    for is_fault in (False, True):
        paths = "".join(_path(overlay, it) for it in lane.traces if it.is_fault is is_fault)
        if paths:
            look = "tf" if is_fault else "to"
            marks.append(
                f'<svg y="{top:.1f}" width="100%" height="{_LEVEL}" viewBox="0 0 {_ALONG} {_LEVEL}" '
                f'preserveAspectRatio="none" class="free"><path d="{paths}" class="{look}"/></svg>'
            )
    if not any(stretch.state >= 0 for it in lane.traces for stretch in it.lane.stretches):
        words.append(svg_text(50, top + _LEVEL / 2 + 4, "unknown in each of them", "q i", anchor="middle"))
        return
    states = lane.traces[0].lane
    if len(states.states) == 2:
        high, low = states.states[states.high], states.states[1 - states.high]
        words.append(svg_text(100, top - 5, f"above: {high}, below: {low}".replace("_", " "), "q s halo", anchor="end"))
    if told:
        words.append(svg_text(0, bottom + _LIMIT - 1, "; ".join(told), "q s halo"))


def _path(overlay: Overlay, trace: OverlayTrace) -> str:
    """Return the levels of one handshake; a gap where the state is unknown."""

    def along(time_ns: int) -> float:
        return min(max(_ALONG * (time_ns - overlay.start_ns) / (overlay.end_ns - overlay.start_ns), 0), _ALONG)

    return "".join(
        f"{'L' if place else 'M'}{along(start):.1f} {_LEVEL * below:.1f}H{along(end):.1f}"
        for run in trace.runs
        for place, (start, end, below) in enumerate(run)
    )


def _axis(overlay: Overlay, floor: float, marks: list[str], words: list[str]) -> None:
    marks.append(svg_line(0, floor, 100, floor, "ax"))
    in_ms = overlay.end_ns < _SECONDS_FROM
    unit, name = (NS_PER_MS, "ms") if in_ms else (NS_PER_S, "s")
    step = round_step(overlay.end_ns / unit / _TICKS)
    for number in range(_TICKS + 2):
        at = _x(overlay, number * step * unit)
        if at <= 100:
            marks.append(svg_line(at, floor, at, floor + 4, "ax"))
            anchor = "end" if at > 94 else "middle"
            words.append(svg_text(at, floor + 17, f"{number * step:,g}", "q", anchor=anchor))
    words.append(svg_text(100, floor + 34, f"{name} after {overlay.zero_words}", "q", anchor="end"))
