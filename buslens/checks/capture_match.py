"""Whether a capture is of the car, the bus and the channel that the expectations speak of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final, TypeAlias

if TYPE_CHECKING:
    from buslens.timeline.history import MessageHistory

Identifier: TypeAlias = tuple[str, int, bool]
"""Channel as recorded, identifier, and whether it is a 29-bit one."""

_SHOWN: Final = 6
"""Identifiers that are named."""


def absent_text(logs: Sequence[MessageHistory]) -> tuple[str, ...]:
    """Return a sentence for each needed message of which the capture has not one frame."""
    found = []
    for log in logs:
        if not log.frames:
            tied, by = _tied_to(log)
            where = "" if tied is None else f" on {tied}, to which {by} tied"
            if log.tracks[0].address is not None:
                where += f" from source 0x{log.tracks[0].address:02X}"
            found.append(f"{log.message.name} (id {log.message.can_id:X}) is not in the capture{where}")
    return tuple(found)


def _tied_to(log: MessageHistory) -> tuple[str | None, str]:
    """Return the only channel on which a message is looked for, and the words for what is tied to it."""
    only = log.tracks[0].channel
    return (log.message.channel, "its definitions are") if only is None else (only, "it is")


def unrelated_text(logs: Sequence[MessageHistory], there: Mapping[Identifier, int]) -> str:
    """Return that no needed message is in a capture, and which identifiers are there instead.

    Parameters
    ----------
    there : mapping of Identifier to int
        How often each identifier came, at least; empty if nobody looked.
    """
    needed = len({log.message.name for log in logs})
    none = f"none of the {needed} messages that these expectations need is in this log"
    if needed == 1:
        none = f"{logs[0].message.name}, the only message that these expectations need, is not in this log"
    text = f"{none}: another car, bus or channel?"
    for log in logs:
        message = log.message
        on = sorted(
            {channel for channel, can_id, wide in there if (can_id, wide) == (message.can_id, message.is_extended)}
        )
        tied, by = _tied_to(log)
        if on and tied is not None and log.tracks[0].address is None:
            text += f" {message.name} is on {', '.join(on)}, and {by} tied to {tied};"
            return f"{text} if that is the same bus, write --channel {on[0]}={tied}"
    if not there:
        return text
    ordered = sorted(there.items(), key=lambda item: (-item[1], item[0]))
    several = len({channel for channel, _, _ in there}) > 1
    names = [
        f"{can_id:0{8 if wide else 3}X}{f' on {channel}' if several else ''} ({count:,})"
        for (channel, can_id, wide), count in ordered[:_SHOWN]
    ]
    more = f" and {len(ordered) - _SHOWN} more" if len(ordered) > _SHOWN else ""
    return f"{text} It has the ids, with how often they came, {', '.join(names)}{more}"
