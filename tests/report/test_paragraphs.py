from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from buslens.report.paragraphs import Paragraph, StyledText, TextStyle, paragraph, render

CONTROL = re.compile("\x1b\\[[0-9;]*m")

words = st.text(st.characters(categories=["L", "N", "P"], max_codepoint=0x2FF), min_size=1, max_size=12)
pieces = st.builds(
    lambda parts, ink: StyledText(" ".join(parts), ink),
    st.lists(words, min_size=1, max_size=8),
    st.sampled_from(TextStyle),
)
paragraphs = st.builds(
    lambda parts, indent, hang: paragraph(*parts, indent=indent, hang=hang),
    st.lists(pieces, max_size=4),
    st.integers(0, 6),
    st.integers(0, 6),
)


class TestRender:
    """Wrapping moves words and paint colours them; neither changes what is said."""

    @given(st.lists(paragraphs, max_size=5), st.none() | st.integers(1, 120))
    def test_paint_is_all_that_paint_adds(self, items: list[Paragraph], width: int | None) -> None:
        assert CONTROL.sub("", render(items, width=width, painted=True)) == render(items, width=width)

    @given(st.lists(paragraphs, max_size=5), st.integers(1, 120))
    def test_wrapping_keeps_every_word(self, items: list[Paragraph], width: int) -> None:
        assert render(items, width=width).split() == render(items).split()

    @given(st.lists(paragraphs, max_size=5), st.integers(40, 120))
    def test_no_line_is_wider_than_asked_unless_one_word_is(self, items: list[Paragraph], width: int) -> None:
        for line in render(items, width=width).splitlines():
            assert len(line) <= width or len(line.split()) == 1

    @given(st.lists(paragraphs, max_size=5))
    def test_without_a_width_a_paragraph_is_a_line(self, items: list[Paragraph]) -> None:
        assert render(items).count("\n") == len(items)

    @given(st.lists(paragraphs, max_size=5))
    def test_paint_never_reaches_beyond_its_line(self, items: list[Paragraph]) -> None:
        for line in render(items, painted=True).splitlines():
            codes = CONTROL.findall(line)
            assert codes[1::2] == ["\x1b[0m"] * (len(codes) // 2)
            assert len(codes) % 2 == 0

    def test_no_paragraphs(self) -> None:
        assert render([]) == ""

    def test_blank_line(self) -> None:
        assert render([paragraph()]) == "\n"

    def test_hanging_lines(self) -> None:
        text = render([paragraph("word " * 12, indent=2, hang=6)], width=40)
        assert [len(line) - len(line.lstrip()) for line in text.splitlines()] == [2, 6]

    def test_a_number_keeps_its_unit(self) -> None:
        lines = render([paragraph("it took 285 ms, limit 9.5 to 16 V and 2 handshakes " * 9)], width=40).splitlines()
        assert not [line for line in lines if line.endswith(("285", "16")) or line.startswith(("ms", "V"))]
        assert any(line.endswith((" 2", "9.5")) for line in lines)

    def test_an_ink_may_change_within_a_word(self) -> None:
        text = render(
            [paragraph(StyledText("Faulty", TextStyle.WRONG), StyledText(": so", TextStyle.STRONG))], painted=True
        )
        assert text == "\x1b[1;31mFaulty\x1b[0m\x1b[1m: so\x1b[0m\n"
