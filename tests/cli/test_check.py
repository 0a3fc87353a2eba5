"""``buslens check`` with a stand-in for the judging; the real one is judged by the samples' own tests."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any
from xml.etree import ElementTree as ET

import pytest
from support.handmade import pulse_finding, result, step_finding

import buslens
from buslens.checks.findings import Verdict
from buslens.cli import main
from buslens.errors import CaptureError, DefinitionError, SourceLocation
from buslens.expectations.model import Expectations
from buslens.report.safety_notes import CAUTIONS

if TYPE_CHECKING:
    from buslens.checks.findings import Result

FINDINGS = {
    Verdict.AS_EXPECTED: (pulse_finding(),),
    Verdict.FAULTY: (pulse_finding(), step_finding()),
    Verdict.UNDECIDED: (),
}


class Judging:
    """Judges by the beginning of the file's name, and remembers what it was asked."""

    def __init__(self) -> None:
        self.calls: list[dict[str, Any]] = []
        #: Expectations that were loaded, and whether the definitions that they name were needed.
        self.loads: list[tuple[str, bool]] = []

    def check(self, path: str, **how: object) -> Result:
        self.calls.append({"path": path, **how})
        name = Path(path).stem
        if name.startswith("broken"):
            raise CaptureError("nothing in it can be read", SourceLocation(path))
        if name.startswith("unfit"):
            raise DefinitionError("no message 'X'", SourceLocation("x.dbc", 3))
        verdict = Verdict.AS_EXPECTED if path.startswith("-") else Verdict(name.rstrip("0123456789"))
        return result(*FINDINGS[verdict], path=path, verdict=verdict, summary=f"so it is with {name}")


