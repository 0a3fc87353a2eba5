"""``buslens diagnose`` on the bundled samples."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from buslens.cli import main
from buslens.report.diagnosis import NOT_TOLD_APART
from buslens.report.safety_notes import CAUTIONS

ROOT = Path(__file__).parents[2]
SAMPLES = ROOT / "sample_logs"


def diagnose(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, list[str], str]:
    """Return the exit status, the lines of the result and what went to standard error."""
    status = main(["diagnose", *words])
    told = capsys.readouterr()
    return status, told.out.splitlines(), told.err


def sample(name: str) -> str:
    return str(SAMPLES / name)


class TestText:
    """Signs, causes, the next measurement, cautions once, and the next step as the last line."""

    def test_group_and_next_measurement(self, capsys: pytest.CaptureFixture[str]) -> None:
        status, lines, _ = diagnose(capsys, sample("car04_ground_open.log"))
        text = "\n".join(lines)
        assert status == 1
        assert NOT_TOLD_APART in text
        assert "ground wire open" in text
        assert "supply wire open" in text
        assert "Measure next: plug_at_lock, about 3 min" in text
        assert "expected: seated" in text
        assert text.count(CAUTIONS[0]) == 1
        assert lines[-1].startswith("Next: measure plug_at_lock")

    def test_readings_end_on_the_cause(self, capsys: pytest.CaptureFixture[str]) -> None:
        made = ["--measured", "plug_at_lock=seated", "--measured", "supply_to_body=12.2V"]
        # The supply is there: the ground is open, or the lock unit itself is dead.
        _, lines, _ = diagnose(capsys, sample("car04_ground_open.log"), *made)
        assert lines[-1].startswith("Next: measure ground_at_lock")
        made += ["--measured", "ground_at_lock=12.2V"]
        status, lines, _ = diagnose(capsys, sample("car04_ground_open.log"), *made)
        assert status == 1
        assert lines[-1].startswith("Ground wire open (9")
        assert " =  supply_to_body 12.2V: good" in lines

    def test_reading_beyond_its_limit(self, capsys: pytest.CaptureFixture[str]) -> None:
        _, lines, _ = diagnose(capsys, sample("car04_ground_open.log"), "--measured", "supply_at_lock=0.2V")
        assert " x  supply_at_lock 0.2V: none; expected at least 11 V" in lines

    def test_nothing_to_explain(self, capsys: pytest.CaptureFixture[str]) -> None:
        status, lines, _ = diagnose(capsys, sample("car01_healthy.log"))
        assert status == 0
        assert lines[-1].startswith("Nothing to explain")
        assert CAUTIONS[0] not in "\n".join(lines)

    def test_a_capture_that_proves_nothing_is_recorded_again(self, capsys: pytest.CaptureFixture[str]) -> None:
        status, lines, _ = diagnose(capsys, sample("car12_cut_short.log"))
        assert status == 3
        assert lines[-1].startswith("Next: measure record_again")

    @pytest.mark.parametrize(
        ("file", "cause"),
        [
            ("car04_logic_fuse_blown.asc", "Logic fuse blown"),
            ("car05_enable_shorted_on.asc", "Enable wire shorted to supply"),
            ("car09_low_battery.log", "Battery flat"),
            ("car09_new_unit.log", "Lock unit new, not paired"),
            ("car10_cleared_unit.asc", "Pairing of the lock unit cleared"),
        ],
    )
    def test_what_the_log_alone_tells(self, file: str, cause: str, capsys: pytest.CaptureFixture[str]) -> None:
        assert diagnose(capsys, sample(file))[1][-1].startswith(cause)

    @pytest.mark.parametrize(
        ("file", "first", "reading", "cause"),
        [
            ("car07_slow_motor.log", "motor_current", "4 A", "Lock motor worn"),
            ("car07_feedbacks_disagree.asc", "data_against_wheel", "contradicts", "Position sensor in the lock unit"),
            ("car08_jammed_bolt.asc", "wheel_turned", "same", "Bolt jammed"),
            ("car08_jammed_bolt.asc", "wheel_turned", "starts", "Bolt clamped by a wheel"),
        ],
    )
    def test_what_one_measurement_tells(
        self, file: str, first: str, reading: str, cause: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """No part is advised before a measurement that could refute it; a wheel is turned before a plug is touched."""
        assert diagnose(capsys, sample(file))[1][-1].startswith(f"Next: measure {first}")
        assert diagnose(capsys, sample(file), "--measured", f"{first}={reading}")[1][-1].startswith(cause)

    def test_power_module(self, capsys: pytest.CaptureFixture[str]) -> None:
        causes = str(ROOT / "signal_defs" / "steering_lock_supply_box.causes.toml")
        _, lines, _ = diagnose(capsys, sample("car03_load_fuse_blown.log"), "--causes", causes)
        assert lines[-1].startswith("Next: measure box_fuse")


class TestDocument:
    """--json prints one document that holds all of it."""

    def test_document(self, capsys: pytest.CaptureFixture[str]) -> None:
        status, lines, _ = diagnose(
            capsys, sample("car04_ground_open.log"), "--json", "--measured", "plug_at_lock=seated"
        )
        data = json.loads("\n".join(lines))
        assert status == 1
        assert data["captures"][0]["verdict"] == "faulty"
        assert data["measured"] == [{"name": "plug_at_lock", "reading": "seated", "result": "seated"}]
        assert {"supply_open", "ground_open"} <= {it["causes"][0] for it in data["groups"][0]}
        told = sum(it["posterior"] for group in data["groups"] for it in group)
        assert 0.99 < told <= 1.0 + 1e-9
        assert data["next"]["step"] == "measure"
        assert sum(it["probability"] for it in data["next"]["outlooks"]) == pytest.approx(1.0, abs=1e-5)
        silent = next(it for it in data["signs"] if it["sign"] == "data_silent")
        assert (silent["state"], silent["time"] is not None) == ("present", True)


class TestSession:
    """A session goes on where it stopped."""

    def test_goes_on(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        kept = ["--session", str(tmp_path / "car.json")]
        diagnose(capsys, sample("car04_ground_open.log"), *kept, "--measured", "plug_at_lock=seated")
        diagnose(capsys, *kept, "--measured", "supply_to_body=12.2V")
        status, lines, _ = diagnose(capsys, *kept, "--measured", "ground_at_lock=12.2V")
        assert status == 1
        assert lines[-1].startswith("Ground wire open")
        assert diagnose(capsys, *kept)[1][-1] == lines[-1]

    def test_the_last_of_two_readings_counts(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        kept = ["--session", str(tmp_path / "car.json")]
        diagnose(capsys, sample("car04_ground_open.log"), *kept, "--measured", "plug_at_lock=off")
        _, lines, _ = diagnose(capsys, *kept, "--measured", "plug_at_lock=seated")
        assert [line for line in lines if "plug_at_lock " in line and line.startswith(" =")] == [
            " =  plug_at_lock seated"
        ]

    def test_captures_of_another_car(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        kept = ["--session", str(tmp_path / "car.json")]
        first = sample("car04_ground_open.log")
        diagnose(capsys, first, *kept, "--measured", "plug_at_lock=seated")
        assert diagnose(capsys, first, *kept)[2] == ""
        _, _, told = diagnose(capsys, sample("car05_enable_open.log"), *kept)
        assert f"its readings were made for {first}, and count for these captures too" in told

    def test_a_capture_that_is_named_no_more(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        kept = ["--session", str(tmp_path / "car.json")]
        first, second = sample("car04_ground_open.log"), sample("car04_logic_fuse_blown.asc")
        diagnose(capsys, first, *kept)
        assert f"{first} no longer counts" in diagnose(capsys, second, *kept)[2]

    def test_never_over_a_capture(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        log = tmp_path / "car.log"
        held = (SAMPLES / "car01_healthy.log").read_bytes()
        log.write_bytes(held)
        status, _, told = diagnose(capsys, str(log), "--session", str(log))
        assert status == 2
        assert "session" in told
        assert log.read_bytes() == held


class TestWrong:
    """What a person can get wrong is told in one line, with status 2."""

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            ([], "name a capture"),
            (["--measured", "plug=off", sample("car01_healthy.log")], "no measurement is called 'plug'"),
            (["--measured", "battery=12", sample("car01_healthy.log")], "12 has no unit; write '12 V'"),
            (["--causes", "none.toml", sample("car01_healthy.log")], "none.toml: there is no such causes file"),
            ([sample("none.log")], "no such file"),
        ],
    )
    def test_told(self, words: list[str], told: str, capsys: pytest.CaptureFixture[str]) -> None:
        status, lines, error = diagnose(capsys, *words)
        assert (status, lines) == (2, [])
        assert told in error
        assert "Traceback" not in error

    def test_no_causes_beside_the_expectations(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        for name in ("steering_lock.toml", "pinewick.dbc"):
            (tmp_path / name).write_bytes((ROOT / "signal_defs" / name).read_bytes())
        status, _, error = diagnose(
            capsys, sample("car01_healthy.log"), "--expectations", str(tmp_path / "steering_lock.toml")
        )
        assert status == 2
        assert "name one with --causes" in error

    def test_one_capture_of_two_cannot_be_read(self, capsys: pytest.CaptureFixture[str]) -> None:
        status, lines, error = diagnose(capsys, sample("none.log"), sample("car04_ground_open.log"))
        assert status == 2
        assert "no such file" in error
        assert lines[-1].startswith("Next: measure")
