"""A car that sends with changes only, of which a recorder loses frames."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest

from buslens.checks.check import check
from buslens.checks.findings import Verdict

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.checks.findings import Result

IDS: Final = {"door_open": 0x100, "lock_enable": 0x110, "unlock_feedback": 0x120, "data_feedback": 0x130}
STATES: Final = {
    "door_open": "closed open",
    "lock_enable": "off on",
    "unlock_feedback": "unlocked locked",
    "data_feedback": "unlocked locked",
}
RULES: Final = """
[[rules]]
name = "lock handshake"
kind = "sequence"
start = "door_open becomes open"
given = "unlock_feedback is unlocked or data_feedback is unlocked"
tries = 3
usual_tries = 1
steps = [
  { name = "enable on", await = "lock_enable becomes on", within = "300 ms" },
  { name = "wire feedback", await = "unlock_feedback becomes locked", within = "500 ms" },
  { name = "data feedback", await = "data_feedback becomes locked", within = "200 ms" },
]
[[rules]]
name = "feedback agreement"
kind = "agree"
first = "unlock_feedback is locked"
second = "data_feedback is locked"
settle = "300 ms"
"""
#: Times in s, role, value.
LOCKED: Final = (
    (2.0, "door_open", 1),
    (2.1, "lock_enable", 1),
    (2.4, "unlock_feedback", 1),
    (2.5, "data_feedback", 1),
    (2.7, "lock_enable", 0),
    (4.0, "door_open", 0),
)
AGAIN: Final = ((2.9, "lock_enable", 1), (3.4, "lock_enable", 0))
UNLOCKED: Final = (
    (5.0, "unlock_feedback", 0),
    (6.0, "door_open", 1),
    (6.1, "lock_enable", 1),
    (6.4, "unlock_feedback", 1),
)


def checked(folder: Path, *frames: tuple[float, str, int], sent: str = "only on change") -> Result:
    """Check what is recorded beside a message that comes every 50 ms."""
    signals = "".join(f'BO_ {of} M_{name}: 1 A\n SG_ S : 0|1@1+ (1,0) [0|1] "" A\n\n' for name, of in IDS.items())
    (folder / "car.dbc").write_text(f'VERSION ""\nNS_ :\nBS_:\nBU_: A\n\n{signals}', "utf-8")
    lines = ["format = 1", 'definitions = ["car.dbc"]']
    for name, states in STATES.items():
        off, on = states.split()
        lines += [f"[roles.{name}]", f'signal = "M_{name}.S"', f"states = {{ {off} = 0, {on} = 1 }}"]
        lines += [f'sent = "{sent}"', 'lag = "20 ms"', 'timeout = "never"']
    (folder / "car.toml").write_text("\n".join(lines) + RULES, "utf-8")
    told = [(0.05, name, 0) for name in IDS] + list(frames)
    rows = [(at, f"{IDS[name]:03X}#{value:02X}") for at, name, value in told]
    rows += [(index / 20, "7F0#00") for index in range(200)]
    (folder / "car.log").write_text("".join(f"({1e9 + at:.6f}) can0 {text}\n" for at, text in sorted(rows)))
    return check(folder / "car.log", expectations=folder / "car.toml")


def without(role: str) -> list[tuple[float, str, int]]:
    return [it for it in LOCKED if it[1] != role]


@pytest.mark.parametrize("role", ["unlock_feedback", "data_feedback"])
def test_one_lost_frame_is_no_fault(role: str, tmp_path: Path) -> None:
    """The frame that says locked is lost: what it would have shown is in doubt, and nothing passes."""
    assert checked(tmp_path, *LOCKED).verdict is Verdict.AS_EXPECTED
    result = checked(tmp_path, *without(role))
    assert result.verdict is Verdict.UNDECIDED
    assert f"one lost frame of M_{role}, which comes with changes only, would explain it" in result.summary
    # The next frame of the role then shows nothing new: it tells of the way back.
    back = [(5.0, "unlock_feedback", 0), (5.1, "data_feedback", 0)]
    result = checked(tmp_path, *without(role), *back, *((at + 4, name, value) for at, name, value in LOCKED))
    assert result.verdict is Verdict.UNDECIDED, result.summary


def test_what_one_lost_frame_does_not_explain(tmp_path: Path) -> None:
    """Frames of both paths, a control unit that tries again, a path that stands still, a message sent by the clock."""
    neither = [it for it in without("unlock_feedback") if it[1] != "data_feedback"]
    one = without("data_feedback")
    assert checked(tmp_path, *neither).verdict is Verdict.FAULTY
    assert checked(tmp_path, *without("unlock_feedback"), *AGAIN).verdict is Verdict.FAULTY
    assert checked(tmp_path, *one, *UNLOCKED).verdict is Verdict.FAULTY
    assert "lost frame" not in checked(tmp_path, *one, sent="on change").summary
