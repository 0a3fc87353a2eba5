"""Loops over bytes that run as plain Python, or compiled where that pays.

A kernel is a plain function over flat buffers in a module named ``_*_kernel.py`` or ``_kernels.py``. Called as it is,
it runs as Python: importing the compiler alone would take longer than reading a small capture. `compiled` returns its
compiled twin, for large captures. The rules for a kernel, so that both ways give the same result:

* whole numbers only, signed and within 64 bits; no objects, no exceptions, no options;
* buffers are indexed, never sliced; tables come in as arguments; module constants are whole numbers;
* it may call other kernels, of its own module or of another kernel module.

Compiled code is kept in a cache folder of our own, whose name holds the versions and a hash over the text of *all*
kernel modules, for the compiler by itself would not notice that a function in another module has changed.
"""

import hashlib
import os
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from types import FunctionType, ModuleType
from typing import Any, Final, TypeVar, cast

Notify = Callable[[str], None]

F = TypeVar("F", bound="Callable[..., object]")

_LOCK: Final = threading.RLock()
_COMPILED: Final[dict[FunctionType, Any]] = {}
_CALLED: Final[dict[FunctionType, Any]] = {}
"""Twins that only other twins call: without the wrappers that Python needs, which take long to compile."""
_OPTIONS: Final = {
    "nogil": True,
    # Kernels call each other thousands of times per millisecond: a call would cost as much as its work.
    "forceinline": True,
}
_PACKAGE: Final = Path(__file__).parent


def compiled(kernel: F, notify: Notify | None = None) -> F | None:
    """Return the compiled twin of a kernel; None where there is no compiler.

    Parameters
    ----------
    kernel : function
        A plain function that keeps the rules of this module.
    notify : callable or None
        Is told, once, when the twin is not in the cache, so that its first call will take some seconds.
    """
    with _LOCK:
        try:
            numba: Any = import_module("numba")
        except ImportError:
            return None
        function = cast("FunctionType", kernel)
        if function not in _COMPILED:
            folder = cache_folder(numba.__version__)
            if notify is not None and not _is_cached(function, folder):
                notify("compiling the reader for large captures; this takes up to a minute, once on this computer")
            _compile(function, folder)
        return cast("F", _COMPILED[function])


def is_made(kernel: Callable[..., object]) -> bool:
    """Return whether the compiled twin of a kernel is here or in the cache, so that `compiled` takes no seconds."""
    with _LOCK:
        if kernel in _COMPILED:
            return True
        try:
            folder = cache_folder(version("numba"))
        except PackageNotFoundError:
            return False
        return _is_cached(cast("FunctionType", kernel), folder)


def _compile(function: FunctionType, folder: Path | None, *, is_called_by_twins: bool = False) -> Any:
    """Return the compiled twin of a function, after those of the functions that it calls."""
    twins = _CALLED if is_called_by_twins else _COMPILED
    if function in twins:
        return twins[function]
    numba: Any = import_module("numba")
    used = set(function.__code__.co_names)

    def made(value: Any) -> Any:
        """Return what stands for a global: of a module what is used of it, of a function its twin."""
        if isinstance(value, ModuleType):
            part = ModuleType(value.__name__)
            vars(part).update((name, made(it)) for name, it in vars(value).items() if name in used)
            return part
        if isinstance(value, FunctionType) and value is not function:
            return _compile(value, folder, is_called_by_twins=True)
        return value

    names = {name: made(value) if name in used else value for name, value in function.__globals__.items()}
    twin = FunctionType(function.__code__, names, function.__name__, function.__defaults__)
    # The cache knows code by this name, and not by its options.
    twin.__qualname__ = function.__qualname__ + ".called" * is_called_by_twins
    twin.__module__ = function.__module__
    # The compiler looks at its setting when a function is wrapped; other users of it in this process keep theirs.
    before = numba.config.CACHE_DIR
    numba.config.CACHE_DIR = "" if folder is None else str(folder)
    try:
        options = _OPTIONS | {"no_cpython_wrapper": is_called_by_twins, "no_cfunc_wrapper": True}
        twins[function] = _wrap(numba, twin, options, use_cache=folder is not None)
    finally:
        numba.config.CACHE_DIR = before
    return twins[function]


def _plain_number(value: Any) -> Any:
    """Return a whole number, or those of a module that stands for what is used of one, as one of 64 bits.

    Each number of Python's has a type of its own for the compiler, which tries every operation for each of them, and
    compiles a function anew for each that is passed to it.
    """
    if isinstance(value, ModuleType):
        vars(value).update((name, _plain_number(it)) for name, it in vars(value).items())
    if isinstance(value, tuple):
        return tuple(map(_plain_number, value))
    if isinstance(value, int) and not isinstance(value, bool):
        return import_module("numpy").int64(value)
    return value


def _wrap(numba: Any, function: FunctionType, options: dict[str, bool], *, use_cache: bool) -> Any:
    for name in set(function.__code__.co_names) & function.__globals__.keys():
        function.__globals__[name] = _plain_number(function.__globals__[name])
    constants = tuple(_plain_number(constant) for constant in function.__code__.co_consts)
    function.__code__ = function.__code__.replace(co_consts=constants)
    # No counting of references to the buffers at each call, which would halve the speed: the caller holds on to them.
    try:
        return numba.njit(cache=use_cache, _nrt=False, **options)(function)
    except (KeyError, TypeError, numba.core.errors.NumbaError):
        # `_nrt` is not promised to exist; it is for speed only.
        return numba.njit(cache=use_cache, **options)(function)


def _is_cached(function: FunctionType, folder: Path | None) -> bool:
    """Return whether the cache has anything of this function."""
    if folder is None:
        return False
    stem = function.__module__.rpartition(".")[2]
    return any(folder.rglob(f"{stem}.{function.__qualname__}-*.nbc"))


def cache_folder(version: str) -> Path | None:
    """Return the folder for compiled code, made and writable; None if no place can be had."""
    name = f"{version}-{sys.implementation.cache_tag}-{_fingerprint()}"
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
    """Return a hash over the text of all kernel modules and of this one."""
    digest = hashlib.sha256()
    for path in sorted([*_PACKAGE.rglob("_*_kernel.py"), *_PACKAGE.rglob("_kernels.py"), Path(__file__)]):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]
