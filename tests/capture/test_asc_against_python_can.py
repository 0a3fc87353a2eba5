"""ASC logs against python-can: the same frames, except where it errs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from can.io.asc import ASCReader
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.rows import Row, read_rows

from buslens.capture.frames import Flag

if TYPE_CHECKING:
    from pathlib import Path

S = 1_000_000_000
EXT, REMOTE, ERROR, FD, BRS, ESI, TX = (
    int(flag) for flag in (Flag.EXTENDED, Flag.REMOTE, Flag.ERROR, Flag.FD, Flag.BRS, Flag.ESI, Flag.TX)
)
EIGHT = "01 02 03 04 05 06 07 08"

# Where python-can 4.6 errs: line, what its reader makes of it (None: nothing at all), what we make of it, and why.
# The test asserts both sides, so that the table cannot outlive the difference.
DEVIATIONS = {
    "DLC above 8": (
        f"1.0 1 C8 Rx d f {EIGHT}",
        ("dlc", 64),
        ("dlc", 15),
        "a classical DLC of 15 stands for 8 bytes, ISO 11898-1; python-can looks it up in the CAN FD table",
    ),
    "too few bytes": ("1.0 1 C8 Rx d 8 01 02", ("data", "0102"), None, "a row cut short is no frame of 2 bytes"),
    "empty FD frame": (
        "1.0 CANFD 1 Rx 4EE 1 0 0 0 130000 130",
        ("is_remote_frame", True),
        ("is_remote_frame", False),
        "CAN FD has no remote frames, ISO 11898-1",
    ),
    "request to send": (
        "1.0 1 C8 TxRq d 1 01",
        ("data", "01"),
        None,
        "the same frame comes again as Tx, and each sample would count twice",
    ),
    "request to send FD": (
        "1.0 CANFD 1 TxRq C8 0 0 1 1 01",
        ("data", "01"),
        None,
        "the same frame comes again as Tx, and each sample would count twice",
    ),
    "negative stamp": ("-0.5 1 C8 Rx d 1 01", None, ("data", "01"), "recorders write them before the trigger"),
    "decimal comma": ("0,5 1 C8 Rx d 1 01", None, ("data", "01"), "recorders of some languages write them"),
    "FD with a length that is none": (
        "1.0 CANFD 1 Rx 4EE 0 0 9 9 01 02 03 04 05 06 07 08 09",
        ("dlc", 9),
        None,
        "no CAN FD frame has 9 bytes, ISO 11898-1",
    ),
}


def by_python_can(text: str, folder: Path, **options: object) -> list[dict[str, object]]:
    path = folder / "oracle.asc"
    path.write_text(text)
    with ASCReader(path, **options) as reader:  # type: ignore[arg-type]
        return [
            {
                "time_ns": round(message.timestamp * S),
                "channel": message.channel,
                "arbitration_id": message.arbitration_id,
                "is_extended_id": message.is_extended_id,
                "is_remote_frame": message.is_remote_frame,
                "is_error_frame": message.is_error_frame,
                "is_fd": message.is_fd,
                "bitrate_switch": message.bitrate_switch,
                "error_state_indicator": message.error_state_indicator,
                "is_rx": message.is_rx,
                "dlc": message.dlc,
                "data": bytes(message.data).hex(),
            }
            for message in reader
        ]


FD_LENGTHS = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)


def as_python_can(frame: Row) -> dict[str, object]:
    """Return one of our frames in python-can's words, where a DLC means the number of bytes."""
    is_fd = bool(frame.flags & FD)
    return {
        "time_ns": frame.time_ns,
        "channel": int(frame.channel) - 1,
        "arbitration_id": 0 if frame.flags & ERROR else frame.can_id,
        "is_extended_id": bool(frame.flags & (EXT | ERROR)),
        "is_remote_frame": bool(frame.flags & REMOTE),
        "is_error_frame": bool(frame.flags & ERROR),
        "is_fd": is_fd,
        "bitrate_switch": bool(frame.flags & BRS),
        "error_state_indicator": bool(frame.flags & ESI),
        "is_rx": not frame.flags & TX,
        "dlc": FD_LENGTHS[frame.dlc] if is_fd else frame.dlc,
        "data": frame.data.hex(),
    }


