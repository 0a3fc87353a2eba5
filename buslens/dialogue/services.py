"""Services, subfunctions and negative response codes of ISO 14229-1 (2020) and of emission diagnostics.

Their numbers and names stand in ``services.txt``; the tests hold them to those that scapy's dissector has.
"""

from collections.abc import Mapping
from typing import Final, NamedTuple

from buslens.text_tables import tables_beside

NEGATIVE: Final = 0x7F
"""First byte of a negative response; the requested service and a code follow."""
PENDING: Final = 0x78
"""Negative response code: the answer comes later."""
POSITIVE: Final = 0x40
"""What is added to the number of a service in its positive response."""
SUPPRESS: Final = 0x80
"""Bit of a subfunction: no positive response is wanted."""


class Service(NamedTuple):
    """One service."""

    name: str
    #: Whether a subfunction follows the number.
    has_subfunction: bool = False
    #: Bytes after the number that the positive response repeats.
    echo: int = 0


_TABLES: Final = tables_beside(__file__, "services.txt")


def _names(table: str) -> Mapping[int, str]:
    return {int(number, 16): name for number, name in _TABLES[table]}


SERVICES: Final[Mapping[int, Service]] = {
    int(number, 16): Service(name, has_subfunction="sub" in more, echo=int(more[0]) if more else 0)
    for number, name, *more in _TABLES["services"]
}
"""By number."""

SUBFUNCTIONS: Final[Mapping[int, Mapping[int, str]]] = {
    int(title[-2:], 16): _names(title) for title in _TABLES if title.startswith("subfunctions of")
}
"""By service; those of manufacturers have no names here."""

RESPONSE_CODES: Final = _names("response codes")
"""Why a request was refused, by code."""


def code_text(code: int) -> str:
    """Return a negative response code as number and name.

    >>> code_text(0x22), code_text(0xFE)
    ('22 conditionsNotCorrect', 'FE')
    """
    return f"{code:02X} {RESPONSE_CODES.get(code, '')}".rstrip()


def subfunction_text(service: int, subfunction: int) -> str:
    """Return a subfunction as number and name, without the bit that suppresses the response.

    >>> subfunction_text(0x10, 0x83), subfunction_text(0x27, 5), subfunction_text(0x11, 0x60)
    ('03 extendedDiagnosticSession', '05 requestSeed', '60')
    """
    number = subfunction & ~SUPPRESS & 0xFF
    if service == 0x27 and 0 < number < 0x43:
        name = "requestSeed" if number % 2 else "sendKey"
    else:
        name = SUBFUNCTIONS.get(service, {}).get(number, "")
    return f"{number:02X} {name}".rstrip()


def is_request(data: bytes) -> bool:
    """Whether a message begins with the number of a service."""
    return data[:1] != b"" and data[0] in SERVICES


def is_answer(data: bytes) -> bool:
    """Whether a message begins like a positive or a negative response."""
    if data[:1] == b"\x7f":
        return len(data) == 3 and data[1] in SERVICES
    return data[:1] != b"" and data[0] - POSITIVE in SERVICES


def answered_service(data: bytes) -> int | None:
    """Return the number of the service that a message answers; None if it is no answer."""
    if not is_answer(data):
        return None
    return data[1] if data[0] == NEGATIVE else data[0] - POSITIVE


def answers(request: bytes, answer: bytes) -> bool:
    """Whether a message can answer a request: the same service, and what a positive response has to repeat."""
    if not is_request(request) or answered_service(answer) != request[0]:
        return False
    if answer[0] == NEGATIVE:
        return True
    service = SERVICES[request[0]]
    asked, told = request[1:], answer[1 : 1 + service.echo]
    if len(told) < service.echo:
        return False
    if request[0] in {0x01, 0x22}:  # several identifiers may be asked for, and some of them not be supported
        each = service.echo
        return told in {asked[k : k + each] for k in range(0, len(asked), each)}
    if service.has_subfunction and asked:
        asked = bytes([asked[0] & ~SUPPRESS & 0xFF]) + asked[1:]
    return len(asked) >= service.echo and told == asked[: service.echo]


def is_suppressed(request: bytes) -> bool:
    """Whether a request says that no positive response is wanted."""
    return is_request(request) and len(request) > 1 and SERVICES[request[0]].has_subfunction and request[1] >= SUPPRESS
