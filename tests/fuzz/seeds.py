"""What fuzzing starts from: samples of the project, cut to a size that mutates well, and lines for rare branches."""

from __future__ import annotations

import gzip
import random
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

ROOT: Final = Path(__file__).parents[2]
_LOGS: Final = ROOT / "sample_logs"
_DEFINITIONS: Final = ROOT / "signal_defs"

CANDUMP_LINES: Final = (
    b"(1700000000.000072) can0 202#E8B7000000000000",
    b"(1700000000.000072123) can1 1F334455#1122 R",
    b"(0.002500) vcan0 123##35A7B9CDE",
    b"(1700000000.000000) can0 202#R8_B T",
    b"(1700000000.000000) can0 202#0102030405060708_F t",
    b"(1700000000.000000) can0 20000204#0008000000000060",
    b"(1700000000) can0 7FF#r",
    b"(1700000000.) can0 00000101##0" + b"A5" * 64,
    b"# remark",
    b"(1700000000.000001) a-rather-long-name 1FFFFFFF#\r",
    b"\0\0\0(1699999999.999999) can0 101#00",
    b"(1699999990.0) can0 101#11",
)
ASC_LINES: Final = (
    b"date Sat Sep 30 15:06:13.191 2017",
    b"base hex  timestamps absolute",
    b"internal events logged",
    b"Begin Triggerblock Sam Sep 30 03:06:13.191 pm 2017",
    b"   0.000000 Start of measurement",
    b"   0.015991 1  6F9             Rx   d 8 05 0C 00 00 00 00 00 00  Length = 240015 BitCount = 124",
    b"   0.018512 2  18EBFF00x       Tx   r 8",
    b"   0.020114 1  ErrorFrame",
    b"   0.024771 CANFD   1 Rx        5  ColumnState  1 0 8  8 01 02 03 04 05 06 07 08",
    b"   0.024771 CANFD   1 Tx   18EBFF00x  1 1 9 12 01 02 03 04 05 06 07 08 09 0A 0B 0C",
    b"   0.025 1  Statistic: D 1 R 0 XD 0",
    b"-0.5 1 C8 TxRq d 1 01",
    b"0,5 1 C8 Rx d 1 01",
    b"End TriggerBlock",
    b"// remark",
    b"base dec timestamps relative",
    b"0.1 1 200 Rx d 2 255 1",
    b"Begin Triggerblock Sat Sep 30 16:06:13 2017",
)
SCREEN_LINES: Final = (
    b"  can0  202   [8]  E8 B7 00 00 00 00 00 00",
    b" (1436509052.249713)  can0  1F334455   [2]  11 22   '.\"'",
    b" (000.000123)  can0  RX - -  202   [8]  remote request",
    b" (2026-11-25 13:05:01.123456)  can0  20000004   [8]  00 08 00 00 00 00 60 00   ERRORFRAME",
    b"\tcontroller-problem{tx-error-warning}",
    b" (000.000200)  can0  TX B E  123  [12]  01 02 03 04 05 06 07 08 09 0A 0B 0C",
    b" (000.000300)  can0  7FF  {F}  01 02 03 04 05 06 07 08",
    b"DROPCOUNT: dropped 3 CAN frames on 'can0' socket (total drops 3)",
)
CONDITIONS: Final = (
    b"door_open is open",
    b"ignition is not on for 50 ms and (supply_voltage < 9.5 V or data_feedback is unknown)",
    b"not (supply_voltage between 9 V and 16 V) or unlock_feedback is known",
    b"unlock_feedback becomes locked and ignition is off or lock_enable becomes on",
    b"supply_voltage >= 950 cV",
)
MARKS: Final = (
    b"# driver's door, four times\n12.3  driver door opens\n14.0  driver door closes\n20,5 s  driver door opens\n",
)
READINGS: Final = (b"supply_at_lock=11.9V", b"load_fuse=blown", b"supply_at_lock = 950 mV")
SESSION: Final = (
    b"""{"kind": "buslens diagnosis", "version": 1, "captures": ["a.log"], "measured":
        [{"name": "supply_at_lock", "reading": "11.9V", "result": "good"}]}""",
)
GROUPS: Final = (
    b"""format = 1
[[groups]]
name = "estates"
vehicles = ["car0*", "car[12]?"]
expectations = "steering_lock.toml"
definitions = ["pinewick.dbc"]
channels = { "1" = "can0" }
""",
)
VEHICLES: Final = (
    b'path,vehicle,date\ncar01/a.log,car01,2026-03-14T07:30:00\n"a, b.log",car02,\n*/c?.log,car03,2026-03-14\n',
    b"vehicle;path\ncar01;car01/*.log\n",
    b"\xef\xbb\xbfpath\tdate\tvehicle\ncar01/a.log\t2026-03-14\tcar 7\n",
)
NAMINGS: Final = (
    b"{vehicle}/{date}_*.log\nlogs/car 7/2026-03-14_cold.log\ncar01/20260314T073000_x.log",
    b"{vehicle}_{date:%d.%m.%Y}-{time}.asc\ncar01_14.03.2026-07.30.asc\ncar02_31.02.2026-25.00.asc",
    b"{{{vehicle}}}?{date}*\n{car}-2026-03-14.log",
)
DBC_LINES: Final = (
    b"""VERSION ""
BU_: A B
BO_ 3221225472 VECTOR__INDEPENDENT_SIG_MSG: 0 Vector__XXX
 SG_ orphan : 0|8@1+ (1,0) [0|0] "" Vector__XXX
BO_ 2566834709 M: 8 A
 SG_ sel M : 0|4@1+ (1,0) [0|15] "" B
 SG_ x m0M : 7|16@0- (0.5,-1) [0|0] "V" B
 SG_ y m1 : 32|32@1- (1,0) [0|0] "" B
SG_MUL_VAL_ 2566834709 y x 1-3, 5-5;
SIG_VALTYPE_ 2566834709 y : 1;
CM_ SG_ 2566834709 sel "says; so";
VAL_ 2566834709 sel 0 "off" 1 "on" ;
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;
BA_DEF_DEF_ "GenMsgCycleTime" 0;
BA_ "GenMsgCycleTime" BO_ 2566834709 100;
VAL_TABLE_ onoff 0 "off" 1 "on";
BO_TX_BU_ 2566834709 : A,B;
SIG_GROUP_ 2566834709 g 1 : sel x;
""",
    b"""BO_ 1 A: 8 X
 SG_ s : 0|65@1+ (1,0) [0|1] "" X
 SG_ s : 60|8@1+ (1e400,0) [0|1] "" X
BO_ 1 B: 8 X
VAL_ 9 q 0 "a";
""",
)
TOKENS: Final = {
    "candump": (
        "##",
        "#R",
        "_9",
        "#R8_F",
        " R\n",
        " T\n",
        "\r\n",
        "\x00",
        "(1700000000.",
        "00000",
        "20000080",
        "1FFFFFFF",
    ),
    "asc": (
        "date ",
        "base hex",
        "base dec",
        "timestamps relative",
        "Begin Triggerblock ",
        "End TriggerBlock",
        "CANFD",
        " Rx ",
        " Tx ",
        " TxRq ",
        " d ",
        " r ",
        "ErrorFrame",
        "// ",
        "x ",
        " 15 ",
        "\r\n",
        "\x00",
        "am",
        "pm",
        "Dez",
        "-0.",
    ),
    "screen": (
        "[8]",
        "[08]",
        "[64]",
        "{9}",
        "RX - -",
        "TX B E",
        "remote request",
        "ERRORFRAME",
        "'",
        "(000.",
        "\t",
        "\x00",
    ),
    "dbc": (
        "BO_ ",
        " SG_ ",
        "VAL_ ",
        "VAL_TABLE_ ",
        "SIG_VALTYPE_ ",
        "SG_MUL_VAL_ ",
        "CM_ ",
        "BA_ ",
        "BA_DEF_ ",
        "BU_: ",
        "BA_DEF_DEF_ ",
        "EV_ ",
        "m0M",
        " M :",
        "@1+",
        "@0-",
        "|64",
        '"";',
        "2147483648",
        "1e400",
        "ENUM",
        "BA_REL_ ",
    ),
    "expectations": (
        "[roles.",
        "[[rules]]",
        "kind = ",
        '"sequence"',
        '"pulse"',
        '"never"',
        '"agree"',
        '"alive"',
        '"range"',
        '"precedes"',
        "steps = [",
        "within = ",
        "after = ",
        "await = ",
        "given = ",
        "abandon = ",
        "tries = ",
        "least = ",
        "longer_than",
        "settle",
        "timeout",
        "lag = ",
        'sent = "on change"',
        '"""',
        "'''",
        "\\u00e9",
        "inf",
        "nan",
        "1979-05-27",
    ),
    "condition": (
        " is ",
        " not ",
        " becomes ",
        " between ",
        " and ",
        " or ",
        " for ",
        " unknown",
        " known",
        " ms",
        "<=",
        "(",
        "door_open",
        "ignition",
        "lock_enable",
        "unlock_feedback",
        "data_feedback",
        "supply_voltage",
        "locked",
        " V",
        "≤",
        "µs",
    ),
    "causes": (
        "[causes.",
        "[signs.",
        "[measurements.",
        "[numbers]",
        "base = ",
        "without = ",
        "usual = [",
        "cannot = [",
        "weight = ",
        "readings = ",
        "findings = [",
        "seen = ",
        "while = ",
        "times = ",
        "results",
        "minutes",
        "below",
        "least",
    ),
    "groups": (
        "[[groups]]",
        "name = ",
        "vehicles = [",
        "expectations = ",
        "definitions = [",
        "channels = {",
        "format = ",
    ),
    "vehicles": ("path", "vehicle", "date", '"', ";", "\t", "2026-03-14", "*.log", "[a-", "\r\n"),
    "naming": (
        "{vehicle}",
        "{date}",
        "{time}",
        "{date:%",
        "%Y",
        "%j",
        "%d.%m.%y",
        "{{",
        "}}",
        "*",
        "?",
        "2026-03-14",
        "/",
    ),
    "session": (
        '"captures"',
        '"measured"',
        '"reading"',
        '"version"',
        "\\ud800",
        "null",
        "[[",
        "1e999",
        "NaN",
    ),
}
"""Words that a mutation may put in, by target."""


