"""A whole capture to the dialogue that was recorded in it."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from buslens.capture.frames import Clock, ReadStats
from buslens.capture.open import open_capture
from buslens.capture.reduce import reduce_frames
from buslens.capture.table_settings import TableSettings
from buslens.dialogue.collect import OFFSETS, Collection, SenderKey, Survey
from buslens.dialogue.exchanges import Gap, match_answers
from buslens.dialogue.model import Address, AddressPair, Exchange, HowFound, TransportCounts, TransportMessage
from buslens.dialogue.pairs import GivenPair, belong_together, find_pairs
from buslens.dialogue.transport import TransportFrame, assemble
from buslens.errors import UsageError

_Taker = TypeVar("_Taker", Survey, Collection)


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialogue:
    """What was asked and answered in a capture."""

    path: str
    pairs: tuple[AddressPair, ...]
    #: In order of the requests' first frames.
    exchanges: tuple[Exchange, ...]
    #: Messages that are no request and answer none, or whose beginning is of no known service.
    others: tuple[TransportMessage, ...]
    #: What the frames of each address were.
    counts: Mapping[Address, TransportCounts]
    #: Messages of each address that are not whole.
    incomplete: Mapping[Address, tuple[TransportMessage, ...]]
    stats: ReadStats

    def __repr__(self) -> str:
        between = f"{len(self.pairs)} pair{'' if len(self.pairs) == 1 else 's'} of addresses"
        return f"<Dialogue of {Path(self.path).name}: {len(self.exchanges):,} requests, {between}>"


def read_dialogue(
    path: str | Path,
    *,
    pairs: Iterable[GivenPair] | None = None,
    table: TableSettings | str | Path | None = None,
    notify: Callable[[str], None] | None = None,
) -> Dialogue:
    """Return what was asked and answered in a capture: ISO 15765-2 and ISO 14229 on CAN and CAN FD.

    Parameters
    ----------
    path : str or Path
        A recorded log; ``-`` for standard input, then with `pairs`.
    pairs : iterable of GivenPair, optional
        Who asks and who answers, from `parse_pair`; else that is found from what was said.
    table : TableSettings or path, optional
        What is said about tables of frames, or the TOML file that says it; else their rows tell.
    notify : callable, optional
        Is told, as one sentence, what takes a while.

    Raises
    ------
    CaptureError
        If nothing in the capture can be read.
    UsageError
        If it has no time stamps, or is standard input and no pairs are given.
    """
    if pairs is not None:
        given = list(pairs)
        wanted = {(it.can_id, it.is_extended) for pair in given for it in pair}
        collection, stats = _reduced(path, table, notify, Collection, wanted)
        return dialogue_between(given, str(path), collection, stats)
    if str(path) == "-":
        raise UsageError("standard input can be read only once: save the log to a file first")
    survey, stats = _reduced(path, table, notify, Survey, None)
    offsets = survey.candidates()
    collection = survey.kept
    if not survey.dropped.isdisjoint(offsets):  # they began like no dialogue
        wanted = {(key.can_id, key.is_extended) for key in offsets}
        collection, stats = _reduced(path, table, notify, Collection, wanted)
    frames = _after_discontinuities(collection.frames, stats)
    streams = _streams({key: frames[key] for key in offsets if key in frames}, offsets)
    return _dialogue(str(path), find_pairs(streams), streams, stats)


def _reduced(
    path: str | Path,
    table: TableSettings | str | Path | None,
    notify: Callable[[str], None] | None,
    taker: type[_Taker],
    wanted: set[tuple[int, bool]] | None,
) -> tuple[_Taker, ReadStats]:
    """Read a capture with time stamps."""
    found, stats = reduce_frames(
        open_capture(path, table=table), wanted=wanted, make=taker, update=taker.add, merge=taker.merge, notify=notify
    )
    if stats.clock is Clock.MISSING:
        raise UsageError(
            f"{path} has no time stamps, so that no answer can be told from a late one; record it with them"
        )
    return found, stats


def dialogue_between(given: Sequence[GivenPair], path: str, collection: Collection, stats: ReadStats) -> Dialogue:
    """Return what was asked and answered between pairs that a user names, from the frames of a capture."""
    frames = _after_discontinuities(collection.frames, stats)
    streams = _streams(frames, dict.fromkeys(frames, OFFSETS))
    channels = dict.fromkeys(key.channel for key in frames)
    found = [pair for one in given for pair in _on_channels(one, channels, streams)]
    return _dialogue(path, found, streams, stats)


def _dialogue(
    path: str, pairs: Sequence[AddressPair], streams: Mapping[Address, Sequence[TransportFrame]], stats: ReadStats
) -> Dialogue:
    messages: dict[Address, list[TransportMessage]] = {}
    counts: dict[Address, TransportCounts] = {}
    for one in dict.fromkeys(it for pair in pairs for it in (pair.request, pair.answer)):
        partners = {it for pair in pairs if one in pair for it in (pair.request, pair.answer)}
        near = {it for it in streams if it.channel == one.channel}
        partners |= {it for it in near if belong_together(it, one) or belong_together(one, it)}
        controls = [streams[it] for it in sorted(partners - {one}, key=str) if it in streams]
        messages[one], counts[one] = assemble(one, streams.get(one, ()), controls)
    exchanges, others = match_answers(
        pairs, messages, counts, end_ns=stats.last_ns or 0, gaps=_gaps(stats), resolution_ns=stats.resolution_ns
    )
    incomplete = {it: tuple(one for one in rows if not one.is_complete) for it, rows in messages.items()}
    return Dialogue(
        path=path,
        pairs=tuple(pairs),
        exchanges=tuple(exchanges),
        others=tuple(others),
        counts=counts,
        incomplete=incomplete,
        stats=stats,
    )


def _streams(
    frames: Mapping[SenderKey, Sequence[TransportFrame]], offsets: Mapping[SenderKey, Sequence[int]]
) -> dict[Address, list[TransportFrame]]:
    """Return the frames of each possible sender without the address byte."""
    streams: dict[Address, list[TransportFrame]] = {}
    for key, rows in frames.items():
        if 0 in offsets[key]:
            streams[Address(*key)] = list(rows)
        if 1 in offsets[key]:
            for row in rows:
                if row.data:
                    sender = Address(*key, row.data[0])
                    streams.setdefault(sender, []).append(row._replace(data=row.data[1:]))
    return streams


def _on_channels(pair: GivenPair, channels: Iterable[str], streams: Mapping[Address, object]) -> Iterable[AddressPair]:
    """Yield a given pair for each channel on which a side was recorded, or across them where none has both sides."""
    requests, answers = ([one._replace(channel=channel) for channel in channels] for one in pair)
    is_recorded = [(request in streams, answer in streams) for request, answer in zip(requests, answers, strict=True)]
    is_across = (True, True) not in is_recorded and all(map(any, zip(*is_recorded, strict=True)))
    for request, (is_asked, _) in zip(requests, is_recorded, strict=True):
        for answer, (_, is_answered) in zip(answers, is_recorded, strict=True):
            is_same = request.channel == answer.channel
            if (is_asked and is_answered) if is_across else is_same and (is_asked or is_answered):
                yield AddressPair(request, answer, HowFound.GIVEN)


def _after_discontinuities(
    frames: Mapping[SenderKey, list[TransportFrame]], stats: ReadStats
) -> dict[SenderKey, list[TransportFrame]]:
    """Return frames that know how many clock discontinuities lie before them."""
    times = sorted(it.time_ns for it in stats.discontinuities)
    if not times:
        return dict(frames)
    from bisect import bisect_right

    return {
        key: [row._replace(segment=bisect_right(times, row.time_ns)) for row in rows] for key, rows in frames.items()
    }


def _gaps(stats: ReadStats) -> list[Gap]:
    """Return where frames may be missing."""
    found = [Gap(it.time_ns, it.until_ns, "the clock jumped in between") for it in stats.discontinuities]
    first_ns = stats.first_ns or 0
    for it in stats.unread:
        from_ns = first_ns if it.from_ns is None else it.from_ns
        found.append(Gap(from_ns, it.to_ns, "lines could not be read in between", can_id=it.can_id))
    for channel, pauses in stats.pauses.items():
        found += [Gap(it.from_ns, it.to_ns, "nothing was recorded in between", channel) for it in pauses]
    return found
