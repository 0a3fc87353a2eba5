"""A record's hash of itself: SHA-256 (FIPS 180-4) of the whole page, with zeros where the hash stands.

It shows that the page is not the one that was written. It cannot show who changed it: whoever can edit the page can
compute its hash anew. Against that only a copy helps, or the hash kept in another place.
"""

import hashlib
import re
from typing import Final

BLANK: Final = "0" * 64
"""Stands in a page that has not been sealed."""
_PLACE: Final = re.compile(rb'(<meta name="record-sha256" content=")([0-9a-f]{64})(">)')


def sealed(page: bytes) -> bytes:
    """Return a page with its hash in the place that `BLANK` holds free.

    Raises ValueError if the page has no such place.
    """
    if not _PLACE.search(page):
        raise ValueError("the page has no place for its hash")
    return _with(page, seal_of(page))


def seal_of(page: bytes) -> str:
    """Return the hash that a page ought to carry, lower-case hexadecimal."""
    return hashlib.sha256(_with(page, BLANK)).hexdigest()


def carried_seal(page: bytes) -> str | None:
    """Return the hash that a page carries; None if it carries none."""
    found = _PLACE.search(page)
    return None if found is None else found[2].decode()


def _with(page: bytes, digest: str) -> bytes:
    return _PLACE.sub(rb"\g<1>" + digest.encode() + rb"\g<3>", page, count=1)
