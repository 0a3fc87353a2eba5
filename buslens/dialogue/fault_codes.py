"""Fault codes in answers: ISO 14229-1 service 19 by subfunction, and the services 03, 07, 0A of ISO 15031-5.

==============================  ============================================================
subfunctions of 19              after service and subfunction
==============================  ============================================================
02 0A 0B 0C 0D 0E 0F 13 15      availability mask, then for each: code (3 bytes), status
17                              memory, availability mask, then as above
04 06 10                        code (3), status, then records that only the maker can read
03 14                           for each: code (3), a number that is no status
08 09                           mask, then for each: severity, functional unit, code (3), status
42                              group, two masks, format, then for each: severity, code (3), status
55                              group, mask, format, then for each: code (3), status
01 07 11 12                     mask, format of the codes, their count (2)
==============================  ============================================================

A bit of a status means something only where the availability mask has it. Layouts from memory of the standard; the
tests hold them to scapy's.
"""

from collections.abc import Iterator
from typing import Final, NamedTuple

STATUS_BITS: Final = (
    "testFailed",
    "testFailedThisOperationCycle",
    "pendingDTC",
    "confirmedDTC",
    "testNotCompletedSinceLastClear",
    "testFailedSinceLastClear",
    "testNotCompletedThisOperationCycle",
    "warningIndicatorRequested",
)
"""Names of a status's bits, from the least significant (ISO 14229-1, annex D)."""

_PLAIN: Final = frozenset({0x02, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x13, 0x15})
_COUNTS: Final = frozenset({0x01, 0x07, 0x11, 0x12})
_LETTERS: Final = "PCBU"


class DiagnosticCode(NamedTuple):
    """A fault code as an answer tells it."""

    #: Two or three bytes.
    number: bytes
    #: None where the answer has none.
    status: int | None
    #: Which bits of the status the unit supports; None: the answer does not say.
    available: int | None

    @property
    def text(self) -> str:
        """Its bytes, and how they read if they are numbered by SAE J2012, which the bytes themselves do not say."""
        return f"{self.number.hex().upper()} ({by_j2012(self.number)} by SAE J2012)"

    @property
    def bits(self) -> tuple[str, ...]:
        """Names of the bits that are set, in order, and supported as far as the answer says that."""
        return status_bits(self.status or 0, 0xFF if self.available is None else self.available)


class FaultCodes(NamedTuple):
    """What an answer tells about fault codes."""

    codes: tuple[DiagnosticCode, ...]
    #: How many there are, where that was asked for.
    reported: int | None = None
    #: Bytes at its end that are no whole code.
    left: bytes = b""


def by_j2012(number: bytes) -> str:
    """Return a code of two or three bytes as SAE J2012 writes it (ISO 15031-6).

    >>> by_j2012(bytes.fromhex("0143")), by_j2012(bytes.fromhex("C10087"))
    ('P0143', 'U0100-87')
    """
    high = number[0]
    text = f"{_LETTERS[high >> 6]}{high >> 4 & 3}{high & 15:X}{number[1]:02X}"
    return f"{text}-{number[2]:02X}" if len(number) > 2 else text


def status_bits(status: int, available: int = 0xFF) -> tuple[str, ...]:
    """Return the names of the bits of a status.

    >>> status_bits(0x09), status_bits(0x2F, 0x01)
    (('testFailed', 'confirmedDTC'), ('testFailed',))
    """
    return tuple(name for k, name in enumerate(STATUS_BITS) if status & available & 1 << k)


def read_fault_codes(answer: bytes) -> FaultCodes | None:
    """Return the fault codes that a whole positive response tells; None if it is none of those that tell any."""
    if answer[:1] in {b"\x43", b"\x47", b"\x4a"} and len(answer) >= 2:
        body = answer[2:]
        whole = len(body) // 2 * 2
        codes = tuple(DiagnosticCode(body[k : k + 2], None, None) for k in range(0, whole, 2))
        return FaultCodes(codes[: answer[1]], None, b"".join(code.number for code in codes[answer[1] :]) + body[whole:])
    if answer[:1] != b"\x59" or len(answer) < 2:
        return None
    subfunction, body = answer[1], answer[2:]
    if subfunction in _COUNTS:
        return FaultCodes((), int.from_bytes(body[2:4])) if len(body) == 4 else None
    if subfunction in _PLAIN and body:
        return _listed(body[1:], 4, 0, body[0])
    if subfunction == 0x17 and len(body) >= 2:
        return _listed(body[2:], 4, 0, body[1])
    if subfunction in {0x04, 0x06, 0x10} and len(body) >= 4:
        return FaultCodes((DiagnosticCode(body[:3], body[3], None),))
    if subfunction in {0x03, 0x14}:
        found = _listed(body, 4, 0, None)
        return found._replace(codes=tuple(code._replace(status=None) for code in found.codes))
    if subfunction in {0x08, 0x09} and body:
        return _listed(body[1:], 6, 2, body[0])
    if subfunction == 0x42 and len(body) >= 4:
        return _listed(body[4:], 5, 1, body[1])
    if subfunction == 0x55 and len(body) >= 3:
        return _listed(body[3:], 4, 0, body[1])
    return None


def _listed(body: bytes, size: int, start: int, available: int | None) -> FaultCodes:
    codes = tuple(DiagnosticCode(row[start : start + 3], row[start + 3], available) for row in _rows(body, size))
    return FaultCodes(codes, None, body[len(codes) * size :])


def _rows(body: bytes, size: int) -> Iterator[bytes]:
    for k in range(0, len(body) - size + 1, size):
        yield body[k : k + size]
