"""What a person drops by mistake: told by its first bytes, before it is kept."""

from __future__ import annotations

import re
from typing import Final

#: First bytes, and where they stand; each from the format's own description: PNG (ISO/IEC 15948), JPEG (ITU-T T.81),
#: GIF89a, RIFF, ISO/IEC 14496-12, PDF (ISO 32000), compound files (MS-CFB).
_FIRST_BYTES: Final = (
    (0, b"\x89PNG\r\n\x1a\n", "a picture"),
    (0, b"\xff\xd8\xff", "a picture"),
    (0, b"GIF8", "a picture"),
    (8, b"WEBP", "a picture"),
    (4, b"ftyp", "a picture or a film"),
    (0, b"%PDF-", "a PDF document"),
    (0, b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an office document"),
)
_DBC: Final = re.compile(rb"^BO_ \d+ \w+ ?:", re.MULTILINE)
_EXPECTATIONS: Final = re.compile(rb"^\[(roles|signs|causes|measurements)\.|^\[\[rules\]\]", re.MULTILINE)
HEAD_BYTES: Final = 8192
"""So many are looked at."""


def wrong_kind(head: bytes, *, is_for_job: bool) -> str:
    """Return why a file cannot be a capture, and what to drop instead; empty where it may be one.

    Parameters
    ----------
    head : bytes
        Its beginning.
    is_for_job : bool
        Whether it is for a job; a car takes definitions and expectations, too.
    """
    for place, first, kind in _FIRST_BYTES:
        if head.startswith(first, place):
            return f"This is {kind}, not a recording of the bus. Save the recording as a log file, and drop that."
    if is_for_job and _DBC.search(head):
        return "This is a definitions file (DBC). It belongs to a car: add it under Cars. Drop the recorded log here."
    if is_for_job and _EXPECTATIONS.search(head):
        return "This file belongs to a car: add it under Cars. Drop the recorded log here."
    return ""
