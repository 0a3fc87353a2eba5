"""Objects of names and values (JSON, RFC 8259) as rows: all names in order, each with its value behind it."""

import json
import re
from collections.abc import Iterator
from typing import Final

EMPTY: Final = '""'
"""A cell that holds nothing."""
_DECIMAL: Final = "-decimal"
_BYTE_NAME: Final = re.compile(r"(b|d|byte|data)[ _]?\d{1,2}")


def flat(text: bytes, first: bytes, names: tuple[str, ...], *, has_lines: bool) -> bytes:
    """Return objects as rows of all names, each with its value behind it; what is no object stays as it is.

    A list becomes one quoted cell. Of whole numbers the name says that they are decimal, for there are no others.
    """
    if not has_lines:
        text = re.sub(rb"[\r\n]+", b" ", text)
    parts, at = [], 0
    for (start, stop), leaves in objects_in(text, first):
        cells = " ".join(f"{name} {leaves.get(name, EMPTY)}" for name in names)
        before = text[at:start].rstrip(b', \t"').removeprefix(b'"')
        glue = b"\n" if not has_lines else b" " if before[-1:] not in {b"", b"\n"} else b""
        parts += [before, glue, cells.encode("latin-1", "replace")]
        at = stop
    rest = text[at:].removeprefix(b'"')
    return b"".join([*parts, rest.lstrip(b",]} \t") if parts else rest])


def objects_in(text: bytes, first: bytes) -> Iterator[tuple[tuple[int, int], dict[str, str]]]:
    """Yield where each object stands whose first name is this one, and what is in it, as cells by name."""
    scan = json.JSONDecoder(parse_float=str).raw_decode
    is_python = re.search(rb"\{\s*'", text) is not None
    words = text.decode("latin-1")
    if is_python:
        words = words.replace("'", '"')
        for python, plain in (("True", "true"), ("False", "false"), ("None", "null")):
            words = re.sub(r"(?<=[ :\[,])" + python + r"(?=[,\]} ])", plain, words)
    starts = re.compile(rf"\{{\s*\"{re.escape(first.decode('latin-1'))}\"\s*:")
    at = 0
    while (match := starts.search(words, at)) is not None:
        try:
            found, at = scan(words, match.start())
        except ValueError:
            at = match.end()
            continue
        except RecursionError:
            return  # deeper than any frame
        yield (match.start(), at), dict(_leaves(found))


def _plain(value: object) -> object:
    """Return a value without the names of types that a database puts around it, such as ``{"$date": ...}``."""
    while isinstance(value, dict) and len(value) == 1 and next(iter(value)).startswith("$"):
        value = next(iter(value.values()))
        if isinstance(value, dict) and "base64" in value:
            return value["base64"]
        if isinstance(value, str) and value.isdigit():
            return int(value)
    return value


def _leaves(found: dict[str, object]) -> Iterator[tuple[str, str]]:
    """Yield names and cells of an object and of those in it; bytes with names of their own are one list."""
    numbered = [name for name in found if _BYTE_NAME.fullmatch(name.lower())]
    if len(numbered) > 1:
        values = [found[name] for name in numbered if found[name] is not None]
        found = {name: value for name, value in found.items() if name not in numbered} | {"data": values}
    for key, value in found.items():
        value = _plain(value)  # noqa: PLW2901
        name = re.sub(r"[^\w.]", "_", key)
        if isinstance(value, dict) and value and all(key.isdigit() for key in value):
            value = list(value.values())  # noqa: PLW2901
        if isinstance(value, dict):
            yield from _leaves(value)
        elif isinstance(value, bool):
            yield name, str(value).lower()
        elif isinstance(value, int):
            yield name + _DECIMAL, str(value)
        elif isinstance(value, list) and value:
            is_whole = all(isinstance(one, int) for one in value)
            yield name + _DECIMAL * is_whole, '"' + " ".join(str(one).replace('"', "") for one in value) + '"'
        elif isinstance(value, str):
            yield name, '"' + value.replace('"', " ") + '"'
