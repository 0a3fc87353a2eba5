"""Confirmed jobs are counted on top of a file's weights."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta
from support.small_causes import cause, causes

from buslens.causes.learn import learn
from buslens.cli import main
from buslens.errors import UsageError

ROOT = Path(__file__).parents[2]
FILE = causes([cause("fuse", weight=3), cause("plug", weight=1)])


class TestLearn:
    """A Dirichlet prior of the weights, worth 20 jobs."""

    def test_by_hand(self) -> None:
        fuse, plug = sorted(learn(FILE, ["plug"] * 4 + ["fuse"]), key=lambda it: it.cause.name)
        assert (fuse.old, plug.old) == (0.75, 0.25)
        assert (fuse.count, plug.count) == (1, 4)
        assert plug.new == pytest.approx((5 + 4) / 25)
        assert (plug.low, plug.high) == pytest.approx(beta.interval(0.95, 9, 16))

    def test_no_jobs_change_nothing(self) -> None:
        assert all(it.old == pytest.approx(it.new) for it in learn(FILE, []))

    @given(st.lists(st.sampled_from(["fuse", "plug"])))
    def test_shares_add_up(self, confirmed: list[str]) -> None:
        found = learn(FILE, confirmed)
        assert sum(it.new for it in found) == pytest.approx(1.0)
        assert all(it.low <= it.new <= it.high for it in found)

    def test_unknown(self) -> None:
        with pytest.raises(UsageError, match="no cause 'plugg'; did you mean 'plug'"):
            learn(FILE, ["plugg"])


class TestCommand:
    """buslens diagnose --learn FOLDER."""

    def learn(self, folder: Path) -> int:
        return main(
            ["diagnose", "--learn", str(folder), "--expectations", str(ROOT / "signal_defs/steering_lock.toml")]
        )

    def test_counts(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        for number in range(3):
            (tmp_path / f"{number}.toml").write_text('vehicle = "car"\nconfirmed = "plug_loose"\n')
        (tmp_path / "open.toml").write_text('vehicle = "car"\n')
        (tmp_path / "other.toml").write_text('wheels = "four"\n')
        assert self.learn(tmp_path) == 0
        out, err = capsys.readouterr()
        assert "3 jobs with a confirmed cause; 1 job without one, not counted" in out
        assert "[weights]" in out
        assert "other.toml" in err
        (row,) = [line for line in out.splitlines() if line.startswith("plug_loose  ")]
        assert row.split()[1] == "3"

    def test_weights_can_be_copied(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        """What is printed is what a causes file takes."""
        (tmp_path / "1.toml").write_text('confirmed = "plug_loose"\n')
        self.learn(tmp_path)
        weights = capsys.readouterr().out.partition("\n[weights]\n")[2]
        mine = tmp_path / "mine.causes.toml"
        mine.write_text(f'format = 1\nbase = "steering_lock.causes.toml"\n[weights]\n{weights}')
        words = ["diagnose", str(ROOT / "sample_logs/car04_ground_open.log"), "--causes", str(mine)]
        assert main(words) == 1

    def test_unknown_cause(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        (tmp_path / "1.toml").write_text('confirmed = "plug_lose"\n')
        assert self.learn(tmp_path) == 2
        assert "did you mean 'plug_loose'" in capsys.readouterr().err

    def test_no_folder(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert self.learn(tmp_path / "none") == 2
        assert "this is no folder" in capsys.readouterr().err
