"""The bytes of a request or an answer become its meaning in a few fields.

Seeds and keys of security access are secrets of the car: nobody needs them to find a fault, and they are not shown.
"""

from dataclasses import dataclass
from typing import Final

from buslens.dialogue.fault_codes import FaultCodes, read_fault_codes
from buslens.dialogue.services import NEGATIVE, SERVICES, answered_service, is_request

_WITHHELD: Final = frozenset({0x27, 0x29})
"""Services whose data is not shown."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Contents:
    """What a message says."""

    #: Number of the service; None if the message is of none that is known.
    service: int | None
    is_answer: bool = False
    #: Negative response code; None in a request and in a positive response.
    refusal: int | None = None
    subfunction: int | None = None
    #: Data identifiers (2 bytes), routine identifiers (2), or parameters of the services 01 to 09 (1).
    identifiers: tuple[int, ...] = ()
    #: Hexadecimal digits of an identifier.
    digits: int = 4
    #: What follows, undecoded; where several identifiers were read, all behind the first.
    data: bytes = b""
    #: Whether there is data that is not shown.
    is_withheld: bool = False
    fault_codes: FaultCodes | None = None


def read_request(data: bytes) -> Contents:
    """Return what a request says, as far as its bytes are known."""
    if not is_request(data):
        return Contents(service=None, data=data)
    return _read(data[0], data[1:], is_answer=False)


def read_answer(data: bytes, *, is_complete: bool = True) -> Contents:
    """Return what an answer says; fault codes only where all of it is known."""
    service = answered_service(data)
    if service is None:
        return Contents(service=None, is_answer=True, data=data)
    if data[0] == NEGATIVE:
        return Contents(service=service, is_answer=True, refusal=data[2])
    codes = read_fault_codes(data) if is_complete else None
    return _read(service, data[1:], is_answer=True, fault_codes=codes)


def _read(service: int, rest: bytes, *, is_answer: bool, fault_codes: FaultCodes | None = None) -> Contents:
    subfunction = None
    if SERVICES[service].has_subfunction and rest:
        subfunction, rest = rest[0], rest[1:]
    identifiers: tuple[int, ...] = ()
    digits = 4
    if service == 0x22 and not is_answer:
        identifiers = tuple(int.from_bytes(rest[k : k + 2]) for k in range(0, len(rest) // 2 * 2, 2))
        rest = rest[2 * len(identifiers) :]
    elif service in {0x22, 0x24, 0x2E, 0x2F, 0x31} and len(rest) >= 2:
        identifiers, rest = (int.from_bytes(rest[:2]),), rest[2:]
    elif service == 0x01 and not is_answer:
        identifiers, rest, digits = tuple(rest), b"", 2
    elif service in {0x01, 0x02, 0x05, 0x06, 0x08, 0x09} and rest:
        identifiers, rest, digits = (rest[0],), rest[1:], 2
    withheld = service in _WITHHELD and bool(rest)
    return Contents(
        service=service,
        is_answer=is_answer,
        subfunction=subfunction,
        identifiers=identifiers,
        digits=digits,
        data=b"" if withheld else rest,
        is_withheld=withheld,
        fault_codes=fault_codes,
    )
