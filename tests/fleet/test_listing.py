from __future__ import annotations

import gzip
import os
import threading
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.patience import HANG_S

from buslens.capture.python_can_reader import python_can_suffixes
from buslens.errors import UsageError
from buslens.fleet import listing as module
from buslens.fleet.fetch import fetched
from buslens.fleet.listing import SUFFIXES, CaptureFinder, FoundCapture, require_sources
from buslens.fleet.prefetch import PrefetchedListing

if TYPE_CHECKING:
    from collections.abc import Iterator


def put(folder: Path, *names: str) -> None:
    for name in names:
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(name)


def below(*sources: Path | str, results: Path | None = None) -> list[str]:
    return [found.below for found in CaptureFinder([str(source) for source in sources], results)]


@pytest.fixture
def store() -> Iterator[str]:
    """Return the address of a folder in a store in memory, with some files."""
    import fsspec

    memory = fsspec.filesystem("memory")
    memory.pipe("/pinewick/car1/a.log", b"one")
    memory.pipe("/pinewick/car1/.hidden.log", b"two")
    memory.pipe("/pinewick/car2/b.asc", b"three")
    memory.pipe("/pinewick/notes.pdf", b"four")
    yield "memory://pinewick"
    memory.rm("/pinewick", recursive=True)


class TestFolders:
    """A folder stands for the captures in it and below; what is hidden or written by a run is not among them."""

    def test_everything_that_ends_like_a_capture(self, tmp_path: Path) -> None:
        put(tmp_path, "b/x.LOG", "b/c/y.asc.gz", "a.log", ".git/z.log", ".tmp-1.log", "notes.pdf", "list.csv")
        put(tmp_path, "ledger.sqlite", "ledger.sqlite-wal")
        found = CaptureFinder([str(tmp_path)])
        assert [one.below for one in found] == ["a.log", "b/c/y.asc.gz", "b/x.LOG"]
        assert (found.passed_over, Path(found.first_passed_over).name) == (2, "list.csv")

    def test_of_other_names_what_begins_like_a_capture(self, tmp_path: Path) -> None:
        line = "(1700000000.000100) can0 202#E8B7\n"
        table = "Time,ID,Dir,Len,D0,D1\n" + "".join(f"{n / 100:.6f},0x3E9,Rx,2,0A,{n:02X}\n" for n in range(40))
        values = "time,speed\n" + "".join(f"{n / 10:.1f},{n}\n" for n in range(40))
        plain = {"run1": line, "run.dat": line, "table.csv": table, "table.CSV": table, "a.html": line, "a.dbc": line}
        for name, text in {**plain, "values.csv": values, "words": "Dear all,\n", "empty": ""}.items():
            (tmp_path / name).write_text(text)
        (tmp_path / "run2.gz").write_bytes(gzip.compress(line.encode()))
        (tmp_path / "words.gz").write_bytes(b"\x1f\x8b" + b"x" * 20)
        with zipfile.ZipFile(tmp_path / "two.zip", "w") as archive:
            archive.writestr("a", line)
            archive.writestr("b", line)
        found = CaptureFinder([str(tmp_path)])
        assert {one.below for one in found} == {"run1", "run.dat", "run2.gz", "table.csv", "table.CSV"}
        assert found.passed_over == 7

    def test_size_and_stamp_are_those_of_the_file(self, tmp_path: Path) -> None:
        put(tmp_path, "a.log")
        (found,) = CaptureFinder([str(tmp_path)])
        state = (tmp_path / "a.log").stat()
        assert (found.address, found.size, found.stamp) == (str(tmp_path / "a.log"), 5, str(state.st_mtime_ns))

    def test_the_folder_of_results_is_none_of_them(self, tmp_path: Path) -> None:
        put(tmp_path, "a.log", "out/pages/x.log", "out/y.log", "outside/z.log")
        assert below(tmp_path, results=tmp_path / "out") == ["a.log", "outside/z.log"]

    def test_captures_beside_the_results_are_taken(self, tmp_path: Path) -> None:
        put(tmp_path, "a.log", "pages/x.log", "captures.csv", "deep/pages/y.log")
        assert below(tmp_path, results=tmp_path) == ["a.log", "deep/pages/y.log"]

    def test_a_circle_of_links_is_told_and_left(self, tmp_path: Path) -> None:
        put(tmp_path, "logs/a.log")
        try:
            (tmp_path / "logs" / "again").symlink_to(tmp_path / "logs")
            (tmp_path / "logs" / "lost.log").symlink_to(tmp_path / "nowhere")
        except OSError:
            pytest.skip("this system lets nobody make links")
        if len(os.listdir(tmp_path / "logs")) != 3:  # noqa: PTH208  # Wine makes links that no folder lists
            pytest.skip("this system lists no links")
        problems: list[str] = []
        assert [one.below for one in CaptureFinder([str(tmp_path / "logs")], None, problems.append)] == ["a.log"]
        assert len(problems) == 2
        assert "leads back" in problems[0]
        assert "lost.log" in problems[1]

    @pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="the administrator may read everything")
    def test_a_folder_that_is_closed_does_not_stop_the_others(self, tmp_path: Path) -> None:
        put(tmp_path, "a/x.log", "b/y.log")
        (tmp_path / "a").chmod(0)
        problems: list[str] = []
        try:
            assert [one.below for one in CaptureFinder([str(tmp_path)], None, problems.append)] == ["b/y.log"]
        finally:
            (tmp_path / "a").chmod(0o700)
        assert "no permission" in problems[0]

    def test_a_folder_that_vanishes_is_told(self, tmp_path: Path) -> None:
        put(tmp_path, "a/x.log", "b/y.log")
        problems: list[str] = []
        found = iter(CaptureFinder([str(tmp_path)], None, problems.append))
        assert next(found).below == "a/x.log"
        (tmp_path / "b" / "y.log").unlink()
        (tmp_path / "b").rmdir()
        assert list(found) == []
        assert len(problems) <= 1

    @pytest.mark.skipif(os.name == "nt", reason="names are text there")
    def test_a_name_that_is_no_text_comes_back_as_it_is(self, tmp_path: Path) -> None:
        raw = os.fsencode(tmp_path) + b"/caf\xe9.log"
        try:
            Path(os.fsdecode(raw)).write_text("x")
        except OSError:
            pytest.skip("this file system takes only text")
        (found,) = CaptureFinder([str(tmp_path)])
        assert os.fsencode(found.address) == raw

    def test_no_more_than_asked_for_is_looked_at(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        put(tmp_path, *(f"{number:03d}.log" for number in range(50)))
        monkeypatch.setattr(module, "_TOGETHER", 10)
        looked: list[str] = []
        real = module._listed  # what is counted is how often it is called

        def noted(path: str, root: str, state: os.stat_result) -> FoundCapture:
            looked.append(path)
            return real(path, root, state)

        monkeypatch.setattr(module, "_listed", noted)
        found = iter(CaptureFinder([str(tmp_path)]))
        for _ in range(3):
            next(found)
        assert len(looked) == 3
        assert len({one.address for one in found}) == 47

    def test_suffixes_are_those_that_can_be_read(self) -> None:
        """All that python-can reads, save two that are mostly something else."""
        assert set(python_can_suffixes()) - set(SUFFIXES) <= {".csv", ".db"}


class TestPatterns:
    """A pattern stands for what it fits, and a file that is named is taken whatever it ends in."""

    def test_what_fits(self, tmp_path: Path) -> None:
        put(tmp_path, "car1/a.log", "car1/a.dat", "car2/b.log", "bus/c.log", "car1/.d.log")
        assert below(tmp_path / "car*" / "*.log") == ["car1/a.log", "car2/b.log"]
        assert below(tmp_path / "**" / "*.dat") == ["car1/a.dat"]
        assert below(tmp_path / "car1" / "a.dat") == ["a.dat"]

    def test_a_folder_that_fits_is_walked(self, tmp_path: Path) -> None:
        put(tmp_path, "car1/deep/a.log", "car2/b.log", "car2/c.dat")
        assert below(tmp_path / "car*") == ["car1/deep/a.log", "car2/b.log"]

    def test_what_lies_in_a_folder_that_fits_is_taken_once(self, tmp_path: Path) -> None:
        """Where '**' stands, a pattern fits a folder and each file in it."""
        put(tmp_path, "logs/a.log", "logs/car1/b.log", "logs/car1/deep/c.log", "logs/notes.pdf")
        assert below(tmp_path / "logs" / "**") == ["a.log", "car1/b.log", "car1/deep/c.log"]
        assert below(tmp_path / "**" / "car*") == ["logs/car1/b.log", "logs/car1/deep/c.log"]

    @pytest.mark.parametrize("pattern", ["*/*", "**/*.csv", "*/*/*", "out/*", "out/pages/*"])
    def test_results_are_none_of_them(self, pattern: str, tmp_path: Path) -> None:
        put(tmp_path, "car1/a.csv", "car1/deep/b.csv", "out/captures.csv", "out/ledger.lock", "out/pages/p.html")
        put(tmp_path, "out/pages/deep/q.csv")
        found = below(tmp_path / pattern, results=tmp_path / "out")
        assert not any(name.startswith(("out/c", "out/l", "captures", "ledger")) for name in found)
        if not pattern.startswith("out"):
            assert found
            assert not any(name.startswith("out") for name in found)

    def test_a_capture_beside_the_results_is_taken(self, tmp_path: Path) -> None:
        put(tmp_path, "a.log", "captures.csv", "ledger.lock", "index.html", "pages/p.log")
        assert below(tmp_path / "*", results=tmp_path) == ["a.log"]

    def test_a_name_with_marks_of_a_pattern_is_a_name(self, tmp_path: Path) -> None:
        put(tmp_path, "run[1].log", "run1.log")
        assert below(tmp_path / "run[1].log") == ["run[1].log"]

    def test_what_fits_nothing_is_told(self, tmp_path: Path) -> None:
        problems: list[str] = []
        assert list(CaptureFinder([str(tmp_path / "*.log")], None, problems.append)) == []
        assert "nothing is called so" in problems[0]


class TestStores:
    """An address is listed through its store, and what is found can be fetched by its address."""

    def test_a_folder(self, store: str) -> None:
        found = list(CaptureFinder([store]))
        assert [one.below for one in found] == ["car1/a.log", "car2/b.asc"]
        assert [one.size for one in found] == [3, 5]
        assert all(one.stamp for one in found)
        with fetched(found[1].address) as copy:
            assert copy.read_bytes() == b"three"

    def test_a_pattern_and_a_file(self, store: str) -> None:
        assert below(f"{store}/*/*.asc") == ["car2/b.asc"]
        assert below(f"{store}/notes.pdf") == ["notes.pdf"]

    def test_an_object_that_stands_for_its_folder(self, store: str, monkeypatch: pytest.MonkeyPatch) -> None:
        """It is no file that was passed over."""
        from fsspec.implementations.memory import MemoryFileSystem

        def walk(_store: object, path: str, **_more: object) -> Iterator[tuple[str, dict[str, Any], dict[str, Any]]]:
            yield path, {}, {"": {"name": f"{path}/", "size": 0}, "a.log": {"name": f"{path}/a.log", "size": 3}}

        monkeypatch.setattr(MemoryFileSystem, "walk", walk)
        found = CaptureFinder([store])
        assert [one.below for one in found] == ["a.log"]
        assert found.passed_over == 0

    def test_a_store_that_refuses(self, store: str, monkeypatch: pytest.MonkeyPatch) -> None:
        from fsspec.implementations.memory import MemoryFileSystem

        def refuse(*_given: object) -> None:
            raise PermissionError("Forbidden")

        monkeypatch.setattr(MemoryFileSystem, "isfile", refuse)
        problems: list[str] = []
        assert list(CaptureFinder([store], None, problems.append)) == []
        assert problems == [f"{store}: cannot be listed: the store gives no permission (Forbidden)"]

    def test_what_is_not_there_is_told(self, store: str) -> None:
        problems: list[str] = []
        assert list(CaptureFinder([f"{store}/car9"], None, problems.append)) == []
        assert len(problems) == 1

    def test_an_archive(self, tmp_path: Path) -> None:
        with zipfile.ZipFile(tmp_path / "fleet.zip", "w") as archive:
            archive.writestr("car1/a.log", "one")
            archive.writestr("car2/b.log.gz", gzip.compress(b"two"))
        found = list(CaptureFinder([f"zip://::{(tmp_path / 'fleet.zip').as_uri()}"]))
        assert [one.below for one in found] == ["car1/a.log", "car2/b.log.gz"]
        with fetched(found[0].address) as copy:
            assert copy.read_bytes() == b"one"

    def test_a_file_address_is_a_path(self, tmp_path: Path) -> None:
        put(tmp_path, "a.log")
        (found,) = CaptureFinder([tmp_path.as_uri()])
        assert found.address == str(tmp_path / "a.log")


class TestDemand:
    """What stands for nothing is refused before anything is read."""

    @pytest.mark.parametrize(
        ("source", "words"),
        [
            ("nowhere/at/all", "there is no folder"),
            ("-", "buslens check -"),
            ("nonsense://x", "nothing is known of addresses that begin with 'nonsense:'"),
        ],
    )
    def test_refused(self, source: str, words: str) -> None:
        with pytest.raises(UsageError, match=words):
            require_sources([source])

    def test_a_store_without_its_library(self, monkeypatch: pytest.MonkeyPatch) -> None:
        import fsspec.core

        def missing(_address: str) -> None:
            raise ImportError("Install s3fs to access S3")

        monkeypatch.setattr(fsspec.core, "url_to_fs", missing)
        with pytest.raises(UsageError, match=r'pip install "buslens\[s3\]"'):
            require_sources(["s3://bucket/logs"])


class TestAhead:
    """The listing runs ahead of who takes the captures, and says how many there are once it knows."""

    @given(st.lists(st.text("ab", min_size=1, max_size=8), unique=True, max_size=12))
    def test_all_in_order(self, names: list[str]) -> None:
        class Made(CaptureFinder):
            def __iter__(self) -> Iterator[module.FoundCapture]:
                for name in names:
                    self.problem(f"before {name}")
                    yield module.FoundCapture(name, name, None, "")

        told: list[str] = []
        with PrefetchedListing(Made([], None, told.append)) as ahead:
            assert [one.address for one in ahead] == names
            assert ahead.total == len(names)
        assert told == [f"before {name}" for name in names]

    def test_what_goes_wrong_there_is_raised_here(self) -> None:
        with (
            pytest.raises(UsageError, match="nothing is known"),
            PrefetchedListing(CaptureFinder(["nonsense://x"])) as ahead,
        ):
            list(ahead)

    def test_whoever_waits_is_told_what_for(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Once, however long it takes."""
        monkeypatch.setattr("buslens.fleet.prefetch._SILENCE_S", 0.0)
        monkeypatch.setattr("buslens.fleet.prefetch._LOOK_S", 0.01)
        told: list[str] = []
        answer = threading.Event()

        class Slow(CaptureFinder):
            def _in_store(self, address: str) -> Iterator[module.FoundCapture]:
                assert answer.wait(HANG_S)
                yield module.FoundCapture(address, "a.log", None, "")

        def hear(sentence: str) -> None:
            told.append(sentence)
            threading.Timer(0.1, answer.set).start()

        with PrefetchedListing(Slow(["memory://pinewick"]), hear) as ahead:
            assert len(list(ahead)) == 1
        assert told == ["memory://pinewick: no answer for a while; still waiting"]
