"""Pieces of SVG whose x is in per cent and whose y is in pixels."""

import html

from buslens.report.formatting import clean


def svg_line(x1: float, y1: float, x2: float, y2: float, look: str) -> str:
    """Return a line; x in per cent, y in pixels."""
    return f'<line x1="{x1:.2f}%" y1="{y1:.1f}" x2="{x2:.2f}%" y2="{y2:.1f}" class="{look}"/>'


def svg_rect(x: float, y: float, width: float, height: float, look: str, *, fill: str = "") -> str:
    """Return a rectangle; x and width in per cent, y and height in pixels; filled with a pattern of `svg_patterns`."""
    size = f'width="{max(width, 0):.2f}%" height="{max(height, 0):.1f}"'
    filled = f' fill="url(#{fill})"' if fill else ""
    return f'<rect x="{x:.2f}%" y="{y:.1f}" {size}{filled} class="{look}"/>'


def svg_patterns(name: str) -> str:
    """Return what fills the looks `ht`, changed somewhere here, and `cr`, more changes than can be drawn.

    Each picture has its own, for Chromium does not fill with the patterns of one that is not displayed.
    """
    kinds = (("ht", 5, "M-1 6L6-1M-1 1L1-1M4 6L6 4"), ("cr", 4, "M.5 0V4"))
    return "".join(
        f'<pattern id="{look}-{name}" width="{size}" height="{size}" patternUnits="userSpaceOnUse">'
        f'<path d="{path}" class="{look}-l"/></pattern>'
        for look, size, path in kinds
    )


def svg_point(x: float, y: float, drawn: str) -> str:
    """Return something drawn in pixels around a place."""
    return f'<svg x="{x:.2f}%" y="{y:.1f}" width="1" height="1" class="free">{drawn}</svg>'


def svg_text(
    x: float, y: float, words: str, look: str, *, anchor: str = "start", dx: float = 0, px: bool = False
) -> str:
    """Return words at a place; x in per cent, or in pixels with `px`."""
    at = f"{x:.1f}" if px else f"{x:.2f}%"
    moved = f' dx="{dx:g}"' if dx else ""
    return f'<text x="{at}" y="{y:.1f}"{moved} text-anchor="{anchor}" class="{look}">{html.escape(clean(words))}</text>'
