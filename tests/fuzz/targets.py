"""What is fuzzed: each target takes bytes, and raises if a promise about them is broken.

    candump, asc, screen   the readers of log formats, all engines against each other
    table                  rows of frames, worked out from what stands in them
    gunzip                 a gzip stream with damage, against zlib one byte at a time
    foreign                recordings that python-can reads: the first byte says which suffix they have
    judged                 bytes as frames of the demonstration's messages, judged and reported in every form
    dbc                    definitions, what is kept of them between two starts, and decoding by them
    statements             the same; the bytes say which statements of a DBC follow each other, about what
    entry                  a kept entry of definitions that is damaged
    expectations           an expectations file, and what comes of judging by it
    condition              one condition: read, printed and read again, evaluated
    causes                 a causes file, and a diagnosis by it
    census                 bytes as frames, counted by the plain and by the compiled kernel
    marks, session, reading, ledger, groups, vehicles, naming
                           the other files and words that a user hands over

A target lets errors of the user's through; `attempt` takes them for what they are.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import tempfile
import zlib
from functools import cache
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from fuzz.dbc_grammar import written
from fuzz.readings import assert_same_everywhere, assert_sound, read, units
from support.conditions import parse_condition
from support.logs import Row, rows_of
from support.rehearsed import FOLDER, definitions, expectations, judge_frames
from support.stage import select
from support.unparse import condition_text, trigger_text

from buslens.capture.frames import Clock, Flag, Frames, ReadStats
from buslens.capture.log_format import FormatMatch
from buslens.capture.open import open_capture
from buslens.capture.read import read_frames
from buslens.capture.reduce import reduce_frames
from buslens.capture.stream import FileStream, GzipStream
from buslens.causes.diagnosis import diagnose
from buslens.causes.load import load_causes
from buslens.causes.readings import read_reading
from buslens.causes.session import load_session
from buslens.checks.context import EvaluationContext
from buslens.checks.evaluate import evaluate_rules
from buslens.checks.setup import plan_tracks
from buslens.definitions.cache import load_entry, save_entry
from buslens.definitions.dbc import parse_dbc
from buslens.definitions.load import _merge, _namesakes
from buslens.definitions.model import Definitions, ValueType
from buslens.definitions.unpack import carries, labels, physical, raw_values
from buslens.discovery.marks import actions_of, load_marks
from buslens.errors import BuslensError
from buslens.expectations.conditions import parse_trigger
from buslens.expectations.load import parse_expectations
from buslens.expectations.resolve import validate_against
from buslens.fleet.groups import group_of, load_groups
from buslens.fleet.id_traffic import IdTrafficCounter
from buslens.fleet.ledger import LEDGER_NAME, Ledger
from buslens.fleet.listing import FoundCapture
from buslens.fleet.naming import Pattern
from buslens.fleet.vehicle_list import load_vehicle_list
from buslens.rehearsal.rehearse import rehearse
from buslens.report import diagnosis as diagnosis_report
from buslens.report.document import capture_entry, document, dumps
from buslens.report.junit import junit, suite
from buslens.report.text import text as report_text
from buslens.timeline.history import CaptureHistory

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from buslens.checks.findings import Result
    from buslens.errors import SourceLocation
    from buslens.expectations.model import Expectations

MOST_UNPACKED: Final = 1 << 22
"""Bytes of a gzip stream that are looked at."""


def candump(data: bytes) -> None:
    assert_same_everywhere(data, "candump")


def candump_untimed(data: bytes) -> None:
    assert_same_everywhere(data, "candump, without times")


def asc(data: bytes) -> None:
    assert_same_everywhere(data, "ASC")


def screen(data: bytes) -> None:
    assert_same_everywhere(data, "candump, screen form")


def table(data: bytes) -> None:
    """Read whatever is there as rows of frames, if they can be told to be such: every line is in one class."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "rows"
        path.write_bytes(data)
        frames = read_frames(path)
        stats = frames.attrs["tally"]
        assert stats.frames == len(frames)
        assert bool(stats.skipped) is bool(stats.broken)


# --- gzip -------------------------------------------------------------------------------------------------------


