"""Definition files from the outside world: every DBC in two packages' archives, and a log with its truth.

Sources: the source archive of cantools (MIT licence) of the installed version, tests/test_command_line.py and
tests/files/dbc; the wheel of opendbc 0.3.1 (MIT licence), opendbc/dbc, with files that practitioners made for real
vehicles. Both are fetched from the package registry when the test runs, and not kept in this repository.
"""

from __future__ import annotations

import random
import re
import subprocess
import sys
import tarfile
import zipfile
from contextlib import suppress
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pytest
from cantools.database import DecodeError, Error
from cantools.database.can import Database
from support.examples import is_thorough
from support.layouts import frame_table, frames_of

from buslens.definitions.dbc import decode_text, parse_dbc
from buslens.definitions.decode import decode
from buslens.definitions.model import Definitions, Message
from buslens.definitions.unpack import carries, physical, raw_values
from buslens.errors import DefinitionError

if TYPE_CHECKING:
    from collections.abc import Callable

    from buslens.definitions.dbc import Parsed

pytestmark = [pytest.mark.external, pytest.mark.slow]

LARGEST = 1_000_000_000 if is_thorough() else 50_000
"""Bytes of the largest file that is looked at: the suite leaves out the 20 largest of 147."""
LARGEST_COMPARED = 400_000
"""Characters of the largest file that is decoded by cantools, too; two are larger, and cost as much as all others."""


@pytest.fixture(scope="module")
def samples(request: pytest.FixtureRequest) -> Path:
    """Return the folder of cantools' sample DBC files."""
    release = f"cantools-{version('cantools')}"
    kept = Path(request.config.cache.mkdir("external"))

    def unpack(folder: Path) -> None:
        with tarfile.open(_fetched(kept, f"{release}.tar.gz", release.replace("-", "=="), "--no-binary")) as content:
            content.extractall(folder, filter="data")

    return _unpacked(kept / release, unpack) / "tests" / "files" / "dbc"


@pytest.fixture(scope="module")
def vehicles(request: pytest.FixtureRequest) -> Path:
    """Return the folder of DBC files that practitioners made."""
    kept = Path(request.config.cache.mkdir("external"))

    def unpack(folder: Path) -> None:
        archive = _fetched(kept, "opendbc-0.3.1-py3-none-any.whl", "opendbc==0.3.1", "--only-binary")
        with zipfile.ZipFile(archive) as content:
            for name in content.namelist():
                if name.endswith(".dbc"):
                    content.extract(name, folder / "opendbc-0.3.1")

    return _unpacked(kept / "opendbc-0.3.1", unpack) / "opendbc" / "dbc"


def _unpacked(folder: Path, unpack: Callable[[Path], None]) -> Path:
    """Return a folder, made whole if there is none, whoever makes the same at the same time."""
    if not folder.exists():
        with TemporaryDirectory(dir=folder.parent) as scratch:
            unpack(Path(scratch))
            with suppress(OSError):  # another process was quicker
                (Path(scratch) / folder.name).rename(folder)
    return folder


def _fetched(kept: Path, name: str, package: str, kind: str) -> Path:
    """Return an archive, fetched if it is not at hand."""
    if not (kept / name).exists():
        # pip asks a source archive for its name; to build an environment for that would take longer than all else here.
        how = ["--no-deps", "--no-build-isolation", kind, ":all:"]
        with TemporaryDirectory(dir=kept) as scratch:
            try:
                subprocess.run(
                    [sys.executable, "-m", "pip", "download", "--quiet", *how, "--dest", scratch, package],
                    check=True,
                    capture_output=True,
                    timeout=60,
                )
            except (OSError, subprocess.SubprocessError) as error:
                pytest.skip(f"the archive of {package} cannot be fetched ({type(error).__name__})")
            (Path(scratch) / name).replace(kept / name)
    return kept / name


class TestReadyLogWithTruth:
    """The log in cantools' command line test has the values that the test prints."""

    def test_socialledge(self, samples: Path) -> None:
        messages = parse_dbc((samples / "socialledge.dbc").read_bytes(), "socialledge.dbc").messages
        frames = frame_table(
            [
                ("vcan0", 0x0C8, bytes.fromhex("F0 00 00 00 00 00 00 00")),
                ("vcan0", 0x1F4, bytes.fromhex("01 02 03 04")),
                ("vcan0", 0x1F3, bytes.fromhex("01 02 03")),
            ]
        )
        table = decode(frames, Definitions(messages=messages))
        shown = table["label"].astype(object).where(table["label"].notna(), table["value"])
        assert dict(zip(table["signal"], shown, strict=True)) == {
            "SENSOR_SONARS_mux": 0,
            "SENSOR_SONARS_err_count": 15,
            "SENSOR_SONARS_left": 0.0,
            "SENSOR_SONARS_middle": 0.0,
            "SENSOR_SONARS_right": 0.0,
            "SENSOR_SONARS_rear": 0.0,
            "IO_DEBUG_test_unsigned": 1,
            "IO_DEBUG_test_enum": "IO_DEBUG_test2_enum_two",
            "IO_DEBUG_test_signed": 3,
            "IO_DEBUG_test_float": 2.0,
        }
        assert table.attrs["unknown_frames"] == 1


class File(NamedTuple):
    """One file of the archives."""

    path: Path
    text: str
    #: None if it is refused.
    parsed: Parsed | None
    #: As cantools reads it when it is not strict; None if it refuses the file.
    reference: Database | None


@pytest.fixture(scope="module")
def files(samples: Path, vehicles: Path) -> list[File]:
    """Return every DBC of the two archives, read by both."""
    found = []
    for folder in (samples, vehicles):
        for path in sorted(folder.iterdir()):
            if path.suffix.lower() == ".dbc" and path.stat().st_size < LARGEST:
                data = path.read_bytes()
                text = decode_text(data)
                reference = _database(text) if len(text) < LARGEST_COMPARED else None
                found.append(File(path, text, _parsed(data, path.name), reference))
    return found


