"""A first causes file for another car."""

from __future__ import annotations

from pathlib import Path

from buslens.causes.draft import draft_causes
from buslens.causes.load import find_causes, load_causes
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

    def test_a_base_beside_it_goes_first(self, tmp_path: Path) -> None:
        expected = parse_expectations(CAR, str(tmp_path / "mine.toml"))
        mine = find_causes(expected.path)
        mine.write_text(draft_causes(expected, "a car"), "utf-8")
        shipped = Path(load_causes(mine, expected).bases[0])
        other = shipped.read_text("utf-8").replace('title = "load fuse blown"', 'title = "my load fuse"')
        (tmp_path / shipped.name).write_text(other, "utf-8")
        assert load_causes(mine, expected).causes["load_fuse_blown"].title == "my load fuse"
