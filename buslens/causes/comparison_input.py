"""What may be compared: recordings that are not one and the same, and counts that are counts."""

import hashlib
import re
from collections.abc import Sequence
from itertools import combinations
from pathlib import Path

from buslens.checks.findings import Result
from buslens.errors import CaptureError, UsageError
from buslens.files import same_file


def require_different(paths: Sequence[str]) -> None:
    """Refuse a capture that is there twice, under one name or as a copy; UsageError if one is."""
    if paths.count("-") > 1:
        raise UsageError("standard input ('-') can be read only once")
    for one, other in combinations(paths, 2):
        if "-" not in {one, other} and _same_content(one, other):
            raise UsageError(f"{one} and {other} are one and the same capture, and would count twice; name it once")


def require_different_frames(results: Sequence[Result]) -> None:
    """Refuse a recording that is there twice in different bytes, such as compressed or with other line ends.

    Raises UsageError if one is.
    """
    from buslens.capture.frame_hash import frames_hash

    alike: dict[tuple[int, int], list[str]] = {}
    for result in results:
        stats = result.stats
        # Standard input cannot be read again.
        if stats.first_ns is not None and stats.last_ns is not None and result.path != "-":
            alike.setdefault((stats.frames, stats.last_ns - stats.first_ns), []).append(result.path)
    for paths in alike.values():
        seen: dict[str, str] = {}
        for path in paths if len(paths) > 1 else ():
            try:
                digest = frames_hash(path)
            except CaptureError:
                continue  # a source without frames is known by its bytes alone
            one = seen.setdefault(digest, path)
            if one is not path:
                raise UsageError(
                    f"{one} and {path} hold the same frames: one recording, which would count twice; name it once"
                )


def _same_content(one: str, other: str) -> bool:
    if one == other or same_file(one, other):
        return True
    try:
        if Path(one).stat().st_size != Path(other).stat().st_size or not Path(one).stat().st_size:
            return False
        return _digest(one) == _digest(other)
    except OSError:
        # What cannot be read is told of when it is checked.
        return False


def _digest(path: str) -> bytes:
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").digest()


def history_of(text: str) -> tuple[int, int]:
    """Return failures and handshakes from a text such as ``3/30``; UsageError if it is something else."""
    failed, slash, of = text.partition("/")
    is_counted = slash and all(part.isascii() and part.isdecimal() and len(part) < 10 for part in (failed, of))
    if is_counted and 1 <= int(failed) <= int(of):
        return int(failed), int(of)
    raise UsageError(f"'{text}' is not two whole numbers such as 3/30, the first from 1 to the second")


def known_rate_of(text: str) -> tuple[int, int]:
    """Return failures and handshakes from a text such as ``1 in 10``; UsageError if it is something else."""
    match = re.fullmatch(r"\s*([0-9]{1,9})\s+in\s+([0-9]{1,9})\s*", text)
    if match and 1 <= int(match[1]) < int(match[2]):
        return int(match[1]), int(match[2])
    raise UsageError(
        f'\'{text}\' is no rate such as "1 in 10", below "1 in 1"; a fault that showed each time is counted: 5/5'
    )
