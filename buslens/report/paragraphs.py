"""Text for a terminal as small records: words with their ink, wrapped first and painted last."""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import Enum
from typing import Final, NamedTuple

from buslens.report.formatting import unparted


class TextStyle(Enum):
    """How a word is set; the values are the parameters of ECMA-48 SGR."""

    PLAIN = ""
    STRONG = "1"
    #: Lighter than the rest: what need not be read first.
    FAINT = "2"
    #: The one accent, for what is wrong and nothing else. A terminal's palette keeps its red legible on its
    #: own ground, light or dark, so the palette's red is asked for and not one fixed colour.
    WRONG = "1;31"


class StyledText(NamedTuple):
    """Text in one ink."""

    text: str
    ink: TextStyle = TextStyle.PLAIN


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Pieces that run on; no pieces make a blank line."""

    pieces: tuple[StyledText, ...] = ()
    #: Columns before the first line.
    indent: int = 0
    #: Columns before every further line.
    hang: int = 0


_SPACES: Final = re.compile(r"( +)")
_LEAST_WIDTH: Final = 40

MARGIN: Final = 4
"""Columns before what stands under a title, and behind its sign."""


def paragraph(*pieces: StyledText | str, indent: int = 0, hang: int | None = None) -> Paragraph:
    """Return a paragraph; text alone is plain, and `hang` is `indent` unless given."""
    set_pieces = tuple(StyledText(piece) if isinstance(piece, str) else piece for piece in pieces)
    return Paragraph(set_pieces, indent, indent if hang is None else hang)


def item(mark: str, *pieces: StyledText | str, ink: TextStyle = TextStyle.PLAIN) -> Paragraph:
    """Return a paragraph behind a sign."""
    return paragraph(StyledText(f"{mark:<{MARGIN - 1}}", ink), *pieces, indent=1, hang=MARGIN)


def section(title: str, items: Iterable[Paragraph]) -> Iterator[Paragraph]:
    """Yield items under a title, behind a blank line; nothing for none."""
    for index, each in enumerate(items):
        if index == 0:
            yield paragraph()
            yield paragraph(StyledText(title, TextStyle.STRONG))
        yield each


def render(paragraphs: Iterable[Paragraph], *, width: int | None = None, painted: bool = False) -> str:
    """Return paragraphs as text that ends with a line end; empty for none.

    Parameters
    ----------
    paragraphs : iterable of Paragraph
        What to set.
    width : int or None
        Columns at which lines are wrapped, not less than 40; None: never, for a file or another program.
    painted : bool
        Whether inks are shown; otherwise the text holds no control sequences.
    """
    room = None if width is None else max(width, _LEAST_WIDTH)
    lines = (line for each in paragraphs for line in _lines(each, room))
    return "".join(f"{_paint(line) if painted else ''.join(piece.text for piece in line).rstrip()}\n" for line in lines)


def _lines(whole: Paragraph, room: int | None) -> Iterator[list[StyledText]]:
    """Fill lines word by word; a word longer than a line stands alone and sticks out."""
    line = [StyledText(" " * whole.indent)]
    used, gap = whole.indent, 0
    for word in _words(whole.pieces):
        if isinstance(word, int):
            gap = word
            continue
        size = sum(len(piece.text) for piece in word)
        if room is not None and used + gap + size > room and used > whole.hang:
            yield line
            line, used, gap = [StyledText(" " * whole.hang)], whole.hang, 0
        line += [StyledText(" " * gap), *word]
        used, gap = used + gap + size, 0
    yield line


def _words(pieces: Iterable[StyledText]) -> Iterator[list[StyledText] | int]:
    """Yield words, which may change their ink half way, and the widths of the gaps between them."""
    word: list[StyledText] = []
    for piece in pieces:
        for part in _SPACES.split(unparted(piece.text)):
            if part.startswith(" "):
                if word:
                    yield word
                    word = []
                yield len(part)
            elif part:
                word.append(StyledText(part.replace("\N{NO-BREAK SPACE}", " "), piece.ink))
    if word:
        yield word


def _paint(line: list[StyledText]) -> str:
    """Join neighbours of one ink, gaps between them included, into one run."""
    runs: list[StyledText] = []
    for index, piece in enumerate(line):
        follows = line[index + 1].ink if index + 1 < len(line) else TextStyle.PLAIN
        joins = runs and (piece.ink is runs[-1].ink or (not piece.text.strip() and follows is runs[-1].ink))
        if joins:
            runs[-1] = StyledText(runs[-1].text + piece.text, runs[-1].ink)
        else:
            runs.append(piece)
    return "".join(
        f"\x1b[{run.ink.value}m{run.text}\x1b[0m" if run.ink.value and run.text else run.text for run in runs
    ).rstrip()
