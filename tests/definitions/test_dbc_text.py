from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from buslens.definitions.dbc import decode_text


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

    def test_utf_16_cut_within_its_last_character(self) -> None:
        assert decode_text("BO_".encode("utf-16")[:-1]) == "BO"
