"""Who asked and who answered, from what they said.

Two addresses are partners if the one answered what the other had asked, within the longest time that a unit may take.
They may have been recorded on two channels where the unit answers nobody on its own, and flow control or identifiers
show it. Which asker an answer belongs to is told, in this order, by flow control (the asker let a long answer go on, or
the unit a long request), by identifiers that belong together (ISO 15765-4: 7E0 and 7E8 and the like; 29 bits with
source and target exchanged), also among several with flow control, and by how many of the answers match.
"""

import re
from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Final, NamedTuple

from buslens.dialogue.model import Address, AddressPair, HowFound
from buslens.dialogue.services import answered_service, answers, is_answer, is_request
from buslens.dialogue.transport import TIMEOUT_NS, TransportFrame, head_of
from buslens.errors import UsageError
from buslens.units import NS_PER_S

WAIT_NS: Final = 5 * NS_PER_S
"""Longest time to an answer, and from "response pending" to the next: P2*server_max (ISO 14229-2; from memory)."""
LEAST_ANSWERS: Final = 0.5
"""Part of what a unit says that must answer requests."""

_ADDRESS: Final = r"([0-9A-Fa-f]{1,8})(?:\.([0-9A-Fa-f]{2}))?"
_PAIR: Final = re.compile(rf"{_ADDRESS}:{_ADDRESS}", re.ASCII)


class GivenPair(NamedTuple):
    """A pair as a user names it, on any channel."""

    request: Address
    answer: Address


def parse_pair(text: str) -> GivenPair:
    """Return the pair that a user names, such as ``7E0:7E8``, ``18DA10F1:18DAF110``, ``6F1.12:612.F1``.

    Raises UsageError if it is not two identifiers in hexadecimal with a colon between them.
    """
    match = _PAIR.fullmatch(text.strip())
    numbers = [int(match[k], 16) for k in (1, 3)] if match else []
    if match is None or max(numbers) >= 1 << 29 or match.group(1, 2) == match.group(3, 4):
        raise UsageError(
            f"'{text}' is not who asks and who answers: write two different identifiers in hexadecimal, as in"
            " 7E0:7E8, each with its address byte if it has one, as in 6F1.12:612.F1"
        )
    request, answer = (
        Address(
            "", number, number > 0x7FF or len(match[k]) > 3, None if match[k + 1] is None else int(match[k + 1], 16)
        )
        for number, k in zip(numbers, (1, 3), strict=True)
    )
    return GivenPair(request, answer)


def find_pairs(streams: Mapping[Address, Sequence[TransportFrame]]) -> list[AddressPair]:
    """Return who asked and who answered.

    Parameters
    ----------
    streams : mapping of Address to sequence of TransportFrame
        Frames of each possible sender, in order of time. An identifier may be there with and without an address
        byte: the reading of which more messages are answered holds.
    """
    heads = {address: _heads(frames) for address, frames in streams.items()}
    asks = {it: [head for head in rows if is_request(head.data)] for it, rows in heads.items()}
    said = {it: [head for head in rows if is_answer(head.data)] for it, rows in heads.items()}
    units = {it: rows for it, rows in said.items() if rows and len(rows) >= LEAST_ANSWERS * len(heads[it])}
    found: list[tuple[int, AddressPair]] = []
    for unit, rows in units.items():
        near = {it: of for it, of in asks.items() if of and it.channel == unit.channel and _may_be_partners(it, unit)}
        found += _askers(unit, rows, near, streams)
    served = {(pair.request, *pair.answer[1:]) for _, pair in found} | {pair.answer for _, pair in found}
    for unit in units.keys() - served:
        far = {it: of for it, of in asks.items() if of and _may_be_partners(it, unit)}
        far = {it: of for it, of in far.items() if (it, *unit[1:]) not in served}
        across = _askers(unit, units[unit], far, streams)
        found += [(count, pair) for count, pair in across if pair.found is not HowFound.ANSWERS]
    pairs = _without_contradictions(found)
    return sorted([*pairs, *_unanswered(asks, pairs)], key=_order)


def belong_together(request: Address, answer: Address) -> bool:
    """Whether identifiers are a pair by ISO 15765-4, or by the source and target in 29 bits.

    In extended addressing they are if each address byte is the end of the other's identifier (common practice, no
    source); in mixed addressing both have the same address byte.

    >>> belong_together(Address("1", 0x7E0, False), Address("1", 0x7E8, False))
    True
    """
    if request.is_extended != answer.is_extended or (request.byte is None) != (answer.byte is None):
        return False
    if request.byte != answer.byte:  # extended addressing
        return request.byte == answer.can_id & 0xFF and answer.byte == request.can_id & 0xFF
    if not request.is_extended:
        to_all = request.can_id == 0x7DF and 0x7E8 <= answer.can_id <= 0x7EF
        return to_all or answer.can_id == request.can_id + 8
    if request.can_id == 0x18DB33F1:
        return answer.can_id & ~0xFF == 0x18DAF100
    swapped = answer.can_id & ~0xFFFF | (answer.can_id & 0xFF) << 8 | answer.can_id >> 8 & 0xFF
    return swapped == request.can_id and request.can_id >> 16 & 0xFF in {0xDA, 0xCD, 0xCE, 0xCF}


