"""The hand that draws: puts words, rings and lines of one format onto a sheet."""

from dataclasses import dataclass
from typing import Literal

from buslens.report.annotations import RING, ring_half
from buslens.report.display_list import DisplayList, Label, Ring
from buslens.report.style import Format, Tone
from buslens.report.text_metrics import Ruler, legible, wrap


@dataclass(frozen=True, slots=True)
class DrawingContext:
    """A sheet, the sizes of everything on it, and the measure of words."""

    sheet: DisplayList
    fmt: Format
    ruler: Ruler

    def width(self, text: str) -> float:
        """Return the width of words in the common size."""
        return self.ruler.width(text, self.fmt.text)

    @property
    def row(self) -> float:
        """Height of a row of annotation."""
        return 1.5 * self.fmt.text

    def label(
        self,
        text: str,
        x: float,
        y: float,
        *,
        size: float | None = None,
        bold: bool = False,
        italic: bool = False,
        anchor: Literal["left", "center", "right"] = "left",
        tone: Tone = Tone.INK,
    ) -> None:
        """Set one line of words, without a size in the common one."""
        size = self.fmt.text if size is None else size
        width = self.ruler.width(text, size, bold=bold)
        self.sheet.labels.append(
            Label(x=x, y=y, text=text, size=size, width=width, bold=bold, italic=italic, anchor=anchor, tone=tone)
        )

    def paragraph(
        self,
        text: str,
        y: float,
        size: float,
        *,
        bold: bool = False,
        tone: Tone = Tone.INK,
        left: float | None = None,
        most: int = 8,
    ) -> float:
        """Set lines of words; return where they end."""
        x = self.fmt.margin if left is None else left
        room = self.fmt.width - self.fmt.margin - x
        for line in wrap(self.ruler, legible(text), room, size, bold=bold, most=most):
            self.label(line, x, y + 0.65 * size, size=size, bold=bold, tone=tone)
            y += 1.3 * size
        return y

    def ring(self, number: int, x: float, y: float, is_fault: bool) -> None:
        """Draw a number in a ring: thick and in the accent for a fault, thin and broken for a doubt."""
        fmt = self.fmt
        self.sheet.rings.append(
            Ring(
                x=x,
                y=y,
                half_width=ring_half(number) * fmt.text,
                half_height=RING * fmt.text,
                weight=2.6 * fmt.thin if is_fault else 1.3 * fmt.thin,
                tone=Tone.ACCENT if is_fault else Tone.INK,
                dash=() if is_fault else (3.0 * fmt.thin, 2.2 * fmt.thin),
            )
        )
        self.label(str(number), x, y, bold=is_fault, anchor="center")

    def interrupted(
        self,
        ends: tuple[float, float],
        y: float,
        weight: float,
        tone: Tone,
        block: tuple[float, float] | None,
        dash: tuple[float, ...],
    ) -> None:
        """Draw a level line that leaves out the words in it."""
        pieces = [ends]
        if block is not None:
            pieces = [(ends[0], min(ends[1], block[0])), (max(ends[0], block[1]), ends[1])]
        for a, b in pieces:
            if b > a:
                self.sheet.line([(a, y), (b, y)], weight, tone, dash)
