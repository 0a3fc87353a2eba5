"""A sheet becomes a matplotlib figure; the only module that knows matplotlib's artists."""

from __future__ import annotations

from contextlib import AbstractContextManager
from typing import TYPE_CHECKING, Any, Final

from buslens.report.display_list import DisplayList, Stroke
from buslens.report.style import Tone
from buslens.report.text_metrics import typeface

if TYPE_CHECKING:
    from matplotlib.figure import Figure


POINTS_PER_INCH: Final = 72.0

_HOUSE_STYLE: Final[dict[Any, Any]] = {
    # In SVG and PDF words stay words: they can be searched, copied and read aloud.
    "svg.fonttype": "none",
    "pdf.fonttype": 42,
    "font.sans-serif": ["DejaVu Sans", "Verdana", "Arial", "Helvetica"],
    # The same result gives the same bytes.
    "svg.hashsalt": "buslens",
    # Letters are not bent to the dots, so that they are as wide as they were measured.
    "text.hinting": "no_hinting",
    # Nothing that a person has set for other drawings may change this one.
    "text.usetex": False,
    "text.antialiased": True,
    "path.sketch": None,
    "path.effects": [],
    "path.simplify": False,
    "path.snap": True,
    "savefig.bbox": None,
    "savefig.facecolor": "auto",
    "savefig.transparent": False,
    "pdf.use14corefonts": False,
    "pdf.inheritcolor": False,
    "pdf.compression": 6,
    "figure.autolayout": False,
    "figure.constrained_layout.use": False,
    "lines.antialiased": True,
    "patch.antialiased": True,
}


def house_style() -> AbstractContextManager[None]:
    """Return a context in which matplotlib draws as this package wants it, whatever the user's own settings are."""
    import matplotlib as mpl

    return mpl.rc_context(_HOUSE_STYLE)


def paint(sheet: DisplayList, dpi: int) -> Figure:
    """Return the figure that shows a sheet, point for point."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.collections import EllipseCollection, LineCollection, PolyCollection
    from matplotlib.figure import Figure

    figure = Figure(
        figsize=(sheet.width / POINTS_PER_INCH, sheet.height / POINTS_PER_INCH), dpi=dpi, facecolor=Tone.PAPER.value
    )
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_axis_off()
    axes.set_xlim(0.0, sheet.width)
    axes.set_ylim(sheet.height, 0.0)
    for level, order in ((0, 1.0), (1, 3.0)):
        fills = [f for f in sheet.fills if f.level == level]
        if fills:
            axes.add_collection(
                PolyCollection(
                    [f.points for f in fills],
                    facecolors=[f.tone.value for f in fills],
                    linewidths=0.0,
                    zorder=order,
                    clip_on=False,
                ),
                autolim=False,
            )
    # One collection for each sort of line: quick, and small in a file.
    sorts: dict[tuple[Tone, float, tuple[float, ...]], list[Stroke]] = {}
    for stroke in sheet.strokes:
        sorts.setdefault((stroke.tone, stroke.weight, stroke.dash), []).append(stroke)
    for (tone, weight, dash), strokes in sorts.items():
        lines = LineCollection(
            [s.points for s in strokes],
            colors=tone.value,
            linewidths=weight,
            # Dashes are given in points and scaled by the library with the weight.
            linestyles=(0, tuple(length / weight for length in dash)) if dash else "solid",
            capstyle="butt" if dash else "projecting",
            joinstyle="miter",
            clip_on=False,
            zorder=2.0 if tone in {Tone.HATCH, Tone.HAIR} else 2.5,
        )
        axes.add_collection(lines, autolim=False)
    for ring in sheet.rings:
        axes.add_collection(
            EllipseCollection(
                [2 * ring.half_width],
                [2 * ring.half_height],
                [0.0],
                units="xy",
                offsets=[(ring.x, ring.y)],
                transOffset=axes.transData,
                facecolors=Tone.PAPER.value,
                edgecolors=ring.tone.value,
                linewidths=ring.weight,
                linestyles=(0, tuple(length / ring.weight for length in ring.dash)) if ring.dash else "solid",
                zorder=4.0,
                clip_on=False,
            ),
            autolim=False,
        )
    for label in sheet.labels:
        axes.text(
            label.x,
            label.baseline,
            label.text,
            color=label.tone.value,
            fontproperties=typeface(label.size, bold=label.bold, italic=label.italic),
            horizontalalignment=label.anchor,
            verticalalignment="baseline",
            parse_math=False,
            zorder=5.0,
        )
    return figure
