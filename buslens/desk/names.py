"""Names of files and folders: made here from letters that mean nothing to any file system."""

import re
import unicodedata
from collections.abc import Container
from typing import Final

_LONGEST: Final = 80
_PLAIN: Final = re.compile(r"[^A-Za-z0-9_-]+")
_SUFFIX: Final = re.compile(r"\.[A-Za-z0-9]{1,8}")
_DEVICES: Final = frozenset(
    {"con", "prn", "aux", "nul", *(f"com{digit}" for digit in range(10)), *(f"lpt{digit}" for digit in range(10))}
)
"""Names that Windows keeps for devices, whatever their suffix (Windows, Naming Files, Paths, and Namespaces)."""


def plain_name(text: str, otherwise: str) -> str:
    """Return text as a name without a suffix: letters of ASCII, digits, '-' and '_' only.

    Parameters
    ----------
    text : str
        What a person or a browser calls it.
    otherwise : str
        The name where nothing is left of it.

    >>> [plain_name(text, "x") for text in ("../../etc/passwd", "Club 2026/034", "NUL", "")]
    ['etc-passwd', 'Club-2026-034', 'x-NUL', 'x']
    """
    ascii_ = unicodedata.normalize("NFKD", text.replace("ß", "ss")).encode("ascii", "ignore").decode()
    name = _PLAIN.sub("-", ascii_).strip("-")[:_LONGEST].strip("-")
    if not name:
        return otherwise
    return f"{otherwise}-{name}" if name.lower() in _DEVICES else name


def file_name(text: str, taken: Container[str], otherwise: str) -> str:
    r"""Return a name for a file that was sent under another one, its suffixes kept, as no file here is called yet.

    Parameters
    ----------
    text : str
        The name that it was sent under; only what stands after the last separator counts.
    taken : container of str
        Names in lower case that are not free.
    otherwise : str
        The stem where nothing is left of it.

    >>> file_name("Größe. log ", set(), "capture"), plain_name("Größe", "x")
    ('Grosse-log', 'Grosse')
    >>> file_name("C:\\logs\\car 4.log.gz", {"car-4.log.gz"}, "capture"), file_name("..", set(), "capture")
    ('car-4-2.log.gz', 'capture')
    """
    last = re.split(r"[/\\]", text)[-1].strip()
    stem, suffixes = last, ""
    for _ in range(2):
        head, dot, tail = stem.rpartition(".")
        if not dot or not head or not _SUFFIX.fullmatch(f".{tail}"):
            break
        stem, suffixes = head, f".{tail.lower()}{suffixes}"
    stem = plain_name(stem, otherwise)
    name, number = f"{stem}{suffixes}", 1
    while name.lower() in taken:
        number += 1
        name = f"{stem}-{number}{suffixes}"
    return name
