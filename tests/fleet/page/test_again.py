"""A few captures are judged again by what their groups are judged on."""

from __future__ import annotations

from pathlib import Path

import pytest
from support.sheets import capture

import buslens
from buslens.checks import check as check_module
from buslens.errors import UsageError
from buslens.fleet.model import Group
from buslens.fleet.page.recheck import checking

ROOT = Path(__file__).parents[3]
EXPECTATIONS = str(ROOT / "signal_defs" / "steering_lock.toml")
SLOW = str(ROOT / "sample_logs" / "car07_slow_motor.log")
CLUB = Group(name="club", vehicles=("*",), expectations=EXPECTATIONS)


class TestJudging:
    """The same verdict as that of the command, under the capture's own address, and each file is loaded once."""

    def test_a_sample(self, monkeypatch: pytest.MonkeyPatch) -> None:
        loaded = []
        prepare = check_module.prepare
        monkeypatch.setattr(check_module, "prepare", lambda *given: loaded.append(given) or prepare(*given))
        again = checking([CLUB])
        one = capture(1)._replace(address=Path(SLOW).as_uri(), group="club")
        result = again(one)
        again(one._replace(address=SLOW))
        assert [given for given in loaded if given == (EXPECTATIONS, None)] == [(EXPECTATIONS, None)]
        assert result.path == one.address
        plain = buslens.check(SLOW, expectations=EXPECTATIONS)
        assert [(it.rule, it.reason) for it in result.findings] == [(it.rule, it.reason) for it in plain.findings]

    def test_a_group_that_is_no_more(self) -> None:
        with pytest.raises(UsageError, match="the group 'trucks'"):
            checking([CLUB])(capture(1)._replace(group="trucks"))

    def test_a_capture_that_is_gone(self, tmp_path: Path) -> None:
        again = checking([CLUB])
        with pytest.raises((OSError, buslens.BuslensError), match=r"gone\.log"):
            again(capture(1)._replace(address=str(tmp_path / "gone.log"), group="club"))
