"""Where python-can and buslens make different things of one line of a log, with an example and the reason for each.

A difference has a pattern for the lines that it is about. A line that python-can takes and that we read otherwise must
fit at least one; the lines of the table in tests/PROOFS.md are these.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from io import BytesIO, StringIO
from typing import TYPE_CHECKING, Final

from support.logs import rows_of

from buslens.capture.frames import Clock, Flag
from buslens.capture.log_format import FormatMatch
from buslens.capture.read_options import ReadOptions
from buslens.capture.registry import FORMATS
from buslens.capture.scan import Scanner
from buslens.capture.stream import FileStream

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from can import Message
    from support.logs import Row

FD_LENGTHS: Final = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)
HEADER: Final = "base hex  timestamps absolute\ninternal events logged\n"
#: Stands before every line, so that frames can be told by the lines that they come from.
_MARKERS: Final = {"candump": b"(0.0) mark 000#\n", "ASC": b"0.0 999 000 Rx d 0\n"}
_MARKED: Final = {"candump": "mark", "ASC": "999"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One class of lines."""

    name: str
    #: An example, and what each side makes of it: "broken" and "error" (the reader gives up), "nothing", or a frame as
    #: ``frame_text`` writes it.
    line: str
    theirs: str
    ours: str
    #: Who is right, and why.
    why: str
    #: Whether a line is of this class.
    is_about: Callable[[str], object]
    #: What of the frame differs.
    fields: frozenset[str] = frozenset()
    #: Whether we may make no frame of it at all.
    may_be_none: bool = False


def frame_text(frame: dict[str, object]) -> str:
    """Write a frame in one line: identifier, what it is, DLC or number of bytes, data."""
    kinds = [name for name, key in _KINDS.items() if frame[key]]
    return f"{frame['arbitration_id']:X} {' '.join(kinds)} [{frame['dlc']}] {frame['data']}".strip().replace("  ", " ")


_KINDS: Final = {
    "extended": "is_extended_id",
    "remote": "is_remote_frame",
    "error": "is_error_frame",
    "FD": "is_fd",
    "BRS": "bitrate_switch",
    "ESI": "error_state_indicator",
    "Rx": "is_rx",
}


