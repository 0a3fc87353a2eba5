"""A causes file becomes records, or all of its problems with their places."""

from __future__ import annotations

from pathlib import Path

import pytest
from support.rehearsed import FOLDER, expectations

from buslens.causes.likelihood import often
from buslens.causes.load import find_causes, load_causes
from buslens.causes.model import CauseKind, Frequency
from buslens.checks.findings import Outcome
from buslens.errors import ExpectationError

SMALL = """\
format = 1
[numbers]
usual = 0.95
sometimes = 0.5
rare = 0.02
never = 0.002
cannot = 0.002
reading = 0.97
apart = 3.0
sure = 0.9
basis = "made up"
[signs.silent]
shows = "the data line is silent"
findings = [{ rule = "data line" }]
[signs.stalls]
shows = "the motor stalls"
while = "lock_enable is on"
seen = "supply_current > 7000 mA for 100 ms"
[causes.fuse]
title = "fuse blown"
kind = "fuse"
weight = 3
usual = ["silent"]
cannot = ["stalls"]
readings = { volts = ["none", "low"] }
repair = "Fit a fuse."
basis = "made up"
[measurements.volts]
do = "Measure."
where = "plug"
state = "off"
unit = "V"
minutes = 2.5
expect = "good"
results = [{ name = "none", below = "1 V" }, { name = "low", least = "1 V", below = "11 V" },
  { name = "good", least = "11 V" }]
basis = "made up"
"""


@pytest.fixture
def written(tmp_path: Path):
    def write(text: str, name: str = "small.causes.toml") -> Path:
        (tmp_path / name).write_text(text, encoding="utf-8")
        return tmp_path / name

    return write


class TestLoad:
    """Everything that a file says arrives."""

    def test_small(self, written) -> None:
        file = load_causes(written(SMALL), expectations())
        fuse = file.causes["fuse"]
        assert (fuse.kind, fuse.weight, fuse.readings) == (CauseKind.FUSE, 3.0, {"volts": ("none", "low")})
        assert [often(fuse, it) for it in ("silent", "stalls")] == [Frequency.USUAL, Frequency.CANNOT]
        pattern = file.signs["silent"].findings[0]
        assert (pattern.rule, pattern.step) == ("data line", None)
        assert pattern.outcomes == {it for it in Outcome if it.is_fault}
        stalls = file.signs["stalls"]
        assert stalls.seen is not None
        assert stalls.while_ is not None
        assert stalls.while_.text == "lock_enable is on"
        volts = file.measurements["volts"]
        assert (volts.minutes, volts.result("low").least, volts.result("low").below) == (2.5, 1.0, 11.0)

    @pytest.mark.parametrize("name", ["steering_lock.causes.toml", "steering_lock_supply_box.causes.toml"])
    def test_bundled(self, name: str) -> None:
        file = load_causes(FOLDER / name, expectations())
        for it in file.causes.values():
            assert it.basis
            assert it.repair.endswith(".")
        assert {it.kind for it in file.causes.values()} == set(CauseKind)

    def test_every_number_of_the_bundled_files_says_where_it_is_from(self) -> None:
        for name in ("steering_lock.causes.toml", "steering_lock_supply_box.causes.toml"):
            file = load_causes(FOLDER / name, expectations())
            bases = [file.numbers.basis, *(it.basis for it in (*file.causes.values(), *file.measurements.values()))]
            known = ("invented", "no source", "our choice", "(secondary)")
            assert all(any(words in it for words in known) for it in bases)

    def test_what_lies_beside(self) -> None:
        assert find_causes(Path("a") / "steering_lock.toml") == Path("a") / "steering_lock.causes.toml"


class TestBase:
    """A file can stand on another one: replace, add, leave out."""

    ON_TOP = """\
format = 1
base = "small.causes.toml"
without = ["stalls"]
[causes.wire]
title = "wire open"
kind = "wire"
weight = 1
repair = "Mend it."
basis = "made up"
"""

    def test_on_top(self, written) -> None:
        written(SMALL)
        file = load_causes(written(self.ON_TOP, "top.causes.toml"), expectations())
        assert set(file.causes) == {"fuse", "wire"}
        assert set(file.signs) == {"silent"}
        assert file.causes["fuse"].signs == {"silent": Frequency.USUAL}

    def test_power_module(self) -> None:
        base = load_causes(FOLDER / "steering_lock.causes.toml", expectations())
        file = load_causes(FOLDER / "steering_lock_supply_box.causes.toml", expectations())
        assert set(base.causes) - set(file.causes) == {"load_fuse_blown", "supply_shorted_to_ground"}
        assert set(file.causes) - set(base.causes) == {"box_fuse_blown", "box_wake_open", "box_without_output"}

    def test_left_out_and_written_anew(self, written) -> None:
        written(SMALL)
        anew = self.ON_TOP + '[signs.stalls]\nshows = "it hums"\nrecording = "seam"\n'
        file = load_causes(written(anew, "top.causes.toml"), expectations())
        assert file.signs["stalls"].shows == "it hums"
        assert file.causes["fuse"].signs["stalls"] is Frequency.CANNOT

    def test_in_a_circle(self, written) -> None:
        written('format = 1\nbase = "b.causes.toml"\n', "a.causes.toml")
        path = written('format = 1\nbase = "a.causes.toml"\n', "b.causes.toml")
        with pytest.raises(ExpectationError, match="leads back to itself"):
            load_causes(path, expectations())

    def test_called_as_the_base_that_came_along(self, written) -> None:
        """A car's files have the usual names, and stand on the program's file of the same name."""
        path = written('format = 1\nbase = "steering_lock.causes.toml"\n', "steering_lock.causes.toml")
        own, shipped = (load_causes(it, expectations()) for it in (path, FOLDER / "steering_lock.causes.toml"))
        assert set(own.causes) == set(shipped.causes)

    def test_base_that_is_not_there(self, written) -> None:
        path = written('format = 1\nbase = "none.causes.toml"\n')
        with pytest.raises(ExpectationError, match=r"causes.toml:2:8: there is no file '.*none.causes.toml'"):
            load_causes(path, expectations())


