"""The ink of every picture: one paper, one ink, one accent, and how thick, how large and how wide.

Contrast is that of WCAG 2.2, (L1 + 0.05) / (L2 + 0.05), against the paper. Words are always set in `Tone.INK` or
`Tone.QUIET`, both far above the 4.5 that text needs; the accent only ever draws lines and rings, which need 3. It is
the vermilion of the colour-blind-safe set of Okabe and Ito. Whatever it says, a word and a shape say too, so that a
copy in grey or a reader who sees no colour loses nothing.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Final

from buslens.errors import UsageError, did_you_mean


class Tone(Enum):
    """What something is drawn with; the values are sRGB."""

    #: White.
    PAPER = "#FFFFFF"
    #: Waveforms and words: 16.5 to 1.
    INK = "#1F1F1F"
    #: Words of second rank, extension lines, brackets: 6.5 to 1.
    QUIET = "#5E5E5E"
    #: Hatching and rails of doubt: 3.0 to 1, so that it survives a copier.
    HATCH = "#949494"
    #: Frame lines that carry nothing.
    HAIR = "#C4C4C4"
    #: The allowed window. It carries no meaning alone: a bracket with words says the same.
    BAND = "#E4E4E4"
    #: The ends of the allowed window, where the doubt about its beginning reaches.
    BAND_EDGE = "#F1F1F1"
    #: What is wrong: 3.9 to 1.
    ACCENT = "#D55E00"


@dataclass(frozen=True, slots=True, kw_only=True)
class Format:
    """A size of paper and the sizes of everything on it, in points (1/72 inch)."""

    #: Width of the picture.
    width: float
    #: Dots per inch of a PNG.
    dpi: int
    #: Type size of lanes, dimensions and notes; never below 6.
    text: float
    #: Type size of the verdict.
    title: float
    #: Type size of the footer; never below 6.
    small: float
    #: Height of a lane.
    lane: float
    #: Thickness of a waveform.
    wave: float
    #: Thickness of dimension and extension lines.
    thin: float
    #: Free edge around everything.
    margin: float


_POINTS_PER_MM: Final = 72 / 25.4

FORMATS: Final[Mapping[str, Format]] = {
    # One column of a two-column report: 84 mm, at 300 dpi 992 dots.
    "column": Format(
        width=84 * _POINTS_PER_MM,
        dpi=300,
        text=6.0,
        title=7.2,
        small=6.0,
        lane=11.5,
        wave=0.8,
        thin=0.4,
        margin=4.0,
    ),
    # The text width of an A4 page: 174 mm.
    "page": Format(
        width=174 * _POINTS_PER_MM,
        dpi=300,
        text=7.0,
        title=9.5,
        small=6.3,
        lane=14.0,
        wave=0.95,
        thin=0.45,
        margin=6.0,
    ),
    # A whole screen: 1920 dots.
    "screen": Format(
        width=960.0, dpi=144, text=10.0, title=14.5, small=8.5, lane=20.5, wave=1.4, thin=0.7, margin=16.0
    ),
}
"""The widths a picture can have."""


def format_named(width: str) -> Format:
    """Return the format of that name; UsageError if there is none."""
    try:
        return FORMATS[width]
    except KeyError:
        hint = did_you_mean(width, FORMATS)
        raise UsageError(f"'{width}' is no width of a picture{hint}") from None
