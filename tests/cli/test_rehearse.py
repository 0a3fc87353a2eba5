from __future__ import annotations

import gzip
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from buslens.cli import main
from buslens.rehearsal.faults import FAULTS
from buslens.rehearsal.rehearse import rehearse, rendered

if TYPE_CHECKING:
    from collections.abc import Callable


@pytest.fixture
def rehearsing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., int]:
    """Return the command, at work in an empty folder; the captures are short, for the sake of the tests."""
    monkeypatch.chdir(tmp_path)
    return lambda *words: main(["rehearse", *words, "--duration", "2"])


@pytest.fixture(scope="module")
def healthy() -> bytes:
    """Return the short capture of a healthy car as candump writes it."""
    return rendered(rehearse("healthy", duration=2.0), "candump")


class TestOutput:
    """A capture is written in the form that the suffix or --form says, the same for the same words."""

    def test_candump(self, rehearsing: Callable[..., int], healthy: bytes, capsys: pytest.CaptureFixture[str]) -> None:
        assert rehearsing("healthy", "-o", "car.log") == 0
        assert Path("car.log").read_bytes() == healthy
        shown = capsys.readouterr()
        count = healthy.count(b"\n")
        assert shown.out.startswith(f"car.log: {count:,} simulated frames in 1.9")
        assert FAULTS["healthy"].sentence in shown.out
        assert shown.err == ""

    def test_asc_compressed(self, rehearsing: Callable[..., int]) -> None:
        assert rehearsing("healthy", "-o", "car.asc.gz") == 0
        assert gzip.decompress(Path("car.asc.gz").read_bytes()).startswith(b"date ")

    def test_form(self, rehearsing: Callable[..., int]) -> None:
        assert rehearsing("healthy", "-o", "car.log", "--form", "asc-dec") == 0
        assert b"base dec" in Path("car.log").read_bytes()

    def test_seed(self, rehearsing: Callable[..., int], healthy: bytes) -> None:
        assert rehearsing("--seed", "2", "healthy", "-o", "car.log") == 0
        assert Path("car.log").read_bytes() != healthy

    def test_standard_output(
        self, rehearsing: Callable[..., int], healthy: bytes, capfdbinary: pytest.CaptureFixture[bytes]
    ) -> None:
        assert rehearsing("healthy", "-o", "-") == 0
        assert capfdbinary.readouterr() == (healthy, b"")

    @pytest.mark.usefixtures("rehearsing")
    def test_every_option_reaches_the_simulation(self, monkeypatch: pytest.MonkeyPatch) -> None:
        import buslens

        asked: list[tuple[tuple[object, ...], dict[str, object]]] = []

        def remember(*words: object, **how: object) -> None:
            asked.append((words, how))
            raise KeyboardInterrupt

        monkeypatch.setattr(buslens, "rehearse", remember)
        words = (
            "slow-motor -o x.log --seed 3 --form asc --duration 9 --severity 2 --begins driving"
            " --temperature -5 --battery 11.5 --background 7 --car 8"
        )
        assert main(["rehearse", *words.split()]) == 130
        assert asked == [
            (
                ("slow-motor",),
                {
                    "seed": 3,
                    "form": "asc",
                    "duration": 9.0,
                    "severity": 2.0,
                    "begins": "driving",
                    "temperature": -5.0,
                    "battery_volts": 11.5,
                    "background_ids": 7,
                    "car_number": 8,
                },
            )
        ]


