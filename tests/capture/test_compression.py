"""Packed logs are told by their first bytes, and read as they would be unpacked."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import zipfile
from typing import TYPE_CHECKING

import pyarrow as pa
import pytest
from support.logs import gather

from buslens.capture.open import open_capture
from buslens.errors import CaptureError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

LOG = b"".join(
    b"(%d.%06d) can0 101#%016X\n" % (i // 1000, i % 1000 * 1000, i * 0x9E3779B97F4A7C15 % 2**64) for i in range(3000)
)


def in_zip(*contents: bytes) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.mkdir("logs")
        for number, content in enumerate(contents):
            archive.writestr(f"logs/{number}.log", content)
    return file.getvalue()


def zstd(content: bytes) -> bytes:
    return bytes(pa.Codec("zstd").compress(content).to_pybytes())


PACKERS = {"gz": gzip.compress, "bz2": bz2.compress, "xz": lzma.compress, "zst": zstd, "zip": in_zip}


@pytest.mark.parametrize("pack", PACKERS.values(), ids=PACKERS)
class TestPacked:
    @pytest.mark.parametrize("window_bytes", [1 << 16, 300])
    def test_read_whole(self, tmp_path: Path, pack: Callable[[bytes], bytes], window_bytes: int) -> None:
        """The name says nothing: the suffix is one of text."""
        plain, packed = tmp_path / "plain.log", tmp_path / "packed.txt"
        plain.write_bytes(LOG)
        packed.write_bytes(pack(LOG))
        assert gather(packed, window_bytes=window_bytes) == gather(plain, window_bytes=window_bytes)

    def test_cut_short(self, tmp_path: Path, pack: Callable[[bytes], bytes]) -> None:
        path = tmp_path / "cut.log"
        path.write_bytes(pack(LOG)[:-20])
        try:
            rows, stats = gather(path)
        except CaptureError:
            return  # nothing at all can be had of it
        assert len(rows) <= 3000
        assert "stops in the middle" in stats.skipped[-1].reason

    def test_a_bit_that_fell_over(self, tmp_path: Path, pack: Callable[[bytes], bytes]) -> None:
        if pack is zstd:
            pytest.skip("written without a check sum here, so that nothing can tell")
        packed = bytearray(pack(LOG))
        packed[len(packed) // 2] ^= 4
        path = tmp_path / "bit.log"
        path.write_bytes(packed)
        try:
            _, stats = gather(path)
        except CaptureError:
            return  # nothing at all can be had of it
        assert stats.is_unsound


@pytest.mark.parametrize("contents", [(), (LOG, LOG)], ids=["none", "two"])
def test_an_archive_of_any_other_number_of_files_is_refused(tmp_path: Path, contents: tuple[bytes, ...]) -> None:
    path = tmp_path / "logs.zip"
    path.write_bytes(in_zip(*contents))
    with pytest.raises(CaptureError, match=f"holds {len(contents)} files; unpack it"):
        open_capture(path)
