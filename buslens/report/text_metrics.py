"""How wide words are, how to break or shorten them, and how to show characters that the typeface does not have.

The typeface is DejaVu Sans, which comes with matplotlib, so that a picture is the same on every machine.
"""

from __future__ import annotations

import re
import unicodedata
from bisect import bisect_left
from collections.abc import Callable
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Final, Protocol

if TYPE_CHECKING:
    from matplotlib.font_manager import FontProperties

ELLIPSIS: Final = "…"

_MOST_CHARACTERS: Final = 4_000
"""No text of a picture is longer; a longer one is a mistake or an attack."""


class Ruler(Protocol):
    """Measures words."""

    def width(self, text: str, size: float, *, bold: bool = False) -> float:
        """Return the width of one line of text in points."""
        ...


class Lettering:
    """Measures words as matplotlib sets them, without the rounding to dots."""

    def width(self, text: str, size: float, *, bold: bool = False) -> float:
        """Return the width of one line of text in points."""
        return _em_width(text, bold) * size


def typeface(size: float, *, bold: bool = False, italic: bool = False) -> FontProperties:
    """Return the typeface in a size, for matplotlib."""
    from matplotlib.font_manager import FontProperties

    return FontProperties(
        fname=_font_file(bold, italic),
        # The second only for SVG, whose words the reader's machine sets; other typefaces are narrower.
        family=["DejaVu Sans", "sans-serif"],
        size=size,
        weight="bold" if bold else "normal",
        style="oblique" if italic else "normal",
    )


def legible(text: str) -> str:
    r"""Return a text as it can be set on one line: nothing in it invisible, nothing that the typeface lacks.

    White space becomes a blank; other control characters, and characters without a glyph, become their number.

    >>> legible("car\t3\x00 \U0001f697")
    'car 3<U+0000> <U+1F697>'
    """
    glyphs = _glyphs()
    out = []
    for character in text[:_MOST_CHARACTERS]:
        if character.isspace():
            out.append(" ")
        elif ord(character) in glyphs and unicodedata.category(character)[0] != "C":
            out.append(character)
        else:
            out.append(f"<U+{ord(character):04X}>")
    return " ".join("".join(out).split(" ")).strip()


def shorten(ruler: Ruler, text: str, room: float, size: float, *, bold: bool = False) -> str:
    """Return the text, or as much of its beginning as fits into the room, with an ellipsis."""
    if ruler.width(text, size, bold=bold) <= room:
        return text
    head = _beginning(text, lambda it: ruler.width(it.rstrip() + ELLIPSIS, size, bold=bold) <= room)
    return head.rstrip() + ELLIPSIS


_NUMBER_AND_UNIT: Final = re.compile(r"(?<=\d) (?=(?:ms|s|min|h|V|A|%|km/h|ohm)\b)")


def _words(text: str) -> list[str]:
    """Return the words of a text; a number and its unit are one, so that no line ends between them.

    >>> _words("late by 87 ms; 9.5 to 16 V")
    ['late', 'by', '87 ms;', '9.5', 'to', '16 V']
    """
    return [word.replace("\0", " ") for word in _NUMBER_AND_UNIT.sub("\0", text).split()]


def wrap(
    ruler: Ruler, text: str, room: float, size: float, *, bold: bool = False, most: int | None = None
) -> list[str]:
    """Return the text as lines that fit into the room; a word that is longer than a line is cut.

    Parameters
    ----------
    most : int or None
        Number of lines; what does not fit ends in an ellipsis.
    """

    def fits(it: str) -> bool:
        return ruler.width(it, size, bold=bold) <= room

    lines: list[str] = []
    line = ""
    for word in _words(text):
        tried = f"{line} {word}" if line else word
        if fits(tried):
            line = tried
            continue
        if line:
            lines.append(line)
        while len(word) > 1 and not fits(word):
            head = _beginning(word, fits) or word[:1]
            lines.append(head)
            word = word[len(head) :]  # noqa: PLW2901 - the rest of the word is the word now
        line = word
    if line:
        lines.append(line)
    if most is not None and len(lines) > most:
        rest = shorten(ruler, " ".join(lines[most - 1 :]), room, size, bold=bold)
        lines = [*lines[: most - 1], rest]
    return lines


def _beginning(text: str, fits: Callable[[str], bool]) -> str:
    """Return as much of the beginning of a text as fits."""
    return text[: bisect_left(range(1, len(text) + 1), True, key=lambda end: not fits(text[:end]))]


@lru_cache(maxsize=20_000)
def _em_width(text: str, bold: bool) -> float:
    from matplotlib.textpath import text_to_path

    if not text:
        return 0.0
    width, _, _ = text_to_path.get_text_width_height_descent(text, typeface(100.0, bold=bold), ismath=False)
    return float(width) / 100.0


@lru_cache(maxsize=4)
def _font_file(bold: bool, italic: bool) -> str:
    import matplotlib as mpl

    cut = {(False, False): "", (True, False): "-Bold", (False, True): "-Oblique", (True, True): "-BoldOblique"}
    return str(Path(mpl.get_data_path(), "fonts", "ttf", f"DejaVuSans{cut[bold, italic]}.ttf"))


@lru_cache(maxsize=1)
def _glyphs() -> frozenset[int]:
    from matplotlib.font_manager import get_font

    # What all cuts have: a word may be set in any of them.
    cuts = [get_font(_font_file(bold, False)).get_charmap() for bold in (False, True)]
    return frozenset(cuts[0]) & frozenset(cuts[1])
