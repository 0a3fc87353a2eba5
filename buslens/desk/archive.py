"""A zip archive of several files, which are taken as if each had been sent alone."""

import lzma
import secrets
import shutil
import zipfile
import zlib
from pathlib import Path, PurePosixPath
from typing import Final

from buslens.errors import UsageError

MAGIC: Final = b"PK\x03\x04"
"""First bytes of an archive that is not empty (APPNOTE 6.3.10, 4.3.7)."""
_MOST_FILES: Final = 200
_TOLD_BY_NAME: Final = (".csv", ".tsv", ".dbc", ".toml")
"""What is taken by its name: tables of values, and the files of a car."""
_DAMAGE: Final = (
    *(zipfile.BadZipFile, zlib.error, lzma.LZMAError, EOFError, ValueError),
    # Of what is encrypted, and of ways of packing that are not known.
    *(RuntimeError, NotImplementedError),
)
_CONTENTS: Final = "[Content_Types].xml"
"""In documents of office programs (ISO/IEC 29500-2)."""


def unpack(archive: str, begin: str, most_bytes: int) -> list[tuple[str, str]]:
    """Unpack the files of an archive beside it.

    Parameters
    ----------
    archive : str
    begin : str
        Begins the names of what is unpacked, until it is given a place.
    most_bytes : int
        Of all of them together.

    Returns
    -------
    list of pairs of str
        Name in the archive and file; no file for what is no recording. Empty for what is read as one file: an archive
        of a single one, or no archive.

    Raises
    ------
    UsageError
        If it holds too much, or cannot be unpacked.
    """
    from buslens.capture.open import is_capture

    folder = Path(archive).parent
    made: list[tuple[str, str]] = []
    try:
        with zipfile.ZipFile(archive) as opened:
            entries = [it for it in opened.infolist() if not (it.is_dir() or _is_hidden(it.filename))]
            names = [it.filename for it in entries]
            if _CONTENTS in names and not any(it.startswith("xl/") for it in names):
                raise UsageError("this is an office document, not a recording of the bus; drop the recorded log")
            if len(entries) < 2 or _CONTENTS in names:
                return []
            size = sum(it.file_size for it in entries)
            if len(entries) > _MOST_FILES or size > min(most_bytes, shutil.disk_usage(folder).free // 2):
                raise UsageError(f"this archive holds {len(entries)} files of {size / 1e6:,.0f} MB; unpack it yourself")
            for entry in sorted(entries, key=lambda it: it.filename):
                file = folder / f"{begin}{secrets.token_hex(8)}"
                made.append((entry.filename, str(file)))
                with opened.open(entry) as packed, file.open("xb") as plain:
                    shutil.copyfileobj(packed, plain)
                if not (is_capture(file) or entry.filename.lower().endswith(_TOLD_BY_NAME)):
                    file.unlink()
                    made[-1] = (entry.filename, "")
    except BaseException as error:
        for _, name in made:
            if name:
                Path(name).unlink(missing_ok=True)
        if isinstance(error, _DAMAGE) and not isinstance(error, UsageError):
            raise UsageError(f"this archive cannot be unpacked: {error}") from error
        raise
    return made


def _is_hidden(name: str) -> bool:
    """Whether an entry is what a system keeps for itself, and no file of the person's."""
    return any(part.startswith((".", "__MACOSX")) for part in PurePosixPath(name).parts)
