"""``buslens record`` on the samples, with nothing stood in for."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import ClassVar

import pytest

from buslens.cli import main

ROOT = Path(__file__).parents[2]
BEFORE, AFTER, SLOW = "logs/car03_load_fuse_blown.log", "logs/car03_after_repair.log", "logs/car07_slow_motor.log"


@pytest.fixture
def garage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Make a folder laid out like a checkout the current one."""
    (tmp_path / "logs").mkdir()
    (tmp_path / "signal_defs").mkdir()
    for name in (BEFORE, AFTER, SLOW):
        shutil.copy(ROOT / "sample_logs" / Path(name).name, tmp_path / name)
    for name in ("steering_lock.toml", "pinewick.dbc"):
        shutil.copy(ROOT / "signal_defs" / name, tmp_path / "signal_defs" / name)
    (tmp_path / "job.toml").write_text('vehicle = "Club car 3"\ncomplaint = "no start"\n', "utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.mark.usefixtures("garage")
class TestRecord:
    """One page, and the verdict said."""

    def test_after_a_repair(self, capsys: pytest.CaptureFixture[str]) -> None:
        words = ["record", AFTER, "--before", BEFORE, "--job", "job.toml", "--done", "new load fuse", "-o", "r.html"]
        assert main(words) == 0
        assert capsys.readouterr().out.startswith("r.html\nRepair not yet confirmed: ")
        page = Path("r.html").read_text("utf-8")
        for said in (
            "Club car 3",
            "no start",
            "new load fuse",
            "238 to 283\N{NO-BREAK SPACE}ms",
            "4 more would prove it",
            "buslens 0.",
        ):
            assert said in page

    def test_status_is_that_of_the_capture(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["record", SLOW, "-o", "r.html", "--vehicle", "Club car 7"]) == 1
        assert capsys.readouterr().out.startswith("r.html\nFaulty: ")

    def test_options_stand_above_the_file(self) -> None:
        main(["record", AFTER, "-o", "r.html", "--job", "job.toml", "--vehicle", "Club car 9"])
        page = Path("r.html").read_text("utf-8")
        assert "Club car 9" in page
        assert "Club car 3" not in page


@pytest.mark.usefixtures("garage")
class TestDiagnosis:
    """Causes and readings are in the record where a causes file is to be had."""

    @pytest.fixture(autouse=True)
    def _causes(self, garage: Path) -> None:
        for file in (ROOT / "signal_defs").glob("*.causes.toml"):
            shutil.copy(file, garage / "signal_defs" / file.name)

    def test_of_the_captures_before_the_repair(self) -> None:
        words = ["record", AFTER, "--before", BEFORE, "-o", "r.html", "--measured", "load_fuse=blown"]
        assert main(words) == 0
        page = Path("r.html").read_text("utf-8")
        assert "load fuse blown" in page
        assert "<td>blown</td><td>whole</td>" in page
        assert str(Path("signal_defs", "steering_lock.causes.toml")) in page

    def test_nothing_to_explain(self) -> None:
        main(["record", AFTER, "-o", "r.html"])
        assert "Causes" not in Path("r.html").read_text("utf-8")

    def test_unknown_measurement(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["record", BEFORE, "-o", "r.html", "--measured", "load_fuze=blown"]) == 2
        assert "did you mean 'load_fuse'" in capsys.readouterr().err
        assert not Path("r.html").exists()


@pytest.mark.usefixtures("garage")
class TestVerify:
    """A record can be checked again."""

    #: The record, written once: every garage holds the same files.
    written: ClassVar[bytes] = b""

    @pytest.fixture(autouse=True)
    def _written(self, garage: Path, capsys: pytest.CaptureFixture[str]) -> None:
        if not self.written:
            main(["record", AFTER, "-o", "r.html", "--job", "job.toml"])
            capsys.readouterr()
            type(self).written = (garage / "r.html").read_bytes()
        (garage / "r.html").write_bytes(self.written)

    def test_same(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["record", "--verify", "r.html"]) == 0
        out = capsys.readouterr().out
        assert f" =  {AFTER}: the same\n" in out
        assert " =  r.html: unchanged since it was written" in out
        assert "The same: the record, and all 4 files that it was made from; somebody who edits" in out

    @pytest.mark.parametrize(("old", "new"), [(b"As expected", b"As exported"), (b"</body>", b"</body><p>paid</p>")])
    def test_edited(self, old: bytes, new: bytes, capsys: pytest.CaptureFixture[str]) -> None:
        page = Path("r.html").read_bytes()
        assert old in page
        Path("r.html").write_bytes(page.replace(old, new, 1))
        assert main(["record", "--verify", "r.html"]) == 1
        out = capsys.readouterr().out
        assert " x  r.html: changed since it was written\n" in out
        assert "The same" not in out

    def test_without_a_hash_of_itself(self, capsys: pytest.CaptureFixture[str]) -> None:
        page = Path("r.html").read_bytes()
        Path("r.html").write_bytes(page.replace(b'<meta name="record-sha256"', b'<meta name="record"'))
        assert main(["record", "--verify", "r.html"]) == 3
        assert "carries no hash of itself" in capsys.readouterr().out

    @pytest.mark.parametrize("name", [AFTER, "job.toml", "signal_defs/steering_lock.toml", "signal_defs/pinewick.dbc"])
    def test_changed(self, name: str, capsys: pytest.CaptureFixture[str]) -> None:
        with Path(name).open("ab") as file:
            file.write(b"\n")
        assert main(["record", "--verify", "r.html"]) == 1
        out = capsys.readouterr().out.replace("\\", "/")
        assert f" x  {name}: changed\n" in out
        assert out.count(": the same\n") == 3

    def test_missing(self, capsys: pytest.CaptureFixture[str]) -> None:
        Path(AFTER).unlink()
        assert main(["record", "--verify", "r.html"]) == 3
        assert f" ?  {AFTER}: not found\n" in capsys.readouterr().out

    def test_no_record(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["record", "--verify", "job.toml"]) == 2
        assert "no job record" in capsys.readouterr().err


@pytest.mark.usefixtures("garage")
class TestRefused:
    """What makes no sense, or would lose something, is said before anything is read."""

    @pytest.mark.parametrize(
        ("words", "said"),
        [
            ([], "of which capture"),
            ([AFTER], "where to"),
            ([AFTER, "-o", "r.pdf"], "ends in .html"),
            ([AFTER, "-o", "-"], "ends in .html"),
            (["-", "-o", "r.html"], "save standard input"),
            ([AFTER, "--before", AFTER, "-o", "r.html"], "would count twice"),
            ([AFTER, "--failed", "1/10", "-o", "r.html"], "only with --before"),
            ([AFTER, "--known-rate", "1 in 10", "-o", "r.html"], "only with --before"),
            ([AFTER, "--job", "no.toml", "-o", "r.html"], "no such file"),
            (["--verify", "r.html", AFTER], "takes a record alone"),
            (["--verify", "r.html", "--before", BEFORE], "takes a record alone"),
            ([AFTER, "-o", "no/r.html"], "there is no folder 'no'"),
            ([AFTER, "-o", "r.html", "--session", "no.json"], "there is no such session"),
            (["no.log", "-o", "r.html"], "no such file"),
        ],
        ids=lambda value: value if isinstance(value, str) else "",
    )
    def test_words(self, words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["record", *words]) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert said in err
        assert not Path("r.html").exists()

    def test_file_that_is_there(self, capsys: pytest.CaptureFixture[str]) -> None:
        Path("r.html").write_text("of the user's", "utf-8")
        assert main(["record", AFTER, "-o", "r.html"]) == 2
        assert "--replace replaces it" in capsys.readouterr().err
        assert Path("r.html").read_text("utf-8") == "of the user's"
        assert main(["record", AFTER, "-o", "r.html", "--replace"]) == 0
