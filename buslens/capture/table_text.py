"""Text of a table in the form that the kernel reads: one byte for a character, a line feed behind each line.

UTF-16, lines that end in a carriage return alone, and cells that zero bytes part or fill up are brought into that form
as they are read. A table that is in it already is read from the file as it stands.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from buslens.capture.stream import Stream

_MARKS: Final = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}
_CHUNK: Final = 1 << 16


@dataclass(frozen=True, slots=True)
class TextForm:
    """What has to be done to a text."""

    #: ``utf-16-le`` or ``utf-16-be``; empty: one byte for a character.
    encoding: str = ""
    #: Carriage returns alone end lines.
    has_returns: bool = False
    #: Zero bytes part cells, or fill lines up.
    has_zeros: bool = False

    @property
    def is_plain(self) -> bool:
        """Whether nothing has to be done."""
        return not (self.encoding or self.has_returns or self.has_zeros)

    def applied(self, text: bytes) -> bytes:
        """Return a whole text in the form that the kernel reads; an odd last byte of UTF-16 is left out."""
        if self.encoding:
            text = _narrow(text, self.encoding)
        if self.has_returns:
            text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        return text.replace(b"\0", b"\t") if self.has_zeros else text


def text_form_of(head: bytes) -> TextForm:
    """Return what has to be done to a text, by its first bytes."""
    encoding = _MARKS.get(head[:2], "")
    if not encoding and len(head) >= 8:
        pairs = head[: 400 & ~1]
        odd, even = pairs[1::2], pairs[::2]
        if not any(odd) and all(even):
            encoding = "utf-16-le"
        elif not any(even) and all(odd):
            encoding = "utf-16-be"
    text = _narrow(head, encoding) if encoding else head
    returns = len(re.findall(rb"\r(?![\r\n])", text[:-1]))
    feeds = text.count(b"\n")
    if b"\0" not in text:
        return TextForm(encoding=encoding, has_returns=returns > feeds // 2)
    lines = [line for line in re.split(rb"[\r\n]+", text)[:-1] if line]
    zeros = sum(1 for line in lines if re.search(rb"[^\0]\0", line))
    return TextForm(encoding=encoding, has_returns=returns > feeds // 2, has_zeros=2 * zeros > len(lines) > 0)


def _narrow(text: bytes, encoding: str) -> bytes:
    """Return UTF-16 as one byte for a character, a question mark for one that is none of Latin-1."""
    low, high = (text[::2], text[1::2]) if encoding == "utf-16-le" else (text[1::2], text[::2])
    n = min(len(low), len(high))
    if not any(high[:n]):
        return low[:n]
    return bytes(
        c if not h else 63 if (h, c) not in {(0xFE, 0xFF)} else 32 for c, h in zip(low[:n], high[:n], strict=True)
    )


class NormalisedStream:
    """A stream whose text is brought into the form that the kernel reads.

    Parameters
    ----------
    stream : Stream
        As it was recorded, from its first byte.
    form : Form
        What has to be done to it.
    """

    def __init__(self, stream: Stream, form: TextForm) -> None:
        self._stream = stream
        self._form = form
        self._buffer = bytearray(_CHUNK)
        self._odd = b""
        self._ready = b""
        self._ended = False

    @property
    def damage(self) -> str:
        """Damage of the stream."""
        return self._stream.damage

    def read_into(self, view: memoryview) -> int:
        """Fill the view."""
        while not self._ready and not self._ended:
            n = self._stream.read_into(memoryview(self._buffer))
            text = self._odd + bytes(self._buffer[:n])
            self._ended = n == 0
            keep = 0
            if not self._ended:
                # A half of a character, or a carriage return whose line feed may follow, waits for the next bytes.
                keep = len(text) % 2 if self._form.encoding else 0
                ending = {"": b"\r", "utf-16-le": b"\r\0", "utf-16-be": b"\0\r"}[self._form.encoding]
                if self._form.has_returns and text[: len(text) - keep].endswith(ending):
                    keep += len(ending)
            self._odd = text[len(text) - keep :] if keep else b""
            self._ready = self._form.applied(text[: len(text) - keep])
        n = min(len(view), len(self._ready))
        view[:n] = self._ready[:n]
        self._ready = self._ready[n:]
        return n

    def close(self) -> None:
        """Close the stream."""
        self._stream.close()
