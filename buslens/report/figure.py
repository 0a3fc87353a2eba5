"""A result becomes a picture: a timing diagram in the manner of a component's data sheet, as PNG, SVG or PDF.

A lane per role; what was measured as dimension lines, what was allowed as a shaded band with its limit in words,
doubt as hatching, what is unknown as a broken line. Whatever is not as it should be is named at its place and once
more, in a full sentence, in a numbered note below.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from buslens.checks.check import Checkable, results_of
from buslens.checks.findings import Result
from buslens.errors import UsageError, did_you_mean
from buslens.files import write_atomically
from buslens.report.diagram import lay_out
from buslens.report.display_list import DisplayList
from buslens.report.finding_layout import places
from buslens.report.formatting import clean, file_name, verdict_sentence
from buslens.report.style import Format, format_named
from buslens.report.text_metrics import Lettering
from buslens.report.view import TimeRange, choose

if TYPE_CHECKING:
    from matplotlib.figure import Figure


Layout = Literal["lanes", "strip", "overlay"]
"""What a picture can show."""

SUFFIXES: Final[Mapping[str, str]] = {".png": "png", ".svg": "svg", ".pdf": "pdf"}
"""File formats of a picture, by suffix."""

_METADATA: Final[Mapping[str, Mapping[str, Any]]] = {
    # No dates: the same result gives the same bytes.
    "png": {"Software": "buslens"},
    "svg": {"Creator": "buslens", "Date": None},
    "pdf": {"Creator": "buslens", "Producer": "buslens", "CreationDate": None},
}


def draw(
    capture: Checkable,
    path: str | os.PathLike[str],
    *,
    window: TimeRange = None,
    handshake: int | None = None,
    rule: str | None = None,
    width: str = "screen",
    layout: Layout = "lanes",
    before: Checkable | None = None,
) -> Path:
    """Draw a result into a file.

    Asked for nothing in particular, the picture shows what the verdict speaks of: the handshake with the worst
    finding, with what came just before and after it; or, where that finding lies in no handshake, its neighbourhood;
    or, if all is met, the first handshake that ran to its end. A capture with nothing of all that is shown whole.

    Parameters
    ----------
    capture : Result or path
        What `buslens.check` returned, or a log, which is checked as by it.
    path : str or path
        The suffix says what it becomes: .png, .svg or .pdf. A file of that name is replaced, but only once the
        picture is complete.
    window : pair of float, "all" or None
        What to show, in seconds from the first frame; "all" for the whole capture.
    handshake : int or None
        Which handshake to show, counted from 1 within its rule.
    rule : str or None
        Name of the sequence, where several have a handshake of that number; alone, its first handshake.
    width : str
        "column" (84 mm), "page" (174 mm) or "screen" (1920 dots).
    layout : str
        "lanes" for all of that; "strip" for the few lanes that show what is wrong, without notes; "overlay" for all
        handshakes of a sequence over one another, of `rule` or else of the one with most faults.
    before : Result, path or None
        The capture from before the repair: the strips of both are drawn one above the other, on one axis.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    UsageError
        If the suffix or the width is not known, the window is no stretch of the capture, there is no such
        handshake, or the layout has nothing to show.
    """
    target = Path(path)
    kind = SUFFIXES.get(target.suffix.lower())
    if kind is None:
        found = f"'{target.suffix}'" if target.suffix else "no suffix"
        hint = did_you_mean(target.suffix.lower(), SUFFIXES)
        raise UsageError(f"{target.name} has {found}; a picture is a .png, .svg or .pdf{hint if target.suffix else ''}")
    (result,), (earlier,) = results_of([capture]), (None,) if before is None else results_of([before])
    drawn = figure(result, window=window, handshake=handshake, rule=rule, width=width, layout=layout, before=earlier)
    # Not straight into the file: what a full disk does to a writer of PDF has many names.
    write_atomically(target, as_bytes(drawn, kind, alternative(result, earlier)))
    return target


def figure(
    result: Result,
    *,
    window: TimeRange = None,
    handshake: int | None = None,
    rule: str | None = None,
    width: str = "screen",
    layout: Layout = "lanes",
    before: Result | None = None,
) -> Figure:
    """Return the picture as a matplotlib figure, for a notebook; parameters as for `draw`."""
    from buslens.report.paint import house_style, paint

    fmt = format_named(width)
    if before is not None or layout != "lanes":
        with house_style():
            return paint(_special(result, layout, before, rule, fmt), fmt.dpi)
    view = choose(result, places(result, result.findings.unmet), window=window, handshake=handshake, rule=rule)
    placed = places(result, result.findings.during(view.start_ns, view.end_ns))
    with house_style():
        return paint(lay_out(result, placed, view, fmt, Lettering()), fmt.dpi)


def _special(result: Result, layout: Layout, before: Result | None, rule: str | None, fmt: Format) -> DisplayList:
    """Return what a layout other than that of all lanes shows."""
    if before is not None:
        from buslens.report.strip_diagram import lay_pair_out

        return lay_pair_out(before, result, fmt, Lettering())
    if layout == "strip":
        from buslens.report.strip_diagram import lay_strip_out

        return lay_strip_out(result, fmt, Lettering())
    from buslens.report.overlay import overlay_named
    from buslens.report.overlay_diagram import lay_overlay_out

    return lay_overlay_out(result, overlay_named(result, rule), fmt, Lettering())


def alternative(result: Result, before: Result | None = None) -> str:
    """Return what the picture shows, for somebody who cannot see it."""
    sides = [("", result)] if before is None else [("before the repair, ", before), ("after it, ", result)]
    told = (f"{name}{clean(file_name(side.path))}: {verdict_sentence(side)}" for name, side in sides)
    return f"Timing diagram of {'; '.join(told)}"


def as_bytes(drawn: Figure, kind: str, words: str = "") -> bytes:
    """Return a figure as a file of a kind, with words for somebody who cannot see it."""
    from io import BytesIO

    from buslens.report.paint import house_style

    file = BytesIO()
    with house_style():
        # Programs for reading aloud look into another field of each format.
        told = {"Title" if kind == "pdf" else "Description": words} if words else {}
        drawn.savefig(file, format=kind, metadata={**_METADATA[kind], **told}, dpi=drawn.dpi)
    return file.getvalue()
