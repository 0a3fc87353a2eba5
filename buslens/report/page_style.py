"""The page's style: the tones of the figure's ink, the evidence strip, the page itself; loads nothing else."""

from __future__ import annotations

from importlib.resources import files
from string import Template

from buslens.report.style import Tone


def light_ink(*, bare: bool = False) -> str:
    """Return the figure's colours as the page's, with or without the selector."""
    tones = "; ".join(f"--{tone.name.lower().replace('_', '-')}: {tone.value.lower()}" for tone in Tone)
    return f"{tones};" if bare else f":root {{ {tones}; }}\n"


def strip_css() -> str:
    """Return the style rules that the evidence strip needs; they use the tones of the page as variables."""
    return _resource("strip.css")


def style() -> str:
    """Return the page's style sheet."""
    return light_ink() + strip_css() + Template(_resource("page.css")).substitute(light=light_ink(bare=True))


def _resource(name: str) -> str:
    return files("buslens.report").joinpath("page", name).read_text("utf-8").replace("\r\n", "\n")
