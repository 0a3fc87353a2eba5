"""From what a frame shows, its channel and identifier, to the message that it is."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

    from buslens.definitions.model import Message


class MessageIndex:
    """Messages by identifier and channel.

    Parameters
    ----------
    messages : iterable of Message
        Usually a `Definitions`.
    """

    def __init__(self, messages: Iterable[Message]) -> None:
        self._anywhere: dict[tuple[int, bool], Message] = {}
        self._tied: dict[tuple[str, int, bool], Message] = {}
        for message in messages:
            if message.channel is None:
                self._anywhere.setdefault((message.can_id, message.is_extended), message)
            else:
                self._tied.setdefault((message.channel, message.can_id, message.is_extended), message)

    def find(self, channel: str, can_id: int, *, is_extended: bool) -> Message | None:
        """Return the message that an identifier means on a channel, None if it means nothing there.

        A message that is tied to the channel has precedence over one that is tied to none. The same number as
        an 11-bit and as a 29-bit identifier is two identifiers.
        """
        tied = self._tied.get((channel, can_id, is_extended))
        return tied if tied is not None else self._anywhere.get((can_id, is_extended))
