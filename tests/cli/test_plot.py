"""``buslens plot`` with stand-ins for judging and drawing; the picture has its own tests."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from support.handmade import result

import buslens
from buslens.checks.findings import Verdict
from buslens.cli import main
from buslens.cli.plot import PICTURES
from buslens.expectations.model import Expectations
from buslens.report.figure import SUFFIXES
from buslens.report.style import FORMATS

if TYPE_CHECKING:
    from buslens.checks.findings import Result


@pytest.fixture
def drawn(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> list[dict[str, Any]]:
    """Put the stand-ins in place and a capture into the current folder; return what was asked of the drawing."""
    asked: list[dict[str, Any]] = []

    def check(path: str, **_how: object) -> Result:
        return result(path=path, verdict=Verdict.FAULTY, summary="for this reason")

    def draw(judged: Result, path: Path, **how: object) -> Path:
        asked.append({"result": judged, "path": path, **how})
        return path

    monkeypatch.setattr(buslens, "check", check, raising=False)
    monkeypatch.setattr(buslens, "draw", draw, raising=False)
    monkeypatch.setattr(
        buslens,
        "load_expectations",
        lambda path, **_how: Expectations(path=path, roles={}, rules=()),
        raising=False,
    )
    monkeypatch.chdir(tmp_path)
    Path("logs").mkdir()
    for name in ("logs/car03.log", "logs/car03.log.gz", "logs/car03", "steering_lock.toml"):
        Path(name).touch()
    return asked


class TestPlot:
    """The picture is written, and its name and the verdict are said."""

    def test_output(self, drawn: list[dict[str, Any]], capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["plot", "logs/car03.log", "-o", "lock.svg"]) == 1
        safety = "Safety: Never defeat a steering lock or drive with one in doubt.\n"
        assert capsys.readouterr() == (f"Faulty: for this reason\nwritten: lock.svg\n{safety}", "")
        assert drawn[0]["path"] == Path("lock.svg")
        assert drawn[0]["result"].path == "logs/car03.log"

    @pytest.mark.parametrize("name", ["car03.log", "car03.log.gz", "car03"])
    def test_without_a_name_the_capture_gives_it(self, name: str, drawn: list[dict[str, Any]]) -> None:
        main(["plot", f"logs/{name}"])
        assert drawn[0]["path"] == Path("car03.png")

    @pytest.mark.parametrize(
        ("words", "asked"),
        [
            ([], {"window": None, "handshake": None, "rule": None, "width": "screen"}),
            (["--window", "1.5", "4"], {"window": (1.5, 4.0)}),
            (["--whole"], {"window": "all"}),
            (["--handshake", "2", "--rule", "lock handshake"], {"handshake": 2, "rule": "lock handshake"}),
            (["--width", "column"], {"width": "column"}),
            ([], {"layout": "lanes", "before": None}),
            (["--strip"], {"layout": "strip"}),
            (["--overlay", "--rule", "lock handshake"], {"layout": "overlay", "rule": "lock handshake"}),
        ],
        ids=lambda value: " ".join(value) if isinstance(value, list) else "",
    )
    def test_what_is_shown(self, words: list[str], asked: dict[str, Any], drawn: list[dict[str, Any]]) -> None:
        main(["plot", "logs/car03.log", *words])
        assert {key: drawn[0][key] for key in asked} == asked

    def test_before(self, drawn: list[dict[str, Any]]) -> None:
        main(["plot", "logs/car03.log", "--before", "logs/car03.log.gz", "-o", "pair.png"])
        assert (drawn[0]["before"].path, drawn[0]["result"].path) == ("logs/car03.log.gz", "logs/car03.log")

    def test_every_kind_of_picture(self, drawn: list[dict[str, Any]]) -> None:
        assert set(PICTURES) == set(SUFFIXES)
        assert [main(["plot", "logs/car03.log", "-o", f"lock{suffix.upper()}"]) for suffix in PICTURES] == [1, 1, 1]
        assert len(drawn) == 3

    @pytest.mark.parametrize("width", FORMATS)
    def test_every_width(self, width: str, drawn: list[dict[str, Any]]) -> None:
        main(["plot", "logs/car03.log", "--width", width])
        assert drawn[0]["width"] == width


class TestNothingIsLost:
    """No file of the user's is replaced unless it was named, and never the capture."""

    @pytest.mark.parametrize("name", ["logs/car03.log", "logs/../logs/car03.log"])
    def test_capture(self, name: str, drawn: list[dict[str, Any]], capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["plot", "logs/car03.log", "-o", name]) == 2
        assert "this is the capture" in capsys.readouterr().err
        assert drawn == []

    def test_a_picture_that_was_not_named(
        self, drawn: list[dict[str, Any]], capsys: pytest.CaptureFixture[str]
    ) -> None:
        Path("car03.png").write_text("of the user's")
        assert main(["plot", "logs/car03.log"]) == 2
        assert "write '-o car03.png' to replace it" in capsys.readouterr().err
        assert drawn == []

    def test_another_kind_of_file(self, drawn: list[dict[str, Any]], capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["plot", "logs/car03.log", "-o", "notes.txt"]) == 2
        assert ".png, .svg or .pdf" in capsys.readouterr().err
        assert drawn == []

    def test_standard_input_gives_no_name(
        self, drawn: list[dict[str, Any]], capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert main(["plot", "-"]) == 2
        assert "-o FILE.png" in capsys.readouterr().err
        assert drawn == []

    @pytest.mark.usefixtures("drawn")
    def test_missing_capture(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["plot", "logs/car3.log"]) == 2
        assert "no such file; did you mean" in capsys.readouterr().err
