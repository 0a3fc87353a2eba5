"""A workshop tester at a rehearsal: its list of values, and what it asks the lock's control unit on a recorded bus.

It asks for one value after the other, some times a second.
Services and transport are those of ISO 14229-1 and ISO 15765-2; identifiers, numbers and codes are invented for the
demonstration. The fault codes are those that the simulated unit has at the time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from buslens.rehearsal.oscilloscope import at
from buslens.rehearsal.plug_voltages import plug_voltages
from buslens.rehearsal.random_streams import RandomStreams
from buslens.rehearsal.rehearse import rendered
from buslens.units import NS_PER_MS, NS_PER_S, NS_PER_US

if TYPE_CHECKING:
    from collections.abc import Mapping

    from buslens.rehearsal.rehearse import Rehearsal

LISTED: Final[Mapping[str, tuple[str, Mapping[int, str]]]] = {
    "Driver door": ("BODY_DOORS.DRIVER_DOOR", {0: "Closed", 1: "Open"}),
    "Start button": ("ACCESS_STATE.START_BUTTON", {0: "Released", 1: "Pressed"}),
    "Ignition": ("POWER_MODE.STAGE", {0: "Off", 1: "Off", 2: "On", 3: "On"}),
    "Steering lock enable": ("COLUMN_CONTROL.LOCK_ENABLE", {0: "Off", 1: "On"}),
    "Unlock feedback": ("COLUMN_STATE.UNLOCK_FEEDBACK", {0: "Locked", 1: "Unlocked"}),
    "Steering lock lamp": ("CLUSTER_LAMPS.STEERING_LOCK_LAMP", {0: "Off", 1: "On", 2: "On"}),
}
"""Columns of the tester's list: the signal that each shows, and its words."""
ASKS: Final = 0x7A0
ANSWERS: Final = 0x7A8
FIRST_CODE: Final = 0x911C00
"""Number of a fault code that is not there; the unit's own number is added."""
_NOW: Final = 0x2F
"""Status of the code that the unit has: failed, also since the codes were cleared; pending and confirmed."""
_BEFORE: Final = 0x28
"""Status of one that it had: confirmed, failed since the codes were cleared."""
_CODES_AT_S: Final = (1.5, 4.5, 11.0)
_VALUES_AT_S: Final = tuple(begin + 0.07 * k for begin, number in ((3.6, 12), (4.6, 11)) for k in range(number))
_VALUES: Final = ("COLUMN_CONTROL.LOCK_ENABLE", "COLUMN_STATE.UNLOCK_FEEDBACK", "COLUMN_CONTROL.TRY")


