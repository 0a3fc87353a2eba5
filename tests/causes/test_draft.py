"""A first causes file for another car."""

from __future__ import annotations

from pathlib import Path

import pytest

from buslens.causes.draft import draft_causes
from buslens.causes.load import find_causes, load_causes
from buslens.checks.check import check
from buslens.definitions.load import load_definitions
from buslens.expectations.load import parse_expectations

CAR = b"""\
format = 1
[roles.lock_enable]
signal = "A.E"
states = { on = 1, off = 0 }
[roles.unlock_feedback]
signal = "A.F"
states = { locked = 0, unlocked = 1 }
[[rules]]
name = "unlock handshake"
kind = "sequence"
start = "lock_enable becomes on"
steps = [{ name = "bolt unlocked", await = "unlock_feedback becomes unlocked", within = "1 s" }]
"""
CURRENT = b"""
[roles.supply_current]
signal = "A.I"
unit = "A"
"""
DBC = """\
VERSION ""
BU_: X
BO_ 1 A: 3 X
 SG_ E : 0|1@1+ (1,0) [0|1] "" X
 SG_ F : 8|1@1+ (1,0) [0|1] "" X
 SG_ I : 16|8@1+ (0.1,0) [0|25] "A" X
"""


class TestDraft:
    """It is read as it is, finds its base with the program, and says what it cannot show."""

    def test_read_back(self, tmp_path: Path) -> None:
        expected = parse_expectations(CAR, str(tmp_path / "mine.toml"))
        text = draft_causes(expected, 'a "new" car')
        find_causes(expected.path).write_text(text, "utf-8")
        file = load_causes(find_causes(expected.path), expected)
        assert file.about == 'a "new" car'
        assert "no_release" in file.signs
        assert "bolt_under_load" in file.causes
        assert file.lost
        assert all(f"{sign}" in text for sign in file.lost)

    @pytest.mark.parametrize(("on_s", "usual"), [(0.2, False), (0.6, True)])
    def test_what_a_healthy_car_shows_is_no_sign(self, tmp_path: Path, on_s: float, usual: bool) -> None:
        """A motor that draws 8 A, and stops long before a long enable ends."""
        expected = parse_expectations(CAR + CURRENT, str(tmp_path / "mine.toml"))
        (tmp_path / "a.dbc").write_text(DBC, "utf-8")
        frames = [(at / 100, 1 <= at / 100 < 1 + on_s, 80 if 1 <= at / 100 < 1.2 else 0) for at in range(300)]
        log = tmp_path / "good.log"
        log.write_text("".join(f"({at:.6f}) can0 001#{on:02X}{on:02X}{amps:02X}\n" for at, on, amps in frames), "utf-8")
        result = check(log, expected, load_definitions(str(tmp_path / "a.dbc")))
        find_causes(expected.path).write_text(draft_causes(expected, "a car", [result]), "utf-8")
        file = load_causes(find_causes(expected.path), expected)
        assert ("motor_cuts_out" not in file.signs) is usual
        assert 'seen = "supply_current between 10.4 A and 20 A for 100 ms"' in draft_causes(expected, "it", [result])
        assert {"motor_strains", "motor_stalls"} <= set(file.signs)

    def test_a_base_beside_it_goes_first(self, tmp_path: Path) -> None:
        expected = parse_expectations(CAR, str(tmp_path / "mine.toml"))
        mine = find_causes(expected.path)
        mine.write_text(draft_causes(expected, "a car"), "utf-8")
        shipped = Path(load_causes(mine, expected).bases[0])
        other = shipped.read_text("utf-8").replace('title = "load fuse blown"', 'title = "my load fuse"')
        (tmp_path / shipped.name).write_text(other, "utf-8")
        assert load_causes(mine, expected).causes["load_fuse_blown"].title == "my load fuse"
