"""From what was recorded of a capture to the timeline of each role."""

from collections.abc import Callable, Mapping
from functools import partial

from buslens.capture.frames import Clock, Pause, ReadStats
from buslens.capture.pauses import common_pauses, merge_pauses
from buslens.checks.shortest_states import shortest_of
from buslens.checks.values import not_carried
from buslens.expectations.model import Expectations
from buslens.expectations.resolve import raw_values
from buslens.timeline.build import build_timeline
from buslens.timeline.history import CaptureHistory, MessageHistory
from buslens.timeline.model import UNSAID, Timeline
from buslens.timeline.senders import merged


def timeline_makers(
    expected: Expectations, recorder: CaptureHistory, stats: ReadStats, *, keep_rows: bool
) -> dict[str, Callable[[], Timeline]]:
    """Return what makes the timeline of each role, in the order of the expectations, and of each message to be alive.

    Without `keep_rows`, to make one forgets what was recorded of it.
    """
    makers: dict[str, Callable[[], Timeline]] = {
        track.name: partial(_timeline, expected, log, index, stats, keep_rows=keep_rows)
        for log in recorder.messages
        for index, track in enumerate(log.tracks)
    }
    first_ns, end_ns = stats.first_ns or 0, stats.last_ns or 0
    in_order = {
        name: makers.get(name) or partial(not_carried, role, first_ns, end_ns) for name, role in expected.roles.items()
    }
    return in_order | makers


def _timeline(
    expected: Expectations, log: MessageHistory, index: int, stats: ReadStats, *, keep_rows: bool
) -> Timeline:
    track = log.tracks[index]
    role = expected.roles.get(track.name)
    states: Mapping[str, frozenset[int]] = {"present": frozenset({0})}
    if role is not None and track.signal is not None:
        states = {state: frozenset(numbers) for state, numbers in raw_values(role, track.signal).items()}
    built = {
        name: build_timeline(
            each,
            index,
            states=states,
            unit="" if role is None else role.unit,
            lag_ns=None if role is None else role.lag_ns,
            is_event=role is not None and role.is_event,
            is_own_event=role is not None and role.is_own_event,
            discontinuities=stats.discontinuities,
            first_ns=stats.first_ns or 0,
            end_ns=stats.last_ns or 0,
            is_timed=stats.clock is not Clock.MISSING,
            resolution_ns=stats.resolution_ns,
            pauses=common_pauses(stats.pauses.get(label, ()) for label in _labels_of(each, stats)),
            unread=_unread_of(each, stats),
            is_lone=bool(each.channels) and each.channels <= stats.lone_channels,
            sleeps=expected.sleeps,
            shortest=UNSAID if role is None else shortest_of(role, expected, is_polled=False),
            keep_rows=keep_rows,
        )
        for name, each in _senders(log).items()
    }
    return merged(built) if len(built) > 1 else built[""]


def _senders(log: MessageHistory) -> dict[str, MessageHistory]:
    """Return what each sender of a message sent, by what it is called; without a name if there is but one."""
    if len(log.senders) < 2:
        return {"": log}
    one_channel = len({it.channel for it in log.senders}) == 1
    named = {}
    for sender, each in log.senders.items():
        source = "" if sender.address is None else f"source 0x{sender.address:02X}"
        channel = "" if one_channel else sender.channel
        named[f"{channel} {source}".strip()] = each or log
    return named


def _unread_of(log: MessageHistory, stats: ReadStats) -> tuple[Pause, ...]:
    """Return where lines stand that could not be read and that may be frames of a message."""
    mask, wanted = log.message.id_mask, log.message.can_id & log.message.id_mask
    first_ns = stats.first_ns or 0
    return merge_pauses(
        Pause(first_ns if one.from_ns is None else one.from_ns, one.to_ns)
        for one in stats.unread
        if one.can_id is None or one.can_id & mask == wanted
    )


def _labels_of(log: MessageHistory, stats: ReadStats) -> list[str]:
    """Return the channels, as recorded, on which a message came, or could have come if it never did."""
    if log.channels:
        return sorted(log.channels)
    tied = log.tracks[0].channel or log.message.channel
    return [label for label in stats.channels if tied is None or tied in {label, log.channel_aliases.get(label, label)}]