class TestWrong:
    """Each thing wrong is told with line, column and what would be right."""

    @pytest.mark.parametrize(
        ("old", "new", "place", "problem"),
        [
            ("usual = 0.95", "usual = 95", "3:9", "'usual' is 95; it must be above 0 and below 1"),
            ("usual = 0.95", 'usual = "often"', "3:9", "'usual' must be a number, and this is a text"),
            ("usual = 0.95", "usual = 0.4", "2:1", "must rise from 'never'"),
            ("apart = 3.0", "apart = 0.5", "9:9", "above 1"),
            ('rule = "data line"', 'rule = "data lin"', "14:22", "did you mean 'data line'?"),
            (
                'rule = "data line"',
                'rule = "unlock handshake", step = "wire feedbck"',
                "14:49",
                "has no step 'wire feedbck'; did you mean 'wire feedback'?",
            ),
            ('"data line" }', '"data line", outcomes = ["gone"] }', "14:47", "no outcome is called 'gone'"),
            ("supply_current > 7000 mA", "suply_current > 7 A", "18:9", "did you mean 'supply_current'?"),
            ("supply_current > 7000 mA", "supply_current > 7 V", "18:26", "does not fit"),
            ('kind = "fuse"', 'kind = "fues"', "21:8", "did you mean 'fuse'?"),
            ('usual = ["silent"]', 'usual = ["silnt"]', "23:10", "no sign is called 'silnt'; did you mean 'silent'?"),
            ('cannot = ["stalls"]', 'cannot = ["silent"]', "24:11", "'silent' is named twice"),
            ('volts = ["none", "low"]', 'volt = "none"', "25:14", "no measurement is called 'volt'; did you mean"),
            ('["none", "low"]', '"nought"', "25:22", "no result is called 'nought'"),
            ('usual = ["silent"]', 'usual = ["volts"]', "23:10", "no sign is called 'volts'; known: silent, stalls"),
            ("volts = [", "silent = [", "25:14", "no measurement is called 'silent'; known: volts"),
            ('["none", "low"]', '"silent"', "25:22", "no result is called 'silent'"),
            ('["none", "low"]', '["low", "low"]', "25:30", "names the result 'low' twice"),
            ("weight = 3", "weight = 0", "22:10", "above 0"),
            ('expect = "good"', 'expect = "goood"', "34:10", "no result is called 'goood'; did you mean 'good'?"),
            ('least = "1 V"', 'least = "2 V"', "35:11", "a reading can fall between two results"),
            ('least = "1 V"', 'least = "0.5 V"', "35:11", "two results overlap"),
            ('least = "11 V"', 'least = "11 V", below = "14 V"', "35:11", "no result takes a reading of 14 or more"),
            ('least = "1 V"', 'least = "1 A"', "35:70", "does not fit"),
            ('unit = "V"\n', "", "34:37", "needs the measurement to have a unit"),
            ('repair = "Fit a fuse."\n', "", "19:1", "cause 'fuse' has no 'repair'"),
            ('unit = "V"', 'unit = "V"\nminuets = 3', "33:1", "has no key 'minuets'; did you mean 'minutes'?"),
        ],
    )
    def test_place_and_problem(self, old: str, new: str, place: str, problem: str, written) -> None:
        assert SMALL.count(old) >= 1
        with pytest.raises(ExpectationError) as caught:
            load_causes(written(SMALL.replace(old, new, 1)), expectations())
        told = str(caught.value)
        assert told.count("causes.toml:") == 1, "what follows from it is not told, too"
        assert problem in told
        assert f".toml:{place}: " in told, told

    def test_all_at_once(self, written) -> None:
        text = SMALL.replace('usual = ["silent"]', 'usual = ["silnt"]').replace("weight = 3", "weight = -3")
        with pytest.raises(ExpectationError) as caught:
            load_causes(written(text), expectations())
        assert str(caught.value).count("causes.toml:") == 2

    def test_no_such_file(self, tmp_path: Path) -> None:
        with pytest.raises(ExpectationError, match="there is no such causes file"):
            load_causes(tmp_path / "none.toml", expectations())

    def test_nothing_in_it(self, written) -> None:
        with pytest.raises(ExpectationError, match=r"the file has no table \[numbers\]"):
            load_causes(written("format = 1\n"), expectations())
