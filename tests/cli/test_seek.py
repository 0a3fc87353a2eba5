from __future__ import annotations

import json
import random
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from support.wordings import PINEWICK

from buslens.cli import main
from buslens.definitions.load import load_definitions
from buslens.rehearsal.rehearse import rehearse, write_rehearsal

if TYPE_CHECKING:
    from collections.abc import Callable

    from buslens.rehearsal.rehearse import Rehearsal


@pytest.fixture(scope="module")
def car() -> Rehearsal:
    """Return a car whose driver gets in and out twice, among 20 other messages."""
    return rehearse("healthy", seed=5, duration=38.0, background_ids=20)


@pytest.fixture(scope="module")
def log(car: Rehearsal, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return its capture, and beside it a file of marks that are off by up to 300 ms."""
    folder = tmp_path_factory.mktemp("seek")
    hand = random.Random(5)
    door = car.truth["BODY_DOORS.DRIVER_DOOR"]
    lines = ["# the driver's door, with a stopwatch"]
    for time_ns, is_open in zip(door.time_ns[1:9].tolist(), door.value[1:9].tolist(), strict=True):
        seconds = max((time_ns - int(car.frames.time_ns[0])) / 1e9 + hand.uniform(-0.3, 0.3), 0.0)
        lines.append(f"{seconds:.2f} driver door {'opens' if is_open else 'closes'}")
    (folder / "marks.txt").write_text("\n".join(lines))
    return write_rehearsal(car, folder / "car.log")


@pytest.fixture
def seeking(log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., int]:
    """Return the command on that capture, at work in an empty folder."""
    monkeypatch.chdir(tmp_path)
    marks = log.with_name("marks.txt")
    return lambda *words: main(["seek", str(log), "--marks", str(marks), *words])


class TestText:
    """The bits are ranked for each action, and the verdict is the first line."""

    def test_found(self, seeking: Callable[..., int], capsys: pytest.CaptureFixture[str]) -> None:
        assert seeking() == 0
        shown = capsys.readouterr()
        assert shown.err == ""
        lines = shown.out.splitlines()
        at = lines.index("driver door opens, 4 marks")
        assert lines[at + 1] == " =  can0 1B3 byte 0 bit 0"
        assert lines[at + 2].startswith("    driver door opens: 0 to 1 at 4 of 4 marks, ")
        assert lines[at + 3].startswith("    driver door closes: 1 to 0 at 4 of 4 marks, ")
        assert lines[at + 4].startswith("    no other change that way; by luck 1 time in ")
        assert lines[lines.index("driver door closes, 4 marks") + 1] == " =  can0 1B3 byte 0 bit 0, as above"
        assert lines[0].startswith("Found: every action has a bit that follows it")

    def test_too_few_marks(self, log: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["seek", str(log), "--mark", "20 wave at the car"]) == 3
        shown = capsys.readouterr().out
        assert "repeat the action and mark it at least four times" in shown
        assert shown.startswith("Undecided: nothing follows wave at the car")

    def test_json(self, seeking: Callable[..., int], capsys: pytest.CaptureFixture[str]) -> None:
        assert seeking("--json") == 0
        data = json.loads(capsys.readouterr().out)
        assert data["schema"] == 1
        assert [action["words"] for action in data["actions"]] == ["driver door opens", "driver door closes"]
        best = data["actions"][0]["candidates"][0]
        assert (best["can_id"], best["start"], best["length"], best["surprising"]) == (0x1B3, 0, 1, True)
        assert 0 < best["p"] < best["p_corrected"] < 1e-4
        assert [it["hits"] for it in best["responses"]] == [4, 4]

    def test_tolerance_counts(self, seeking: Callable[..., int], capsys: pytest.CaptureFixture[str]) -> None:
        """Marks that are off by up to 300 ms are not all explained by a tolerance of 20 ms."""
        seeking("--json", "--tolerance", "20 ms", "--delay", "0 ms")
        data = json.loads(capsys.readouterr().out)
        assert data["tolerance"] == 0.02
        hits = [
            response["hits"]
            for action in data["actions"]
            for it in action["candidates"]
            for response in it["responses"]
            if it["can_id"] == 0x1B3 and it["start"] == 0
        ]
        assert not hits or max(hits) < 4


class TestDefinitions:
    """What was found is written as definitions that say the truth, and nothing is written over."""

    def test_written(self, seeking: Callable[..., int], log: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert seeking("-o", "found.dbc") == 0
        assert "found.dbc: defines SEEK_1B3.DRIVER_DOOR" in capsys.readouterr().err
        found = load_definitions("found.dbc")
        assert found.problems == ()
        message = found.message("SEEK_1B3")
        assert (message.can_id, message.length, message.cycle_ns) == (0x1B3, 4, 50_000_000)
        signal = message.signal("DRIVER_DOOR")
        assert signal.labels == {0: "closed", 1: "open"}
        assert "4 of 4 marks 'driver door opens'" in signal.comment
        from buslens import decode

        mine, true = (it[it.signal == "DRIVER_DOOR"] for it in (decode(log, found), decode(log, PINEWICK)))
        assert mine.value.tolist() == true.value.tolist()
        assert mine.time.tolist() == true.time.tolist()

    def test_choose(self, seeking: Callable[..., int]) -> None:
        assert seeking("-o", "found.dbc", "--choose", "2") == 0
        named = {it.can_id for it in load_definitions("found.dbc") for one in it.signals if "DOOR" in one.name}
        assert named == {0x1B3, 0x3C7}

    def test_another_file_stays(self, seeking: Callable[..., int], capsys: pytest.CaptureFixture[str]) -> None:
        Path("mine.dbc").write_text("of the user's")
        assert seeking("-o", "mine.dbc") == 2
        assert "mine.dbc is there already and holds something else; --replace replaces it" in capsys.readouterr().err
        assert Path("mine.dbc").read_text() == "of the user's"
        assert seeking("-o", "mine.dbc", "--replace") == 0
        assert seeking("-o", "mine.dbc") == 0  # the same again is no loss

    def test_an_input_is_never_replaced(self, seeking: Callable[..., int], log: Path) -> None:
        before = log.read_bytes()
        assert seeking("-o", str(log), "--replace") == 2
        assert log.read_bytes() == before

    def test_nothing_found_nothing_written(self, log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        target = tmp_path / "none.dbc"
        assert main(["seek", str(log), "--mark", "20 wave", "-o", str(target)]) == 3
        assert not target.exists()
        assert "is not written: nothing was found that is more than chance" in capsys.readouterr().err


class TestRefused:
    """What cannot be sought ends in one line that says why."""

    @pytest.mark.parametrize(
        ("words", "text"),
        [
            ([], "what was done, and when?"),
            (["--mark", "door"], "--mark 'door': 'door' is no time"),
            (["--mark", "99999 door"], "is behind the end of the capture, which lasts 3"),
            (["--mark", "1 door", "--tolerance", "300"], "'300' is not a duration"),
            (["--mark", "1 door", "-o", "-"], "-o writes a file"),
            (["--marks", "none.txt"], "none.txt: no such file"),
        ],
        ids=lambda value: " ".join(value) if isinstance(value, list) else "",
    )
    def test_words(
        self,
        words: list[str],
        text: str,
        log: Path,
        tmp_path: Path,
        monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        monkeypatch.chdir(tmp_path)
        assert main(["seek", str(log), *words]) == 2
        shown = capsys.readouterr()
        assert text in shown.err
        assert shown.err.count("\n") == 1

    def test_no_time_stamps(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        (tmp_path / "x.log").write_text("  can0  202   [2]  E8 B7\n  can0  202   [2]  E8 B8\n")
        assert main(["seek", str(tmp_path / "x.log"), "--mark", "0 door"]) == 2
        assert "has no time stamps" in capsys.readouterr().err
