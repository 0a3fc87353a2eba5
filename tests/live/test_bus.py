"""Receiving from a bus: what comes is what was sent on that bus."""

from __future__ import annotations

import sys

import can
import pytest
from support.multicast import group_of_our_own, listening


@pytest.mark.skipif(sys.platform != "linux", reason="this system hands a socket the packets of its own groups only")
def test_no_frames_of_another_group() -> None:
    """Linux hands every socket what comes for a group that anybody on the machine has joined, unless told not to."""
    mine, other = group_of_our_own(), group_of_our_own()
    with listening(mine) as here, listening(other) as there:
        with can.Bus(other, "udp_multicast", ignore_config=True) as sender:
            sender.send(can.Message(arbitration_id=0x123))
        heard = there.receive(600)
        assert heard is not None
        assert heard.arbitration_id == 0x123
        # What the one has, the other would have had, too.
        assert here.receive(0) is None
