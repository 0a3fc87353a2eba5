from __future__ import annotations

import errno
import os
import sys
from contextlib import nullcontext
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.examples import examples

from buslens import files
from buslens.files import atomic_replace, os_error_text, same_file, write_atomically

posix = pytest.mark.skipif(os.name == "nt", reason="file rights and devices of POSIX")


class TestWriteAtomically:
    """A file is there whole or as it was before, and nothing else is left behind."""

    @given(st.binary(max_size=200))
    @settings(max_examples=examples(20), suppress_health_check=[HealthCheck.function_scoped_fixture])
    def test_content(self, tmp_path: Path, data: bytes) -> None:
        target = tmp_path / "report.xml"
        assert write_atomically(target, data) == target
        assert target.read_bytes() == data
        assert [entry.name for entry in tmp_path.iterdir()] == ["report.xml"]

    def test_failure_leaves_the_old_file(self, tmp_path: Path) -> None:
        target = tmp_path / "old.png"
        target.write_text("old")

        def fail() -> None:
            with atomic_replace(target) as temporary:
                temporary.write_text("half of the ne")
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            fail()
        assert target.read_text() == "old"
        assert [entry.name for entry in tmp_path.iterdir()] == ["old.png"]

    def test_old_file_stays_until_the_new_one_is_whole(self, tmp_path: Path) -> None:
        target = tmp_path / "old.png"
        target.write_text("old")
        with atomic_replace(target) as temporary:
            temporary.write_text("new")
            assert target.read_text() == "old"
            assert temporary.parent == tmp_path
            assert temporary.suffix == ".png"
        assert target.read_text() == "new"

    def test_error_names_the_file_that_was_asked_for(self, tmp_path: Path) -> None:
        with pytest.raises(FileNotFoundError) as caught:
            write_atomically(tmp_path / "no" / "such.xml", b"")
        assert caught.value.filename == str(tmp_path / "no" / "such.xml")

    def test_drive_that_does_not_tell_where_links_lead(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        def refuse(_path: object) -> str:
            raise OSError(errno.EINVAL, "Incorrect function")

        monkeypatch.setattr("os.path.realpath", refuse)
        write_atomically(tmp_path / "a.html", b"new")
        assert (tmp_path / "a.html").read_bytes() == b"new"

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


class RefusedError(PermissionError):
    """What Windows raises; elsewhere the number of its own is not kept."""

    winerror = 32


class TestReplacingOnWindows:
    """A file that a scanner holds for a moment is waited for; one that stays open is told, and nothing is lost."""

    @pytest.fixture(autouse=True)
    def windows(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(files, "_ON_WINDOWS", True)
        monkeypatch.setattr(files, "_WAITS_S", (0, 0, 0))

    @pytest.mark.parametrize(("refusals", "is_written"), [(0, True), (3, True), (4, False)])
    def test_tries(self, refusals: int, is_written: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        target, replace, left = tmp_path / "a.csv", Path.replace, [refusals]
        target.write_text("old")

        def held(self: Path, other: Path) -> Path:
            left[0] -= 1
            if left[0] >= 0:
                raise RefusedError(errno.EACCES, "Freigabeverletzung", str(self))
            return replace(self, other)

        monkeypatch.setattr(Path, "replace", held)
        if is_written:
            write_atomically(target, b"new")
        else:
            with pytest.raises(PermissionError) as caught:
                write_atomically(target, b"new")
            assert os_error_text(caught.value) == f"{target}: another program has it open; close it there"
        assert target.read_text() == ("new" if is_written else "old")
        assert [entry.name for entry in tmp_path.iterdir()] == ["a.csv"]

    @pytest.mark.skipif(os.name != "nt", reason="elsewhere an open file can be replaced, and one that is read-only")
    @pytest.mark.parametrize("how", ["open", "read-only"])
    def test_real(self, how: str, tmp_path: Path) -> None:
        target = tmp_path / "a.csv"
        target.write_text("old")
        target.chmod(0o444 if how == "read-only" else 0o666)
        with target.open() if how == "open" else nullcontext(), pytest.raises(PermissionError) as caught:
            write_atomically(target, b"new")
        assert os_error_text(caught.value) in {
            f"{target}: another program has it open; close it there",
            f"{target}: no permission; another program may have it open, or it is read-only",
        }
        assert target.read_text() == "old"
        assert [entry.name for entry in tmp_path.iterdir()] == ["a.csv"]
        target.chmod(0o666)


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
        assert os_error_text(OSError(number, os.strerror(number), "x.log")) == words

    def test_without_a_file(self) -> None:
        assert os_error_text(OSError(errno.ENOSPC, "full")) == "no space left on the device"

    def test_without_anything(self) -> None:
        assert os_error_text(OSError()) == "OSError"

    def test_a_near_name_is_proposed(self, tmp_path: Path) -> None:
        (tmp_path / "car03_load_fuse.log").touch()
        wanted = tmp_path / "car3_load_fuse.log"
        assert os_error_text(FileNotFoundError(errno.ENOENT, "", str(wanted))) == (
            f"{wanted}: no such file; did you mean '{tmp_path / 'car03_load_fuse.log'}'?"
        )

    def test_a_missing_suffix_is_proposed(self, tmp_path: Path) -> None:
        (tmp_path / "a_recording.log.gz").touch()
        (tmp_path / "a.log").touch()
        assert os_error_text(FileNotFoundError(errno.ENOENT, ""), tmp_path / "a").endswith(
            f"did you mean '{tmp_path / 'a.log'}'?"
        )

    def test_nothing_near(self, tmp_path: Path) -> None:
        (tmp_path / "h.log").touch()
        assert os_error_text(FileNotFoundError(errno.ENOENT, ""), tmp_path / "nosuch.log").endswith(
            "nosuch.log: no such file"
        )

    def test_a_link_to_nothing_says_where_it_leads(self, tmp_path: Path) -> None:
        wanted = tmp_path / "door.log"
        wanted.symlink_to("gone.log")
        assert os_error_text(FileNotFoundError(errno.ENOENT, ""), wanted).endswith(
            "a link to 'gone.log', which is not there"
        )

    def test_missing_folder(self, tmp_path: Path) -> None:
        wanted = tmp_path / "logs" / "x.log"
        assert os_error_text(FileNotFoundError(errno.ENOENT, ""), wanted).endswith(
            f"there is no folder '{wanted.parent}'"
        )

    @pytest.mark.skipif(sys.platform == "win32" or os.geteuid() == 0, reason="no file is forbidden to the superuser")
    def test_real_permission(self, tmp_path: Path) -> None:
        file = tmp_path / "secret.log"
        file.touch(mode=0)
        with pytest.raises(PermissionError) as caught:
            file.read_bytes()
        assert os_error_text(caught.value) == f"{file}: no permission"


class TestExplainOnWindows:
    """Windows says 'no permission' of folders and of open files, and 'no such file' of long names."""

    @pytest.fixture(autouse=True)
    def windows(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(files, "_ON_WINDOWS", True)

    def test_folder(self, tmp_path: Path) -> None:
        assert os_error_text(PermissionError(errno.EACCES, "", str(tmp_path))).endswith(
            "is a folder, where a file is wanted"
        )

    def test_what_the_c_library_does_not_tell(self, tmp_path: Path) -> None:
        (tmp_path / "a.log").touch()
        assert os_error_text(PermissionError(errno.EACCES, "", str(tmp_path / "a.log"))).endswith(
            "a.log: no permission; another program may have it open, or it is read-only"
        )

    def test_new_file(self, tmp_path: Path) -> None:
        assert os_error_text(PermissionError(errno.EACCES, "", str(tmp_path / "a.log"))).endswith(
            "a.log: no permission"
        )

    def test_long_path(self, tmp_path: Path) -> None:
        wanted = tmp_path / ("x" * 260)
        said = os_error_text(FileNotFoundError(errno.ENOENT, "", str(wanted)))
        assert f"its path is too long: it has {len(str(wanted))} characters, and Windows takes 259" in said
