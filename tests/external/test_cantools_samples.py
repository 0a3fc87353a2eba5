"""cantools' own sample files and the truth that its tests print about them.

Source: the source archive of cantools (MIT licence) of the installed version, tests/test_command_line.py and
tests/files/dbc. It is fetched from the package registry when the test runs, and not kept in this repository.
"""

from __future__ import annotations

import random
import subprocess
import sys
import tarfile
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pytest
from cantools.database import DecodeError
from cantools.database.can import Database
from support.layouts import frame_table, frames_of

from buslens.definitions.dbc import parse_dbc
from buslens.definitions.dbc_text import decode_text
from buslens.definitions.decode import decode
from buslens.definitions.model import Definitions, Message
from buslens.definitions.unpack import carries, physical, raw_values
from buslens.errors import DefinitionError

pytestmark = pytest.mark.external


@pytest.fixture(scope="module")
def samples(request: pytest.FixtureRequest) -> Path:
    """Return the folder of cantools' sample DBC files."""
    release = f"cantools-{version('cantools')}"
    kept = Path(request.config.cache.mkdir("external"))
    archive = kept / f"{release}.tar.gz"
    if not archive.exists():
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", "--no-binary", ":all:"]
        command += ["--dest", str(kept), release.replace("-", "==")]
        try:
            subprocess.run(command, check=True, capture_output=True, timeout=60)
        except (OSError, subprocess.SubprocessError) as error:
            pytest.skip(f"the source archive of cantools cannot be fetched ({type(error).__name__})")
    folder = kept / release / "tests" / "files" / "dbc"
    if not folder.exists():
        with tarfile.open(archive) as content:
            content.extractall(kept, filter="data")
    return folder


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


class TestSampleFiles:
    """Every sample is read as cantools reads it, or refused with its place."""

    def test_all(self, samples: Path) -> None:
        paths = sorted(path for path in samples.iterdir() if path.suffix.lower() == ".dbc")
        refused, compared = [], 0
        for path in paths:
            try:
                messages = parse_dbc(path.read_bytes(), path.name)
            except DefinitionError as error:
                refused.append(str(error))
                continue
            text = decode_text(path.read_bytes())
            lines = text.split("\n")
            database = Database(strict=False)
            database.add_dbc_string(text)
            for message in messages:
                assert message.source is not None
                assert message.source.line is not None
                assert lines[message.source.line - 1].lstrip().startswith("BO_ ")
                compared += _compare(message, database)
        assert all(line.split(":", 1)[0].lower().endswith(".dbc") for line in refused)
        assert len(paths) > 50
        # Those that define no message, and those that were made to be refused.
        assert len(refused) < len(paths) / 4
        assert compared > 1000


def _compare(message: Message, database: Database) -> int:
    """Return how many values were compared."""
    (reference,) = (
        one
        for one in database.messages
        if one.frame_id == message.can_id and one.is_extended_frame == message.is_extended
    )
    assert (message.name, message.length) == (reference.name, reference.length)
    assert message.cycle_ns == (reference.cycle_time * 1_000_000 if reference.cycle_time else None)
    assert {signal.name for signal in message.signals} == {signal.name for signal in reference.signals}
    if not 0 < message.length <= 64 or _overlaps(reference):
        return 0
    # A fixed seed: a sample that fails must fail again.
    contents = [random.Random(k).randbytes(message.length) for k in range(3)] + [bytes(message.length)]
    frames = frames_of(contents)
    compared = 0
    for k, content in enumerate(contents):
        try:
            expected = reference.decode(content, decode_choices=False)
        except DecodeError:  # a selector that selects nothing
            continue
        found = {}
        for signal in message.signals:
            if carries(frames, np.array([k]), signal, message)[0]:
                raw = raw_values(frames, np.array([k]), signal)
                found[signal.name] = physical(raw, signal).tolist()[0]
        # repr, for not-a-number must equal itself
        assert {name: repr(value) for name, value in found.items()} == {
            name: repr(value) for name, value in expected.items()
        }, message.name
        compared += len(found)
    return compared


def _overlaps(reference: object) -> bool:
    """Return whether cantools in its strict mode takes offence; its decoder needs signals apart."""
    from cantools.database import Error

    try:
        reference.refresh(strict=True)  # type: ignore[attr-defined]
    except Error:
        return True
    return False
