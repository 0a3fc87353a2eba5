"""Each request with its answers.

==============================================  ===============================================================
within 5 s of a request                         outcome
==============================================  ===============================================================
a positive answer                               answered
negative answers only, not "pending"            refused, with the code
nothing, no positive answer was wanted          no answer wanted
nothing, and all of that time was recorded      no answer
nothing, and something may not be recorded      unknown, with the reason
==============================================  ===============================================================

The wait begins anew with each "response pending". A message that answers no request stays by itself. If the same is
asked again before the answer, the answer goes to the later request, its delay reaches from the one to the other, and
the earlier one is unknown; so is each of several requests that one refusal fits.
"""

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from buslens.dialogue.model import (
    Address,
    AddressPair,
    Answer,
    AnswerDelay,
    AnswerOutcome,
    Exchange,
    TransportCounts,
    TransportMessage,
)
from buslens.dialogue.pairs import WAIT_NS
from buslens.dialogue.services import NEGATIVE, PENDING, answered_service, answers, is_request, is_suppressed


class Gap(NamedTuple):
    """A stretch of time in which frames may be missing, ends included, and why."""

    from_ns: int
    to_ns: int
    reason: str
    #: Only on this channel; None: on all.
    channel: str | None = None
    #: Only frames of this identifier; None: of all.
    can_id: int | None = None

    def concerns(self, units: Sequence[Address]) -> bool:
        """Whether frames of one of these may be missing."""
        return any(self.channel in {None, it.channel} and self.can_id in {None, it.can_id} for it in units)


@dataclass(slots=True)
class _Open:
    """A request that may still be answered."""

    request: TransportMessage
    #: Since when the units may take their time.
    alive_ns: int
    #: By unit: how often it said "pending", and its last word.
    pending: dict[Address, int]
    answers: dict[Address, Answer]
    #: Why something that came may belong to it; empty if nothing may.
    doubt: str = ""


def match_answers(
    pairs: Sequence[AddressPair],
    messages: Mapping[Address, Sequence[TransportMessage]],
    counts: Mapping[Address, TransportCounts],
    *,
    end_ns: int,
    gaps: Sequence[Gap] = (),
    resolution_ns: int = 0,
) -> tuple[list[Exchange], list[TransportMessage]]:
    """Return the requests with their answers in order of time, and the messages that answer none.

    Parameters
    ----------
    end_ns : int
        Last frame of the recording.
    gaps : sequence of Gap
        Where frames may be missing.
    resolution_ns : int
        Step of the stamps: a delay is uncertain by as much either way.
    """
    units: defaultdict[Address, list[Address]] = defaultdict(list)
    for pair in pairs:
        units[pair.request].append(pair.answer)
    askers: defaultdict[Address, list[Address]] = defaultdict(list)
    for pair in pairs:
        askers[pair.answer].append(pair.request)
    said = [(it.first_ns, it.sender in askers, it) for one in {*units, *askers} for it in messages.get(one, ())]
    said.sort(key=lambda item: item[:2])
    open_requests: defaultdict[tuple[Address, int], list[_Open]] = defaultdict(list)
    done: list[_Open] = []
    unasked: list[TransportMessage] = []
    for _, _, message in said:
        if message.sender in units and is_request(message.data):
            request = _Open(message, message.last_ns, {}, {})
            done.append(request)
            key = (message.sender, message.data[0])
            alive = [it for it in open_requests[key] if message.first_ns - it.alive_ns <= WAIT_NS]
            open_requests[key] = [*alive, request]
        elif message.sender not in askers or not _add(message, open_requests, askers, resolution_ns):
            unasked.append(message)
    exchanges = [_exchange(it, units[it.request.sender], counts, end_ns=end_ns, gaps=gaps) for it in done]
    return exchanges, unasked


