"""What makes two judgements the same: the bytes of the capture, and the ground that it was checked on.

That saves reading a file twice. Whether two captures are one recording, their frames say (`capture.sameness`).

Both are SHA-256 (FIPS 180-4), as in the job record.
"""

import hashlib
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Final

from buslens.capture.table_settings import NOTHING_TOLD
from buslens.fleet.model import Group

_CHECKING: Final = ("capture", "definitions", "dialogue", "timeline", "expectations", "checks", "fleet/check_job.py")
"""What of the program makes a judgement, its sentences included; what only reports it is omitted."""


@cache
def program_hash() -> str:
    """Return the hash over the files of the program that a judgement depends on.

    Its version does not tell: a program may be changed, in what it finds or only in how it says that, and keep it.
    """
    root = Path(__file__).parents[1]
    within = [root / name for name in _CHECKING]
    files = [*root.glob("*.py"), *(it for place in within for it in ([place] if place.is_file() else place.rglob("*")))]
    digest = hashlib.sha256()
    for path in sorted(it for it in files if it.is_file() and it.parent.name != "__pycache__"):
        digest.update(f"{path.relative_to(root).as_posix()} {content_hash(path)} ".encode())
    return digest.hexdigest()


def content_hash(path: str | Path) -> str:
    """Return the hash of a file's bytes as they lie; OSError if it cannot be read."""
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def setup_parts(group: Group, definitions: Iterable[str]) -> dict[str, str]:
    """Return the hash of each part of what a judgement depends on beside the capture, by what people call it.

    Parameters
    ----------
    definitions : iterable of str
        The definitions files: the group's, else those that its expectations name.

    Raises
    ------
    OSError
        If one of the files cannot be read.
    """
    told = [] if group.table == NOTHING_TOLD else [repr(group.table)]
    return {
        "the program": program_hash(),
        "the expectations": content_hash(group.expectations),
        "the definitions": " ".join(map(content_hash, definitions)),
        "the names of channels": repr(sorted(group.channels)),
        "what is said about tables": "".join(told),
    }


def setup_hash(group: Group, definitions: Iterable[str]) -> str:
    """Return the hash over everything but the capture that a judgement depends on; parameters as of `setup_parts`."""
    digest = hashlib.sha256()
    for part in setup_parts(group, definitions).values():
        known = part.encode("utf-8", "backslashreplace")
        digest.update(len(known).to_bytes(8, "little") + known)
    return digest.hexdigest()
