"""A capture: one recorded log, whose format has been recognised and that can be read."""

import re
import stat
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

from buslens.capture.compression import MAGIC_BYTES, decompress, is_compressed
from buslens.capture.file_kind import LOG, exchanged
from buslens.capture.frames import Clock, ReadStats
from buslens.capture.log_format import FormatMatch, LogFormat
from buslens.capture.python_can_reader import PythonCanRecording
from buslens.capture.registry import FORMATS
from buslens.capture.scan import shown
from buslens.capture.stream import (
    BOM,
    GZIP_MAGIC,
    HEAD_BYTES,
    ChainedStream,
    FileStream,
    PrefetchStream,
    Stream,
    read_head,
)
from buslens.capture.table import TableReading
from buslens.capture.table_settings import NOTHING_TOLD, TableSettings, settings_of
from buslens.capture.table_text import NormalisedStream, TextForm, joined_form, text_form_of
from buslens.capture.trial_read import part_read
from buslens.errors import CaptureError, SourceLocation, UsageError

STANDARD_INPUT: Final = "-"
"""Stands for standard input in place of a path."""
_PLAIN: Final = TextForm()
_LOOKED_LINES: Final = 60
"""Lines from all over the beginning of a log by which formats are weighed."""
_OPENING_LINES: Final = 10
"""So many first lines that are all frames of a format make a log of it, whatever becomes of the others."""
_FEW_OBJECTS: Final = 4
"""Of fewer, none is a frame."""
_MOST: Final = 0.5
"""A format that reads this part of them is the log's."""
_NEARLY_ALL: Final = 0.9
"""Where a format reads this part of them, nothing has to be done to the text."""


@dataclass(kw_only=True)
class Capture:
    """One recorded log; a file may be read any number of times, standard input once."""

    #: As the user named it.
    path: str
    #: None: a recording of another kind, that is read through python-can.
    format: LogFormat | None
    match: FormatMatch | None
    #: The first bytes, unpacked and without a byte order mark.
    head: bytes = b""
    is_gzip: bool = False
    #: Bytes before the first line.
    n_mark: int = 0
    #: Bytes of a file that pieces can be cut from; None where there is only one way through.
    size: int | None = None
    foreign: PythonCanRecording | None = None
    #: How a table was understood; None for any other log.
    table: TableReading | None = None
    #: What has to be done to the text of a table before it is read.
    form: TextForm = _PLAIN
    _input: Stream | None = field(default=None, repr=False)

    @property
    def name(self) -> str:
        """Name of the log format."""
        if self.foreign is not None:
            return self.foreign.suffix.lstrip(".")
        return "" if self.format is None else self.format.name

    @property
    def clock(self) -> Clock | None:
        """What the stamps count from, as far as the beginning tells; None if it does not."""
        return None if self.match is None else self.match.clock

    @contextmanager
    def stream(self, start: int | None = None, stop: int | None = None) -> Iterator[Stream]:
        """Lend the bytes of the log, or of a piece of it."""
        if self._input is None and self.path == STANDARD_INPUT:
            raise UsageError("standard input can be read only once: save the log to a file first")
        if self._input is not None:
            stream, self._input = self._input, None
        else:
            stream = FileStream.of(Path(self.path), 0 if self.is_gzip else start or self.n_mark, stop)
            if self.is_gzip:
                stream = PrefetchStream(_without_mark(decompress(stream), self.n_mark))
            if not self.form.is_plain:
                stream = NormalisedStream(stream, self.form)
        try:
            yield stream
        finally:
            stream.close()