class TestDeviationsFromPythonCan:
    """Where we differ from python-can we do so for a reason, and it still differs."""

    @pytest.mark.parametrize("name", DEVIATIONS)
    def test_both_sides(self, tmp_path: Path, name: str) -> None:
        line, theirs, ours, _reason = DEVIATIONS[name]
        text = "\n".join(["base hex timestamps absolute", "internal events logged", line, "9.0 1 7AA Rx d 1 FF", ""])
        found = by_python_can(text, tmp_path)
        rows = [as_python_can(each) for each in read_rows(tmp_path / "log.txt", text.encode())[0]]
        for messages, expected in ((found, theirs), (rows, ours)):
            first = [each for each in messages if each["arbitration_id"] != 0x7AA]
            assert [(expected[0], each[expected[0]]) for each in first if expected] == ([expected] if expected else [])
            assert bool(first) == (expected is not None)


@st.composite
def asc_rows(draw: st.DrawFn, base: int) -> str:
    """Draw one row of any kind on which python-can does not err."""

    def number(value: int, width: int = 0) -> str:
        return f"{value:0{width}X}" if base == 16 else str(value)

    extended = draw(st.booleans())
    can_id = number(draw(st.integers(0, 0x1FFFFFFF if extended else 0x7FF))) + "x" * extended
    channel = draw(st.integers(1, 32))
    direction = draw(st.sampled_from(["Rx", "Tx"]))
    stamp = f"{draw(st.integers(0, 2_000)) / 1000:11.6f}"
    kind = draw(st.sampled_from(["data", "data", "data", "fd", "remote", "error", "event"]))
    if kind == "event":
        return draw(
            st.sampled_from(
                [
                    "// remark",
                    "",
                    f"{stamp} Start of measurement",
                    f"{stamp} {channel}  Statistic: D 1 R 0 XD 0",
                    f"{stamp} SV: 2 0 1 ::Supply = 12",
                    f"{stamp} CAN {channel} Status:chip status error active",
                ]
            )
        )
    if kind == "error":
        return f"{stamp} {channel}  ErrorFrame"
    if kind == "remote":
        return f"{stamp} {channel}  {can_id:<15} {direction:<4} r" + draw(
            st.sampled_from(["", *(f" {dlc}" for dlc in range(9))])
        )
    if kind == "fd":
        dlc = draw(st.integers(1, 15))
        data = draw(st.binary(min_size=FD_LENGTHS[dlc], max_size=FD_LENGTHS[dlc]))
        name = draw(st.sampled_from(["", "ColumnState", "Body_1"]))
        brs, esi = draw(st.integers(0, 1)), draw(st.integers(0, 1))
        return (
            f"{stamp} CANFD {channel:>3} {direction:<4} {can_id:>8}  {name:>32} {brs} {esi} {number(dlc).lower()}"
            f" {len(data):>2} {' '.join(number(byte, 2) for byte in data)}        0    0     1000        0"
        )
    data = draw(st.binary(max_size=8))
    tail = draw(st.sampled_from(["", "  Length = 240015 BitCount = 124 ID = 1785"]))
    return (
        f"{stamp} {channel}  {can_id:<15} {direction:<4} d {len(data)}"
        f" {' '.join(number(byte, 2) for byte in data)}{tail}"
    )


class TestAgainstPythonCan:
    """On rows that python-can reads rightly both readers see the same frames."""

    @settings(max_examples=examples(25), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(data=st.data(), base=st.sampled_from([16, 10]), crlf=st.booleans())
    def test_random_rows(self, tmp_path: Path, data: st.DataObject, base: int, crlf: bool) -> None:
        lines = data.draw(st.lists(asc_rows(base), max_size=12))
        lines.sort(key=lambda line: float(line.split()[0]) if line[:1].isspace() else 0.0)
        header = [f"base {'hex' if base == 16 else 'dec'}  timestamps absolute", "internal events logged"]
        text = ("\r\n" if crlf else "\n").join([*header, *lines, "3.0 1 1 Rx d 0", ""])
        rows, stats = read_rows(tmp_path / "log.txt", text.encode())
        assert [as_python_can(each) for each in rows] == by_python_can(text, tmp_path)
        assert stats.broken == 0
        assert stats.frames + stats.other_lines == len(lines) + 3
