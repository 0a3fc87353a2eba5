from __future__ import annotations

import gzip
import zlib
from io import BytesIO
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.logs import gather

from buslens.capture.stream import ChainedStream, FileStream, GzipStream, PrefetchStream, line_blocks, read_head

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.capture.stream import Stream


class Dripping:
    """A stream that gives a few bytes at a time, as a pipe does."""

    def __init__(self, content: bytes, sizes: list[int]) -> None:
        self.damage = ""
        self._content = content
        self._sizes = sizes

    def read_into(self, view: memoryview) -> int:
        size = self._sizes.pop() if self._sizes else len(view)
        part = self._content[: min(size, len(view))]
        self._content = self._content[len(part) :]
        view[: len(part)] = part
        return len(part)

    def close(self) -> None:
        self._content = b""


def drain(stream: Stream, n_bytes: int = 1 << 16) -> bytes:
    parts, buffer = [], bytearray(n_bytes)
    while n := stream.read_into(memoryview(buffer)):
        parts.append(bytes(buffer[:n]))
    return b"".join(parts)


class TestGunzipped:
    """Unpacking gives what gzip packed, of any number of members, and all that lies before a damage."""

    @given(st.lists(st.binary(max_size=300), min_size=1, max_size=4), st.integers(1, 50), st.integers(0, 20))
    def test_members(self, members: list[bytes], room: int, n_zeros: int) -> None:
        packed = b"".join(map(gzip.compress, members)) + bytes(n_zeros)
        stream = GzipStream(FileStream(BytesIO(packed)))
        assert drain(stream, room) == b"".join(members)
        assert stream.damage == ""

    @given(st.data())
    def test_cut_short(self, data: st.DataObject) -> None:
        content = b"".join(b"(%d.000000) can0 101#%04X\n" % (i, i) for i in range(200))
        packed = gzip.compress(content)
        n = data.draw(st.integers(3, len(packed) - 1))
        stream = GzipStream(FileStream(BytesIO(packed[:n])))
        unpacked = drain(stream, data.draw(st.sampled_from([1, 7, 100, 1 << 16])))
        assert unpacked == zlib.decompressobj(31).decompress(packed[:n])
        assert content.startswith(unpacked)
        assert "stops in the middle" in stream.damage

    def test_damaged_in_the_middle(self) -> None:
        import random

        noise = random.Random(5).randbytes(400_000)
        packed = bytearray(gzip.compress(noise, 0))  # stored blocks: what is before the damage is certain
        middle = packed.index(noise[200_000:200_016])
        packed[middle] ^= 0xFF
        stream = GzipStream(FileStream(BytesIO(bytes(packed))))
        unpacked = drain(stream)
        # Only the check sum at the end gives it away: nothing that was unpacked is lost.
        assert len(unpacked) == len(noise)
        assert "damaged" in stream.damage

    def test_garbage_behind_keeps_what_was_before(self) -> None:
        content = b"line\n" * 1000
        stream = GzipStream(FileStream(BytesIO(gzip.compress(content) + b"no gzip at all")))
        assert drain(stream) == content
        assert "damaged" in stream.damage

    def test_invalid_block_keeps_what_was_before(self) -> None:
        packer = zlib.compressobj(wbits=31)
        content = b"".join(b"(%d.000000) can0 101#\n" % i for i in range(20_000))
        packed = packer.compress(content) + packer.flush(zlib.Z_FULL_FLUSH) + b"\xff" * 100
        stream = GzipStream(FileStream(BytesIO(packed)))
        assert drain(stream) == content
        assert "damaged" in stream.damage


class TestDamagedLog:
    """A damaged gzip log is read up to the damage; the damage is a broken line with its number."""

    def test_cut_short(self, tmp_path: Path) -> None:
        import random

        chance = random.Random(1)
        log = b"".join(b"(%d.000000) can0 101#%016X\n" % (i, chance.getrandbits(64)) for i in range(1000))
        packed = gzip.compress(log)
        path = tmp_path / "cut.log.gz"
        path.write_bytes(packed[: len(packed) // 2])
        rows, stats = gather(path)
        assert 300 < len(rows) < 700
        assert stats.broken == 1
        assert stats.skipped[0].line == len(rows) + 1
        assert "stops in the middle" in stats.skipped[0].reason


class TestReadAhead:
    """Reading ahead changes nothing in what is read."""

    @given(st.binary(max_size=500), st.integers(1, 60), st.lists(st.integers(1, 30)), st.integers(1, 40))
    def test_same(self, content: bytes, ahead: int, sizes: list[int], room: int) -> None:
        with PrefetchStream(Dripping(content, sizes), ahead) as stream:
            assert drain(stream, room) == content

    def test_error_of_the_source_comes_out(self) -> None:
        class Broken(Dripping):
            def read_into(self, view: memoryview) -> int:
                raise OSError(f"no {len(view)} bytes")

        with PrefetchStream(Broken(b"", []), 10) as stream, pytest.raises(OSError, match="no 10 bytes"):
            drain(stream)


class TestPrefixed:
    """Bytes that were read ahead come first."""

    def test_head(self) -> None:
        stream = FileStream(BytesIO(b"abcdef"))
        head = read_head(stream, 4)
        assert head == b"abcd"
        assert drain(ChainedStream(head, stream), 3) == b"abcdef"


class TestWindows:
    """Windows hold whole lines; together they are the log."""

    @given(
        st.lists(st.binary(max_size=20).map(lambda line: line.replace(b"\n", b"")), max_size=30),
        st.integers(25, 80),
        st.lists(st.integers(1, 40)),
        st.booleans(),
    )
    def test_lines(self, lines: list[bytes], size: int, sizes: list[int], has_end: bool) -> None:
        log = b"".join(line + b"\n" for line in lines) if has_end else b"\n".join(lines)
        buffer = bytearray(size + 64)
        seen = []
        cut = []
        for window in line_blocks(Dripping(log, sizes), buffer):
            part = bytes(buffer[: window.stop])
            assert part.endswith(b"\n")
            assert not window.is_too_long
            seen.append(part)
            cut.append(window.is_cut)
        assert b"".join(seen) == log + (b"" if not log or log.endswith(b"\n") else b"\n")
        assert cut == [False] * (len(cut) - 1) + [bool(log) and not log.endswith(b"\n")] * bool(cut)

    @given(st.integers(0, 300), st.lists(st.integers(1, 40)))
    def test_block_of_zero_bytes_of_any_length(self, zeros: int, sizes: list[int]) -> None:
        """Lines on both sides of what a power cut leaves are read, however long it is."""
        buffer = bytearray(60 + 64)
        log = b"first\nbefore" + b"\0" * zeros + b"behind\nlast\n"
        seen = b""
        for window in line_blocks(Dripping(log, sizes), buffer):
            assert not window.is_too_long
            seen += bytes(buffer[: window.stop])
        assert [part for part in seen.replace(b"\n", b"\0").split(b"\0") if part] == (
            [b"first", b"before", b"behind", b"last"] if zeros else [b"first", b"beforebehind", b"last"]
        )
