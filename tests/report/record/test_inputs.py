"""Content hashes, and what became of the files."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buslens.errors import UsageError
from buslens.report.record.inputs import GENERATOR, FileStatus, Input, recheck, recorded_inputs, require_unchanged, take
from buslens.report.record.sections import inputs_table

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

#: FIPS 180-4, as in NIST's example of a one-block message.
ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def page(folder: Path, inputs: Sequence[Input]) -> str:
    """Return the name of a page that names these files."""
    file = folder / "record.html"
    head = f'<meta name="generator" content="{GENERATOR}">'
    file.write_text(head + inputs_table(inputs), "utf-8")
    return str(file)


class TestTake:
    """A file by its content."""

    def test_published_hash(self, tmp_path: Path) -> None:
        (tmp_path / "a.log").write_bytes(b"abc")
        taken = take(str(tmp_path / "a.log"), "capture")
        assert (taken.sha256, taken.size) == (ABC, 3)

    def test_standard_input(self) -> None:
        with pytest.raises(UsageError, match="save standard input"):
            take("-", "capture")

    def test_missing(self, tmp_path: Path) -> None:
        with pytest.raises(FileNotFoundError):
            take(str(tmp_path / "no.log"), "capture")

    def test_changed_meanwhile(self, tmp_path: Path) -> None:
        file = tmp_path / "a.log"
        file.write_bytes(b"abc")
        taken = take(str(file), "capture")
        require_unchanged([taken])
        file.write_bytes(b"abcd")
        with pytest.raises(UsageError, match="changed while the record was made"):
            require_unchanged([taken])


class TestRecheck:
    """A record is held against the files that are there now."""

    @pytest.fixture
    def log(self, tmp_path: Path) -> Path:
        """Return a capture."""
        file = tmp_path / "a.log"
        file.write_bytes(b"abc")
        return file

    def test_same(self, log: Path) -> None:
        name = page(log.parent, [take(str(log), "capture")])
        ((item, standing),) = recheck(name)
        assert (item.sha256, item.kind, standing) == (ABC, "capture", FileStatus.SAME)

    @pytest.mark.parametrize("where", ["logs", "."])
    def test_record_made_on_windows(self, where: str, tmp_path: Path) -> None:
        (tmp_path / where).mkdir(exist_ok=True)
        (tmp_path / where / "a.log").write_bytes(b"abc")
        name = page(tmp_path, [Input(path=r"logs\a.log", kind="capture", size=3, sha256=ABC)])
        assert [standing for _, standing in recheck(name)] == [FileStatus.SAME]

    @pytest.mark.parametrize("content", [b"abd", b"abcd", b""])
    def test_changed(self, content: bytes, log: Path) -> None:
        name = page(log.parent, [take(str(log), "capture")])
        log.write_bytes(content)
        assert [standing for _, standing in recheck(name)] == [FileStatus.CHANGED]

    def test_missing(self, log: Path) -> None:
        name = page(log.parent, [take(str(log), "capture")])
        log.unlink()
        assert [standing for _, standing in recheck(name)] == [FileStatus.MISSING]

    def test_beside_the_record(self, log: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Record and files may move together."""
        name = page(log.parent, [Input(path="elsewhere/a.log", kind="capture", size=3, sha256=ABC)])
        (tmp_path / "here").mkdir()
        monkeypatch.chdir(tmp_path / "here")
        assert [standing for _, standing in recheck(name)] == [FileStatus.SAME]

    @pytest.mark.parametrize("content", ["", "<p>a page</p>", f'<meta name="generator" content="{GENERATOR}">'])
    def test_no_record(self, content: str, tmp_path: Path) -> None:
        file = tmp_path / "page.html"
        file.write_text(content, "utf-8")
        with pytest.raises(UsageError, match="no job record"):
            recheck(str(file))

    @given(st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]), min_size=1))
    def test_any_name(self, tmp_path_factory: pytest.TempPathFactory, path: str) -> None:
        name = page(tmp_path_factory.mktemp("any"), [Input(path=path, kind="capture", size=3, sha256=ABC)])
        assert [item.path for item in recorded_inputs(name)] == [path]

    @pytest.mark.skipif(sys.platform == "win32", reason="there a name is text")
    def test_name_that_is_no_text(self, tmp_path: Path) -> None:
        path = os.fsdecode(b"car\xff.log")
        name = page(tmp_path, [Input(path=path, kind="capture", size=3, sha256=ABC)])
        assert [item.path for item in recorded_inputs(name)] == [path]
