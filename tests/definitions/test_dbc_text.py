from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from buslens.definitions.dbc_text import blank, decode_text, outline, without_long_ranges, without_sizes

TEXT = """BO_ 1 A: 8 X // BO_ 2 NOT: 8 X
 SG_ S : 0|16@1+ (1,0) [0|0] "// BO_ 3 NOT: 8 X" X
CM_ BO_ 1 "a \\"quoted\\"
BO_ 4 NOT: 8 X
 SG_ NOT : 0|8@1+ (1,0) [0|0] VAL_ 1 S 0";
CM_ SG_ 1 S "x";
BA_ "Y" SG_ 1 S 5;
SG_MUL_VAL_ 1 S P 0-4294967295, 7-7;
VAL_ 1 S 0 "a;b" ;
SIG_VALTYPE_ 1 S : 1;
"""


class TestOutline:
    """The outline holds the statements, and nothing out of strings and comments."""

    def test_statements(self) -> None:
        placed = outline(TEXT)
        assert [(m.number, m.name, m.length) for m in placed.messages] == [(1, "A", 8)]
        assert [(s.name, s.layout) for s in placed.messages[0].signals] == [("S", (0, 16, 1))]
        assert [(n.keyword, placed.line(n.start)) for n in placed.notes] == [
            ("SG_MUL_VAL_", 8),
            ("VAL_", 9),
            ("SIG_VALTYPE_", 10),
        ]
        assert placed.notes[0].ranges == ((0, 4294967295), (7, 7))
        assert [(use.name, placed.line(use.offset)) for use in placed.attributes] == [("Y", 7)]

    def test_quotes_without_an_end_are_read_once(self) -> None:
        # Were every way to pair the quotes tried, this would outlast the test run.
        text = "VAL_ 1 S " + '0 "a" ' * 2000 + '"'
        assert outline(text).notes == []

    def test_places(self) -> None:
        placed = outline("ab\ncd\n\ne")
        offsets = range(len(placed.text))
        assert [(placed.line(k), placed.column(k)) for k in offsets] == [
            (1, 1),
            (1, 2),
            (1, 3),
            (2, 1),
            (2, 2),
            (2, 3),
            (3, 1),
            (4, 1),
        ]


class TestSafeTexts:
    """What the parser is given has every statement where the file has it."""

    def test_ranges_are_cut(self) -> None:
        text = without_long_ranges(outline(TEXT).text)
        assert len(text) == len(TEXT)
        assert "SG_MUL_VAL_ 1 S P 0-0         , 7-7;" in text

    def test_sizes_are_small(self) -> None:
        text = without_sizes("BO_ 1 A: 99999 X\n SG_ S : 12|999999999@1+ (1,0)\n")
        assert text == "BO_ 1 A: 00008 X\n SG_ S : 00|000000001@1+ (1,0)\n"

    def test_blanked_statements_leave_their_lines(self) -> None:
        placed = outline('VAL_ 1 S\n 0 "a"\n;\nBO_ 1 A: 8 X')
        assert blank(placed.text, placed.notes) == "        \n      \n \nBO_ 1 A: 8 X"


class TestDecodeText:
    """Any bytes have a text, and a text that one encoding wrote comes back."""

    @given(st.binary())
    def test_never_fails_without_a_utf_16_mark(self, data: bytes) -> None:
        if not data.startswith((b"\xff\xfe", b"\xfe\xff")):
            assert "\r" not in decode_text(data)

    @given(st.text(st.characters(blacklist_categories=["Cs"], blacklist_characters="\r\ufeff")))
    def test_utf_8(self, text: str) -> None:
        assert decode_text(text.encode("utf-8")) == text
        assert decode_text(text.encode("utf-8-sig")) == text

    def test_cp1252(self) -> None:
        text = "\N{DEGREE SIGN}C \N{EURO SIGN} \N{LATIN SMALL LETTER A WITH DIAERESIS}\n"
        assert decode_text(text.encode("cp1252")) == text
