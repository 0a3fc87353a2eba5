"""What units answered to a tester becomes roles: each answer is a sample, as a row of a table of values is.

A unit reads the value at some time between the request and its answer. The sample stands in the middle of the two, and
half of the longest such time is the doubt of every sample. An answer for which the unit asked for more time, or that
took far longer than usual, shows nothing: when it read the value is too uncertain.
"""

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from typing import Final, NamedTuple

import numpy as np

from buslens.capture.frames import Clock, ReadStats
from buslens.capture.pauses import common_pauses
from buslens.capture.values import Cells, ValuesBlock
from buslens.capture.values_layout import ValueColumn
from buslens.checks.sources import Recording
from buslens.checks.values import polled_timeline, source_of
from buslens.dialogue.collect import Collection
from buslens.dialogue.model import Answer, Exchange
from buslens.dialogue.pairs import GivenPair
from buslens.dialogue.read import Dialogue, dialogue_between
from buslens.expectations.model import Expectations, Reply, Role
from buslens.timeline.columns import ColumnHistory

_READ: Final = b"\x22"
_READ_ANSWER: Final = 0x62
_FAR: Final = 5
"""Times the usual delay, from which an answer shows nothing (rule of thumb)."""


class _Sample(NamedTuple):
    #: Middle of the time in which the value was read, ns, and half of that time.
    time_ns: int
    doubt_ns: int
    digits: int
    channel: str


def pairs_of(expected: Expectations) -> tuple[GivenPair, ...]:
    """Return who asks and who answers, of all roles that answers show, each pair once."""
    return tuple(dict.fromkeys(role.reply.pair for role in expected.roles.values() if role.reply is not None))


def read_replies(
    path: str, expected: Expectations, asked: Collection, stats: ReadStats
) -> tuple[Recording | None, list[str]]:
    """Return what answers show of roles, on the axis of their capture, and which roles none shows, as sentences.

    Parameters
    ----------
    path : str
        The capture.
    asked : Collection
        Frames of those who ask and answer.
    stats : ReadStats
        Of the whole capture.

    Returns
    -------
    Recording or None
        None if no answer shows any role.
    """
    wanted = {role.name: role.reply for role in expected.roles.values() if role.reply is not None}
    if not wanted or not asked.pairs or stats.clock is Clock.MISSING:
        return None, []
    dialogue = dialogue_between(pairs_of(expected), path, asked, stats)
    breaks_ns = sorted(it.time_ns for it in stats.discontinuities)
    timelines, doubt_ns, missing = {}, 0, []
    for name, reply in wanted.items():
        role = expected.roles[name]
        samples = sorted(_samples(dialogue, reply, role, breaks_ns))
        if not samples:
            missing.append(
                f"no answer of {reply.pair.answer} to {reply.pair.request} with identifier {reply.identifier:04X} shows"
                f" {role.shown_name}: it is unknown"
            )
            continue
        usual_ns = sorted(it.doubt_ns for it in samples)[len(samples) // 2]
        samples = [it for it in samples if it.doubt_ns <= _FAR * usual_ns]  # one late answer is no doubt of all others
        moved_ns = max(it.doubt_ns for it in samples)
        history = ColumnHistory(source_of(role, expected), _column(reply), path, moved_ns)
        _take(history, samples, reply.places, breaks_ns)
        channels = {it.channel for it in samples}
        pauses = tuple(common_pauses(stats.pauses.get(it, ()) for it in channels))
        timelines[name] = polled_timeline(history, role, expected, stats, pauses)
        doubt_ns = max(doubt_ns, moved_ns)
    if not timelines:
        return None, missing
    return Recording.of(f"answers in {path}", stats, timelines, moved_ns=doubt_ns), missing


def _samples(dialogue: Dialogue, reply: Reply, role: Role, breaks_ns: Sequence[int]) -> Iterator[_Sample]:
    for exchange in dialogue.exchanges:
        for answer in exchange.answers:
            sides = exchange.request.sender, answer.message.sender
            if any(it._replace(channel="") != one for it, one in zip(sides, reply.pair, strict=True)):
                continue
            if role.channel not in {None, answer.message.sender.channel}:
                continue
            body = _body(exchange, answer, reply)
            digits = None if body is None else reply.digits(body)
            end_ns = answer.message.first_ns
            begin_ns = end_ns - answer.delay.latest_ns
            if digits is None or bisect_right(breaks_ns, begin_ns) != bisect_right(breaks_ns, end_ns):
                continue
            doubt_ns = -(-answer.delay.latest_ns // 2)
            yield _Sample(end_ns - doubt_ns, doubt_ns, digits, answer.message.sender.channel)


def _body(exchange: Exchange, answer: Answer, reply: Reply) -> bytes | None:
    """Return what stands behind the identifier of a value; None if the answer does not surely hold it."""
    request, data = exchange.request, answer.message.data
    identifier = reply.identifier.to_bytes(2)
    if not (request.is_complete and answer.message.is_complete) or answer.pending:
        return None
    if request.data[:3] != _READ + identifier or data[:3] != bytes([_READ_ANSWER]) + identifier:
        return None
    body, following = data[3:], request.data[3:5]
    # How long each of several values is, only the maker knows: the next identifier must not come before the end.
    place = body.find(following) if following else -1
    return body if place < 0 else body[:place]


def _column(reply: Reply) -> ValueColumn:
    return ValueColumn(index=0, name=f"{reply.identifier:04X} of {reply.pair.answer}", unit="")


def _take(history: ColumnHistory, samples: Sequence[_Sample], places: int, breaks_ns: Sequence[int]) -> None:
    """Give a history its samples, segment by segment."""
    time_ns = np.array([it.time_ns for it in samples], np.int64)
    digits = np.array([it.digits for it in samples], np.int64)
    segments = np.searchsorted(np.array(breaks_ns, np.int64), time_ns, side="right")
    for segment in np.unique(segments).tolist():
        part = segments == segment
        nothing = np.full(int(part.sum()), -1, np.int64)
        cells = Cells(digits=digits[part], places=np.full_like(nothing, places), unit=nothing, texts=())
        history.take(ValuesBlock(time_ns=time_ns[part], cells=(cells,), segment=segment), cells)
