from __future__ import annotations

from buslens.definitions.decode import MessageIndex
from buslens.definitions.model import Message


def named(name: str, can_id: int, *, channel: str | None = None, is_extended: bool = False) -> Message:
    return Message(name=name, can_id=can_id, length=8, channel=channel, is_extended=is_extended)


class TestMessageIndex:
    """Channel, identifier and its width tell the message."""

    INDEX = MessageIndex(
        [
            named("ANY", 1),
            named("WIDE", 1, is_extended=True),
            named("ONE", 1, channel="can1"),
            named("ONLY", 2, channel="can1"),
        ]
    )

    def name(self, channel: str, can_id: int, *, is_extended: bool = False) -> str | None:
        message = self.INDEX.find(channel, can_id, is_extended=is_extended)
        return None if message is None else message.name

    def test_a_tied_message_has_precedence_on_its_channel(self) -> None:
        assert (self.name("can0", 1), self.name("can1", 1)) == ("ANY", "ONE")

    def test_a_tied_message_is_nothing_elsewhere(self) -> None:
        assert (self.name("can1", 2), self.name("can0", 2), self.name("can10", 2)) == ("ONLY", None, None)

    def test_width(self) -> None:
        assert self.name("can1", 1, is_extended=True) == "WIDE"
        assert self.name("can1", 2, is_extended=True) is None
