"""What is going on is said as long as it goes on."""

from __future__ import annotations

import io
import time
from typing import TYPE_CHECKING

from support.patience import HANG_S

from buslens.cli import console as module
from buslens.cli.console import Console

if TYPE_CHECKING:
    import pytest


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_seconds_are_counted_until_the_result(monkeypatch: pytest.MonkeyPatch) -> None:
    """A note stands above, the result takes the place."""
    monkeypatch.setattr(module, "_TICK_S", 0.01)
    monkeypatch.setattr(module, "_SHORT_S", 0)
    out, err = io.StringIO(), Terminal()
    console = Console(out, err, color=True, environment={"TERM": "xterm"})
    console.progress("reading a.log")
    console.note("compiling")
    end = time.monotonic() + HANG_S
    while err.getvalue().count("reading a.log (0 s)") < 4 and time.monotonic() < end:
        time.sleep(0.01)
    console.result("OK\n")
    written = err.getvalue()
    assert written.count("reading a.log (0 s)") >= 4
    assert "\x1b[Kbuslens: compiling\n" in written
    assert written.endswith("\r\x1b[K")
    time.sleep(0.05)
    assert err.getvalue() == written
    assert out.getvalue() == "OK\n"
