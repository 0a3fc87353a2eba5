"""The text of a file, whatever it was packed with and however its characters are written."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Self

from buslens.capture.compression import MAGIC_BYTES, decompress, is_compressed
from buslens.capture.file_kind import begins_log
from buslens.capture.stream import BOM, ChainedStream, FileStream, PrefetchStream, Stream, read_head
from buslens.capture.table_text import NormalisedStream, TextForm, text_form_of
from buslens.capture.values_rows import Rewriting, RewrittenStream


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A file whose text can be read any number of times, one byte for a character."""

    path: str
    #: Its beginning, and whether that is all of it.
    head: bytes
    is_whole: bool
    form: TextForm
    is_packed: bool
    #: Bytes of a byte order mark of UTF-8.
    n_mark: int
    #: Bytes of the file; of a packed one there are more.
    size: int
    rewritings: tuple[Rewriting, ...] = ()

    @contextmanager
    def stream(self) -> Iterator[Stream]:
        """Lend the text."""
        stream: Stream = FileStream.of(Path(self.path), 0 if self.is_packed else self.n_mark)
        if self.is_packed:
            stream = decompress(stream)
            read_head(stream, self.n_mark)
            stream = PrefetchStream(stream)
        if not self.form.is_plain:
            stream = NormalisedStream(stream, self.form)
        for rewriting in self.rewritings:
            stream = RewrittenStream(stream, rewriting)
        try:
            yield stream
        finally:
            stream.close()

    def rewritten(self, rewriting: Rewriting | None) -> Self:
        """Return the text with its rows rewritten; as it is without a way to."""
        if rewriting is None:
            return self
        head = rewriting.applied(self.head + b"\n\n" * (self.is_whole and not self.rewritings))
        return replace(self, rewritings=(*self.rewritings, rewriting), head=head)


def open_text(path: str | Path, n_bytes: int) -> Text | None:
    """Return the text of a table of values, with so many bytes of its beginning; None if it is no text, or another.

    Raises CaptureError if it is an archive of several files, or cannot be unpacked; OSError if the system refuses the
    file.
    """
    name = Path(path)
    with name.open("rb", buffering=0) as file:
        stream: Stream = FileStream(file)
        start = read_head(stream, MAGIC_BYTES)
        packed = is_compressed(start)
        stream = ChainedStream(start, stream)
        head = read_head(decompress(stream) if packed else stream, n_bytes)
        size = file.seek(0, 2)
    is_whole = len(head) < n_bytes
    n_mark = len(BOM) if head.startswith(BOM) else 0
    head = head[n_mark:]
    if begins_log(head):
        return None  # most files are logs, and looking for all that a table may need takes longer than to check a log
    form = text_form_of(head, of_frames=False)
    if not form.encoding and not form.has_zeros and b"\0" in head[:512].strip(b"\0"):
        return None
    return Text(
        path=str(path),
        head=form.opening(head),
        is_whole=is_whole,
        form=form,
        is_packed=packed,
        n_mark=n_mark,
        size=size,
    )
