"""The one place from which frames are sent, and only where there can be no wire behind it.

A replayed lock command on the bus of a real car would be a command. So an interface is accepted by name: the one that
passes frames on within a process, and the one that does so by network packets. A driver that also has virtual channels
is refused, for nobody can tell by its name which kind a channel is.
"""

from buslens.capture.frames import Flag, Frames
from buslens.errors import UsageError
from buslens.live.bus import VIRTUAL, Interface, parse_interface


def require_virtual(text: str) -> Interface:
    """Return the interface that a word means, if nothing physical can be behind it.

    Raises UsageError if there can.
    """
    interface = parse_interface(text)
    if interface.kind not in VIRTUAL:
        raise UsageError(
            f"--onto {text}: refused; buslens never sends on a bus that may have a wire, for a replayed lock command"
            " would be a command. Write virtual:NAME (programs in the same process)"
            " or udp_multicast:ADDRESS (programs on this machine or network)"
        )
    return interface


class Sender:
    """Sends frames of a capture to other programs.

    Raises UsageError if a wire may be behind it, or it cannot be opened.
    """

    def __init__(self, interface: Interface) -> None:
        import can

        require_virtual(str(interface))
        #: Frames that were sent, and error frames, which cannot be.
        self.sent = 0
        self.left_out = 0
        self._message = can.Message
        self._interface = interface
        try:
            self._bus: can.BusABC = can.Bus(interface=interface.kind, channel=interface.channel, ignore_config=True)
        except Exception as exc:  # a driver that is not ours: anything may come
            hint = "; it needs: pip install msgpack" if "msgpack" in str(exc) else ""
            raise UsageError(f"{interface} cannot be opened: {' '.join(str(exc).split())}{hint}") from exc

    def send(self, frames: Frames, index: int) -> None:
        """Send one frame of a run; UsageError if the interface does not take it."""
        flags = Flag(int(frames.flags[index]))
        if Flag.ERROR in flags:
            self.left_out += 1
            return
        length, first = int(frames.length[index]), int(frames.word[index])
        data = frames.words[first : first + (length + 7) // 8].astype("<u8").tobytes()[:length]
        is_remote = Flag.REMOTE in flags
        message = self._message(
            arbitration_id=int(frames.can_id[index]),
            is_extended_id=Flag.EXTENDED in flags,
            is_remote_frame=is_remote,
            is_fd=Flag.FD in flags,
            bitrate_switch=Flag.BRS in flags,
            error_state_indicator=Flag.ESI in flags,
            dlc=min(int(frames.dlc[index]), 8) if is_remote else length,
            data=None if is_remote else data,
        )
        try:
            self._bus.send(message)
        except Exception as exc:  # as above
            reason = " ".join(str(exc).split())
            raise UsageError(f"{self._interface} does not take a frame: {reason}") from exc
        self.sent += 1

    def close(self) -> None:
        """Give the bus back."""
        self._bus.shutdown()
