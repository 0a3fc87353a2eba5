from __future__ import annotations

import gzip
import io
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from support.logs import gather

from buslens.capture.candump import CANDUMP
from buslens.capture.open import open_capture
from buslens.capture.registry import FORMATS, registered
from buslens.errors import CaptureError, UsageError

if TYPE_CHECKING:
    from buslens.capture.log_format import LogFormat

SAMPLES = Path(__file__).parents[2] / "sample_logs"
LOG = b"(1.000000) can0 101#11\n(2.000000) can1 102#22\n"


class TestRecognised:
    """A format is recognised by its content, never by the name of the file."""

    @pytest.mark.parametrize("entry", FORMATS.values(), ids=FORMATS)
    @pytest.mark.parametrize("name", ["x.log", "x.asc", "x.blf", "x.gz", "x"])
    @pytest.mark.parametrize("packed", [False, True], ids=["plain", "gzip"])
    def test_example(self, tmp_path: Path, entry: LogFormat, name: str, packed: bool) -> None:
        path = tmp_path / name
        log = entry.example.encode() + b"\n"
        path.write_bytes(gzip.compress(log) if packed else log)
        assert open_capture(path).format is entry

    def test_only_one_format_takes_an_example(self) -> None:
        for entry in FORMATS.values():
            takers = [other.name for other in FORMATS.values() if other.sniff(entry.example.encode() + b"\n")]
            assert takers == [entry.name]

    def test_behind_lines_that_are_none(self, tmp_path: Path) -> None:
        path = tmp_path / "x"
        path.write_bytes(b"# recorded by the club\n" + bytes(500) + b"(1.0) ca\n" + LOG)
        assert open_capture(path).format is CANDUMP

    def test_a_damaged_log_is_no_table(self, tmp_path: Path) -> None:
        """A flipped bit in a packed log takes the point out of most stamps: rows of a table, if one likes."""
        lines = [b"(17734734%02d.%06d) can0 0A7#0000%04X" % (n % 60, 8_000 * n % 10**6, n) for n in range(100)]
        log = b"\n".join([*lines[:12], *(line.replace(b".", b"") for line in lines[12:]), b""])
        path = tmp_path / "damaged.log"
        path.write_bytes(log)
        assert open_capture(path).format.name == "candump"

    @pytest.mark.parametrize("name", ["car01_healthy.log", "car04_logic_fuse_blown.asc"])
    def test_a_whole_log_is_told_by_its_lines(self, name: str, monkeypatch: pytest.MonkeyPatch) -> None:
        """What might have to be done to the text of a table takes longer to find out than to read a small log."""
        monkeypatch.setattr("buslens.capture.open.text_form_of", None)
        found = open_capture(SAMPLES / name)
        assert found.form.is_plain
        assert found.name == ("ASC" if name.endswith("asc") else "candump")

    def test_opened_twice(self, tmp_path: Path) -> None:
        path = tmp_path / "x.gz"
        path.write_bytes(gzip.compress(LOG))
        assert gather(path) == gather(path)

    @pytest.mark.parametrize("gap", ["#  [8]  ", "#[8] ", "# {8}  "])
    def test_one_wrong_byte_does_not_decide(self, tmp_path: Path, gap: str) -> None:
        """A '#' for the blank behind an id makes no line of the other form of candump."""
        rows = [f" ({stamp}.250000)  can0       0C4   [2]  00 0C" for stamp in range(1_700_000_000, 1_700_000_004)]
        rows[1] = rows[1].replace("   [2]  ", gap)
        path = tmp_path / "log"
        path.write_text("\n".join([*rows, ""]))
        found = open_capture(path).format
        assert found is not None
        assert found.name == "candump, screen form"


