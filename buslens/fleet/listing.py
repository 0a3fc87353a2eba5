"""The captures that folders, patterns and addresses stand for, told as they are found.

A folder is walked, and what is found is handed on before the rest is looked at, so that memory does not grow with the
number of captures. Of one folder at most `_TOGETHER` names are in memory, and within these the order is that of the
names: most folders come out sorted, and a folder of millions costs no more.

In a folder, what ends like a capture is taken, and of the rest what begins like one, or is a table of values with a
column that the expectations need, unless its name says that it is
a picture, a page, a program or the like. In a store only names decide. What is hidden, what lies in the folder of
results, and what buslens has written is not taken. A file that is named, by itself or by a pattern, is taken whatever
it ends in.
"""

import os
import stat
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any, Final, NamedTuple

from buslens.capture.compression import PACKED_SUFFIXES
from buslens.capture.open import is_capture
from buslens.errors import UsageError
from buslens.files import os_error_text
from buslens.fleet.fetch import local_path, missing_library, store_text
from buslens.fleet.result_folder import is_ledger, is_written

SUFFIXES: Final = (".asc", ".blf", ".candump", ".log", ".mf4", ".trc", ".txt")
"""How the name of a capture in a folder ends, before the suffix of a packing that may follow.

What python-can reads under ``.db`` has to be named: most files of this kind are something else."""
_NEVER: Final = (
    *(".bmp", ".gif", ".ico", ".jpeg", ".jpg", ".png", ".svg", ".tif", ".tiff", ".webp"),
    *(".avi", ".mov", ".mp3", ".mp4", ".wav"),
    *(".doc", ".docx", ".htm", ".html", ".md", ".ods", ".odt", ".pdf", ".ppt", ".pptx", ".rtf", ".xls", ".xlsx"),
    *(".dbc", ".ini", ".json", ".toml", ".xml", ".yaml", ".yml"),
    *(".c", ".cfg", ".cpp", ".css", ".h", ".ipynb", ".js", ".m", ".mat", ".py", ".sh", ".bat", ".ps1"),
    *(".7z", ".bin", ".db", ".dll", ".exe", ".jar", ".npy", ".npz", ".parquet", ".rar", ".sqlite", ".tar", ".tgz"),
)
"""How the names of files end that are not opened to see whether they are captures."""

_TOGETHER: Final = 10_000
_MAGIC: Final = frozenset("*?[")


class FoundCapture(NamedTuple):
    """A capture that was found."""

    #: Where it lies: a full path of this machine, or an address.
    address: str
    #: Its path seen from the folder that was named, with '/' between the parts.
    below: str
    #: Bytes; None if the store does not tell.
    size: int | None
    #: What changes when the content does; empty if the store tells nothing of the kind.
    stamp: str


