"""What a command prints, and where: results on standard output, everything else on standard error."""

import errno
import os
import stat
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from typing import Any, Final, Self

_ERASE_LINE: Final = "\r\x1b[K"
_TICK_S: Final = 1.0
_SHORT_S: Final = 2
"""What takes no longer is not counted."""
_VIRTUAL_TERMINAL: Final = 0x0004
"""ENABLE_VIRTUAL_TERMINAL_PROCESSING (Windows, SetConsoleMode)."""


class Console:
    """The two streams of a command.

    Parameters
    ----------
    out, err : text streams or None
        Standard output and standard error; None for one that the process was started without.
    color : bool
        Whether the user allows control sequences.
    environment : mapping of str to str
        The process's environment.
    """

    def __init__(self, out: Any, err: Any, *, color: bool, environment: Mapping[str, str]) -> None:
        self._out, self._err = out, err
        self._progress = ""
        self._began = 0.0
        self._lock = threading.RLock()
        self._ticker: threading.Thread | None = None
        #: Whether results may hold control sequences.
        self.painted = color and _understands_control_sequences(out, environment)
        #: Whether `progress` is seen by anybody.
        self.lively = color and _understands_control_sequences(err, environment)
        for stream in (out, err):
            with suppress(AttributeError, ValueError, OSError):
                # A locale that cannot say a character must not end the report.
                stream.reconfigure(errors="backslashreplace")
                if not _is_terminal(stream):
                    # What goes into a file or to a program is the same on every system.
                    stream.reconfigure(newline="\n")

    @classmethod
    def of_process(cls, words: Sequence[str]) -> Self:
        """Return the console of this process; the words may hold ``--no-color``."""
        return cls(sys.stdout, sys.stderr, color="--no-color" not in words, environment=os.environ)

    @property
    def width(self) -> int | None:
        """Columns of the terminal that shows the results; None where no terminal does."""
        if not _is_terminal(self._out):
            return None
        import shutil

        return shutil.get_terminal_size().columns

    @property
    def out(self) -> Any:
        """Standard output itself, for what draws on a terminal; only where `painted` says that it may."""
        self._clear()
        return self._out

    def result(self, text: str) -> None:
        """Write to standard output, as it stands."""
        self._clear()
        if self._out is not None:
            with _named(self._out, "standard output"):
                self._out.write(text)
                self._out.flush()

    def result_bytes(self, data: bytes) -> None:
        """Write bytes to standard output."""
        self._clear()
        if self._out is not None:
            with _named(self._out, "standard output"):
                self._out.flush()
                self._out.buffer.write(data)
                self._out.flush()

    def note(self, text: str) -> None:
        """Write to standard error under the program's name."""
        from buslens.report.formatting import clean

        self.error_lines("\n".join(f"buslens: {clean(line)}" for line in text.splitlines() or [""]))

    def error_lines(self, text: str) -> None:
        """Write to standard error, as it stands; what goes on is said again below it."""
        if self._err is not None:
            with self._lock:
                self._err.write(f"{_ERASE_LINE if self._progress else ''}{text}\n")
                self._draw()

    def progress(self, text: str) -> None:
        """Say what is going on, and for how long, on a terminal only; the next result takes its place."""
        if self.lively:
            from buslens.report.formatting import clean

            with self._lock:
                self._progress, self._began = clean(text), time.monotonic()
                self._draw()
            if self._ticker is None:
                self._ticker = threading.Thread(target=self._tick, daemon=True)
                self._ticker.start()

    def flush(self) -> None:
        """Hand over what is buffered, so that a failure shows here and not when the process ends."""
        self._clear()
        for stream in (self._out, self._err):
            if stream is not None:
                with _named(stream):
                    stream.flush()

    def close(self) -> None:
        """Let nothing more be written, nor fail when the process ends."""
        for stream in (self._out, self._err):
            try:
                stream.flush()
            except (AttributeError, ValueError):
                continue
            except OSError:
                with suppress(OSError, ValueError):
                    devnull = os.open(os.devnull, os.O_WRONLY)
                    os.dup2(devnull, stream.fileno())
                    os.close(devnull)

    def _clear(self) -> None:
        with self._lock:
            if self._progress:
                self._progress = ""
                self._err.write(_ERASE_LINE)
                self._err.flush()

    def _draw(self) -> None:
        if self._progress:
            seconds = int(time.monotonic() - self._began)
            lasting = f"({seconds} s) " if seconds >= _SHORT_S else ""
            self._err.write(f"{_ERASE_LINE}{self._progress} {lasting}")
        self._err.flush()

    def _tick(self) -> None:
        """Show that the program is at work while a reader or the compiler is silent."""
        with suppress(OSError, ValueError):
            while True:
                time.sleep(_TICK_S)
                with self._lock:
                    if self._progress:
                        self._draw()


def silence_libraries() -> None:
    """Keep off standard error what the drawing library says about its own set-up, such as a home that is read-only."""
    import logging

    logging.getLogger("matplotlib").setLevel(logging.ERROR)


@contextmanager
def _named(stream: Any, name: str | None = None) -> Iterator[None]:
    """Say in what the system refuses which stream it was, and on every system in the same way that its reader went."""
    try:
        yield
    except OSError as exc:
        if os.name == "nt" and exc.errno == errno.EINVAL and _is_pipe(stream):
            # So Windows refuses what nobody will read any more.
            raise BrokenPipeError(errno.EPIPE, os.strerror(errno.EPIPE)) from exc
        exc.filename = exc.filename or name
        raise


def _is_pipe(stream: Any) -> bool:
    try:
        return stat.S_ISFIFO(os.fstat(stream.fileno()).st_mode)
    except (AttributeError, ValueError, OSError):
        return False


def _is_terminal(stream: Any) -> bool:
    try:
        return bool(stream.isatty())
    except (AttributeError, ValueError):
        return False


def _understands_control_sequences(stream: Any, environment: Mapping[str, str]) -> bool:
    if not _is_terminal(stream) or environment.get("NO_COLOR") or environment.get("TERM") == "dumb":
        return False
    # What sets these names on Windows understands them; its own console does where it is asked to, from Windows 10 on.
    return os.name != "nt" or "WT_SESSION" in environment or "TERM" in environment or _switched_on(stream)


def _switched_on(stream: Any) -> bool:
    """Ask a console of Windows to understand control sequences; return whether it will."""
    try:
        import ctypes
        import msvcrt

        kernel: Any = ctypes.windll.kernel32  # type: ignore[attr-defined,unused-ignore]
        handle = ctypes.c_void_p(msvcrt.get_osfhandle(stream.fileno()))  # type: ignore[attr-defined,unused-ignore]
        mode = ctypes.c_uint32()
        known = kernel.GetConsoleMode(handle, ctypes.byref(mode))
        return bool(known and kernel.SetConsoleMode(handle, mode.value | _VIRTUAL_TERMINAL))
    except (ImportError, AttributeError, ValueError, OSError):
        return False
