"""Single keys from the terminal, without waiting for a line end, and the terminal as it was afterwards."""

import os
import re
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from enum import Enum
from typing import Final, Protocol


class PlayerKey(Enum):
    """What a key means."""

    PAUSE = "pause and go on"
    STEP = "to the next change"
    END = "end"


_SEQUENCE: Final = re.compile(rb"\x1b(?:\[[0-?]*[ -/]*[@-~]?|O.?|)", re.DOTALL)
"""What a key that is no character sends (ECMA-48, control sequences)."""
_MEANINGS: Final = {
    b" ": PlayerKey.PAUSE,
    b"\x1b[C": PlayerKey.STEP,
    b"\x1bOC": PlayerKey.STEP,
    b"n": PlayerKey.STEP,
    b"q": PlayerKey.END,
}
_LOOK_S: Final = 0.02


class Keys(Protocol):
    """Where keys come from."""

    @property
    def are_there(self) -> bool:
        """Whether keys can be pressed at all."""

    def wait(self, seconds: float) -> PlayerKey | None:
        """Wait for a key; None if none that means something has been pressed in time."""


class _NoKeys:
    are_there = False

    def wait(self, seconds: float) -> PlayerKey | None:
        time.sleep(seconds)
        return None


class _TerminalKeys:
    are_there = True

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        #: Keys that came together with an earlier one.
        self._pressed = b""

    def wait(self, seconds: float) -> PlayerKey | None:
        import select

        if not self._pressed:
            ready, _, _ = select.select([self._descriptor], [], [], seconds)
            if not ready:
                return None
            self._pressed = os.read(self._descriptor, 64)
            if not self._pressed:
                time.sleep(seconds)  # the terminal has gone
        return self._next()

    def _next(self) -> PlayerKey | None:
        """Take keys up to the first that means something."""
        while self._pressed:
            sequence = _SEQUENCE.match(self._pressed)
            text = sequence[0] if sequence else self._pressed[:1]
            self._pressed = self._pressed[len(text) :]
            if text in _MEANINGS:
                return _MEANINGS[text]
        return None


class _WindowsKeys:
    are_there = True

    def wait(self, seconds: float) -> PlayerKey | None:
        import msvcrt

        until = time.monotonic() + seconds
        while not msvcrt.kbhit():  # type: ignore[attr-defined,unused-ignore]
            left = until - time.monotonic()
            if left <= 0:
                return None
            time.sleep(min(left, _LOOK_S))
        pressed = msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
        if pressed in {"\x00", "\xe0"}:
            code = msvcrt.getwch()  # type: ignore[attr-defined,unused-ignore]
            return PlayerKey.STEP if code == "M" else None
        if pressed == "\x03":
            raise KeyboardInterrupt  # Ctrl-C is a key like any other while a key is read
        return _MEANINGS.get(pressed.encode("utf-8", "replace"))


@contextmanager
def keys(*, wanted: bool) -> Iterator[Keys]:
    """Lend the keys of the terminal; none where there is no terminal, or they are not wanted.

    If standard input is the log, the terminal is opened by its own name.
    """
    if not wanted:
        yield _NoKeys()
    elif os.name == "nt":
        yield _WindowsKeys() if sys.stdin is not None and sys.stdin.isatty() else _NoKeys()
    else:
        with _terminal() as descriptor:
            yield _NoKeys() if descriptor is None else _TerminalKeys(descriptor)


@contextmanager
def _terminal() -> Iterator[int | None]:
    try:
        import termios
        import tty

        own = sys.stdin is None or not sys.stdin.isatty()
        descriptor = os.open("/dev/tty", os.O_RDONLY) if own else sys.stdin.fileno()
        before = termios.tcgetattr(descriptor)
    except (ImportError, OSError, ValueError):
        yield None
        return
    except Exception as exc:  # termios.error is no OSError
        if type(exc).__name__ != "error":
            raise
        yield None
        return
    try:
        tty.setcbreak(descriptor, termios.TCSANOW)
        yield descriptor
    finally:
        termios.tcsetattr(descriptor, termios.TCSANOW, before)
        if own:
            os.close(descriptor)