def tester_list(rehearsal: Rehearsal, per_second: float) -> str:
    """Return what a tester lists of a rehearsal, one row for each time that it asked."""
    streams = RandomStreams(rehearsal.seed)
    start_ns, end_ns = rehearsal.start_ns, int(rehearsal.frames.time_ns[-1])
    step_ns = round(NS_PER_S / per_second)
    rows = np.arange(start_ns, end_ns, step_ns)
    late = (streams.uniform("tester", len(rows)) * (step_ns // 10)).astype(np.int64)
    rows = (rows + late) // NS_PER_MS * NS_PER_MS
    columns = [
        [words.get(int(code), "---") for code in at(rehearsal.truth[signal], rows)] for signal, words in LISTED.values()
    ]
    lines = [";".join(["Time (s)", *LISTED])]
    for time_ns, *cells in zip((rows - start_ns).tolist(), *columns, strict=True):
        lines.append(";".join([f"{time_ns / NS_PER_S:.3f}", *cells]))
    return "\n".join([*lines, ""])


class _Frame(NamedTuple):
    time_ns: int
    can_id: int
    data: bytes


def with_tester(rehearsal: Rehearsal) -> bytes:
    """Return a rehearsal as a candump log in which a tester asks."""
    frames = [
        (
            f"{it.time_ns // NS_PER_S}.{it.time_ns % NS_PER_S // NS_PER_US:06d}",
            f"{it.can_id:03X}#{it.data.hex().upper()}",
        )
        for it in _dialogue(rehearsal)
    ]
    lines = rendered(rehearsal, "candump").decode("ascii").splitlines()
    lines += [f"({stamp}) can0 {frame}" for stamp, frame in frames]
    return "".join(f"{line}\n" for line in sorted(lines, key=lambda line: line[:19])).encode("ascii")


def _dialogue(rehearsal: Rehearsal) -> list[_Frame]:
    start_ns = rehearsal.start_ns
    delays = (RandomStreams(rehearsal.seed).uniform("tester answers", 64) * 20 * NS_PER_MS).astype(np.int64).tolist()
    supply = f"62d010{_values(rehearsal, 5.4)[0]:02x}"
    script = [
        *((after, "22d012", ["62d012" + _values(rehearsal, after).hex()]) for after in _VALUES_AT_S),
        (0.5, "1003", ["50030032 01f4"]),
        (0.7, "22f18c", ["62f18c" + b"PINEWICK LOCK UNIT 03".hex()]),
        (5.4, "22d010", [supply]),
        (6.2, "31030201", ["7f3178", "7f3122"]),
        *((after, "190209", [_codes(rehearsal, after)]) for after in _CODES_AT_S),
        *((after, "3e80", []) for after in (2.5, 4.0, 5.8, 7.8, 9.8)),
    ]
    frames: list[_Frame] = []
    for after, request, answers in sorted(script):
        time_ns = start_ns + round(after * NS_PER_S)
        frames += _sent(ASKS, ANSWERS, bytes.fromhex(request), time_ns)
        for answer in answers:
            time_ns = frames[-1].time_ns + 5 * NS_PER_MS + delays.pop()
            frames += _sent(ANSWERS, ASKS, bytes.fromhex(answer), time_ns)
    return frames


def _values(rehearsal: Rehearsal, after: float) -> bytes:
    """Return what the unit knows of its lock, as `pinewick_tester.dbc` lays it out behind the identifier."""
    now_ns = np.array([rehearsal.start_ns + round(after * NS_PER_S)])
    supply = round(10 * float(plug_voltages(rehearsal, now_ns)["Supply"][0]))
    enable, feedback, tries = (int(at(rehearsal.truth[name], now_ns)[0]) for name in _VALUES)
    return bytes([max(supply, 0), enable | feedback << 1, tries]) + bytes(6)


def _codes(rehearsal: Rehearsal, after: float) -> str:
    """Return the answer that lists the unit's fault codes: those that it had until then, the present one last."""
    states = rehearsal.truth["COLUMN_DETAIL.FAULT_CODE"]
    now_ns = rehearsal.start_ns + round(after * NS_PER_S)
    present = int(at(states, np.array([now_ns]))[0])
    had = dict.fromkeys(int(code) for code in states.value[states.time_ns <= now_ns] if code and code != present)
    listed = [(code, _BEFORE) for code in had] + [(present, _NOW)] * bool(present)
    return "59022f" + "".join(f"{FIRST_CODE + code:06x}{status:02x}" for code, status in listed)


def _sent(sender: int, receiver: int, data: bytes, time_ns: int) -> list[_Frame]:
    """Return the frames of a message, from a time on, with the receiver's flow control."""
    if len(data) <= 7:
        return [_Frame(time_ns, sender, bytes([len(data), *data]).ljust(8, b"\xaa"))]
    frames = [
        _Frame(time_ns, sender, (0x1000 | len(data)).to_bytes(2) + data[:6]),
        _Frame(time_ns + NS_PER_MS, receiver, b"\x30\x00\x0a".ljust(8, b"\xaa")),
    ]
    for number, k in enumerate(range(6, len(data), 7), 1):
        part = bytes([0x20 | number % 16]) + data[k : k + 7]
        frames.append(_Frame(time_ns + (1 + 10 * number) * NS_PER_MS, sender, part.ljust(8, b"\xaa")))
    return frames
