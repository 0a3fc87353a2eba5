"""What makes two judgements the same: the bytes of the capture, and the ground that it was checked on.

That saves reading a file twice. Whether two captures are one recording, their frames say (`capture.sameness`).

Both are SHA-256 (FIPS 180-4), as in the job record.
"""

import hashlib
from collections.abc import Iterable
from pathlib import Path

from buslens.capture.table_settings import NOTHING_TOLD
from buslens.fleet.model import Group
from buslens.report.versions import version_of


def content_hash(path: str | Path) -> str:
    """Return the hash of a file's bytes as they lie.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def setup_hash(group: Group, definitions: Iterable[str]) -> str:
    """Return the hash over everything but the capture that a judgement depends on.

    That is the bytes of the expectations and of the definitions, names of channels, what is said about tables, and the
    version of the program.

    Parameters
    ----------
    definitions : iterable of str
        The definitions files: the group's, else those that its expectations name.

    Raises
    ------
    OSError
        If one of the files cannot be read.
    """
    digest = hashlib.sha256()
    for part in (
        version_of().encode(),
        content_hash(group.expectations).encode(),
        *(content_hash(path).encode() for path in definitions),
        repr(sorted(group.channels)).encode("utf-8", "backslashreplace"),
        *([] if group.table == NOTHING_TOLD else [repr(group.table).encode("utf-8", "backslashreplace")]),
    ):
        digest.update(len(part).to_bytes(8, "little") + part)
    return digest.hexdigest()
