"""Logs packed by gzip, bzip2, xz or zstd, or as the only file in a zip archive: told by their first bytes."""

import bz2
import io
import lzma
import tempfile
import zipfile
import zlib
from collections.abc import Callable
from typing import IO, Any, Final, cast

from buslens.capture.stream import GZIP_MAGIC, ChainedStream, GzipStream, LateDamage, Stream, read_head
from buslens.errors import CaptureError

MAGIC_BYTES: Final = 6
"""First bytes by which a packing is told."""
PACKED_SUFFIXES: Final = (".gz", ".bz2", ".xz", ".zst", ".zip")
"""How the names of packed logs end."""
_WORKBOOKS: Final = frozenset({"xl/workbook.xml", "content.xml"})
"""Files in an archive that is a spreadsheet's (ISO/IEC 29500 and 26300)."""
_SPOOLED_BYTES: Final = 1 << 24
_COPIED_BYTES: Final = 1 << 20


def is_compressed(start: bytes) -> bool:
    """Return whether a file that begins so was packed."""
    return start.startswith((GZIP_MAGIC, *_OPENERS))


def decompress(packed: Stream) -> Stream:
    """Return what was packed into a stream.

    Raises CaptureError if it is an archive of more than one file, or of none.
    """
    start = read_head(packed, MAGIC_BYTES)
    packed = ChainedStream(start, packed)
    for magic, opener in _OPENERS.items():
        if start.startswith(magic):
            return _Unpacked(packed, opener(_AsFile(packed)))
    return GzipStream(packed)


class _AsFile(io.RawIOBase):
    """A stream as the libraries want it that unpack."""

    def __init__(self, stream: Stream) -> None:
        super().__init__()
        self._stream = stream

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        return self._stream.read_into(memoryview(buffer))


class _Unpacked:
    """What a library unpacks, up to the first damage."""

    def __init__(self, packed: Stream, file: IO[bytes]) -> None:
        self.damage = ""
        self._packed = packed
        self._file = file
        self._ended = False

    def read_into(self, view: memoryview) -> int:
        """Fill the view."""
        if self._ended:
            return 0
        n = 0
        try:
            n = self._file.readinto(view)  # type: ignore[attr-defined]  # IO[bytes] is silent about it
            self.damage = "" if n else self._packed.damage
        except EOFError:
            self.damage = "the packed data stops in the middle"
        except (OSError, ValueError, lzma.LZMAError, zipfile.BadZipFile, zlib.error) as problem:
            if isinstance(problem, OSError) and problem.errno is not None:
                raise
            self.damage = LateDamage(f"the packed data is damaged here or before ({' '.join(str(problem).split())})")
        self._ended = n == 0
        return n

    def close(self) -> None:
        """Close both."""
        self._file.close()
        self._packed.close()


class _Archived(io.RawIOBase):
    """The only file in an archive, whose list of files stands at its end: so it is copied first.

    Raises CaptureError if there is none, or another one, or if the archive is damaged.
    """

    def __init__(self, packed: io.RawIOBase) -> None:
        super().__init__()
        self._copy = tempfile.SpooledTemporaryFile(max_size=_SPOOLED_BYTES)  # noqa: SIM115  (closed with this)
        self._file: IO[bytes] = io.BytesIO()
        try:
            while part := packed.read(_COPIED_BYTES):
                self._copy.write(part)
            archive = zipfile.ZipFile(cast("IO[bytes]", self._copy))
            files = [entry for entry in archive.infolist() if not entry.is_dir()]
            if any(entry.filename in _WORKBOOKS for entry in files):
                raise CaptureError("this is a workbook of a spreadsheet; save its sheet as CSV, and name that file")
            if len(files) != 1:
                raise CaptureError(f"the zip archive holds {len(files)} files; unpack it, and use the recording in it")
            self._file = archive.open(files[0])
        except (zipfile.BadZipFile, NotImplementedError, RuntimeError) as problem:
            self.close()
            raise CaptureError(f"the zip archive cannot be read: {problem}") from problem
        except BaseException:
            self.close()
            raise

    def readinto(self, buffer: Any) -> int:
        return self._file.readinto(buffer)  # type: ignore[attr-defined, no-any-return]

    def close(self) -> None:
        self._file.close()
        self._copy.close()
        super().close()


def _open_zstd(packed: io.RawIOBase) -> IO[bytes]:
    import pyarrow as pa

    return cast("IO[bytes]", pa.CompressedInputStream(pa.PythonFile(packed, "r"), "zstd"))


_OPENERS: Final[dict[bytes, Callable[[io.RawIOBase], IO[bytes]]]] = {
    b"BZh": lambda packed: cast("IO[bytes]", bz2.BZ2File(cast("IO[bytes]", packed))),
    b"\xfd7zXZ\0": lambda packed: cast("IO[bytes]", lzma.LZMAFile(cast("IO[bytes]", packed))),  # noqa: SIM115  (closed with the stream)
    b"\x28\xb5\x2f\xfd": _open_zstd,
    b"PK\x03\x04": lambda packed: cast("IO[bytes]", _Archived(packed)),
}