@dataclass(slots=True)
class CaptureFinder:
    """Captures, found while they are asked for.

    Parameters
    ----------
    sources : sequence of str
        Folders, files, patterns with ``*``, ``?`` and ``[...]``, addresses.
    results : Path or None
        Folder of the results, which holds no captures.
    on_problem : callable
        Is told in one sentence what could not be looked into.
    """

    sources: Sequence[str]
    results: Path | None = None
    on_problem: Callable[[str], object] = lambda _problem: None
    #: Whether a file of this machine that begins like no log is a table of values that can be checked.
    is_table: Callable[[str], bool] = lambda _path: False
    #: Files that were passed over because of how their names end, and the first of them.
    passed_over: int = 0
    first_passed_over: str = ""
    #: What could not be looked into.
    problems: int = 0
    #: The source that is being looked into.
    at: str = ""
    _results_key: tuple[int, int] | None = field(default=None, init=False, repr=False)
    #: Whether a folder is, or lies in, the folder of results.
    _in_results: dict[str, bool] = field(default_factory=dict, init=False, repr=False)

    def __iter__(self) -> Iterator[FoundCapture]:
        """Yield the captures of every source."""
        if self.results is not None:
            self._results_key = _key(self.results)
        for source in self.sources:
            self.at = source
            path = local_path(source)
            yield from self._in_store(source) if path is None else self._here(path)

    def problem(self, text: str) -> None:
        """Note what could not be looked into."""
        self.problems += 1
        self.on_problem(text)

    # --- this machine -----------------------------------------------------------------------------------

    def _here(self, path: str) -> Iterator[FoundCapture]:
        if os.path.lexists(path) or not _has_magic(path):
            yield from self._named(path, root=None)
            return
        from glob import iglob

        root = _before_magic(path)
        found = 0
        # Where '**' stands, a pattern fits folders and what lies in them; these are walked once.
        walked: set[str] = set()
        for name in _in_order(iglob(path, recursive=True)):  # noqa: PTH207  # as the user wrote it, on every system
            full = os.path.abspath(name)  # noqa: PTH100  # links are part of the name
            if _is_hidden_or_ledger(Path(full).name) or self._is_results(full) or self._is_result(full, root):
                continue
            found += 1
            if "**" in path:
                if any(str(folder) in walked for folder in Path(full).parents):
                    continue
                if Path(full).is_dir():
                    walked.add(full)
            yield from self._named(name, root=root)
        if not found:
            self.problem(f"{path}: nothing is called so")

    def _named(self, path: str, root: str | None) -> Iterator[FoundCapture]:
        """Yield what a name stands for: itself, or what is in the folder."""
        full = Path(os.path.abspath(path))  # noqa: PTH100  # links are part of the name
        try:
            state = full.stat()
        except OSError as exc:
            self.problem(os_error_text(exc, path))
            return
        if stat.S_ISDIR(state.st_mode):
            yield from self._folder(full, root=full if root is None else Path(os.path.abspath(root)))  # noqa: PTH100
        else:
            yield _listed(str(full), str(full.parent) if root is None else os.path.abspath(root), state)  # noqa: PTH100

    def _folder(self, folder: Path, *, root: Path) -> Iterator[FoundCapture]:
        """Yield the captures in a folder and below; links are followed, but never in a circle."""
        is_results = self._is_results(folder)
        # Folders that are being looked through, each with those above it.
        open_: list[tuple[Iterator[os.DirEntry[str]], tuple[tuple[int, int], ...]]] = []
        entries = self._entries(str(folder))
        key = _key(folder)
        open_.append((entries, () if key is None else (key,)))
        while open_:
            entries, above = open_[-1]
            entry = next(entries, None)
            if entry is None:
                open_.pop()
                continue
            own = len(open_) == 1 and is_results and is_written(entry.name)
            if _is_hidden_or_ledger(entry.name) or own:
                continue
            try:
                is_folder, state = entry.is_dir(), entry.stat()
            except OSError as exc:
                if _is_taken(entry.name) or entry.is_symlink():
                    self.problem(os_error_text(exc, entry.path))
                continue
            if not is_folder:
                if stat.S_ISREG(state.st_mode) and (_is_taken(entry.name) or self._begins_so(entry.path)):
                    yield _listed(entry.path, str(root), state)
                else:
                    self._pass_over(entry.path)
                continue
            key = _key(entry.path)
            if key is not None and key == self._results_key:
                continue
            if key is not None and key in above:
                self.problem(f"{entry.path}: leads back to a folder that it lies in; it was not followed")
                continue
            open_.append((self._entries(entry.path), above if key is None else (*above, key)))

    def _entries(self, folder: str) -> Iterator[os.DirEntry[str]]:
        try:
            with os.scandir(folder) as found:
                yield from _in_order(found, by=lambda entry: entry.name)
        except OSError as exc:
            self.problem(f"{os_error_text(exc, folder)}; the files in this folder are not checked")

    def _is_results(self, path: str | Path) -> bool:
        return self._results_key is not None and _key(path) == self._results_key

    def _is_result(self, path: str, root: str) -> bool:
        """Whether what a pattern fits lies in the folder of results below the pattern's own, or is a result in it."""
        if self._results_key is None:
            return False
        folder, name = os.path.split(path)
        if folder not in self._in_results:
            top = Path(os.path.abspath(root))  # noqa: PTH100  # links are part of the name
            below = [Path(folder), *Path(folder).parents]
            below = below[: below.index(top)] if top in below else below
            self._in_results.clear()  # what fits comes folder by folder: the last one is enough
            self._in_results[folder] = any(self._is_results(each) for each in below)
        return self._in_results[folder] or (is_written(name) and self._is_results(folder))

    def _begins_so(self, path: str) -> bool:
        """Whether a file whose name does not tell begins like a capture."""
        if _without_packing(path).endswith(_NEVER):
            return False
        try:
            return is_capture(path) or self.is_table(path)
        except OSError:
            return False  # what ends like a capture would be told; this may be anything

    def _pass_over(self, name: str) -> None:
        self.passed_over += 1
        self.first_passed_over = self.first_passed_over or name

    # --- stores -----------------------------------------------------------------------------------------

    def _in_store(self, address: str) -> Iterator[FoundCapture]:
        try:
            yield from self._walked(address, *_store(address))
        except UsageError:
            raise
        except Exception as exc:  # a library that is not ours, for a store that is not ours: anything may come
            self.problem(f"{address}: cannot be listed: {store_text(exc)}")

    def _walked(self, address: str, store: Any, path: str) -> Iterator[FoundCapture]:
        if _has_magic(path):
            root = _before_magic(path).rstrip("/")
            found = store.glob(path, detail=True)
            infos: Iterable[dict[str, Any]] = (found[name] for name in sorted(found))
            taken = [info for info in infos if info.get("type") != "directory"]
            if not taken:
                self.problem(f"{address}: nothing is called so")
            for info in taken:
                yield _in_store(store, address, info, root)
            return
        if store.isfile(path):
            yield _in_store(store, address, store.info(path), path.rpartition("/")[0])
            return
        if not store.exists(path):
            self.problem(f"{address}: there is nothing of this name")
            return
        # One folder at a time: a store hands out a million names a page at a time, but a library gathers a folder.
        for _, folders, files in store.walk(path, detail=True, on_error="raise"):
            for name in [name for name in folders if name.startswith(".")]:
                del folders[name]
            for name in sorted(files):
                # An object of no name in the folder stands for the folder itself, where a store has none of its own.
                if not name or _is_hidden_or_ledger(name):
                    continue
                if _is_taken(name):
                    yield _in_store(store, address, files[name], path)
                else:
                    self._pass_over(f"{path}/{name}")


