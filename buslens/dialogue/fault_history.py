"""How the fault codes of a unit changed while somebody read them."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from buslens.dialogue.contents import read_answer, read_request
from buslens.dialogue.fault_codes import DiagnosticCode
from buslens.dialogue.model import Address, AnswerOutcome, Exchange

CLEARING: Final = (b"\x04", b"\x14")
"""Services that clear fault codes."""
_LISTS: Final = frozenset({0x02, 0x0A, 0x0F, 0x13, 0x15, 0x17})
"""Subfunctions of service 19 whose answer names every code that fits the request."""


class CodeReading(NamedTuple):
    """What an answer said of a code."""

    #: First frame of the answer, ns.
    time_ns: int
    #: None: it is in the list no longer, though the same was asked.
    code: DiagnosticCode | None
    #: Whether the codes were cleared, with a positive answer, after the reading before.
    after_clearing: bool = False


@dataclass(frozen=True, slots=True)
class CodeHistory:
    """One code of one unit; readings that say the same as the one before are left away."""

    unit: Address
    number: bytes
    readings: tuple[CodeReading, ...]


class CodeLists(NamedTuple):
    """What a unit listed, by the bytes of the request."""

    #: The codes of the latest list.
    latest: dict[bytes, frozenset[bytes]]
    #: All codes that were ever in a list of it.
    ever: dict[bytes, frozenset[bytes]]


@dataclass(slots=True)
class _Unit:
    histories: dict[bytes, list[CodeReading]] = field(default_factory=dict)
    #: By request, the codes of its latest list.
    lists: dict[bytes, set[bytes]] = field(default_factory=dict)
    ever: defaultdict[bytes, set[bytes]] = field(default_factory=lambda: defaultdict(set))
    cleared_ns: int | None = None


def fault_history(exchanges: Iterable[Exchange]) -> list[CodeHistory]:
    """Return how the fault codes of each unit changed."""
    return [
        CodeHistory(unit, number, tuple(readings))
        for unit, of in _units(exchanges).items()
        for number, readings in sorted(of.histories.items())
    ]


def code_lists(exchanges: Iterable[Exchange]) -> dict[Address, CodeLists]:
    """Return which codes each unit listed, so that it can be told from lists of two captures which one is gone."""
    return {
        unit: CodeLists(
            {asked: frozenset(codes) for asked, codes in of.lists.items()},
            {asked: frozenset(codes) for asked, codes in of.ever.items()},
        )
        for unit, of in _units(exchanges).items()
    }


def _units(exchanges: Iterable[Exchange]) -> dict[Address, _Unit]:
    units: dict[Address, _Unit] = {}
    for exchange in exchanges:
        request = read_request(exchange.request.data)
        if exchange.outcome is not AnswerOutcome.ANSWERED:
            continue
        for answer in exchange.answers:
            unit = units.setdefault(answer.message.sender, _Unit())
            contents = read_answer(answer.message.data, is_complete=answer.message.is_complete)
            if contents.refusal is not None:
                continue
            if exchange.request.data[:1] in CLEARING:
                unit.cleared_ns = answer.message.first_ns
            if contents.fault_codes is not None:
                is_list = request.service in {0x03, 0x07, 0x0A} or (
                    contents.subfunction in _LISTS and request.service == 0x19
                )
                asked = exchange.request.data if is_list else None
                _read(unit, contents.fault_codes.codes, asked, answer.message.first_ns)
    return units


def _read(unit: _Unit, codes: Iterable[DiagnosticCode], asked: bytes | None, time_ns: int) -> None:
    listed = {code.number: code for code in codes}
    for number, code in listed.items():
        _note(unit, number, code, time_ns)
    if asked is not None:
        for number in unit.lists.get(asked, set()) - listed.keys():
            _note(unit, number, None, time_ns)
        unit.lists[asked] = set(listed)
        unit.ever[asked] |= set(listed)


def _note(unit: _Unit, number: bytes, code: DiagnosticCode | None, time_ns: int) -> None:
    readings = unit.histories.setdefault(number, [])
    before = readings[-1].code if readings else None
    says_more = code is None or code.status is not None or before is None
    differs = not readings or (before is None) != (code is None) or (code is not None and code != before)
    if differs and says_more:
        since_ns = readings[-1].time_ns if readings else time_ns
        cleared = unit.cleared_ns is not None and bool(readings) and since_ns < unit.cleared_ns
        readings.append(CodeReading(time_ns, code, after_clearing=cleared))