def open_capture(path: str | Path, *, table: TableSettings | str | Path | None = None) -> Capture:
    """Recognise a recorded log by its content.

    Parameters
    ----------
    path : str or Path
        A file, plain or packed (gzip, bzip2, xz, zstd, or alone in a zip archive); ``-`` for standard input.
    table : TableSettings or path, optional
        What is said about tables of frames, or the TOML file that says it; else their rows tell.

    Raises
    ------
    CaptureError
        If nothing in it can be read: empty, or of no known format; or if it is a table that does not say enough.
    UsageError
        If standard input is a terminal.
    OSError
        If the system refuses the file.
    """
    name = str(path)
    settings = settings_of(table)
    if name == STANDARD_INPUT:
        return _open_standard_input(settings)
    require_file(name)
    with Path(name).open("rb", buffering=0) as file:
        size = file.seek(0, 2)
        file.seek(0)
        stream: Stream = FileStream(file)
        start = read_head(stream, MAGIC_BYTES)
        is_gzip = is_compressed(start)
        stream = ChainedStream(start, stream)
        if is_gzip:
            try:
                stream = decompress(stream)
            except CaptureError as refusal:
                raise CaptureError(refusal.problem, SourceLocation(name)) from refusal
        head = read_head(stream)
        n_mark = len(BOM) if head.startswith(BOM) else 0
        found = _recognise(name, head[n_mark:], settings, is_file=True, rest=stream)
    if isinstance(found, _Recognised):
        return Capture(
            path=name,
            format=found.format,
            match=found.match,
            head=head[n_mark:],
            is_gzip=is_gzip,
            n_mark=n_mark,
            size=None if is_gzip or not found.form.is_plain else size,
            table=found.table,
            form=found.form,
        )
    return Capture(path=name, format=None, match=None, foreign=found)


def require_file(name: str) -> None:
    """Refuse a pipe before it is opened, which can take for ever, and a device.

    Raises CaptureError if it is one, OSError if the system refuses to tell.
    """
    mode = Path(name).stat().st_mode
    if stat.S_ISFIFO(mode) or stat.S_ISSOCK(mode):
        problem = f"is a pipe, which can be read only once: have it read as standard input, such as '- < {name}'"
    elif stat.S_ISCHR(mode) or stat.S_ISBLK(mode):
        problem = "is a device; name a file, or '-' for standard input"
    else:
        return
    raise CaptureError(problem, SourceLocation(name))


def open_stream(name: str, head: bytes, rest: Stream, table: TableSettings = NOTHING_TOLD) -> Capture:
    """Recognise a log by its first bytes, while the rest is still to come.

    Raises CaptureError if it is of no known format.
    """
    found = _recognise("standard input" if name == STANDARD_INPUT else name, head, table, is_file=False)
    assert isinstance(found, _Recognised)  # noqa: S101  (only files can be foreign)
    return found.capture(name, head, ChainedStream(head, rest))


def require_read_frames(capture: Capture, stats: ReadStats) -> None:
    """Refuse a capture of which nothing could be read.

    Raises CaptureError if there are broken lines, and not one frame.
    """
    if not stats.frames and stats.skipped:
        line = stats.skipped[0]
        raise CaptureError(
            f"no line of it could be read; the first is '{line.text}': {line.reason}",
            SourceLocation(capture.path, line.line),
        )


def _open_standard_input(table: TableSettings) -> Capture:
    if sys.stdin is None or sys.stdin.isatty():
        raise UsageError("standard input is a terminal: pipe a log into it, or name a file")
    # Not through the buffer, whose lock a thread that waits for a stalled pipe would hold when the process ends.
    stream: Stream = FileStream(getattr(sys.stdin.buffer, "raw", sys.stdin.buffer), keep_open=True)
    start = read_head(stream, MAGIC_BYTES)
    stream = ChainedStream(start, stream)
    if is_compressed(start):
        stream = decompress(stream)
    head = read_head(stream)
    n_mark = len(BOM) if head.startswith(BOM) else 0
    head = head[n_mark:]
    found = _recognise("standard input", head, table, is_file=False)
    assert isinstance(found, _Recognised)  # noqa: S101  (only files can be foreign)
    return found.capture(STANDARD_INPUT, head, PrefetchStream(ChainedStream(head, stream)))


_LOOKED_BYTES: Final = 1 << 14
"""Of a file that is only asked for whether it is a capture."""


