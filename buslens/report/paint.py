"""A sheet becomes a matplotlib figure; the only module that knows matplotlib's artists."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from buslens.report.ink import Tone
from buslens.report.lettering import typeface

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from buslens.report.sheet import Sheet, Stroke

POINTS_PER_INCH: Final = 72.0


def paint(sheet: Sheet, dpi: int) -> Figure:
    """Return the figure that shows a sheet, point for point."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.collections import EllipseCollection, LineCollection, PolyCollection
    from matplotlib.figure import Figure

    figure = Figure(
        figsize=(sheet.width / POINTS_PER_INCH, sheet.height / POINTS_PER_INCH),
        dpi=dpi,
        facecolor=Tone.PAPER.value,
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
            zorder=2.0 if tone in {Tone.HATCH, Tone.HAIR} else 2.5,
        )
        axes.add_collection(lines, autolim=False)
    for ring in sheet.rings:
        axes.add_collection(
            EllipseCollection(
                [2 * ring.radius],
                [2 * ring.radius],
                [0.0],
                units="xy",
                offsets=[(ring.x, ring.y)],
                transOffset=axes.transData,
                facecolors=Tone.PAPER.value,
                edgecolors=ring.tone.value,
                linewidths=ring.weight,
                linestyles=(0, tuple(length / ring.weight for length in ring.dash)) if ring.dash else "solid",
                zorder=4.0,
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