class TestNothingIsLost:
    """A recording that is there already stays, unless it is the same or is to be replaced."""

    def test_another_recording_stays(self, rehearsing: Callable[..., int], capsys: pytest.CaptureFixture[str]) -> None:
        Path("car.log").write_text("of the user's")
        assert rehearsing("healthy", "-o", "car.log") == 2
        assert capsys.readouterr().err == (
            "buslens: car.log is there already and holds something else; --replace replaces it\n"
        )
        assert Path("car.log").read_text() == "of the user's"

    @pytest.mark.parametrize("name", ["car.log", "car.log.gz"])
    def test_the_same_again_is_no_loss(self, name: str, rehearsing: Callable[..., int]) -> None:
        assert [rehearsing("healthy", "-o", name) for _ in range(2)] == [0, 0]

    def test_replace(self, rehearsing: Callable[..., int], healthy: bytes) -> None:
        Path("car.log").write_text("of the user's")
        assert rehearsing("healthy", "-o", "car.log", "--replace") == 0
        assert Path("car.log").read_bytes() == healthy

    def test_an_empty_file_holds_nothing(self, rehearsing: Callable[..., int], healthy: bytes) -> None:
        Path("car.log").touch()
        assert rehearsing("healthy", "-o", "car.log") == 0
        assert Path("car.log").read_bytes() == healthy


class TestWords:
    """The faults are listed with what they do; what cannot be rehearsed is refused in one line."""

    def test_list(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["rehearse", "--list"]) == 0
        listed = {line.split()[0]: line.split(maxsplit=1)[1] for line in capsys.readouterr().out.splitlines()}
        assert listed == {name: fault.sentence for name, fault in FAULTS.items()}

    @pytest.mark.parametrize(
        ("words", "text"),
        [
            ([], "name a fault and a file"),
            (["healthy"], "name a fault and a file"),
            (["slow-moter", "-o", "x.log"], "'slow-moter'; did you mean 'slow-motor'?"),
            (["healthy", "-o", "x.log", "--seed", "-1"], "seed is -1"),
            (["healthy", "-o", "x.log", "--seed", "one"], "argument --seed: 'one' is not a whole number"),
            (["healthy", "-o", "no/x.log", "--duration", "1"], "there is no folder 'no'"),
            (["healthy", "-o", ".", "--duration", "1"], "is a folder"),
        ],
        ids=lambda value: " ".join(value) if isinstance(value, list) else "",
    )
    @pytest.mark.usefixtures("rehearsing")
    def test_refused(self, words: list[str], text: str, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["rehearse", *words]) == 2
        shown = capsys.readouterr()
        assert text in shown.err
        assert shown.err.count("\n") == 1
        assert shown.out == ""
        assert list(Path.cwd().iterdir()) == []


class TestSignalDefs:
    """What the simulated car is judged by is written beside its capture, and over nothing that a user has changed."""

    def test_judged_at_once(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        log = tmp_path / "logs" / "slow.log"
        log.parent.mkdir()
        monkeypatch.chdir(tmp_path)  # nothing to find here
        assert main(["rehearse", "slow-motor", "-o", str(log), "--signal-defs"]) == 0
        assert main(["check", str(log)]) == 1
        assert main(["rehearse", "slow-motor", "-o", str(log), "--signal-defs"]) == 0  # the same again does no harm

    def test_changed(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        rules = tmp_path / "signal_defs" / "steering_lock.toml"
        rules.parent.mkdir()
        rules.write_text("# mine\n")
        words = ["rehearse", "healthy", "-o", str(tmp_path / "a.log"), "--signal-defs"]
        assert main(words) == 2
        assert "steering_lock.toml is there already and holds something else" in capsys.readouterr().err
        assert rules.read_text() == "# mine\n"
        assert [path.name for path in rules.parent.iterdir()] == ["steering_lock.toml"]
        assert list(tmp_path.iterdir()) == [rules.parent]
        assert main([*words, "--replace"]) == 0
        assert "format = 1" in rules.read_text()

    def test_a_file_in_the_place_of_the_folder(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        (tmp_path / "signal_defs").touch()
        assert main(["rehearse", "healthy", "-o", str(tmp_path / "a.log"), "--signal-defs"]) == 2
        assert "signal_defs: a part of the path is a file" in capsys.readouterr().err
        assert list(tmp_path.iterdir()) == [tmp_path / "signal_defs"]

    def test_standard_output(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["rehearse", "healthy", "-o", "-", "--signal-defs"]) == 2
        assert "standard output is none" in capsys.readouterr().err
