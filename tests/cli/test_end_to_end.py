"""The commands on one another's files, each in a process of its own, with nothing stood in for."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from support.patience import HANG_S

import buslens

EXPECTATIONS = Path(__file__).parents[2] / "signal_defs" / "steering_lock.toml"


def run(*words: str | Path, folder: Path, given: bytes | None = None) -> subprocess.CompletedProcess[bytes]:
    """Run the program in a folder."""
    done = subprocess.run(
        [sys.executable, "-m", "buslens", *map(str, words)],
        cwd=folder,
        input=given,
        capture_output=True,
        check=False,
        timeout=HANG_S,
    )
    assert b"Traceback" not in done.stderr, done.stderr.decode()
    return done


@pytest.fixture(scope="module")
def garage(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder laid out like a checkout, with a few simulated captures."""
    top = tmp_path_factory.mktemp("garage")
    logs = top / "logs"
    logs.mkdir()
    (top / "signal_defs").mkdir()
    for file in EXPECTATIONS.parent.iterdir():
        if file.is_file():
            (top / "signal_defs" / file.name).write_bytes(file.read_bytes())
    for fault, name in (("healthy", "fine.log"), ("slow-motor", "slow.asc.gz"), ("nobody-comes", "idle.log")):
        buslens.write_rehearsal(buslens.rehearse(fault), logs / name)
    (logs / "empty.log").touch()
    return top


@pytest.fixture(scope="module")
def done(garage: Path) -> subprocess.CompletedProcess[bytes]:
    """Check all of its captures at once, in a folder below: nothing has to be named, signal_defs lies beside it."""
    return run("check", "*", "--json", "--junit", "report.xml", folder=garage / "logs")


class TestCheck:
    """What the samples are made to show is what comes out, as status, text, document and build report."""

    def test_text(self, garage: Path) -> None:
        done = run("check", "fine.log", "slow.asc.gz", folder=garage / "logs")
        lines = done.stdout.decode().splitlines()
        assert (done.returncode, done.stderr) == (1, b"")
        assert lines[0].startswith("As expected: ")
        assert lines[1].startswith("fine.log: ")
        assert any(line.startswith("As expected: ") for line in lines)
        assert any(line.startswith("slow.asc.gz: ") for line in lines)
        assert any(line.startswith("Faulty: unlock feedback became ") for line in lines)

    def test_document(self, done: subprocess.CompletedProcess[bytes], garage: Path) -> None:
        assert done.returncode == 2
        assert done.stderr.decode().replace("\\", "/") == "buslens: empty.log: the file is empty\n"
        assert b"\r" not in done.stdout
        captures: list[dict[str, Any]] = json.loads(done.stdout)["captures"]
        assert [one["verdict"] for one in captures] == [None, "as_expected", "undecided", "faulty"]
        outcomes = {
            (finding["rule"], finding["step"], finding["outcome"])
            for finding in captures[3]["findings"]
            if finding["outcome"] != "met"
        }
        assert outcomes == {
            ("unlock handshake", "wire feedback", "late"),
            ("lock handshake", "wire feedback", "late"),
        }
        suites = list(ET.parse(garage / "logs" / "report.xml").getroot())  # noqa: S314 - our own output
        assert [len(suite.findall("*/failure")) for suite in suites] == [0, 0, 0, 2]
        assert [len(suite.findall("*/error")) for suite in suites] == [1, 0, 1, 0]

    def test_document_and_api_say_the_same(self, done: subprocess.CompletedProcess[bytes], garage: Path) -> None:
        path = garage / "logs" / "slow.asc.gz"
        result = buslens.check(path, expectations=garage / "signal_defs" / "steering_lock.toml")
        found = json.loads(done.stdout)["captures"][3]
        assert found["verdict"] == result.verdict.value
        assert found["frames"] == result.stats.frames == len(buslens.read_frames(path))
        assert [(one["rule"], one["step"], one["handshake"], one["outcome"]) for one in found["findings"]] == [
            (one.rule, one.step, one.handshake, one.outcome.value) for one in result.findings
        ]
        assert [round(one["time"] * 1e9) for one in found["findings"] if one["time"] is not None] == [
            one.time_ns - result.origin_ns for one in result.findings if one.time_ns is not None
        ]

    def test_standard_input(self, garage: Path) -> None:
        simulated = run("rehearse", "slow-motor", "-o", "-", folder=garage)
        done = run("check", "-", folder=garage, given=simulated.stdout)
        assert done.returncode == 1
        assert done.stdout.decode().splitlines()[0].startswith("Faulty: ")


class TestPlot:
    """A picture is written, and the verdict stands beside its name."""

    def test_svg(self, garage: Path) -> None:
        done = run("plot", "logs/slow.asc.gz", "-o", "slow.svg", folder=garage)
        assert done.returncode == 1
        shown = done.stdout.decode().splitlines()
        assert shown[0].startswith("Faulty: unlock feedback became ")
        assert shown[1] == "written: slow.svg"
        assert ET.parse(garage / "slow.svg").getroot().tag.endswith("svg")  # noqa: S314 - our own output


class TestApi:
    """The functions of the front page work together on one capture."""

    def test_decode(self, garage: Path) -> None:
        definitions = buslens.load_definitions(garage / "signal_defs" / "pinewick.dbc")
        table = buslens.decode(garage / "logs" / "fine.log", definitions)
        assert list(table.columns) == ["time", "time_ns", "message", "signal", "raw", "value", "label"]
        doors = table[(table["message"] == "BODY_DOORS") & (table["signal"] == "DRIVER_DOOR")]
        assert set(doors["label"]) == {"open", "shut"}