def _unanswered(asks: Mapping[Address, Sequence[object]], pairs: Sequence[AddressPair]) -> list[AddressPair]:
    """Return a pair for each asker whom nobody answered, where its identifier alone says who should have."""
    answered = {it[:3] for pair in pairs for it in (pair.request, pair.answer)}
    found = []
    for asker, requests in asks.items():
        if not requests or asker.byte is not None or asker[:3] in answered:
            continue
        if not asker.is_extended and 0x7E0 <= asker.can_id <= 0x7E7:
            unit = asker._replace(can_id=asker.can_id + 8)
        elif asker.is_extended and asker.can_id & 0xFFFF00FF == 0x18DA00F1:
            unit = asker._replace(can_id=0x18DAF100 | asker.can_id >> 8 & 0xFF)
        else:
            continue
        found.append(AddressPair(asker, unit, HowFound.NUMBERS))
    return found


class _Head(NamedTuple):
    time_ns: int
    data: bytes
    is_single: bool


def _heads(frames: Iterable[TransportFrame]) -> list[_Head]:
    found = []
    for frame in frames:
        head = head_of(frame.data)
        if head is not None:
            found.append(_Head(frame.time_ns, head.data, head.is_single))
    return found


def _may_be_partners(one: Address, other: Address) -> bool:
    return (one.byte is None) == (other.byte is None) and one[1:] != other[1:]


def _askers(
    unit: Address,
    said: Sequence[_Head],
    asks: Mapping[Address, Sequence[_Head]],
    streams: Mapping[Address, Sequence[TransportFrame]],
) -> list[tuple[int, AddressPair]]:
    """Return the pairs of a unit with how many of its messages each explains."""
    matched: dict[Address, set[int]] = {}
    for asker, requests in asks.items():
        if indices := _answered(requests, said):
            matched[asker] = indices
    if len(set().union(*matched.values())) < LEAST_ANSWERS * len(said):
        return []
    evidence = {it: _evidence(it, unit, streams) for it in matched}
    order = list(HowFound)

    def rank(asker: Address) -> tuple[int, bool, int, int]:
        # Another tester's flow control comes within the same second as one's own.
        is_own = belong_together(asker, unit)
        return order.index(evidence[asker]), not is_own, -len(matched[asker]), asker.can_id

    ranked = sorted(matched, key=rank)
    left = set(range(len(said)))
    pairs = []
    for asker in ranked:
        mine = matched[asker] & left
        if mine:
            pairs.append((len(matched[asker]), AddressPair(asker, unit, evidence[asker])))
            left -= mine
    return pairs


def _answered(requests: Sequence[_Head], said: Sequence[_Head]) -> set[int]:
    """Return which messages of a unit may answer one of an asker's requests: the latest of their service."""
    by_service: defaultdict[int, list[_Head]] = defaultdict(list)
    for request in requests:
        by_service[request.data[0]].append(request)
    times = {service: [it.time_ns for it in rows] for service, rows in by_service.items()}
    found: set[int] = set()
    alive_ns: dict[int, int] = {}
    for k, head in enumerate(said):
        service = answered_service(head.data)
        index = bisect_right(times.get(service, []), head.time_ns) - 1 if service is not None else -1
        if service is None or index < 0:
            continue
        request = by_service[service][index]
        since_ns = max(request.time_ns, alive_ns.get(service, request.time_ns))
        if head.time_ns - since_ns <= WAIT_NS and _matches(request, head.data):
            found.add(k)
            alive_ns[service] = head.time_ns
    return found


def _matches(request: _Head, answer: bytes) -> bool:
    """Whether a beginning of a message can answer the beginning of another."""
    if answers(request.data, answer):
        return True
    return not request.is_single and request.data[:1] == b"\x22" and answered_service(answer) == 0x22


def _evidence(asker: Address, unit: Address, streams: Mapping[Address, Sequence[TransportFrame]]) -> HowFound:
    if _controls_flow(streams[asker], streams[unit]) or _controls_flow(streams[unit], streams[asker]):
        return HowFound.FLOW_CONTROL
    return HowFound.NUMBERS if belong_together(asker, unit) else HowFound.ANSWERS


def _controls_flow(receiver: Sequence[TransportFrame], sender: Sequence[TransportFrame]) -> bool:
    """Whether each flow control of the one comes right behind a frame of a long message of the other.

    Most of them, for a recording may begin in the middle and lose frames.
    """
    controls = [it.time_ns for it in receiver if it.data and it.data[0] >> 4 == 3]
    long_ns = [it.time_ns for it in sender if it.data and it.data[0] >> 4 in {1, 2}]
    if not controls or not long_ns:
        return False
    near = 0
    for time_ns in controls:
        index = bisect_right(long_ns, time_ns) - 1
        near += index >= 0 and time_ns - long_ns[index] <= TIMEOUT_NS
    return 2 * near > len(controls)


def _without_contradictions(found: Sequence[tuple[int, AddressPair]]) -> list[AddressPair]:
    """Return pairs in which no identifier has an address byte here and none there: the better answered stays."""
    votes: Counter[tuple[str, int, bool, bool]] = Counter()
    for count, pair in found:
        for it in (pair.request, pair.answer):
            votes[it.channel, it.can_id, it.is_extended, it.byte is None] += count

    def holds(it: Address) -> bool:
        mine, other = (
            votes[it.channel, it.can_id, it.is_extended, plain] for plain in (it.byte is None, it.byte is not None)
        )
        return mine > other or (mine == other and it.byte is None)

    return [pair for _, pair in found if holds(pair.request) and holds(pair.answer)]


def _order(pair: AddressPair) -> tuple[object, ...]:
    return tuple(
        (it.channel, it.is_extended, it.can_id, -1 if it.byte is None else it.byte)
        for it in (pair.request, pair.answer)
    )
