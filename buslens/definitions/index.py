"""From what a frame shows, its channel and identifier, to the message that it is."""

from collections.abc import Iterable

from buslens.definitions.model import EVERY_BIT, Message


class MessageIndex:
    """Messages by identifier and channel."""

    def __init__(self, messages: Iterable[Message]) -> None:
        self._found: dict[tuple[str | None, int, int, bool], Message] = {}
        masks: set[int] = {EVERY_BIT}
        for message in messages:
            self._found.setdefault((message.channel, message.id_mask, message.key, message.is_extended), message)
            masks.add(message.id_mask)
        # What names more bits of an identifier says more precisely what it means.
        self._masks = sorted(masks, key=int.bit_count, reverse=True)

    def find(self, channel: str, can_id: int, *, is_extended: bool) -> Message | None:
        """Return the message that an identifier means on a channel, None if it means nothing there.

        A message that is tied to the channel has precedence over one that is tied to none, and the identifier as a
        whole over its J1939 group. The same number as an 11-bit and as a 29-bit identifier is two identifiers.
        """
        for on in (channel, None):
            for mask in self._masks:
                message = self._found.get((on, mask, can_id & mask, is_extended))
                if message is not None:
                    return message
        return None