@pytest.fixture
def judging(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Judging:
    """Put the stand-in in place, and some captures with expectations into the current folder."""
    stand_in = Judging()

    def load_expectations(path: str, *, definitions_needed: bool) -> Expectations:
        stand_in.loads.append((path, definitions_needed))
        return Expectations(path=path, roles={}, rules=())

    monkeypatch.setattr(buslens, "check", stand_in.check, raising=False)
    monkeypatch.setattr(buslens, "load_expectations", load_expectations, raising=False)
    monkeypatch.setattr(buslens, "load_definitions", lambda *paths: paths, raising=False)
    monkeypatch.chdir(tmp_path)
    for name in ("as_expected", "faulty", "undecided", "broken", "unfit", "faulty2"):
        Path(f"{name}.log").touch()
    Path("steering_lock.toml").touch()
    return stand_in


class TestStatus:
    """The exit status is that of the verdict, of several captures the gravest: 2, 1, 3, 0."""

    @pytest.mark.parametrize(
        ("names", "status"),
        [
            (["as_expected"], 0),
            (["faulty"], 1),
            (["undecided"], 3),
            (["broken"], 2),
            (["gone"], 2),
            (["as_expected", "undecided"], 3),
            (["undecided", "faulty", "as_expected"], 1),
            (["faulty", "broken", "undecided"], 2),
        ],
        ids=lambda value: " ".join(value) if isinstance(value, list) else "",
    )
    @pytest.mark.parametrize("form", [[], ["--json"]], ids=["text", "json"])
    def test_status(self, names: list[str], status: int, form: list[str], judging: Judging) -> None:
        assert main(["check", *(f"{name}.log" for name in names), *form]) == status
        assert len(judging.calls) == len([name for name in names if name != "gone"])


class TestText:
    """Each capture has its report, the verdict first; several end with the count."""

    @pytest.mark.usefixtures("judging")
    def test_one(self, capsys: pytest.CaptureFixture[str]) -> None:
        main(["check", "faulty.log"])
        shown = capsys.readouterr()
        assert shown.out.startswith("Faulty: so it is with faulty\nfaulty.log: ")
        assert shown.err == ""

    @pytest.mark.usefixtures("judging")
    def test_several(self, capsys: pytest.CaptureFixture[str]) -> None:
        main(["check", "faulty.log", "broken.log", "as_expected.log", "faulty2.log"])
        shown = capsys.readouterr()
        last = "4 captures: 2 faulty, 1 as expected, 1 could not be checked"
        assert shown.out.splitlines()[-1] == last
        assert [shown.out.count(caution) for caution in CAUTIONS] == [1] * len(CAUTIONS)
        assert shown.err == "buslens: broken.log: nothing in it can be read\n"


class TestJson:
    """One document holds all captures, in the order in which they were named."""

    @pytest.mark.usefixtures("judging")
    def test_captures(self, capsys: pytest.CaptureFixture[str]) -> None:
        main(["check", "--json", "faulty.log", "broken.log", "as_expected.log", "fauly.log"])
        document = json.loads(capsys.readouterr().out)
        assert document["schema"] == 1
        assert [(one["path"], one["verdict"]) for one in document["captures"]] == [
            ("faulty.log", "faulty"),
            ("broken.log", None),
            ("as_expected.log", "as_expected"),
            ("fauly.log", None),
        ]
        assert document["captures"][1]["error"] == "broken.log: nothing in it can be read"
        assert document["captures"][3]["error"] == "fauly.log: no such file; did you mean 'faulty.log'?"

    @pytest.mark.usefixtures("judging")
    def test_no_document_without_a_usable_command(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["check", "--json", "as_expected.log", "unfit.log"]) == 2
        assert capsys.readouterr() == ("", "buslens: x.dbc:3: no message 'X'\n")


class TestJunit:
    """A file for build servers comes beside the text or the document."""

    @pytest.mark.usefixtures("judging")
    @pytest.mark.parametrize("form", [[], ["--json"]], ids=["text", "json"])
    def test_file(self, form: list[str], capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["check", "faulty.log", "broken.log", "--junit", "report.xml", *form]) == 2
        root = ET.parse("report.xml").getroot()  # noqa: S314 - our own output
        assert [suite.get("name") for suite in root] == ["faulty.log", "broken.log"]
        assert capsys.readouterr().out != ""

    @pytest.mark.usefixtures("judging")
    def test_an_earlier_report_is_replaced(self) -> None:
        for names in (["faulty.log", "as_expected.log"], ["as_expected.log"]):
            main(["check", *names, "--junit", "report.xml"])
        assert len(ET.parse("report.xml").getroot()) == 1  # noqa: S314 - our own output

    @pytest.mark.parametrize("name", ["faulty.log", "./faulty.log", "notes.txt", "-"])
    def test_nothing_else_is_replaced(self, name: str, judging: Judging, capsys: pytest.CaptureFixture[str]) -> None:
        Path("notes.txt").write_text("of the user's")
        assert main(["check", "faulty.log", "--junit", name]) == 2
        assert capsys.readouterr().err.startswith("buslens: --junit ")
        assert Path("notes.txt").read_text() == "of the user's"
        assert Path("faulty.log").read_bytes() == b""
        assert judging.calls == []

    def test_no_such_folder(self, judging: Judging, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["check", "faulty.log", "--junit", "no/report.xml"]) == 2
        assert judging.calls == []
        assert "no/report.xml: there is no folder 'no'" in capsys.readouterr().err.replace("\\", "/")


class TestWords:
    """Options stand anywhere among the names, and captures are found by pattern where the shell has not done so."""

    @pytest.mark.parametrize(
        "words",
        [
            ["--json", "faulty.log", "undecided.log"],
            ["faulty.log", "--json", "undecided.log"],
            ["faulty.log", "undecided.log", "--json"],
            ["--json", "--", "faulty.log", "undecided.log"],
        ],
    )
    def test_anywhere(self, words: list[str], judging: Judging, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["check", *words]) == 1
        assert [call["path"] for call in judging.calls] == ["faulty.log", "undecided.log"]
        assert len(json.loads(capsys.readouterr().out)["captures"]) == 2

    def test_name_with_a_dash(self, judging: Judging) -> None:
        Path("--json").touch()
        main(["check", "--json", "faulty.log", "--", "--json"])
        assert [call["path"] for call in judging.calls] == ["faulty.log", "--json"]

    def test_pattern(self, judging: Judging) -> None:
        main(["check", "fault*.log"])
        assert [call["path"] for call in judging.calls] == ["faulty.log", "faulty2.log"]

    @pytest.mark.usefixtures("judging")
    def test_pattern_that_fits_nothing(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["check", "nothing*.log"]) == 2
        assert capsys.readouterr().err == "buslens: nothing*.log: no such file\n"

    @pytest.mark.usefixtures("judging")
    def test_folder(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["check", str(tmp_path)]) == 2
        assert f"{tmp_path}: is a folder; name the captures in it" in capsys.readouterr().err

    def test_standard_input(self, judging: Judging) -> None:
        assert main(["check", "-"]) == 0
        assert judging.calls[0]["path"] == "-"

    def test_channels(self, judging: Judging) -> None:
        main(["check", "faulty.log", "--channel", "1=can0", "--channel", "2=body"])
        assert judging.calls[0]["channels"] == {"1": "can0", "2": "body"}

    def test_workers(self, judging: Judging) -> None:
        main(["check", "faulty.log", "--workers", "3"])
        assert judging.calls[0]["workers"] == 3


class TestFilesOfTheUser:
    """Expectations and definitions are loaded once, and found where none are named."""

    def test_expectations_beside_the_capture(self, judging: Judging) -> None:
        main(["check", "faulty.log"])
        assert judging.calls[0]["expectations"].path == "steering_lock.toml"
        assert judging.calls[0]["definitions"] is None
        assert judging.loads == [("steering_lock.toml", True)]

    def test_named(self, judging: Judging) -> None:
        main(
            [
                "check",
                "faulty.log",
                "faulty2.log",
                "--expectations",
                "e.toml",
                "--definitions",
                "a",
                "--definitions",
                "b",
            ]
        )
        first, second = judging.calls
        assert first["expectations"].path == "e.toml"
        assert first["expectations"] is second["expectations"]
        assert judging.loads == [("e.toml", False)]
        assert first["definitions"] == ("a", "b")

    def test_none(self, judging: Judging, capsys: pytest.CaptureFixture[str]) -> None:
        Path("steering_lock.toml").unlink()
        assert main(["check", "faulty.log"]) == 2
        assert "--expectations FILE.toml" in capsys.readouterr().err
        assert judging.calls == []


class TestNotices:
    """What takes a while is said on standard error."""

    def test_preparing(self, judging: Judging, capsys: pytest.CaptureFixture[str]) -> None:
        main(["check", "faulty.log", "--json"])
        capsys.readouterr()
        judging.calls[0]["notify"]("preparing the readers")
        assert capsys.readouterr() == ("", "buslens: preparing the readers\n")