def require_sources(sources: Iterable[str]) -> None:
    """Refuse sources of which it can be told at once that they stand for nothing.

    Raises UsageError if one is not there, or is an address of a kind that nothing is known of or whose library is not
    installed.
    """
    for source in sources:
        path = local_path(source)
        if path is None:
            _store(source)
        elif path == "-":
            raise UsageError("a fleet is checked from files; for standard input use 'buslens check -'")
        elif not os.path.lexists(path) and not _has_magic(path):
            raise UsageError(os_error_text(FileNotFoundError(2, "", path)))


def _store(address: str) -> tuple[Any, str]:
    """Return the store of an address, and the path in it."""
    from fsspec.core import url_to_fs

    try:
        store, path = url_to_fs(address)
    except ImportError as exc:
        raise missing_library(address, exc) from exc
    except ValueError as exc:
        scheme = address.partition(":")[0]
        raise UsageError(f"{address}: nothing is known of addresses that begin with '{scheme}:'") from exc
    except Exception as exc:  # a library that is not ours: anything may come
        raise UsageError(f"{address}: cannot be reached: {store_text(exc)}") from exc
    return store, str(path)


def _in_store(store: Any, address: str, info: dict[str, Any], root: str) -> FoundCapture:
    name = str(info["name"])
    first, chained, rest = address.partition("::")
    whole = f"{first.partition(':')[0]}://{name.lstrip('/')}::{rest}" if chained else str(store.unstrip_protocol(name))
    stamp = next(
        (str(info[key]) for key in ("ETag", "etag", "version_id", "md5", "mtime", "LastModified", "updated", "created",
                                    "date_time", "CRC") if info.get(key)),
        "",
    )  # fmt: skip
    size = info.get("size")
    below = name.removeprefix(root).lstrip("/")
    return FoundCapture(whole, below, size if isinstance(size, int) else None, stamp)


def _listed(path: str, root: str, state: os.stat_result) -> FoundCapture:
    # As texts: a path object costs more than the rest of the listing.
    begin = root if root.endswith(os.sep) else root + os.sep
    below = path[len(begin) :] if path.startswith(begin) else Path(path).name
    return FoundCapture(path, below.replace(os.sep, "/"), state.st_size, str(state.st_mtime_ns))


def _in_order(names: Iterable[Any], by: Callable[[Any], str] = str) -> Iterator[Any]:
    """Yield names in order, as far as that needs no more than a bounded number of them in memory."""
    source = iter(names)
    while some := list(islice(source, _TOGETHER)):
        yield from sorted(some, key=by)


def _is_taken(name: str) -> bool:
    return _without_packing(name).endswith(SUFFIXES)


def _without_packing(name: str) -> str:
    name = name.lower()
    return name.removesuffix(next((suffix for suffix in PACKED_SUFFIXES if name.endswith(suffix)), ""))


def _is_hidden_or_ledger(name: str) -> bool:
    """Whether a file is hidden, as those are that buslens has not finished writing, or is a ledger."""
    return name.startswith(".") or is_ledger(name)


def _key(path: str | Path) -> tuple[int, int] | None:
    """Return what tells one folder from every other, whatever it is called; None if nothing does."""
    try:
        state = Path(path).stat()
    except OSError:
        return None
    return (state.st_dev, state.st_ino) if state.st_ino else None


def _has_magic(name: str) -> bool:
    return not _MAGIC.isdisjoint(name)


def _before_magic(path: str) -> str:
    """Return the folder in which a pattern begins.

    >>> _before_magic("logs/2026/car*/x.log"), _before_magic("*.log"), _before_magic("C:/*.log")
    ('logs/2026', '.', 'C:/')
    """
    parts = path.replace(os.sep, "/").split("/")
    plain = parts[: next(place for place, part in enumerate(parts) if _has_magic(part))]
    if len(plain) == 1 and plain[0].endswith(":"):
        return f"{plain[0]}/"  # without it, Windows takes the folder that it is in on that drive
    return "/".join(plain) or ("/" if path.startswith(("/", os.sep)) else ".")