class TestRefused:
    """What cannot be read is refused in one sentence that says what was found."""

    @pytest.mark.parametrize(
        ("content", "words"),
        [
            (b"", "empty"),
            (gzip.compress(b"", mtime=0), "empty"),
            (LOG.decode().encode("utf-16"), "UTF-16"),
            (LOG.decode().encode("utf-16-le"), "UTF-16"),
            (LOG.decode().encode("utf-16-be"), "UTF-16"),
            (b"hello there\nagain\n", "first line is 'hello there'"),
            (b"\n\n  \nhello there\n", "first line is 'hello there'"),
            (b"\x7fABC\x02\x01\x00\x00", r"first line is '\\x7fABC"),
            (b"x" * 10_000, r"xxx\.\.\.'"),
            (b"hello", "202#E8B7"),
        ],
    )
    def test_refused(self, tmp_path: Path, content: bytes, words: str) -> None:
        path = tmp_path / "no.log"
        path.write_bytes(content)
        with pytest.raises(CaptureError, match=words) as refusal:
            open_capture(path)
        assert "no.log" in str(refusal.value)
        assert str(refusal.value).isascii()
        assert "\n" not in str(refusal.value)

    def test_missing_file(self, tmp_path: Path) -> None:
        with pytest.raises(FileNotFoundError):
            open_capture(tmp_path / "no.log")


@pytest.mark.slow
class TestStandardInput:
    """A dash stands for standard input, which is read as it comes, packed or not, once."""

    def pipe(self, monkeypatch: pytest.MonkeyPatch, content: bytes) -> None:
        monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(content)))

    @pytest.mark.parametrize("packed", [False, True], ids=["plain", "gzip"])
    @pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"], ids=["no mark", "mark"])
    def test_read(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, packed: bool, mark: bytes) -> None:
        log = mark + LOG * 2_000
        path = tmp_path / "x.log"
        path.write_bytes(log)
        self.pipe(monkeypatch, gzip.compress(log) if packed else log)
        assert gather("-") == gather(path)  # type: ignore[arg-type]

    def test_compiled_when_it_turns_out_to_be_long(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        from dataclasses import replace

        from buslens.capture.reduce import reduce_frames

        log = b"".join(b"(%d.%06d) can0 101#%016X\n" % (*divmod(10_000 * i, 1_000_000), i) for i in range(100_000))
        path = tmp_path / "x.log"
        path.write_bytes(log)
        whole, _ = gather(path, wanted=[(0x101, False)])
        self.pipe(monkeypatch, log)
        capture = open_capture("-")
        assert capture.format is not None
        calls = {"plain": 0}

        def plain(*arguments: object) -> int:
            calls["plain"] += 1
            assert CANDUMP.plain_kernel is not None
            return CANDUMP.plain_kernel(*arguments)

        capture.format = replace(capture.format, plain_kernel=plain)
        from support.logs import rows_of

        rows, stats = reduce_frames(
            capture,
            wanted=[(0x101, False)],
            make=list,
            update=lambda rows, frames: rows.extend(rows_of(frames)),
            merge=list.extend,
            plain_bytes=1 << 17,
            window_bytes=1 << 16,
        )
        assert rows == whole
        assert 1 <= calls["plain"] <= 3
        assert stats.frames == 100_000

    def test_read_twice(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.pipe(monkeypatch, LOG)
        capture = open_capture("-")
        with capture.stream():
            pass
        with pytest.raises(UsageError, match="only once"), capture.stream():
            pass

    def test_a_terminal_is_refused(self, monkeypatch: pytest.MonkeyPatch) -> None:
        class Terminal(io.StringIO):
            def isatty(self) -> bool:
                return True

        monkeypatch.setattr(sys, "stdin", Terminal())
        with pytest.raises(UsageError, match="terminal"):
            open_capture("-")

    def test_nothing_readable(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.pipe(monkeypatch, b"hello\n")
        with pytest.raises(CaptureError, match=r"standard input.*hello"):
            open_capture("-")


class TestRegistry:
    """A name can be registered once, and a format may not use the engine's reasons."""

    def test_clash(self) -> None:
        with pytest.raises(ValueError, match="already registered"):
            registered([CANDUMP, CANDUMP])

    def test_reserved_reason(self) -> None:
        from dataclasses import replace

        with pytest.raises(ValueError, match="reason codes"):
            registered([replace(CANDUMP, reasons={1: "no"})])

    def test_every_format_has_a_kernel_and_reasons(self) -> None:
        for entry in FORMATS.values():
            assert callable(entry.kernel)
            assert all(entry.reasons.values())
