"""A record carries a hash of itself."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buslens.report.record.seal import BLANK, carried_seal, seal_of, sealed

PAGE = f'<html><meta name="record-sha256" content="{BLANK}"><p>Faulty</p></html>'.encode()


class TestSeal:
    """The hash is that of the page with zeros in its place, so that anybody can compute it."""

    def test_carried(self) -> None:
        assert carried_seal(sealed(PAGE)) == hashlib.sha256(PAGE).hexdigest() == seal_of(sealed(PAGE))

    def test_no_place(self) -> None:
        assert carried_seal(b"<html>") is None
        with pytest.raises(ValueError, match="no place"):
            sealed(b"<html>")

    @given(st.integers(0, len(PAGE) - 1), st.integers(1, 255))
    def test_any_changed_byte_shows(self, at: int, by: int) -> None:
        """Also one of the hash itself, or of its place."""
        page = bytearray(sealed(PAGE))
        page[at] = (page[at] + by) % 256
        carried = carried_seal(bytes(page))
        assert carried is None or carried != seal_of(bytes(page))

    def test_a_renewed_hash_does_not_show(self) -> None:
        """Said to the user, because nothing inside the page can help it."""
        edited = sealed(sealed(PAGE).replace(b"Faulty", b"As expected"))
        assert carried_seal(edited) == seal_of(edited)