def of_python_can(message: Message) -> dict[str, object]:
    """Return a frame of python-can's in words that can be compared."""
    channel = message.channel
    return {
        "time": message.timestamp,
        "channel": channel,
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


def as_python_can(row: Row, log_format: str) -> dict[str, object]:
    """Return a frame of ours in the same words: a DLC of CAN FD means the number of bytes."""
    channel: object = row.channel
    if log_format == "ASC":
        channel = int(row.channel) - 1
    elif row.channel.isdecimal():
        channel = int(row.channel)
    is_fd = Flag.FD in row.flags
    return {
        # The nearest float to the same decimal number.
        "time": float(Fraction(row.time_ns, 10**9)),
        "channel": channel,
        "arbitration_id": row.can_id,
        "is_extended_id": Flag.EXTENDED in row.flags,
        "is_remote_frame": Flag.REMOTE in row.flags,
        "is_error_frame": Flag.ERROR in row.flags,
        "is_fd": is_fd,
        "bitrate_switch": Flag.BRS in row.flags,
        "error_state_indicator": Flag.ESI in row.flags,
        "is_rx": Flag.TX not in row.flags,
        "dlc": FD_LENGTHS[row.dlc] if is_fd else row.dlc,
        "data": row.data.hex(),
    }


def by_python_can(line: str, log_format: str) -> dict[str, object] | Exception | None:
    """Return the frame that python-can makes of a line, None for nothing, or what it raises."""
    from can.io.asc import ASCReader
    from can.io.canutils import CanutilsLogReader

    try:
        if log_format == "ASC":
            found = list(ASCReader(StringIO(HEADER + line + "\n")))
        else:
            found = list(CanutilsLogReader(StringIO(line + "\n")))
    except Exception as error:
        return error
    return of_python_can(found[0]) if found else None


def by_us(lines: Sequence[str], log_format: str) -> list[list[dict[str, object]]]:
    """Return the frames that we make of each line, read as one log."""
    marker = _MARKERS[log_format]
    text = b"".join(marker + line.encode() + b"\n" for line in lines)
    match = FORMATS["ASC"].sniff(HEADER.encode()) if log_format == "ASC" else FormatMatch(clock=Clock.RELATIVE)
    assert match is not None
    scanner = Scanner(
        ReadOptions(format=FORMATS[log_format], match=match, wanted=None, as_recorded=True, plain_bytes=len(text) + 1)
    )
    runs = [*scanner.read(FileStream(BytesIO(text))), *scanner.flush()]
    groups: list[list[dict[str, object]]] = []
    for row in (row for run in runs for row in rows_of(run)):
        if row.channel == _MARKED[log_format] and row.can_id == 0:
            groups.append([])
        else:
            groups[-1].append(as_python_can(row, log_format))
    assert len(groups) == len(lines)
    return groups


def unexplained(lines: Sequence[str], log_format: str) -> Iterable[tuple[str, object, object]]:
    """Yield the lines that python-can takes for a frame, that we read otherwise, and that no difference is about."""
    for line, ours in zip(lines, by_us(lines, log_format), strict=True):
        theirs = by_python_can(line, log_format)
        if isinstance(theirs, dict) and ours != [theirs] and not _is_explained(line, theirs, ours, log_format):
            yield line, theirs, ours


def _is_explained(line: str, theirs: dict[str, object], ours: list[dict[str, object]], log_format: str) -> bool:
    about = [entry for entry in DIFFERENCES[log_format] if entry.is_about(line)]
    if not ours:
        return any(entry.may_be_none for entry in about)
    differing = {key for key, value in ours[0].items() if value != theirs[key]}
    return len(ours) == 1 and differing <= frozenset[str]().union(*(entry.fields for entry in about))


def _about(pattern: str, *, ignore_case: bool = False) -> Callable[[str], object]:
    return re.compile(pattern, re.VERBOSE | (re.IGNORECASE if ignore_case else re.NOFLAG)).search


def _has_few_bytes(line: str) -> bool:
    """Whether a row has fewer words that are bytes than its DLC or length says."""
    found = re.search(
        r"\s(?:(?:Rx|Tx)\s+d\s+(\S+)|[01]\s+[01]\s+[0-9A-F]+\s+(\d+))((?:\s+[0-9A-F]{1,2}(?=\s|$))*)",
        line,
        re.IGNORECASE,
    )
    if found is None:
        return False
    wanted = min(int(found[1], 16), 8) if re.fullmatch("[0-9A-Fa-f]+", found[1] or "") else int(found[2] or 0)
    return len(found[3].split()) < wanted


def _disagrees(line: str) -> bool:
    """Whether no place in a CAN FD row has a bit rate switch, an error state, and a DLC and a length that agree."""
    words = line.split()
    for at in range(4, len(words) - 2):
        columns = words[at : at + 4]
        if len(columns) == 4 and columns[0].lstrip("0") in {"", "1"} and columns[1].lstrip("0") in {"", "1"}:
            dlcs = {
                int(columns[2], base)
                for base in (10, 16)
                if re.fullmatch("[0-9A-Fa-f]+", columns[2]) and (base == 16 or columns[2].isdecimal())
            }
            if columns[3].isdecimal() and any(dlc < 16 and int(columns[3]) in {FD_LENGTHS[dlc], 0} for dlc in dlcs):
                return False
    return "CANFD" in line


#: What follows the identifier of a CAN FD row.
_COLUMNS: Final = frozenset({"bitrate_switch", "error_state_indicator", "dlc", "data", "is_remote_frame"})
_NOT_ASCII: Final = r"[^\t\r\x20-\x7E]"

CANDUMP_DIFFERENCES: Final = (
    Difference(
        name="error frame, class bus error",
        line="(1.0) can0 20000088#0000040A00000000",
        theirs="0 extended error Rx [0]",
        ours="88 error Rx [8] 0000040a00000000",
        why="python-can drops channel, class bits and data, which say what was wrong (Linux kernel, can/error.h)",
        fields=frozenset(
            {
                "arbitration_id",
                "channel",
                "is_extended_id",
                "is_fd",
                "is_rx",
                "is_remote_frame",
                "dlc",
                "data",
                "bitrate_switch",
                "error_state_indicator",
            }
        ),
        is_about=_about(r"\s[23][0-9A-F]{7}\#", ignore_case=True),
    ),
    Difference(
        name="error frame, any other class",
        line="(1.0) can0 20000040#0000000000000000",
        theirs="40 extended Rx [8] 0000000000000000",
        ours="40 error Rx [8] 0000000000000000",
        why="bit 0x20000000 makes an error frame, whatever its class (Linux kernel, can.h); python-can makes it data",
        fields=frozenset({"is_error_frame", "is_extended_id"}),
        is_about=_about(r"\s[23][0-9A-F]{7}\#", ignore_case=True),
    ),
    Difference(
        name="identifier of another width",
        line="(1.0) can0 1234#11",
        theirs="1234 extended Rx [1] 11",
        ours="broken",
        why="candump writes 3 digits or 8; with another number of them the line has been damaged",
        may_be_none=True,
        is_about=_about(r"\s(?![0-9A-F]{3}\#|[0-9A-F]{8}\#)[^\s\#]*\#", ignore_case=True),
    ),
    Difference(
        name="three digits above 7FF",
        line="(1.0) can0 FFF#11",
        theirs="FFF Rx [1] 11",
        ours="broken",
        why="there is no such identifier of 11 bits (ISO 11898-1)",
        may_be_none=True,
        is_about=_about(r"\s[89A-F][0-9A-F]{2}\#", ignore_case=True),
    ),
    Difference(
        name="eight digits above 3FFFFFFF",
        line="(1.0) can0 92345678#11",
        theirs="12345678 extended Rx [1] 11",
        ours="broken",
        why="candump leaves the two top flag bits out; python-can masks them away",
        may_be_none=True,
        is_about=_about(r"\s[4-9A-F][0-9A-F]{7}\#", ignore_case=True),
    ),
    Difference(
        name="odd number of digits",
        line="(1.0) can0 123#112",
        theirs="123 Rx [1] 1102",
        ours="broken",
        why="half a byte is missing; python-can makes a byte of it that was never on the bus",
        may_be_none=True,
        is_about=_about(r"\#(?:\#.)?[0-9A-F](?:[0-9A-F]{2})*\s*(?:\s[RT]\s*)?$", ignore_case=True),
    ),
    Difference(
        name="more than 8 bytes",
        line="(1.0) can0 123#112233445566778899",
        theirs="123 Rx [9] 112233445566778899",
        ours="broken",
        why="a classical frame has 8 at most (ISO 11898-1)",
        may_be_none=True,
        is_about=_about(r"\#[0-9A-F]{17,}", ignore_case=True),
    ),
    Difference(
        name="CAN FD length that there is not",
        line="(1.0) can0 123##0112233445566778899",
        theirs="123 FD Rx [9] 112233445566778899",
        ours="broken",
        why="CAN FD has 0 to 8, 12, 16, 20, 24, 32, 48 and 64 bytes (ISO 11898-1)",
        may_be_none=True,
        is_about=_about(
            r"""\#\#.(?!(?:(?:[0-9A-F]{2}){0,8}|[0-9A-F]{24}|[0-9A-F]{32}|[0-9A-F]{40}|[0-9A-F]{48}|[0-9A-F]{64}
                |[0-9A-F]{96}|[0-9A-F]{128})(?:\s|$))""",
            ignore_case=True,
        ),
    ),
    Difference(
        name="remote frame of CAN FD",
        line="(1.0) can0 123##0R",
        theirs="123 remote FD Rx [0]",
        ours="broken",
        why="CAN FD has no remote frames (ISO 11898-1)",
        may_be_none=True,
        is_about=_about(r"\#\#.[Rr]"),
    ),
    Difference(
        name="remote frame with a length of several digits",
        line="(1.0) can0 123#R12",
        theirs="123 remote Rx [12]",
        ours="broken",
        why="the length is one hexadecimal digit, behind 8 perhaps a raw code",
        may_be_none=True,
        fields=frozenset({"dlc"}),  # of R8_9 python-can makes 89
        is_about=_about(r"\#[Rr](?![0-9A-Fa-f]?(?:\s|$))"),
    ),
    Difference(
        name="digits as Python writes them",
        line="(1.0) can0 0x1#+1",
        theirs="1 Rx [1] 01",
        ours="broken",
        why="a sign, 0x or _ is no digit of a log; candump never writes one",
        may_be_none=True,
        is_about=_about(r"\s[^\s\#]*[^0-9A-Fa-f\s\#][^\s\#]*\#|\#(?![Rr])[^\s]*[^0-9A-Fa-f\s\#]"),
    ),
    Difference(
        name="time stamp in another form",
        line="(1e3) can0 123#11",
        theirs="123 Rx [1] 11",
        ours="broken",
        why="seconds from 0 to 4,000,000,000 with at most 9 decimals; python-can takes (nan), (-1) and (1e300) too",
        may_be_none=True,
        is_about=_about(r"^\s*(?!\(0*(?:[0-3]?[0-9]{1,9})(?:[.,][0-9]{0,9})?\)\s)|^\s*\(0[0-9]{10}"),
    ),
    Difference(
        name="no brackets",
        line="<1.0> can0 123#11",
        theirs="123 Rx [1] 11",
        ours="broken",
        why="python-can cuts off whatever stands there, and of a stamp without brackets two of its digits",
        may_be_none=True,
        is_about=_about(r"^\s*(?!\([^()\s]*\)\s)"),
    ),
    Difference(
        name="channel of more than 31 characters",
        line=f"(1.0) {'can' * 11} 123#11",
        theirs="123 Rx [1] 11",
        ours="broken",
        why="no interface has such a name (Linux: at most 15); without a bound memory would be the log's to take",
        may_be_none=True,
        is_about=_about(r"^\s*\S+\s+\S{32,}\s"),
    ),
    Difference(
        name="characters that are none of a log",
        line="(1.0)\x0bcan0 123#11",
        theirs="123 Rx [1] 11",
        ours="broken",
        why="blanks are space and tab; a zero byte is what a power cut leaves; a form feed has no place in a line",
        may_be_none=True,
        fields=frozenset({"channel"}),
        is_about=_about(_NOT_ASCII),
    ),
)

ASC_DIFFERENCES: Final = (
    Difference(
        name="error frame",
        line="1.0 1 ErrorFrame",
        theirs="0 extended error Rx [0]",
        ours="80 error Rx [0]",
        why="the same frame: buslens gives the class that the row is sure of, bus error (Linux kernel, can/error.h)",
        fields=frozenset({"arbitration_id", "is_extended_id", "is_fd"}),
        is_about=_about(r"\sErrorFrame", ignore_case=True),
    ),
    Difference(
        name="DLC above 8",
        line="1.0 1 C8 Rx d f 01 02 03 04 05 06 07 08",
        theirs="C8 Rx [64] 0102030405060708",
        ours="C8 Rx [15] 0102030405060708",
        why="a classical DLC of 9 to 15 stands for 8 bytes (ISO 11898-1); python-can looks it up in the CAN FD table",
        fields=frozenset({"dlc"}),
        is_about=_about(r"\s(?:Rx|Tx)\s+d\s+(?:0*[9A-F]|0*1[0-9A-F]+)(?:\s|$)", ignore_case=True),
    ),
    Difference(
        name="fewer bytes than the DLC says",
        line="1.0 1 C8 Rx d 8 01 02",
        theirs="C8 Rx [8] 0102",
        ours="broken",
        why="a row cut short is no frame of 2 bytes",
        may_be_none=True,
        is_about=_has_few_bytes,
    ),
    Difference(
        name="DLC that there is not",
        line="1.0 1 C8 Rx d 20 01",
        theirs="C8 Rx [64] 01",
        ours="broken",
        why="a DLC has four bits (ISO 11898-1)",
        may_be_none=True,
        is_about=_about(r"\s(?:Rx|Tx)\s+\S+\s+(?!0*[0-9A-F](?:\s|$))\S+", ignore_case=True),
    ),
    Difference(
        name="request to send",
        line="1.0 1 C8 TxRq d 1 01",
        theirs="C8 [1] 01",
        ours="nothing",
        why="the same frame comes again as Tx when it has been sent, and each sample would count twice",
        may_be_none=True,
        is_about=_about(r"\sTxRq\s", ignore_case=True),
    ),
    Difference(
        name="empty CAN FD frame",
        line="1.0 CANFD 1 Rx 4EE 1 0 0 0 130000 130",
        theirs="4EE remote FD BRS Rx [0]",
        ours="4EE FD BRS Rx [0]",
        why="CAN FD has no remote frames (ISO 11898-1)",
        fields=frozenset({"is_remote_frame"}),
        is_about=_about(r"CANFD(?:\s+\S+){3,5}\s+0*[01]\s+0+\s+0+(?:\s|$)"),
    ),
    Difference(
        name="classical remote frame in a CAN FD row",
        line="1.0 CANFD 1 Rx 4EE 0 0 8 0 130000 130",
        theirs="4EE remote FD Rx [8]",
        ours="4EE remote Rx [8]",
        why="a length of 0 with a DLC above 0 can only be a classical request; CAN FD has none",
        fields=frozenset({"is_fd", "bitrate_switch", "error_state_indicator"}),
        is_about=_about(r"CANFD(?:\s+\S+){3,4}\s+0*[01]\s+0*[01]\s+\S+\s+0+\s"),
    ),
    Difference(
        name="DLC and length of a CAN FD row disagree",
        line="1.0 CANFD 1 Rx 4EE 0 0 9 9 01 02 03 04 05 06 07 08 09",
        theirs="4EE FD Rx [9] 010203040506070809",
        ours="broken",
        why="one of the two is damaged; no CAN FD frame has 9 bytes (ISO 11898-1)",
        may_be_none=True,
        is_about=_disagrees,
    ),
    Difference(
        name="symbolic name of digits",
        line="1.0 CANFD 1 Rx 4EE 7 1 0 2 2 01 02 0",
        theirs="4EE FD ESI Rx [2] 0201",
        ours="4EE FD BRS Rx [2] 0102",
        why="a name may be made of digits; the four columns behind it are those that agree",
        fields=_COLUMNS,
        is_about=_about(r"CANFD\s+\S+\s+\S+\s+\S+\s+[0-9]+\s+[0-9]+\s+\S+\s+\S+\s+\S"),
    ),
    Difference(
        name="two names in a CAN FD row",
        line="1.0 CANFD 1 Rx 4EE e r 0 1 5 5 01 02 03 04 05",
        theirs="4EE FD Rx [5] 0501020304",
        ours="4EE FD ESI Rx [5] 0102030405",
        why="some recorders name the message and the unit; the four columns behind the names are those that agree",
        fields=_COLUMNS,
        is_about=_about(
            r"CANFD\s+\S+\s+(?:Rx|Tx)\s+\S+\s+\S+\s+\S+\s+0*[01]\s+0*[01]\s+\S+\s+\d+(?:\s|$)", ignore_case=True
        ),
    ),
    Difference(
        name="bit rate switch or error state with a leading zero",
        line="1.0 CANFD 1 Rx 4EE 01 0 1 1 0A",
        theirs="4EE FD Rx [1] 0a",
        ours="4EE FD BRS Rx [1] 0a",
        why="01 is 1; python-can compares the text",
        fields=frozenset({"bitrate_switch", "error_state_indicator"}),
        is_about=_about(r"CANFD.*\s0+1\s"),
    ),
    Difference(
        name="11-bit identifier above 7FF",
        line="1.0 1 800 Rx d 1 01",
        theirs="800 Rx [1] 01",
        ours="broken",
        why="one of 29 bits ends in x; there is no such identifier of 11 bits (ISO 11898-1)",
        may_be_none=True,
        is_about=_about(
            r"\s0*(?:[89A-F][0-9A-F]{2}|[1-9A-F][0-9A-F]{3,})\s+(?:Rx|Tx|\S+\s+[01]\s|[01]\s)", ignore_case=True
        ),
    ),
    Difference(
        name="29-bit identifier above 1FFFFFFF",
        line="1.0 1 20000000x Rx d 1 01",
        theirs="20000000 extended Rx [1] 01",
        ours="broken",
        why="there is no such identifier of 29 bits (ISO 11898-1)",
        may_be_none=True,
        is_about=_about(r"\s0*(?:[2-9A-F][0-9A-F]{7}|[1-9A-F][0-9A-F]{8,})x\s", ignore_case=True),
    ),
    Difference(
        name="digits as Python writes them",
        line="1.0 1 0x1 Rx d 1 +1",
        theirs="1 Rx [1] 01",
        ours="broken",
        why="a sign, 0x or _ is no digit of a log",
        may_be_none=True,
        is_about=_about(r"\s(?:[+-]|0x|[0-9A-F]+_)[0-9A-F]", ignore_case=True),
    ),
    Difference(
        name="byte of three digits",
        line="1.0 1 C8 Rx d 1 001",
        theirs="C8 Rx [1] 01",
        ours="broken",
        why="a byte has two hexadecimal digits; two numbers may have run together",
        may_be_none=True,
        is_about=_about(r"\s[0-9A-F]{3,}(?:\s|$)", ignore_case=True),
    ),
    Difference(
        name="kind that is neither d nor r",
        line="1.0 1 C8 Rx q 1 01",
        theirs="C8 Rx [1] 01",
        ours="broken",
        why="d or r stands there; anything else is damage",
        may_be_none=True,
        is_about=_about(r"\s(?:Rx|Tx)\s+(?![dr]\s|[dr]$)\S", ignore_case=True),
    ),
    Difference(
        name="direction with something behind it",
        line="1.0 1 C8 Rx1 d 1 01",
        theirs="C8 [1] 01",
        ours="broken",
        why="python-can takes every word that begins like a direction, and all but Rx for Tx",
        may_be_none=True,
        is_about=_about(r"\s(?:Rx|Tx)[^\s]", ignore_case=True),
    ),
    Difference(
        name="direction in another case",
        line="1.0 1 C8 RX d 1 01",
        theirs="C8 [1] 01",
        ours="C8 Rx [1] 01",
        why="python-can takes all but Rx, written so, for Tx",
        fields=frozenset({"is_rx"}),
        is_about=_about(r"\s(?:rx|RX|rX)\s"),
    ),
    Difference(
        name="no direction in a CAN FD row",
        line="1.0 CANFD 1 on 4EE 0 0 1 1 01",
        theirs="4EE FD [1] 01",
        ours="nothing",
        why="without Rx or Tx it is another kind of row; python-can takes anything for Tx",
        may_be_none=True,
        is_about=_about(r"CANFD\s+\S+\s+(?!(?:Rx|Tx)\s)", ignore_case=True),
    ),
    Difference(
        name="remote frame with letters in its DLC",
        line="1.0 1 C8 Rx r a",
        theirs="C8 remote Rx [0]",
        ours="C8 remote Rx [10]",
        why="in base hex the DLC is a hexadecimal digit; python-can drops it",
        fields=frozenset({"dlc"}),
        is_about=_about(r"\s(?:Rx|Tx)\s+r\s+\S*[a-f]", ignore_case=True),
    ),
    Difference(
        name="remote frame with a DLC that there is not",
        line="1.0 1 C8 Rx r 25",
        theirs="C8 remote Rx [37]",
        ours="C8 remote Rx [0]",
        why="a DLC has four bits (ISO 11898-1); a request needs none to be one",
        fields=frozenset({"dlc"}),
        is_about=_about(r"\s(?:Rx|Tx)\s+r\s+(?!0*[0-9](?:\s|$))[0-9]", ignore_case=True),
    ),
    Difference(
        name="channel above 65535",
        line="1.0 70000 C8 Rx d 1 01",
        theirs="C8 Rx [1] 01",
        ours="nothing",
        why="no recorder has so many; a number of another kind of row stands there",
        may_be_none=True,
        is_about=_about(r"^\s*\S+\s+(?:CANFD\s+)?0*[0-9]{5,}\s"),
    ),
    Difference(
        name="time stamp in another form",
        line="1.0000000001 1 C8 Rx d 1 01",
        theirs="C8 Rx [1] 01",
        ours="broken",
        why="at most 9 decimals, and before the year 2096: nanoseconds in whole numbers",
        may_be_none=True,
        is_about=_about(r"^\s*(?!0*[0-3]?[0-9]{1,9}\.[0-9]{1,9}\s)|^\s*[0-9]{11}"),
    ),
    Difference(
        name="characters that are none of a log",
        line="1.0\x0b1 C8 Rx d 1 01",
        theirs="C8 Rx [1] 01",
        ours="broken",
        why="blanks are space and tab; a zero byte is what a power cut leaves; a form feed has no place in a line",
        may_be_none=True,
        fields=_COLUMNS | {"is_fd"},  # in a name they move all columns, so that a length of 0 may come of it
        is_about=_about(_NOT_ASCII),
    ),
)
DIFFERENCES: Final = {"candump": CANDUMP_DIFFERENCES, "ASC": ASC_DIFFERENCES}
