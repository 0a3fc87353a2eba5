"""Multicast groups that no other run of the tests on this machine listens to or sends to."""

from __future__ import annotations

import uuid
from contextlib import contextmanager
from typing import TYPE_CHECKING

import can
import pytest

from buslens.errors import UsageError
from buslens.live.bus import Interface, Receiver

if TYPE_CHECKING:
    from collections.abc import Iterator


def group_of_our_own() -> str:
    """Return one of the sixteen million addresses of the block for use within a site (RFC 2365: 239.0.0.0/8)."""
    return f"239.{'.'.join(str(byte) for byte in uuid.uuid4().bytes[:3])}"


@contextmanager
def listening(group: str) -> Iterator[Receiver]:
    """Listen to a group; the test is skipped where what is sent to one does not come back."""
    try:
        receiver = Receiver(Interface("udp_multicast", group))
    except UsageError as exc:
        pytest.skip(f"no multicast here: {exc}")
    try:
        with can.Bus(group, "udp_multicast", ignore_config=True) as sender:
            try:
                sender.send(can.Message(arbitration_id=1))
            except can.CanError as exc:
                pytest.skip(f"no multicast here: {exc}")
        # Within a machine a packet is there once it is sent, if it comes at all.
        if receiver.receive(1.0) is None:
            pytest.skip("multicast packets do not come back on this machine")
        yield receiver
    finally:
        receiver.close()
