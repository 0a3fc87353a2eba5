"""Loops over bytes that run as plain Python, or compiled where that pays.

A kernel is a plain function over flat buffers in a module named ``_*_kernel.py`` or ``_kernels.py``. Called as it is,
it runs as Python: compiling it would take longer than reading a small capture. `compiled` returns its compiled twin,
for large captures. The rules for a kernel, so that both ways give the same result:

* whole numbers only, signed and within 64 bits; no objects, no exceptions, no options;
* buffers are indexed from 0 on, never sliced; none is passed twice; module constants are whole numbers;
* it may call other kernels, of its own module or imported by name from another kernel module; several results are
  annotated as ``tuple[int, int]``, and whoever asks for a twin asks for one with a single result.

Compiled code is kept in a cache folder of our own, whose name holds a hash over the version of the compiler, the kind
of machine and the text of *all* kernel modules.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
import threading
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar, cast

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import FunctionType

    from buslens.kernel_code import Kind

    Notify = Callable[[str], None]

F = TypeVar("F", bound="Callable[..., object]")

_LOCK: Final = threading.RLock()
_COMPILED: Final[dict[FunctionType, Callable[..., object]]] = {}
_PACKAGE: Final = Path(__file__).parent
_DIGEST_BYTES: Final = 32


def compiled(kernel: F, notify: Notify | None = None) -> F | None:
    """Return the compiled twin of a kernel; None where there is no compiler.

    Parameters
    ----------
    kernel : function
        A plain function that keeps the rules of this module.
    notify : callable or None
        Is told, once, when the twin is not in the cache, so that its first call will take a second or two.
    """
    from buslens.kernel_code import definition

    function = cast("FunctionType", kernel)
    with _LOCK:
        if function not in _COMPILED:
            try:
                import_module("llvmlite.binding")
                definition(function)
            except (ImportError, OSError):  # the text of our modules may not be at hand
                return None
            folder = cache_folder()
            if notify is not None and not _is_cached(function, folder):
                notify("preparing the reading of large captures; this takes a moment, once")
            _COMPILED[function] = _twin(function, folder)
        return cast("F", _COMPILED[function])


def _twin(function: FunctionType, folder: Path | None) -> Callable[..., object]:
    return _Twin(function, folder)


class _Twin:
    """A kernel as machine code, made or taken from the cache for each kind of buffers that it is called with."""

    def __init__(self, function: FunctionType, folder: Path | None) -> None:
        self._function = function
        self._folder = folder
        self._loaded: dict[tuple[Kind, ...], Callable[..., int]] = {}
        self._is_bool = function.__annotations__.get("return") == "bool"

    def __call__(self, *arguments: Any) -> int:
        from buslens.kernel_code import kind_of

        kinds = tuple(map(kind_of, arguments))
        run = self._loaded.get(kinds) or self._load(kinds)
        given = [
            argument if kind is None else argument.__array_interface__["data"][0]
            for argument, kind in zip(arguments, kinds, strict=True)
        ]
        result = run(*given)
        return bool(result) if self._is_bool else result

    def _load(self, kinds: tuple[Kind, ...]) -> Callable[..., int]:
        from buslens.machine_code import load

        with _LOCK:
            if kinds not in self._loaded:
                self._loaded[kinds] = load(self._code(kinds), kinds)
            return self._loaded[kinds]

    def _code(self, kinds: tuple[Kind, ...]) -> bytes:
        """Return object code; what the cache holds is only taken whole."""
        from buslens.files import write_atomically
        from buslens.kernel_code import translate
        from buslens.machine_code import object_code

        name = f"{_stem(self._function)}-{hashlib.sha256(repr(kinds).encode()).hexdigest()[:16]}.o"
        path = None if self._folder is None else self._folder / name
        if path is not None and path.is_file():
            held = path.read_bytes()
            if hashlib.sha256(held[_DIGEST_BYTES:]).digest() == held[:_DIGEST_BYTES]:
                return held[_DIGEST_BYTES:]
        code = object_code(translate(self._function, kinds))
        if path is not None:
            with suppress(OSError):  # a full disk: it is made anew the next time
                write_atomically(path, hashlib.sha256(code).digest() + code)
        return code


def _stem(function: FunctionType) -> str:
    """Return what the files of a function in the cache begin with."""
    return f"{function.__module__.rpartition('.')[2]}.{function.__qualname__}"


def _is_cached(function: FunctionType, folder: Path | None) -> bool:
    """Return whether the cache has anything of this function."""
    return folder is not None and any(folder.glob(f"{_stem(function)}-*.o"))


def cache_folder() -> Path | None:
    """Return the folder for compiled code, made and writable; None if no place can be had."""
    name = _fingerprint()
    for base in _places():
        folder = base / "kernels" / name
        try:
            base.parent.mkdir(parents=True, exist_ok=True)
            for place in (base, folder.parent, folder):
                place.mkdir(exist_ok=True, mode=0o700)
            with tempfile.TemporaryFile(dir=folder):
                pass
        except OSError:
            continue
        if _is_ours(folder):
            return folder
    return None


def _places() -> Iterator[Path]:
    """Yield folders to keep compiled code in, the best first."""
    import platformdirs

    yield Path(platformdirs.user_cache_dir("buslens", appauthor=False))
    user = os.getuid() if hasattr(os, "getuid") else "user"
    yield Path(tempfile.gettempdir()) / f"buslens-{user}"


def _is_ours(folder: Path) -> bool:
    """Return whether nobody else can put code there: what lies in the folder is run."""
    if not hasattr(os, "getuid"):
        return True
    kernels, base = folder.parent, folder.parent.parent
    # The base is shared with other caches of ours, that a user's usual rights (a group of one's own) may apply to.
    return all(
        place.stat().st_uid == os.getuid() and not place.stat().st_mode & others
        for place, others in ((folder, 0o022), (kernels, 0o022), (base, 0o002))
    )


def _fingerprint() -> str:
    """Return a hash over all that compiled code depends on."""
    from importlib.metadata import version

    from buslens.machine_code import machine

    digest = hashlib.sha256(f"{version('llvmlite')} {machine()}".encode())
    ours = [Path(__file__).with_name(name) for name in ("kernels.py", "kernel_code.py", "machine_code.py")]
    for path in sorted([*_PACKAGE.rglob("_*_kernel.py"), *_PACKAGE.rglob("_kernels.py"), *ours]):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:32]
