"""Logs and definitions that could be taken for more than they are: what they cannot tell is said."""

from __future__ import annotations

import gzip
import shutil
from pathlib import Path

import pytest

import buslens
from buslens.capture import scan
from buslens.cli import main
from buslens.errors import CaptureError
from buslens.report.text import recording

ROOT = Path(__file__).parents[2]
HEALTHY = ROOT / "sample_logs" / "car01_healthy.log"
RULES = ROOT / "signal_defs" / "steering_lock.toml"
DBC = ROOT / "signal_defs" / "pinewick.dbc"

TIED = """\
format = 1
handshake = false
definitions = [{ file = "pinewick.dbc", channel = "can0" }, { file = "pinewick.dbc", channel = "can1" }]
[roles.door_open]
signal = "BODY_DOORS.DRIVER_DOOR"
states = { open = "open", closed = "shut" }
[[rules]]
name = "door is known"
kind = "never"
when = "door_open is unknown"
longer_than = "5 s"
"""


class TestSeams:
    """A clock that runs back more often than is kept gives no verdict, for nobody would know where time is broken."""

    @pytest.mark.parametrize(("discontinuities", "is_judged"), [(3, True), (4, False)])
    def test_most(self, discontinuities: int, is_judged: bool, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
        monkeypatch.setattr(scan, "KEPT_DISCONTINUITIES", 3)
        head = HEALTHY.read_text("ascii").splitlines(keepends=True)[:200]
        log = tmp_path / "joined.log"
        log.write_text("".join(head * (discontinuities + 1)), "ascii")
        if is_judged:
            assert len(buslens.check(log, expectations=RULES).stats.discontinuities) == discontinuities
        else:
            with pytest.raises(
                CaptureError, match="its clock runs back 4 times, so that no delay in it can be trusted"
            ):
                buslens.check(log, expectations=RULES)


class TestHoles:
    """A block of zero bytes hides whatever was recorded there: no rule is kept or broken across it."""

    def test_no_verdict_from_what_is_lost(self, tmp_path: Path) -> None:
        lines = HEALTHY.read_bytes().splitlines(keepends=True)
        stamp = [float(line[1:18]) for line in lines]
        runs = buslens.check(HEALTHY, expectations=RULES).handshakes
        middle = runs[0].start.latest_ns / 1e9 + 0.05
        before = [line for line, at in zip(lines, stamp, strict=True) if at < middle]
        behind = [line for line, at in zip(lines, stamp, strict=True) if at > middle + 0.3]
        log = tmp_path / "hole.log"
        log.write_bytes(b"".join(before) + bytes(4096) + b"".join(behind))
        result = buslens.check(log, expectations=RULES)
        assert result.verdict.value == "undecided"
        (discontinuity,) = result.stats.discontinuities
        assert discontinuity.is_hole
        assert discontinuity.until_ns - discontinuity.time_ns > 0.29e9
        assert not [finding for finding in result.findings if finding.outcome.is_fault]
        assert any("zero bytes stand before it" in note for note in result.notes)
        doubts = [finding.reason for finding in result.findings if finding.outcome.value == "undecided"]
        assert any("a part of the log is lost" in reason for reason in doubts)
        assert not any("clock ran back" in reason for reason in doubts)


class TestDamagedPack:
    """Nobody knows where a packed log is damaged whose check sum does not match."""

    def test_check_sum(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        packed = bytearray(gzip.compress(HEALTHY.read_bytes()))
        log = tmp_path / "packed.log.gz"
        log.write_bytes(packed)
        assert main(["check", str(log), "--expectations", str(RULES)]) == 0
        packed[-8] ^= 1
        log.write_bytes(packed)
        capsys.readouterr()
        result = buslens.check(log, expectations=RULES)
        assert result.verdict.value == "undecided"
        assert "damaged at an unknown place" in result.summary
        main(["check", str(log), "--expectations", str(RULES)])
        assert "incorrect data check" in capsys.readouterr().out

    def test_one_that_stops_in_the_middle_is_told_first_and_last(self, tmp_path: Path) -> None:
        packed = gzip.compress(HEALTHY.read_bytes())
        (tmp_path / "cut.log.gz").write_bytes(packed[: len(packed) * 9 // 10])
        result = buslens.check(tmp_path / "cut.log.gz", expectations=RULES)
        assert "the log is cut short" in result.summary
        assert "cut short (the gzip data stops in the middle)" in ", ".join(recording(result.stats))


class TestRoundedStamps:
    """What rounding hides is no fault, and no proof: every delay is as much less certain at both ends."""

    def test_delay(self, tmp_path: Path) -> None:
        exact = buslens.check(HEALTHY, expectations=RULES)
        log = tmp_path / "coarse.log"
        lines = HEALTHY.read_text("ascii").splitlines(keepends=True)
        log.write_text("".join(f"({float(line[1:18]) // 0.01 * 0.01:.6f}{line[18:]}" for line in lines), "ascii")
        rounded = buslens.check(log, expectations=RULES)
        assert rounded.stats.resolution_ns == 10_000_000
        pairs = [
            (a.delay, b.delay)
            for a, b in zip(exact.findings, rounded.findings, strict=False)
            if a.kind == b.kind == "sequence" and a.delay and b.delay
        ]
        assert pairs
        for true, told in pairs:
            assert told.earliest_ns <= true.earliest_ns
            assert told.latest_ns >= true.latest_ns


class TestTiedToTwoChannels:
    """A role follows the channel that is named first, and the report says so."""

    @pytest.fixture(autouse=True)
    def _files(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        shutil.copy(DBC, tmp_path)
        (tmp_path / "two.toml").write_text(TIED, "utf-8")
        (tmp_path / "one.log").write_text(HEALTHY.read_text("ascii"), "ascii")
        (tmp_path / "other.log").write_text(HEALTHY.read_text("ascii").replace(" can0 ", " can1 "), "ascii")
        monkeypatch.chdir(tmp_path)

    def test_said(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["check", "one.log", "--expectations", "two.toml"]) == 0
        assert "know BODY_DOORS on can0 and on can1; it was read from can0" in capsys.readouterr().out

    def test_on_the_other_one(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["check", "other.log", "--expectations", "two.toml"]) == 2
        said = capsys.readouterr().err
        assert "BODY_DOORS is on can1, and its definitions are tied to can0" in said
        assert "write --channel can1=can0" in said

    def test_one_channel_needs_no_word(self, capsys: pytest.CaptureFixture[str]) -> None:
        Path("two.toml").write_text(TIED.replace(', { file = "pinewick.dbc", channel = "can1" }', ""), "utf-8")
        assert main(["check", "one.log", "--expectations", "two.toml"]) == 0
        assert "BODY_DOORS" not in capsys.readouterr().out


class TestDefinitionsThatWereUsed:
    """Reports name the definitions that the capture was decoded with, not those that the expectations name."""

    def test_page(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        used = shutil.copy(DBC, tmp_path / "mine.dbc")
        page = tmp_path / "p.html"
        words = ["page", str(HEALTHY), "--definitions", str(used), "--expectations", str(RULES), "-o", str(page)]
        assert main(words) == 0
        assert capsys.readouterr().out
        written = page.read_text("utf-8")
        assert "mine.dbc" in written
        assert "pinewick.dbc" not in written