def seeds(target: str) -> Iterator[bytes]:
    """Yield the inputs that a target starts from."""
    yield from _SEEDS[target]()


def _candump_untimed() -> Iterator[bytes]:
    yield from (seed.replace(b"(1700000000.000072) ", b"") for seed in _candump())


def _candump() -> Iterator[bytes]:
    yield from (line + b"\n" for line in CANDUMP_LINES)
    yield b"\n".join(CANDUMP_LINES)
    yield from _heads("*.log", 900)


def _asc() -> Iterator[bytes]:
    yield b"\n".join(ASC_LINES)
    yield from (b"base hex timestamps absolute\n" + line + b"\n" for line in ASC_LINES)
    yield from _heads("*.asc", 900)


def _screen() -> Iterator[bytes]:
    yield b"\n".join(SCREEN_LINES)
    yield from (line + b"\n" for line in SCREEN_LINES)


def _table() -> Iterator[bytes]:
    rows = [(k // 3, (0x2CF, 0x1A0, 0x3E9)[k % 3], bytes((k & 255, 0, 0xFF, 7))) for k in range(60)]
    yield b"Time (ms);ID;DLC;Data\n" + b"".join(b"%d;%X;4;%s\n" % (10 * t, i, d.hex().encode()) for t, i, d in rows)
    yield b"".join(b"%d.%06d,0x%X,4,%s,,,,\n" % (t, k, i, d.hex(",").encode()) for k, (t, i, d) in enumerate(rows))
    yield b"".join(b"[%d us] ID: %03X DLC: 4 Data: %s\r\n" % (10_000 * t, i, d.hex(" ").encode()) for t, i, d in rows)


def _packed() -> Iterator[bytes]:
    yield b"\n".join(CANDUMP_LINES)
    yield from (gzip.compress(head, mtime=0) for head in _heads("*.log", 400))
    yield gzip.compress(b"", mtime=0) + gzip.compress(b"(1.0) can0 1#\n" * 3, 0, mtime=0) + b"\0" * 9
    yield gzip.compress(b"\n" * 100_000, mtime=0)


def _frames() -> Iterator[bytes]:
    yield from (bytes(range(k, k + 240)) for k in range(0, 16, 3))
    yield b"\x40\x02\x11\x00\x00\x00" * 60


def _dbc() -> Iterator[bytes]:
    yield from DBC_LINES
    whole = (_DEFINITIONS / "pinewick.dbc").read_bytes()
    yield from (whole[:1500], whole)


def _foreign() -> Iterator[bytes]:
    """Yield some frames as python-can writes them in each format."""
    import can
    from fuzz.targets import FOREIGN

    frames = [
        can.Message(timestamp=1_700_000_000.25, arbitration_id=0x100, data=b"\1\2", is_extended_id=False, channel=0),
        can.Message(timestamp=1_700_000_000.5, arbitration_id=0x18FEF100, data=bytes(8), channel=1),
        can.Message(
            timestamp=1_700_000_000.75, arbitration_id=0x7FF, is_extended_id=False, is_remote_frame=True, dlc=3
        ),
        can.Message(timestamp=1_700_000_001.0, is_error_frame=True),
        can.Message(timestamp=1_700_000_001.25, arbitration_id=1, data=bytes(64), is_fd=True, bitrate_switch=True),
    ]
    with tempfile.TemporaryDirectory() as name:
        for number, suffix in enumerate(FOREIGN):
            for some in (frames, frames[:2]):
                path = Path(name) / f"{number}{len(some)}{suffix}"
                with can.Logger(path) as logger:
                    for frame in some if suffix != ".trc" else frames[:2]:
                        logger.on_message_received(frame)
                yield bytes([number]) + _bytes_of(path)


def _choices() -> Iterator[bytes]:
    dice = random.Random(5)
    yield from (dice.randbytes(size) for size in (20, 60, 200, 400))
    yield from (b"\0\0" + dice.randbytes(200) for _ in range(4))


def _expectations() -> Iterator[bytes]:
    yield (_DEFINITIONS / "steering_lock.toml").read_bytes()
    yield b'format = 1\n[roles.door]\nsignal = "BODY_DOORS.DRIVER_DOOR"\nstates = { open = "open", closed = 0 }\n'
    yield from (b"format = 1\n" + part for part in _rules())


def _causes() -> Iterator[bytes]:
    yield from (path.read_bytes() for path in sorted(_DEFINITIONS.glob("*.causes.toml")))
    yield b'base = "steering_lock.causes.toml"\nwithout = ["load_fuse"]\n[causes.odd]\ntitle = "x"\n'


def _heads(pattern: str, size: int) -> Iterator[bytes]:
    for path in sorted(_LOGS.glob(pattern)):
        yield path.read_bytes()[:size]


def _rules() -> Iterator[bytes]:
    """Yield the roles of the club with one of its rules each."""
    head, *rules = (_DEFINITIONS / "steering_lock.toml").read_bytes().split(b"\n[[rules]]\n")
    roles = head[head.index(b"\n[roles.") :]
    yield from (roles + b"\n[[rules]]\n" + rule for rule in rules)


def _entries() -> Iterator[bytes]:
    from buslens.definitions.cache import save_entry
    from buslens.definitions.dbc import parse_dbc

    with tempfile.TemporaryDirectory() as name:
        for text in DBC_LINES:
            save_entry(Path(name), "entry.json", *parse_dbc(text, "x.dbc"))
            yield (Path(name) / "entry.json").read_bytes().partition(b"\n")[2]


def _ledgers() -> Iterator[bytes]:
    from buslens.checks.findings import Verdict
    from buslens.fleet.ledger import LEDGER_NAME, Ledger
    from buslens.fleet.model import CaptureJob, Group, JobResult

    with tempfile.TemporaryDirectory() as name:
        with Ledger.writing(Path(name)) as ledger:
            yield _bytes_of(Path(name) / LEDGER_NAME)
            group = Group(name="all", vehicles=("*",), expectations="steering_lock.toml")
            for number in range(4):
                job = CaptureJob(
                    address=f"{number}.log", vehicle="car01", recorded_ns=number, group=group, size=9, stamp=f"{number}"
                )
                ledger.put(job, JobResult(content=f"{number:064x}", ground="0" * 64, verdict=Verdict.AS_EXPECTED))
        yield _bytes_of(Path(name) / LEDGER_NAME)


def _bytes_of(path: Path) -> bytes:
    return path.read_bytes()


_SEEDS: Final[dict[str, Callable[[], Iterable[bytes]]]] = {
    "candump": _candump,
    "candump_untimed": _candump_untimed,
    "asc": _asc,
    "screen": _screen,
    "table": _table,
    "gunzip": _packed,
    "foreign": _foreign,
    "judged": _frames,
    "dbc": _dbc,
    "statements": _choices,
    "entry": _entries,
    "expectations": _expectations,
    "condition": lambda: CONDITIONS,
    "causes": _causes,
    "reading": lambda: READINGS,
    "session": lambda: SESSION,
    "marks": lambda: MARKS,
    "ledger": _ledgers,
    "groups": lambda: GROUPS,
    "vehicles": lambda: VEHICLES,
    "naming": lambda: NAMINGS,
    "census": _frames,
}