def _add(
    message: TransportMessage,
    open_requests: Mapping[tuple[Address, int], Sequence[_Open]],
    askers: Mapping[Address, Sequence[Address]],
    resolution_ns: int,
) -> bool:
    """Give an answer to the latest request that it can answer; return whether there is one."""
    service = answered_service(message.data)
    if service is None:
        return False
    found = [
        it
        for asker in askers[message.sender]
        for it in open_requests.get((asker, service), ())
        if message.sender not in it.answers
        and message.first_ns - it.alive_ns <= WAIT_NS
        and _can_answer(it.request, message.data)
    ]
    if not found:
        return False
    found.sort(key=lambda it: it.request.first_ns)
    *earlier, it = found
    is_negative = message.data[0] == NEGATIVE
    if is_negative and any(one.request.data != it.request.data for one in earlier):
        for one in found:
            one.doubt = "one refusal fits this and another request"
        return False
    for one in earlier:
        one.doubt = "the same was asked again before the answer"
    it.alive_ns = max(it.alive_ns, message.last_ns)
    if is_negative and message.data[2] == PENDING:
        it.pending[message.sender] = it.pending.get(message.sender, 0) + 1
    else:
        latest_ns = _delay(found[0].request, message, resolution_ns).latest_ns
        delay = AnswerDelay(_delay(it.request, message, resolution_ns).earliest_ns, latest_ns)
        pending = it.pending.get(message.sender, 0)
        it.answers[message.sender] = Answer(message=message, delay=delay, pending=pending)
    return True


def _can_answer(request: TransportMessage, answer: bytes) -> bool:
    if answers(request.data, answer):
        return True
    # The identifiers that a request has lost may be those that are answered.
    return not request.is_complete and answered_service(answer) == request.data[0]


def _delay(request: TransportMessage, answer: TransportMessage, resolution_ns: int) -> AnswerDelay:
    """Return the time between two messages; a request without its last frame ended later than seen."""
    apart_ns = answer.first_ns - request.last_ns
    earliest_ns = max(apart_ns - resolution_ns, 0) if request.is_end_seen else 0
    return AnswerDelay(earliest_ns, max(apart_ns + resolution_ns, 0))


def _exchange(
    it: _Open, units: Sequence[Address], counts: Mapping[Address, TransportCounts], *, end_ns: int, gaps: Sequence[Gap]
) -> Exchange:
    given = tuple(sorted(it.answers.values(), key=lambda answer: answer.message.first_ns))
    outcome, reason = AnswerOutcome.NO_ANSWER, ""
    if any(answer.message.data[0] != NEGATIVE for answer in given):
        outcome = AnswerOutcome.ANSWERED
    elif given:
        outcome = AnswerOutcome.REFUSED
    elif reason := _reason(it, units, counts, end_ns, gaps):
        outcome = AnswerOutcome.UNKNOWN
    elif is_suppressed(it.request.data) and not it.pending:
        outcome = AnswerOutcome.NOT_WANTED
    return Exchange(request=it.request, answers=given, outcome=outcome, reason=reason)


def _reason(
    it: _Open, units: Sequence[Address], counts: Mapping[Address, TransportCounts], end_ns: int, gaps: Sequence[Gap]
) -> str:
    """Return why an answer may have come although none is recorded; empty if there is no reason."""
    if it.doubt:
        return it.doubt
    from_ns, to_ns = it.request.last_ns, min(it.alive_ns + WAIT_NS, end_ns)
    for gap in gaps:
        if gap.from_ns <= to_ns and gap.to_ns >= from_ns and gap.concerns(units):
            return gap.reason
    for unit in units:
        times = counts[unit].unexpected_ns if unit in counts else []
        if bisect_right(times, to_ns) > bisect_left(times, from_ns):
            return "the first frame of an answer is missing"
    if not it.request.is_complete:
        return "the request is not complete"
    is_over = is_suppressed(it.request.data) and not it.pending
    if it.alive_ns + WAIT_NS > end_ns and not is_over:
        return "the recording ends before"
    return ""
