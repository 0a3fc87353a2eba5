"""Write files atomically; explain OS errors."""

import errno
import os
import secrets
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from difflib import get_close_matches
from pathlib import Path
from typing import Final

_REASONS: Final = {
    errno.EACCES: "no permission",
    errno.EPERM: "no permission",
    errno.EISDIR: "is a folder, where a file is wanted",
    errno.ENOTDIR: "a part of the path is a file, where a folder is wanted",
    errno.ENOSPC: "no space left on the device",
    errno.EDQUOT: "no space left that you may use",
    errno.EROFS: "the file system is read-only",
    errno.ENAMETOOLONG: "the name is too long",
    errno.EIO: "the device failed to read or write",
    errno.ELOOP: "links that lead in a circle",
    errno.EINVAL: "the system does not accept this name or this device",
}

_ON_WINDOWS: Final = os.name == "nt"
_WINDOWS_REASONS: Final = {
    19: "the medium is write-protected",
    21: "the drive is not ready",
    32: "another program has it open; close it there",
    33: "another program has locked it; close it there",
    53: "this computer is not found on the network",
    67: "this name is not found on the network",
    206: "the name is too long",
}
"""Windows has numbers of its own, of which Python makes the few above (Windows, System Error Codes)."""
_LONGEST_ON_WINDOWS: Final = 259
"""Characters of a path, unless long paths are switched on (Windows, Maximum Path Length Limitation)."""
_WAITS_S: Final = (0.05, 0.1, 0.2, 0.4)
"""Between tries to give a file its name: on Windows a scanner may hold a new file (common practice, no source)."""


def read_at_most(path: str | os.PathLike[str], most: int) -> bytes:
    """Return what is in a file of a kind that is never large, so that no other can fill the memory.

    Raises OSError if there are more, or the file cannot be read.
    """
    with Path(path).open("rb") as file:
        data = file.read(most + 1)
    if len(data) > most:
        raise OSError(errno.EFBIG, f"it has more than {most / 1e6:g} MB, and so is no file of this kind", str(path))
    return data


def write_atomically(path: str | Path, data: bytes) -> Path:
    """Write a file under a temporary name in the same folder, then rename it: the whole file or nothing.

    Raises OSError if the folder does not take the file.
    """
    with atomic_replace(path) as temporary:
        temporary.write_bytes(data)
    return Path(path)


@contextmanager
def atomic_replace(path: str | Path) -> Iterator[Path]:
    """Lend a temporary path beside `path`; rename it there at the end, or remove it if anything went wrong.

    A link is followed, the rights of a file that is replaced are kept, and a device is written to directly.
    The temporary name ends like the given one, for writers that go by the suffix.
    """
    target = _behind_links(path)
    if target.exists() and not target.is_file() and not target.is_dir():
        try:
            yield target
        except OSError as exc:
            raise _named(exc, path, target) from exc.__cause__
        return
    if target.is_dir():
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
    if not target.parent.is_dir():
        raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(path))
    temporary = target.with_name(f".tmp-{secrets.token_hex(6)}{''.join(target.suffixes[-2:])}")
    try:
        yield temporary
        if not _ON_WINDOWS:  # rights come from the folder there, and what may not be written to could not be removed
            with suppress(FileNotFoundError):
                temporary.chmod(target.stat().st_mode & 0o7777)
        _rename(temporary, target)
    except BaseException as exc:
        with suppress(OSError):
            temporary.unlink()
        if isinstance(exc, OSError):
            raise _named(exc, path, temporary) from exc.__cause__
        raise


def _behind_links(path: str | Path) -> Path:
    try:
        return Path(os.path.realpath(path))
    except OSError:  # some drivers of drives cannot tell, on Windows
        return Path(os.path.abspath(path))  # noqa: PTH100 - nor can they resolve


def _rename(temporary: Path, target: Path) -> None:
    for wait_s in _WAITS_S if _ON_WINDOWS else ():
        try:
            temporary.replace(target)
        except PermissionError:
            time.sleep(wait_s)
        else:
            return
    temporary.replace(target)


def _named(error: OSError, path: str | Path, written: Path) -> OSError:
    """Return an error with the name that the user knows: what fails in writing names none, or the temporary one."""
    if error.errno is None or error.filename not in {None, str(written)}:
        return error
    return type(error)(error.errno, error.strerror, str(path), getattr(error, "winerror", None))


def same_file(one: str | Path, other: str | Path) -> bool:
    """Whether two names mean one file that exists."""
    try:
        return Path(one).samefile(other)
    except OSError:
        return False


def os_error_text(error: OSError, path: str | Path | None = None) -> str:
    """Return a refusal of the system as one sentence: which file, what was wrong, what would be right.

    Parameters
    ----------
    error : OSError
        The refusal.
    path : str, Path or None
        The file as the user named it; None: the one that the error names.
    """
    name = str(path) if path is not None else str(error.filename or "")
    if error.errno == errno.ENOENT:
        reason = _missing(Path(name)) if name else _missing_here()
    else:
        reason = (
            (_windows_reason(error, name) if _ON_WINDOWS else "")
            or _REASONS.get(error.errno or 0)
            or error.strerror
            or str(error)
            or type(error).__name__
        )
    return f"{name}: {reason}" if name else reason


def _windows_reason(error: OSError, name: str) -> str:
    """Say what Windows means where its answer is wider than that of other systems; empty where it is not."""
    known = _WINDOWS_REASONS.get(getattr(error, "winerror", None) or 0, "")
    if known or error.errno != errno.EACCES or not name:
        return known
    if Path(name).is_dir():
        return _REASONS[errno.EISDIR]
    return "no permission; another program may have it open, or it is read-only" if Path(name).exists() else ""


def _missing_here() -> str:
    """Say what is not there when the system names no file: it then looked for the current folder."""
    try:
        os.getcwd()  # noqa: PTH109 - this is the call that fails
    except FileNotFoundError:
        return "the current folder has been removed; change to another one"
    return "no such file"


def _missing(path: Path) -> str:
    """Say what is not there: the folder, or the file and what stands in its place."""
    folder = path.parent
    long = len(os.path.abspath(path)) if _ON_WINDOWS else 0  # noqa: PTH100 - links are part of it
    if long > _LONGEST_ON_WINDOWS:
        return (
            f"no such file, or its path is too long: it has {long} characters, and Windows takes {_LONGEST_ON_WINDOWS} "
            "unless it was told to take more"
        )
    try:
        if not folder.is_dir():
            return f"there is no folder '{folder}'"
        names = sorted(entry.name for entry in folder.iterdir())
    except OSError:
        return "no such file"
    if path.is_symlink():
        return f"no such file: it is a link to '{path.readlink()}', which is not there"
    # Nearer than for other words: a common suffix alone is no likeness.
    near = get_close_matches(path.name, names, n=1, cutoff=0.75)
    near = near or [name for name in names if Path(name).stem == path.name][:1]
    return f"no such file; did you mean '{folder / near[0]}'?" if near else "no such file"