def _parsed(data: bytes, name: str) -> Parsed | None:
    try:
        return parse_dbc(data, name)
    except DefinitionError:
        return None


def _database(text: str, *, strict: bool = False) -> Database | None:
    database = Database(strict=strict)
    try:
        database.add_dbc_string(text)
    except Exception:  # noqa: BLE001, RUF100  (any of many kinds: it refuses the text)
        return None
    return database


class TestEveryFile:
    """A file is refused only if nothing in it can be used, and whatever is used is decoded as cantools decodes it."""

    def test_nearly_all_of_them_load(self, files: list[File]) -> None:
        assert len(files) >= (146 if is_thorough() else 127)
        loaded = [file for file in files if file.parsed is not None]
        assert len(loaded) >= len(files) - 6
        # cantools refuses more: without tolerance there would be nothing to show here.
        assert sum(file.reference is None for file in files if len(file.text) < LARGEST_COMPARED) >= 9

    def test_none_is_refused_that_cantools_takes(self, files: list[File]) -> None:
        assert [file.path.name for file in files if file.parsed is None and file.reference is not None] == []

    def test_only_broken_messages_are_missing(self, files: list[File]) -> None:
        missing = []
        for file in files:
            kept = {(message.can_id, message.is_extended): message for message in (file.parsed or ((), ()))[0]}
            for block in _BLOCK.finditer(file.text):
                database = _database(block[0], strict=True)
                if database is None or not database.messages:
                    continue  # broken by itself
                (message,) = database.messages
                ours = kept.get((message.frame_id, message.is_extended_frame))
                short = {line.split()[1].rstrip(":") for line in block[0].splitlines()[1:]}
                if ours is None or len(ours.signals) < len(short):
                    missing.append((file, message.name))
        # Those that repeat an identifier, and signals that only a statement elsewhere makes wrong.
        unexplained = [
            (file.path.name, name)
            for file, name in missing
            if file.parsed is None or not any(name == problem.subject.split(".")[0] for problem in file.parsed.problems)
        ]
        assert unexplained == []

    def test_problems_have_their_places(self, files: list[File]) -> None:
        for file in files:
            lines = file.text.split("\n")
            for message in file.parsed.messages if file.parsed else ():
                assert message.source is not None
                assert message.source.line is not None
                assert lines[message.source.line - 1].lstrip().startswith("BO_ ")
            for problem in file.parsed.problems if file.parsed else ():
                if file.parsed and file.parsed.messages:
                    assert problem.source.line is not None

    def test_everything_decodes_equal(self, files: list[File]) -> None:
        compared = 0
        for file in files:
            if file.parsed is None or file.reference is None:
                continue
            references = {(one.frame_id, one.is_extended_frame): one for one in file.reference.messages}
            for message in file.parsed.messages:
                reference = references[message.can_id, message.is_extended]
                told = {problem.subject for problem in file.parsed.problems}
                for name in {signal.name for signal in reference.signals} - {one.name for one in message.signals}:
                    assert f"{message.name}.{name}" in told, file.path.name
                compared += _compare(message, reference)
        assert compared > (20_000 if is_thorough() else 4_000)


_BLOCK = re.compile(r"^BO_ .*\n(?:[ \t]+SG_ .*\n)*", re.MULTILINE)
"""One message as most files have it."""


def _compare(message: Message, reference: Any) -> int:
    """Return how many values were compared."""
    assert (message.name, message.length) == (reference.name, reference.length)
    assert message.cycle_ns == (reference.cycle_time * 1_000_000 if reference.cycle_time else None)
    if not 0 < message.length <= 64 or _overlaps(reference):
        return 0
    # A fixed seed: a sample that fails must fail again.
    contents = [random.Random(k).randbytes(message.length) for k in range(2)] + [bytes(message.length)]
    frames = frames_of(contents)
    rows = np.arange(len(contents))
    found: list[dict[str, str]] = [{} for _ in contents]
    for signal in message.signals:
        carried = rows[carries(frames, rows, signal, message)]
        values = physical(raw_values(frames, carried, signal), signal).tolist()
        for k, value in zip(carried.tolist(), values, strict=True):
            found[k][signal.name] = repr(value)  # repr, for not-a-number must equal itself
    compared = 0
    table = decode(
        frame_table([("", message.can_id, content) for content in contents], is_extended=message.is_extended),
        Definitions(messages=(message,)),
    )
    counts: list[dict[str, int]] = [{} for _ in contents]
    for time_ns, name, raw in zip(table["time_ns"], table["signal"], table["raw"], strict=True):
        counts[time_ns // 10_000_000][name] = raw
    floats = {signal.name for signal in reference.signals if signal.is_float}
    for content, ours_here, counts_here in zip(contents, found, counts, strict=True):
        try:
            expected = reference.decode(content, decode_choices=False)
            raws = reference.decode(content, decode_choices=False, scaling=False)
        except DecodeError:  # a selector that selects nothing
            continue
        kept = {signal.name for signal in message.signals}
        assert ours_here == {name: repr(value) for name, value in expected.items() if name in kept}, message.name
        assert {name: raw for name, raw in counts_here.items() if name not in floats} == {
            name: raw for name, raw in raws.items() if name in kept - floats
        }, message.name
        compared += len(ours_here)
    return compared


def _overlaps(reference: Any) -> bool:
    """Return whether cantools in its strict mode takes offence; its decoder needs signals apart."""
    try:
        reference.refresh(strict=True)
    except Error:
        return True
    return False
