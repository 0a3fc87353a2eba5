"""Files that are given or dropped by mistake."""

from __future__ import annotations

from pathlib import Path

import pytest
from support.tables import Written, traffic

from buslens.capture.file_kind import CAUSES, DBC, EXPECTATIONS, LDF, LOG, exchanged, kind_of
from buslens.capture.read import read_frames
from buslens.capture.stream import HEAD_BYTES
from buslens.causes.load import load_causes
from buslens.definitions.load import load_definitions
from buslens.errors import DefinitionError, ExpectationError
from buslens.expectations.load import load_expectations

SAMPLES = Path(__file__).parents[2] / "sample_logs"


@pytest.mark.parametrize(
    ("head", "name"),
    [
        (b"\x89PNG\r\n\x1a\n\0\0", "a picture"),
        (b"RIFF\x10\0\0\0WEBPVP8 ", "a picture"),
        (b"\0\0\0\x18ftypheic", "a picture or a film"),
        (b"%PDF-1.7\n", "a PDF document"),
        (b"PAR1\x15\x04", "a Parquet file"),
        (b"MZ\x90\0\x03\0", "a program"),
        (b"ID3\x04\0\0", "a sound recording"),
        (b"RIFF\x10\0\0\0WAVEfmt ", "a sound recording"),
        (b"\xef\xbb\xbf\n<!DOCTYPE HTML>\n<p>", "a web page"),
        (b"[table]\ntime = 1\n", "the layout of a table"),
    ],
)
def test_documents(head: bytes, name: str) -> None:
    kind = kind_of(head)
    assert kind is not None
    assert (kind.name, kind.is_of_car) == (name, False)
    assert exchanged(head, LOG).startswith(f"this is {name}, not a recorded log: name the recorded log here")


def test_a_table_may_begin_with_its_version(tmp_path: Path) -> None:
    path = tmp_path / "rows.csv"
    rows = Written(time="s.6").text(traffic(1, n_ids=6, n=300))
    path.write_bytes(b'VERSION "1.2"\n' + rows)
    assert kind_of(path.read_bytes()) is None
    path.write_bytes(b"[table]\n" + rows)
    assert len(read_frames(path)) == 300


def test_files_of_a_car() -> None:
    folder = SAMPLES.parent / "signal_defs"
    kinds = {file.name: kind_of(file.read_bytes()) for file in folder.iterdir() if file.suffix != ".md"}
    assert len(kinds) > 8
    for name, kind in kinds.items():
        causes = CAUSES if name.endswith(".causes.toml") else EXPECTATIONS
        assert kind is {"dbc": DBC, "ldf": LDF, "toml": causes}[name.rsplit(".", 1)[1]], name


def test_exchanged() -> None:
    folder = SAMPLES.parent / "signal_defs"
    dbc, toml = folder / "pinewick.dbc", folder / "steering_lock.toml"
    log = SAMPLES / "car01_healthy.log"
    with pytest.raises(DefinitionError, match=r"an expectations file, not a DBC file: .* with --expectations"):
        load_definitions(toml)
    with pytest.raises(DefinitionError, match=r"a recorded log, not a DBC file: .* give this file as the capture"):
        load_definitions(log)
    for other, name in (
        (dbc, "a DBC file"),
        (log, "a recorded log"),
        (folder / "steering_lock.causes.toml", "a c"),
    ):
        with pytest.raises(ExpectationError, match=f"this is {name}.*, not an expectations file: name the exp"):
            load_expectations(other)
    with pytest.raises(ExpectationError, match="an expectations file, not a causes file"):
        load_causes(toml, load_expectations(toml))


def test_every_sample_may_be_a_capture() -> None:
    logs = [
        it
        for it in SAMPLES.iterdir()
        if it.name.startswith(("car", "tester", "scope", "wires")) and it.suffix != ".png"
    ]
    assert len(logs) > 20
    for log in logs:
        with log.open("rb") as file:
            assert kind_of(file.read(HEAD_BYTES)) is None
