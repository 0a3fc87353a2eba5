"""A capture is lent as a file of this machine, wherever it lies."""

from __future__ import annotations

import errno
import sys
from typing import TYPE_CHECKING

import pytest

from buslens.errors import CaptureError
from buslens.files import os_error_text
from buslens.fleet.fetch import Absence, MissingLibrary, fetched, is_address, local_path

if TYPE_CHECKING:
    from pathlib import Path


class TestAddresses:
    @pytest.mark.parametrize(
        "name", ["car.log", "logs/car.log", "C:\\logs\\car.log", "c:/car.log", "./a:b.log", "2026-03-14T08:15.log"]
    )
    def test_paths(self, name: str) -> None:
        """A drive is none of the schemes, and a colon in a name makes no address."""
        assert not is_address(name)
        assert local_path(name) == name

    @pytest.mark.parametrize("name", ["s3://bucket/car.log", "memory://car.log", "zip::file:///a.zip", "S3://b/c"])
    def test_others(self, name: str) -> None:
        assert is_address(name)
        assert local_path(name) is None

    @pytest.mark.skipif(sys.platform == "win32", reason="paths begin with a drive there")
    def test_file(self) -> None:
        assert local_path("file:///logs/my%20car.log") == "/logs/my car.log"


class TestFetched:
    def test_a_file_is_lent_itself(self, tmp_path: Path) -> None:
        path = tmp_path / "car.log"
        path.write_bytes(b"x")
        with fetched(str(path)) as lent:
            assert lent == path
        assert path.exists()

    def test_a_copy_keeps_its_suffixes_and_goes_afterwards(self) -> None:
        import fsspec

        with fsspec.open("memory://fleet/car 1.asc.gz", "wb") as file:
            file.write(b"content")
        with fetched("memory://fleet/car 1.asc.gz") as lent:
            assert (lent.suffixes, lent.read_bytes()) == ([".asc", ".gz"], b"content")
        assert not lent.exists()

    def test_too_large(self) -> None:
        import fsspec

        with fsspec.open("memory://fleet/large.log", "wb") as file:
            file.write(b"x" * 11)
        with fetched("memory://fleet/large.log", largest=11) as lent:
            assert lent.stat().st_size == 11
        with pytest.raises(CaptureError, match="more than 10 bytes"), fetched("memory://fleet/large.log", largest=10):
            pass

    def test_gone(self) -> None:
        with pytest.raises(OSError, match=r"gone\.log"), fetched("memory://fleet/gone.log"):
            pass

    def test_no_such_store(self) -> None:
        with pytest.raises((MissingLibrary, OSError)), fetched("nosuchstore://fleet/car.log"):
            pass

    @pytest.mark.parametrize(
        ("error", "told"),
        [
            (FileNotFoundError("pinewick/a.log"), "no such file"),
            (PermissionError("Forbidden"), "cannot be fetched: the store gives no permission (Forbidden)"),
            (OSError("slow\ndown"), "cannot be fetched: OSError: slow down"),
            (ValueError("wrong"), "cannot be fetched: ValueError: wrong"),
            (OSError(errno.ENOSPC, "No space left on device"), "no space left on the device"),
        ],
        ids=lambda value: type(value).__name__,
    )
    def test_what_a_store_says_is_told(self, error: Exception, told: str, monkeypatch: pytest.MonkeyPatch) -> None:
        """The libraries for stores raise the system's errors without its numbers."""
        import fsspec

        def refuse(*_given: object) -> None:
            raise error

        monkeypatch.setattr(fsspec, "open", refuse)
        with pytest.raises(OSError, match=r".") as refusal, fetched("memory://pinewick/a.log"):
            pass
        assert os_error_text(refusal.value, "").removeprefix(": ") == told


class TestAbsence:
    """A capture is gone if that is known, and not if nothing is known."""

    def test_here(self, tmp_path: Path) -> None:
        (tmp_path / "a.log").touch()
        absence = Absence()
        assert [absence.is_gone(str(tmp_path / name)) for name in ("a.log", "b.log")] == [False, True]

    def test_a_store_that_gives_no_answer_is_asked_once(self, monkeypatch: pytest.MonkeyPatch) -> None:
        from fsspec.implementations.memory import MemoryFileSystem

        asked: list[str] = []

        def silent(_store: object, name: str, **_more: object) -> None:
            asked.append(name)
            raise TimeoutError

        monkeypatch.setattr(MemoryFileSystem, "info", silent)
        absence = Absence()
        assert not any(absence.is_gone(f"memory://pinewick/{number}.log") for number in range(3))
        assert asked == ["/pinewick/0.log"]

    def test_a_store_is_asked_once_for_many_of_a_folder(self, monkeypatch: pytest.MonkeyPatch) -> None:
        import fsspec
        from fsspec.implementations.memory import MemoryFileSystem

        memory = fsspec.filesystem("memory")
        memory.pipe({f"/pinewick-many/{number}.log": b"x" for number in range(1, 200, 2)})
        asked: list[str] = []
        info = MemoryFileSystem.info

        def counted(store: MemoryFileSystem, name: str, **more: object) -> object:
            asked.append(name)
            return info(store, name, **more)

        monkeypatch.setattr(MemoryFileSystem, "info", counted)
        absence = Absence()
        gone = [absence.is_gone(f"memory://pinewick-many/{number}.log") for number in range(200)]
        assert gone == [True, False] * 100
        assert len(asked) < 120
        memory.rm("/pinewick-many", recursive=True)
