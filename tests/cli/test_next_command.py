"""The command to type next works when it is pasted."""

from __future__ import annotations

import io
import re
import shlex
import shutil
import sys
from pathlib import Path
from typing import Final

import pytest

from buslens.cli import main
from buslens.cli.next_command import command_line

ROOT: Final = Path(__file__).parents[2]
BAD, GOOD = "my car's log.log", "after it.log"
WORDS: Final = ["--expectations", "my rules.toml", "--channel", "can0=can0"]


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.mark.slow
@pytest.mark.parametrize(
    ("words", "filled_in"),
    [
        (["check", BAD], {}),
        (["check", GOOD], {}),
        (["compare", BAD, GOOD], {"NEXT.log": "next.log"}),
        (["diagnose", BAD, "--with", "my wires.csv.gz"], {"AFTER.log": GOOD}),
        (["diagnose", BAD, "--session", "my session.json"], {"READING": "agrees"}),
        (["plot", BAD, "-o", "a picture.png"], {}),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else "",
)
def test_pasted(words: list[str], filled_in: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Blanks, a quote and the options of the first call go along; what a person fills in stands in capitals."""
    monkeypatch.chdir(tmp_path)
    for name, made in ((BAD, "car05_enable_open"), (GOOD, "car01_healthy"), ("next.log", "car02_retry")):
        shutil.copy(ROOT / f"sample_logs/{made}.log", name)
    shutil.copy(ROOT / "sample_logs/wires_car05.csv.gz", "my wires.csv.gz")
    for name in ("steering_lock.toml", "steering_lock.causes.toml", "pinewick.dbc"):
        shutil.copy(ROOT / "signal_defs" / name, name.replace("steering_lock", "my rules"))
    monkeypatch.setattr(sys, "stdout", Terminal())
    monkeypatch.setattr(sys, "stderr", err := Terminal())
    assert main([*words, *WORDS]) in {0, 1}
    told = re.search(r"next, .*?: buslens (.*)\n", err.getvalue())
    assert told is not None
    next_words = shlex.split(told[1])
    assert [word for word in WORDS if word not in next_words] == []
    for placeholder, given in filled_in.items():
        assert placeholder in told[1]
        next_words = [word.replace(placeholder, given) for word in next_words]
    assert main(next_words) in {0, 1}


def test_quoted_as_windows_splits_words() -> None:
    """cmd.exe and PowerShell know double quotes."""
    words = ["buslens", "check", r"C:\my logs\car (1).log", "--with", "a&b.csv", r"D:\logs\car.log"]
    assert command_line(words, windows=True) == (
        r'buslens check "C:\my logs\car (1).log" --with "a&b.csv" D:\logs\car.log'
    )