def is_capture(path: str | Path) -> bool:
    """Return whether the first bytes of a file are those of a log or of a table of frames, packed or not.

    Raises OSError if the system refuses the file.
    """
    from buslens.capture.python_can_reader import PythonCanRecording
    from buslens.capture.table import recognise
    from buslens.capture.table_layout import UnclearLayoutError

    try:
        with Path(path).open("rb", buffering=0) as file:
            stream: Stream = FileStream(file)
            start = read_head(stream, MAGIC_BYTES)
            stream = ChainedStream(start, stream)
            head = read_head(decompress(stream) if is_compressed(start) else stream, _LOOKED_BYTES)
    except CaptureError:
        return False  # an archive of several files, or none that can be unpacked
    head = head.removeprefix(BOM)
    form = text_form_of(head)
    if not (form.encoding or form.has_zeros) and b"\0" in head[:512].strip(b"\0"):
        return False  # no text
    if not form.encoding and any(entry.sniff(form.lines_of(head)) is not None for entry in FORMATS.values()):
        return True
    try:
        is_whole = len(head) < _LOOKED_BYTES
        is_table = recognise(form.opening(head), is_whole=is_whole) is not None
        if not is_table and (joined := joined_form(form, head)) is not None:
            is_table = recognise(joined.opening(head), is_whole=is_whole) is not None
    except UnclearLayoutError:
        return True  # what has to be told about it is said when it is read
    return is_table or PythonCanRecording(Path(path)).begins_as_its_suffix_says(head)


def _without_mark(stream: Stream, n_mark: int) -> Stream:
    read_head(stream, n_mark)
    return stream


@dataclass(frozen=True, slots=True, kw_only=True)
class _Recognised:
    format: LogFormat
    match: FormatMatch
    table: TableReading | None = None
    form: TextForm = _PLAIN

    def of_form(self, form: TextForm) -> "_Recognised":
        """Return the same of a text that has to be brought into a form, with what is to be told of that."""
        match = replace(self.match, notes=self.match.notes + form.notes)
        if form.has_dates and self.match.clock is Clock.WALL:
            match = replace(match, clock=Clock.LOCAL)
        return replace(self, match=match, form=form)

    def capture(self, name: str, head: bytes, stream: Stream) -> Capture:
        """Return a capture that is read once."""
        if not self.form.is_plain:
            stream = NormalisedStream(stream, self.form)
        return Capture(
            path=name, format=self.format, match=self.match, head=head, table=self.table, form=self.form, _input=stream
        )


def _recognise(
    name: str, head: bytes, table: TableSettings, *, is_file: bool, rest: Stream | None = None
) -> _Recognised | PythonCanRecording:
    """Return the format of a log, or the reader for a recording of another kind."""
    source = SourceLocation(name)
    if not head:
        raise CaptureError("the file is empty", source)
    if not table.names_columns and (surely := _surely_by_lines(head)) is not None:
        return surely
    form = text_form_of(head)
    if not table.names_columns and not form.encoding:
        found, part = _by_lines(form.lines_of(head))
        if found is not None and form.mends_lines:
            found = found.of_form(form)
        if found is not None:
            return found if part >= _MOST else _better_table(part, source, head, table, form, rest) or found
    foreign = _foreign(name) if is_file else None
    if foreign is not None and not table.names_columns and foreign.is_surely_its_own(head):
        return foreign
    if (found := _table(source, head, table, form, rest)) is not None:
        return found
    if foreign is not None and not foreign.is_text:
        return foreign
    if form.encoding:
        raise CaptureError("the text is encoded as UTF-16: save it as UTF-8 or plain ASCII", source)
    if not head.strip(b"\0 \t\r\n"):
        raise CaptureError(f"not a log: the first {len(head):,} bytes are blank or zero", source)
    if other := exchanged(head, LOG):
        raise CaptureError(other, source)
    if head.startswith(GZIP_MAGIC):
        raise CaptureError("what was packed by gzip is packed by gzip again: unpack it once", source)
    line = next((line for line in head.splitlines() if line.strip(b"\0 \t\r")), b"")
    examples = "; ".join(f"{entry.name}: {entry.example}" for entry in FORMATS.values())
    raise CaptureError(
        f"unknown log format; its first line is '{shown(line)}'; expected for example {examples}; "
        "if it is a table of frames, name its columns in a file with [table], and give it as --table FILE.toml",
        source,
    )


def _surely_by_lines(head: bytes) -> _Recognised | None:
    """Return the format of a log whose lines nearly all tell it, which is quicker to see than what a text may need."""
    if head.count(b"\n") < _LOOKED_LINES or re.search(rb"[\0\x1b]", head):
        return None
    found, part = _by_lines(head, trusts_opening=False)
    return found if part >= _NEARLY_ALL else None


