"""Single keys from the terminal."""

from __future__ import annotations

import os
import sys
from types import SimpleNamespace

import pytest

from buslens.cli.keys import PlayerKey, _TerminalKeys, _WindowsKeys


@pytest.mark.skipif(os.name == "nt", reason="keys come from no file there")
class TestSeveralAtOnce:
    """No key is lost when several come before the program looks: a pause that is not ended would last for ever."""

    @pytest.mark.parametrize(
        ("sent", "meant"),
        [
            (b" q", [PlayerKey.PAUSE, PlayerKey.END]),
            (b" n\x1b[C q", [PlayerKey.PAUSE, PlayerKey.STEP, PlayerKey.STEP, PlayerKey.PAUSE, PlayerKey.END]),
            (b"\x1bOC\x1b[Cn", [PlayerKey.STEP] * 3),
            (b"x\x1b[1;5C\x1b[A\xc3\xa4q", [PlayerKey.END]),  # with Ctrl held, up, a letter that has no meaning
            (b"\x1bq", [PlayerKey.END]),
            (b"\x1b[", []),
            (b"q" * 100, [PlayerKey.END] * 100),
        ],
    )
    def test_order(self, sent: bytes, meant: list[PlayerKey]) -> None:
        reading, writing = os.pipe()
        try:
            os.write(writing, sent)
            keys = _TerminalKeys(reading)
            taken = []
            while len(taken) < len(meant):
                key = keys.wait(0)
                assert key is not None
                taken.append(key)
            assert taken == meant
            assert keys.wait(0) is None
        finally:
            os.close(reading)
            os.close(writing)


class TestWindows:
    """The console of Windows hands over one key at a time, an arrow as a mark and a code."""

    @pytest.mark.parametrize(
        ("pressed", "meant"),
        [
            (" q", [PlayerKey.PAUSE, PlayerKey.END]),
            ("n\xe0M\x00M", [PlayerKey.STEP] * 3),
            ("x\xe0H\u00e4q", [None, None, None, PlayerKey.END]),  # a letter without a meaning, up, another letter
        ],
    )
    def test_order(self, pressed: str, meant: list[PlayerKey | None], monkeypatch: pytest.MonkeyPatch) -> None:
        left = list(pressed)
        console = SimpleNamespace(kbhit=lambda: bool(left), getwch=lambda: left.pop(0))
        monkeypatch.setitem(sys.modules, "msvcrt", console)
        keys = _WindowsKeys()
        assert [keys.wait(0) for _ in meant] == meant
        assert keys.wait(0) is None

    def test_ctrl_c(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """It is a key like any other while a key is read, and must end the program all the same."""
        monkeypatch.setitem(sys.modules, "msvcrt", SimpleNamespace(kbhit=lambda: True, getwch=lambda: "\x03"))
        with pytest.raises(KeyboardInterrupt):
            _WindowsKeys().wait(0)