def gunzip(data: bytes) -> None:
    """Take a gzip stream as it stands; anything else is packed, and one byte of it damaged."""
    dice = zlib.crc32(data)
    if not data.startswith(b"\x1f\x8b"):
        half = dice % (len(data) + 1)
        packed = bytearray(gzip.compress(data[:half], 1 + dice % 9) + gzip.compress(data[half:], mtime=0))
        if dice & 1:
            packed[dice // 7 % len(packed)] ^= 1 << dice % 8
        if dice & 2:
            del packed[dice // 5 % len(packed) :]
        data = bytes(packed)
    if not data.startswith(b"\x1f\x8b"):
        return  # it would not be taken for one
    unpacked, is_whole = by_zlib(data)
    ours, damage = _gunzipped(data, most=1 + dice % 5000)
    if len(unpacked) < MOST_UNPACKED:
        assert ours == unpacked, f"{len(ours)} bytes unpacked, not {len(unpacked)}"
        assert bool(damage) != is_whole, damage or "the damage goes unsaid"
        stream = GzipStream(FileStream(BytesIO(data)))
        rows, stats, _ = read(stream, "candump", FormatMatch(clock=Clock.RELATIVE))
        assert_sound(rows, stats)
        if is_whole:
            assert stats.frames + stats.other_lines + stats.broken == units(unpacked)
        else:
            assert stats.broken


def by_zlib(packed: bytes) -> tuple[bytes, bool]:
    """Return what zlib unpacks of a stream of members when it is fed one byte at a time, and whether it is whole."""
    data = bytearray()
    unpacker, members = zlib.decompressobj(31), 0
    for place in range(len(packed)):
        byte = packed[place : place + 1]
        if unpacker.eof:
            if byte == b"\0":
                continue
            unpacker, members = zlib.decompressobj(31), members + 1
        try:
            data += unpacker.decompress(byte, MOST_UNPACKED)
            while unpacker.unconsumed_tail and len(data) < MOST_UNPACKED:
                data += unpacker.decompress(unpacker.unconsumed_tail, MOST_UNPACKED)
        except zlib.error:
            return bytes(data), False
        if len(data) >= MOST_UNPACKED:
            break
    return bytes(data), unpacker.eof


def _gunzipped(packed: bytes, most: int) -> tuple[bytes, str]:
    stream = GzipStream(FileStream(BytesIO(packed)))
    view, data = memoryview(bytearray(most)), bytearray()
    while (n := stream.read_into(view)) and len(data) < MOST_UNPACKED:
        assert n <= most
        data += view[:n]
    return bytes(data), stream.damage


# --- recordings of others ---------------------------------------------------------------------------------------

FOREIGN: Final = (".blf", ".trc", ".csv", ".db")


def foreign(data: bytes) -> None:
    with tempfile.TemporaryDirectory(dir=_scratch()) as name:
        path = Path(name) / f"fuzzed{FOREIGN[data[0] % len(FOREIGN) if data else 0]}"
        path.write_bytes(data[1:])
        rows: list[Row] = []
        readings = []
        for wanted in (None, [(0x100, False), (0x18FEF100, True)]):
            rows, stats = reduce_frames(
                open_capture(path),
                wanted=wanted,
                make=list[Row],
                update=lambda rows, frames: rows.extend(rows_of(frames)),
                merge=list.extend,
            )
            readings.append((rows, stats))
        (rows, stats), (chosen, again) = readings
        assert_sound(rows, stats, may_be_silent=True)
        assert again == stats, "what is wanted means something for the account"
        assert chosen == [
            row
            for row in rows
            if Flag.ERROR not in row.flags and (row.can_id, Flag.EXTENDED in row.flags) in set(wanted or ())
        ]


# --- definitions ------------------------------------------------------------------------------------------------


def dbc(data: bytes) -> None:
    messages, problems = parse_dbc(data, "fuzzed.dbc")
    n_lines = data.count(b"\n") + data.count(b"\r") + 1
    for problem in problems:
        assert problem.reason
        _assert_place(problem.source, n_lines)
    with tempfile.TemporaryDirectory(dir=_scratch()) as name:
        save_entry(Path(name), "entry.json", messages, problems)
        assert load_entry(Path(name), "entry.json", "fuzzed.dbc") == (messages, problems), "kept otherwise than read"
    merged, notes = _merge(messages)
    defined = Definitions(
        messages=tuple(merged), problems=(*problems, *notes, *_namesakes(merged)), paths=("fuzzed.dbc",)
    )
    for message in defined:
        frames = _random_frames(message.length, zlib.crc32(data))
        for signal in message.signals:
            rows = np.flatnonzero(carries(frames, np.arange(len(frames)), signal, message))
            raw = raw_values(frames, rows, signal)
            assert len(raw) == len(rows)
            if signal.kind is ValueType.UNSIGNED and signal.length < 64:
                assert (raw < 1 << signal.length).all()
            with np.errstate(all="ignore"):
                assert len(physical(raw, signal)) == len(rows)
            labels(raw, signal)


def statements(data: bytes) -> None:
    dbc(written(data))


def entry(data: bytes) -> None:
    with tempfile.TemporaryDirectory(dir=_scratch()) as name:
        folder = Path(name)
        (folder / "entry.json").write_bytes(data)
        load_entry(folder, "entry.json", "fuzzed.dbc")
        (folder / "entry.json").write_bytes(hashlib.sha256(data).hexdigest().encode() + b"\n" + data)
        kept = load_entry(folder, "entry.json", "fuzzed.dbc")
        if kept is not None:
            save_entry(folder, "again.json", *kept)
            assert load_entry(folder, "again.json", "fuzzed.dbc") == kept


def _random_frames(length: int, seed: int) -> Frames:
    dice = np.random.default_rng(seed)
    count, size = 6, max(length, 8)
    lengths = np.array([min(length, 64), min(length, 64), 0, 1, min(length, 64) // 2, 64], np.uint8)[:count]
    per_frame = (size + 7) // 8 + 8
    return Frames(
        time_ns=np.arange(count, dtype=np.int64),
        channel=np.zeros(count, np.uint16),
        can_id=np.zeros(count, np.uint32),
        flags=np.zeros(count, np.uint16),
        dlc=np.zeros(count, np.uint8),
        length=lengths,
        word=np.arange(count, dtype=np.int64) * per_frame,
        words=dice.integers(0, 2**64, count * per_frame, dtype=np.uint64),
        channels=("can0",),
    )


# --- expectations and causes ------------------------------------------------------------------------------------


def expectations_file(data: bytes) -> None:
    try:
        expected = parse_expectations(data, "fuzzed.toml", definitions_needed=False)
        validate_against(expected, definitions())
    except BuslensError as error:
        if error.source is not None:
            _assert_place(error.source, data.count(b"\n") + data.count(b"\r") + 1)
        raise
    _assert_tellable(_judge_canned(expected))


def condition(data: bytes) -> None:
    words = data.decode("utf-8", "replace")
    roles = expectations().roles
    context = _context()
    try:
        asked = parse_condition(words, roles).condition
    except BuslensError:
        moments = parse_trigger(words, roles).moments
        printed = trigger_text(moments, roles)
        assert parse_trigger(printed, roles).moments == moments, f"printed as {printed!r}"
        context.trigger_times(parse_trigger(words, roles))
        return
    printed = condition_text(asked, roles)
    assert parse_condition(printed, roles).condition == asked, f"printed as {printed!r}"
    truth = context.ternary(asked)
    assert (np.diff(truth.at_ns) > 0).all()
    assert (np.diff(truth.value) != 0).all()


def causes_file(data: bytes) -> None:
    with tempfile.TemporaryDirectory(dir=_scratch()) as name:
        path = Path(name) / "fuzzed.causes.toml"
        path.write_bytes(data)
        for base in FOLDER.glob("*.causes.toml"):
            (Path(name) / base.name).write_bytes(base.read_bytes())
        try:
            causes = load_causes(path, expectations())
        except BuslensError as error:
            if error.source is not None and error.source.path == str(path):
                _assert_place(error.source, data.count(b"\n") + data.count(b"\r") + 1)
            raise
        found = diagnose(_canned_results(), causes)
        assert diagnosis_report.text(found)
        json.loads(dumps(diagnosis_report.document(found)))


def reading(data: bytes) -> None:
    read_reading(data.decode("utf-8", "replace"), _club_causes())


def session(data: bytes) -> None:
    with tempfile.TemporaryDirectory(dir=_scratch()) as name:
        path = Path(name) / "fuzzed.json"
        path.write_bytes(data)
        load_session(path).readings(_club_causes())


def marks(data: bytes) -> None:
    with tempfile.TemporaryDirectory(dir=_scratch()) as name:
        path = Path(name) / "marks.txt"
        path.write_bytes(data)
        found = load_marks(str(path))
    assert sum(len(action.times_ns) for action in actions_of(found)) == len(found)


def ledger(data: bytes) -> None:
    """Ask a damaged ledger all that there is; then go on writing to it."""
    with tempfile.TemporaryDirectory(dir=_scratch()) as name:
        (Path(name) / LEDGER_NAME).write_bytes(data)
        with Ledger.reading(Path(name)) as opened, opened.snapshot():
            tables = [row[0] for row in opened.rows("SELECT name FROM sqlite_master WHERE type = 'table'")]
            for table in tables:
                for _ in opened.rows(f"SELECT * FROM {str(table)!r}"):  # noqa: S608  (the tables are our own)
                    pass
            opened.has("content", "ground")
            opened.known_content("a.log", 1, "1")
            opened.meta("setups")
        with Ledger.writing(Path(name)) as opened:
            opened.put_anomalies([])


def groups(data: bytes) -> None:
    with tempfile.TemporaryDirectory(dir=_scratch()) as name:
        path = Path(name) / "fleet.toml"
        path.write_bytes(data)
        for beside in ("steering_lock.toml", "pinewick.dbc"):
            (Path(name) / beside).touch()
        try:
            found = load_groups(str(path))
        except BuslensError as error:
            if error.source is not None:
                _assert_place(error.source, data.count(b"\n") + data.count(b"\r") + 1)
            raise
        group_of("car01", found)


def vehicles(data: bytes) -> None:
    with tempfile.TemporaryDirectory(dir=_scratch()) as name:
        path = Path(name) / "vehicles.csv"
        path.write_bytes(data)
        found = load_vehicle_list(str(path))
        found.find(FoundCapture(f"{name}/car01/a.log", "car01/a.log", 1, "1"))


def naming(data: bytes) -> None:
    """Take the first line for a form of paths, the others for paths."""
    form, *paths = data.decode("utf-8", "replace").split("\n")[:20]
    pattern = Pattern(form)
    for path in paths:
        found = pattern.match(path)
        assert found is None or found.vehicle


def census(data: bytes) -> None:
    count = len(data) // 4
    table = np.frombuffer(data[: 4 * count], np.uint8).reshape(count, 4).astype(np.int64)
    frames = _counted_frames(table)
    runs = []
    for is_plain in (True, False):
        counting = IdTrafficCounter(is_plain=is_plain)
        for start in range(0, count, 50):
            counting.add(select(frames, np.arange(start, min(start + 50, count))))
        runs.append(counting.rows())
    assert runs[0] == runs[1], "counted otherwise when compiled"
    assert sum(row.frames for row in runs[0]) == int((frames.flags & int(Flag.REMOTE | Flag.ERROR) == 0).sum())


def _counted_frames(table: NDArray[np.int64]) -> Frames:
    count = len(table)
    extended = table[:, 1] & 1
    return Frames(
        time_ns=np.cumsum(table[:, 0] << 20),
        channel=(table[:, 3] >> 7).astype(np.uint16),
        can_id=(table[:, 2] << np.where(extended, 21, 3) | table[:, 3] & 7).astype(np.uint32),
        flags=(table[:, 1] & int(Flag.EXTENDED | Flag.REMOTE | Flag.ERROR)).astype(np.uint16),
        dlc=np.zeros(count, np.uint8),
        length=np.zeros(count, np.uint8),
        word=np.zeros(count, np.int64),
        words=np.zeros(1, np.uint64),
        channels=("can0", "can1"),
    )


# --- judging ----------------------------------------------------------------------------------------------------


def judged(data: bytes) -> None:
    """Take every six bytes as a frame: a step of time, one of the messages, the bytes that carry its signals."""
    messages = sorted(definitions(), key=lambda message: message.can_id)
    count = len(data) // 6
    table = np.frombuffer(data[: 6 * count], np.uint8).reshape(count, 6).astype(np.int64)
    if not count:
        return
    # Up to 2.5 ms, 0.26 s or 5 s on, or back far enough for a clock discontinuity.
    unit = np.array([10_000, 1_000_000, 20_000_000, -1_000_000])[table[:, 1] >> 6]
    steps = table[:, 0] * unit - np.where(unit < 0, 11_000_000, 0)
    which = table[:, 1] % len(messages)
    payload = table[:, 2] | table[:, 3] << 8 | table[:, 4] << 16 | table[:, 5] << 24
    length = np.where(table[:, 1] & 0x20, table[:, 2] % 9, 8)
    frames = Frames(
        time_ns=1_700_000_000_000_000_000 + np.cumsum(steps),
        channel=np.zeros(count, np.uint16),
        can_id=np.array([message.can_id for message in messages], np.uint32)[which],
        flags=np.array([Flag.EXTENDED if message.is_extended else 0 for message in messages], np.uint16)[which],
        dlc=length.astype(np.uint8),
        length=length.astype(np.uint8),
        word=np.arange(count, dtype=np.int64),
        words=payload.astype(np.uint64),
        channels=("can0",),
    )
    _assert_tellable(judge_frames(frames))


def _assert_tellable(result: Result) -> None:
    assert report_text(result)
    json.loads(dumps(document([capture_entry(result)])))
    assert junit([suite(result)])


def _assert_place(source: SourceLocation, n_lines: int) -> None:
    assert source.line is None or 1 <= source.line <= n_lines, f"line {source.line} of {n_lines}"
    assert source.column is None or source.column >= 1


@cache
def _canned_frames() -> tuple[Frames, ...]:
    return tuple(rehearse(fault, seed=5, background_ids=0).frames for fault in ("slow-motor", "clock-jump"))


@cache
def _canned_results() -> tuple[Result, ...]:
    return tuple(judge_frames(frames) for frames in _canned_frames())


def _judge_canned(expected: Expectations) -> Result:
    frames = _canned_frames()[0]
    recorder = CaptureHistory(plan_tracks(expected, definitions()))
    recorder.add(frames)
    recorder.finish()
    first, last = int(frames.time_ns[0]), int(frames.time_ns[-1])
    stats = ReadStats(clock=Clock.WALL, frames=len(frames), first_ns=first, last_ns=last, channels=frames.channels)
    return evaluate_rules("fuzzed.log", expected, recorder, stats)


def _context() -> EvaluationContext:
    result = _canned_results()[0]
    return EvaluationContext(
        timelines=result.timelines,
        presences={},
        first_ns=result.stats.first_ns or 0,
        end_ns=result.stats.last_ns or 0,
        discontinuities_ns=tuple(discontinuity.time_ns for discontinuity in result.stats.discontinuities),
    )


@cache
def _club_causes() -> Any:
    return load_causes(FOLDER / "steering_lock.causes.toml", expectations())


@cache
def _scratch() -> str | None:
    memory = Path("/dev/shm")  # noqa: S108  (a place for files that need no disk, where there is one)
    return str(memory) if memory.is_dir() else None


TARGETS: Final[dict[str, Callable[[bytes], None]]] = {
    "candump": candump,
    "candump_untimed": candump_untimed,
    "asc": asc,
    "screen": screen,
    "table": table,
    "gunzip": gunzip,
    "foreign": foreign,
    "judged": judged,
    "dbc": dbc,
    "statements": statements,
    "entry": entry,
    "expectations": expectations_file,
    "condition": condition,
    "causes": causes_file,
    "reading": reading,
    "session": session,
    "marks": marks,
    "ledger": ledger,
    "groups": groups,
    "vehicles": vehicles,
    "naming": naming,
    "census": census,
}


def attempt(name: str, data: bytes) -> None:
    """Run one target; what a user can put right is no failure."""
    refusal = "none"
    try:
        TARGETS[name](data)
    except (BuslensError, OSError) as error:
        refusal = str(error)
    assert refusal