def _by_lines(head: bytes, *, trusts_opening: bool = True) -> tuple[_Recognised | None, float]:
    """Return the format of lines that reads most of a log, and the part of its lines that it reads as frames."""
    lines = [line for line in head.split(b"\n")[:-1] if line.strip(b"\0 \t\r")]
    opening = lines[:_OPENING_LINES]
    lines = lines[:: len(lines) // _LOOKED_LINES + 1]
    best, most = None, 0.0
    for entry in FORMATS.values():
        match = entry.sniff(head)
        if match is None:
            continue
        # Of a few lines too many may be a header to say anything by their number.
        part = part_read(entry, match, lines) if len(lines) >= _LOOKED_LINES // 2 else 1.0
        if best is None or part > most:
            best, most = _Recognised(format=entry, match=match), part
        if most >= _MOST:
            break
    is_whole = trusts_opening and len(opening) == _OPENING_LINES
    if best is not None and is_whole and part_read(best.format, best.match, opening) == 1.0:
        # What comes after such a beginning is a damaged log, not a table.
        most = 1.0
    return best, most


def _better_table(
    part: float, source: SourceLocation, head: bytes, settings: TableSettings, form: TextForm, rest: Stream | None
) -> _Recognised | None:
    """Return how a log of which a format reads a part only is read as a table; None where that reads little more."""
    with suppress(CaptureError):
        found = _table(source, head, settings, form, rest)
        if found is not None and found.table is not None and found.table.fit > 2 * part:
            return found
    return None


def _table(
    source: SourceLocation, head: bytes, settings: TableSettings, form: TextForm, rest: Stream | None
) -> _Recognised | None:
    """Return how a table of frames is read; None if the log is none."""
    from buslens.capture.table import SAMPLE_BYTES, TABLE, recognise
    from buslens.capture.table_layout import UnclearLayoutError

    is_whole = len(head) < HEAD_BYTES - len(BOM)
    if not is_whole and rest is not None:
        more = read_head(rest, SAMPLE_BYTES - len(head))
        is_whole = len(more) < SAMPLE_BYTES - len(head)
        head += more

    def pieces() -> Iterator[bytes]:
        while rest is not None and (piece := read_head(rest, SAMPLE_BYTES)):
            yield form.applied(piece)

    found, problem = None, None
    try:
        found = recognise(form.opening(head), settings, is_whole=is_whole, rest=pieces)
    except UnclearLayoutError as unclear:
        problem = unclear
    # Where no row has a time, or few are frames, a frame may go over several lines.
    is_poor = found is None or not found.stamps.form or found.fit < _NEARLY_ALL
    if is_poor and (joined := joined_form(form, head)) is not None:
        try:
            other = recognise(joined.opening(head), settings, is_whole=is_whole)
            if other is not None and (found is None or (other.stamps.form and other.fit >= found.fit)):
                found, form = other, joined
        except UnclearLayoutError as unclear:
            problem = problem or unclear
    is_single = problem is not None and form.first_name and form.applied(head).count(b"\n") < _FEW_OBJECTS
    if found is None and problem is not None and not is_single:
        raise CaptureError(problem.problem, source) from problem
    if found is None and (form.first_name or re.match(rb'\s*\{\s*"[^"\n]*"\s*:', head)):
        raise CaptureError(
            "it is text of names and values (JSON), but not with one object for each frame, that has its time, "
            "identifier and data: write it so, in Python with pandas and to_json(..., orient='records')",
            source,
        )
    if found is None:
        return None
    return _Recognised(format=TABLE, match=found.match, table=found).of_form(form)


def _foreign(name: str) -> PythonCanRecording | None:
    from buslens.capture.python_can_reader import PythonCanRecording, python_can_suffix, python_can_suffixes

    path = Path(name)
    suffix = python_can_suffix(path)
    # A file with one of these names is text that has just not been recognised.
    if suffix in {"", ".log", ".asc", ".txt"} or suffix not in python_can_suffixes():
        return None
    return PythonCanRecording(path)
