"""Single keys from the terminal."""

from __future__ import annotations

import os

import pytest

from buslens.cli.keys import Key, _TerminalKeys


class TestSeveralAtOnce:
    """No key is lost when several come before the program looks: a pause that is not ended would last for ever."""

    @pytest.mark.parametrize(
        ("sent", "meant"),
        [
            (b" q", [Key.PAUSE, Key.END]),
            (b" n\x1b[C q", [Key.PAUSE, Key.STEP, Key.STEP, Key.PAUSE, Key.END]),
            (b"\x1bOC\x1b[Cn", [Key.STEP] * 3),
            (b"x\x1b[1;5C\x1b[A\xc3\xa4q", [Key.END]),  # with Ctrl held, up, a letter that has no meaning
            (b"\x1bq", [Key.END]),
            (b"\x1b[", []),
            (b"q" * 100, [Key.END] * 100),
        ],
    )
    def test_order(self, sent: bytes, meant: list[Key]) -> None:
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
