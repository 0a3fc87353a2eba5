"""Bytes of a capture, wherever it lies, as a file of this machine."""

import errno
import os
import re
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final
from urllib.parse import unquote, urlsplit

from buslens.errors import CaptureError, SourceLocation, UsageError

_ADDRESS: Final = re.compile(r"[a-z][a-z0-9+.-]+:(//|:)", re.IGNORECASE)
"""A scheme has two letters or more: one letter and a colon is a drive."""

LARGEST: Final = 64 << 30
"""Bytes of a capture that is fetched; our choice, against a store without an end."""

_CHUNK: Final = 1 << 20

_MANY: Final = 20
"""Captures of one folder, from which on a store is asked for the whole folder."""


def is_address(name: str) -> bool:
    """Whether a name is an address such as ``s3://bucket/car.log``, not a path of this machine."""
    return bool(_ADDRESS.match(name))


def local_path(address: str) -> str | None:
    """Return the path of a capture that lies on this machine; None for any other.

    >>> local_path("logs/car.log"), local_path("s3://bucket/car.log")
    ('logs/car.log', None)
    """
    if not is_address(address):
        return address
    parts = urlsplit(address)
    if parts.scheme.lower() != "file" or parts.netloc not in {"", "localhost"}:
        return None
    path = unquote(parts.path)
    return path[1:] if os.name == "nt" and re.match(r"/[A-Za-z]:", path) else path


@contextmanager
def fetched(address: str, largest: int = LARGEST) -> Iterator[Path]:
    """Lend a capture as a file: itself if it lies on this machine, else a copy that is removed afterwards.

    Raises MissingLibrary if the library for this kind of store is not installed, CaptureError if it is too large,
    OSError if it is not available.
    """
    path = local_path(address)
    if path is not None:
        yield Path(path)
        return
    name = address.rpartition("/")[2]
    suffix = "".join(Path(re.sub(r"[^A-Za-z0-9._-]", "_", name)).suffixes[-2:])[-40:]
    with tempfile.TemporaryDirectory(prefix="buslens-") as folder:
        copy = Path(folder) / f"capture{suffix}"
        _copy(address, copy, largest)
        yield copy


def _copy(address: str, to: Path, largest: int) -> None:
    try:
        import fsspec

        with fsspec.open(address, "rb") as source, to.open("wb") as target:
            size = 0
            while chunk := source.read(_CHUNK):
                size += len(chunk)
                if size > largest:
                    raise CaptureError(f"has more than {largest} bytes; fetch it yourself", SourceLocation(address))
                target.write(chunk)
    except ImportError as exc:
        raise missing_library(address, exc) from exc
    except (CaptureError, MemoryError):
        raise
    except FileNotFoundError as exc:
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), address) from exc
    except Exception as exc:  # a library that is not ours, for a store that is not ours: anything may come
        if isinstance(exc, OSError) and exc.errno is not None:
            raise
        raise OSError(None, f"cannot be fetched: {store_text(exc)}", address) from exc


def store_text(error: Exception) -> str:
    """Return on one line what a store, or the library for it, has against giving something."""
    said = " ".join(str(error).split())
    if isinstance(error, PermissionError):
        return f"the store gives no permission ({said})" if said else "the store gives no permission"
    return f"{type(error).__name__}: {said}"


class Absence:
    """Tells which captures are known to be gone; what cannot be reached may be there.

    A store that once gave no answer is not asked again: to hear nothing can take minutes.
    """

    def __init__(self) -> None:
        self._silent: set[str] = set()
        self._asked: Counter[str] = Counter()
        self._there: dict[str, frozenset[str]] = {}

    def is_gone(self, address: str) -> bool:
        """Whether a capture, at a path or at an address of a store, is no longer there."""
        path = local_path(address)
        if path is not None:
            return not os.path.lexists(path)
        parts = urlsplit(address.rpartition("::")[2])
        store = f"{parts.scheme}://{parts.netloc}"
        if store in self._silent:
            return False
        try:
            from fsspec.core import url_to_fs

            found, name = url_to_fs(address)
            if not self._is_listed(found, name):
                found.info(name)
        except FileNotFoundError:
            return True
        except Exception:  # a library that is not ours, for a store that is not ours: anything may come
            self._silent.add(store)
        return False

    def _is_listed(self, store: Any, name: str) -> bool:
        """Whether the folder lists a capture: one question for many, which is no answer where it does not."""
        folder = name.rpartition("/")[0]
        self._asked[folder] += 1
        if self._asked[folder] < _MANY:
            return False
        if folder not in self._there:
            try:
                self._there[folder] = frozenset(store.ls(folder, detail=False))
            except FileNotFoundError:
                self._there[folder] = frozenset()
        return name in self._there[folder]


class MissingLibrary(UsageError):  # noqa: N818  (it says what is missing)
    """The library for a kind of store is not installed: no capture of that store can be had."""


def missing_library(address: str, error: Exception) -> MissingLibrary:
    """Return what to tell where the library for a kind of store is not installed."""
    scheme = urlsplit(address).scheme.lower()
    how = 'pip install "buslens[s3]"' if scheme in {"s3", "s3a"} else f"({error})"
    return MissingLibrary(f"captures at {scheme}:// need a library that is not installed: {how}")
