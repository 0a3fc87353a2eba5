from __future__ import annotations

import errno
import os
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from buslens.files import explain, replacing, same_file, write_atomically

posix = pytest.mark.skipif(os.name == "nt", reason="file rights and devices of POSIX")


class TestWriteAtomically:
    """A file is there whole or as it was before, and nothing else is left behind."""

    @given(st.binary(max_size=200))
    @settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
    def test_content(self, tmp_path: Path, data: bytes) -> None:
        target = tmp_path / "report.xml"
        assert write_atomically(target, data) == target
        assert target.read_bytes() == data
        assert [entry.name for entry in tmp_path.iterdir()] == ["report.xml"]

    def test_failure_leaves_the_old_file(self, tmp_path: Path) -> None:
        target = tmp_path / "old.png"
        target.write_text("old")

        def fail() -> None:
            with replacing(target) as temporary:
                temporary.write_text("half of the ne")
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            fail()
        assert target.read_text() == "old"
        assert [entry.name for entry in tmp_path.iterdir()] == ["old.png"]

    def test_old_file_stays_until_the_new_one_is_whole(self, tmp_path: Path) -> None:
        target = tmp_path / "old.png"
        target.write_text("old")
        with replacing(target) as temporary:
            temporary.write_text("new")
            assert target.read_text() == "old"
            assert temporary.parent == tmp_path
            assert temporary.suffix == ".png"
        assert target.read_text() == "new"

    def test_error_names_the_file_that_was_asked_for(self, tmp_path: Path) -> None:
        with pytest.raises(FileNotFoundError) as caught:
            write_atomically(tmp_path / "no" / "such.xml", b"")
        assert caught.value.filename == str(tmp_path / "no" / "such.xml")

    def test_folder(self, tmp_path: Path) -> None:
        with pytest.raises(IsADirectoryError):
            write_atomically(tmp_path, b"")
        assert list(tmp_path.iterdir()) == []

    @posix
    def test_link_is_followed(self, tmp_path: Path) -> None:
        target, link = tmp_path / "target", tmp_path / "link"
        target.write_text("old")
        link.symlink_to(target)
        write_atomically(link, b"new")
        assert link.is_symlink()
        assert target.read_bytes() == b"new"

    @posix
    def test_rights_are_kept(self, tmp_path: Path) -> None:
        target = tmp_path / "target"
        target.write_text("old")
        target.chmod(0o640)
        write_atomically(target, b"new")
        assert target.stat().st_mode & 0o777 == 0o640

    @posix
    def test_device_is_written_to(self) -> None:
        write_atomically("/dev/null", b"x")
        assert not Path("/dev/null").is_file()


class TestSameFile:
    """Two names mean one file if they lead to it, however they are written."""

    def test_names(self, tmp_path: Path) -> None:
        file = tmp_path / "a.log"
        file.write_text("")
        assert same_file(file, tmp_path / "." / "a.log")
        assert not same_file(file, tmp_path / "b.log")
        assert not same_file("-", file)


class TestExplain:
    """A refusal of the system names the file, what was wrong, and what would be right where that can be known."""

    @pytest.mark.parametrize(
        ("number", "words"),
        [
            (errno.EACCES, "x.log: no permission"),
            (errno.EISDIR, "x.log: is a folder, where a file is wanted"),
            (errno.ENOSPC, "x.log: no space left on the device"),
            (errno.EBUSY, f"x.log: {os.strerror(errno.EBUSY)}"),
        ],
    )
    def test_reason(self, number: int, words: str) -> None:
        assert explain(OSError(number, os.strerror(number), "x.log")) == words

    def test_without_a_file(self) -> None:
        assert explain(OSError(errno.ENOSPC, "full")) == "no space left on the device"

    def test_without_anything(self) -> None:
        assert explain(OSError()) == "OSError"

    def test_a_near_name_is_proposed(self, tmp_path: Path) -> None:
        (tmp_path / "car03_load_fuse.log").touch()
        wanted = tmp_path / "car3_load_fuse.log"
        assert explain(FileNotFoundError(errno.ENOENT, "", str(wanted))) == (
            f"{wanted}: no such file; did you mean '{tmp_path / 'car03_load_fuse.log'}'?"
        )

    def test_a_missing_suffix_is_proposed(self, tmp_path: Path) -> None:
        (tmp_path / "a_recording.log.gz").touch()
        (tmp_path / "a.log").touch()
        assert explain(FileNotFoundError(errno.ENOENT, ""), tmp_path / "a").endswith(
            f"did you mean '{tmp_path / 'a.log'}'?"
        )

    def test_nothing_near(self, tmp_path: Path) -> None:
        (tmp_path / "h.log").touch()
        assert explain(FileNotFoundError(errno.ENOENT, ""), tmp_path / "nosuch.log").endswith(
            "nosuch.log: no such file"
        )

    def test_missing_folder(self, tmp_path: Path) -> None:
        wanted = tmp_path / "logs" / "x.log"
        assert explain(FileNotFoundError(errno.ENOENT, ""), wanted).endswith(f"there is no folder '{wanted.parent}'")

    @pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="no file is forbidden to the superuser")
    def test_real_permission(self, tmp_path: Path) -> None:
        file = tmp_path / "secret.log"
        file.touch(mode=0)
        with pytest.raises(PermissionError) as caught:
            file.read_bytes()
        assert explain(caught.value) == f"{file}: no permission"
