"""Pieces of SVG whose x is in per cent and whose y is in pixels."""

import html

from buslens.report.formatting import clean


def svg_line(x1: float, y1: float, x2: float, y2: float, look: str) -> str:
    """Return a line; x in per cent, y in pixels."""
    return f'<line x1="{x1:.2f}%" y1="{y1:.1f}" x2="{x2:.2f}%" y2="{y2:.1f}" class="{look}"/>'


def svg_rect(x: float, y: float, width: float, height: float, look: str) -> str:
    """Return a rectangle; x and width in per cent, y and height in pixels."""
    return f'<rect x="{x:.2f}%" y="{y:.1f}" width="{max(width, 0):.2f}%" height="{max(height, 0):.1f}" class="{look}"/>'


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
