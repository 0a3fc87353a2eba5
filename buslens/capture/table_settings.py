"""What a user says about the layout of a table: a ``[table]`` section in a TOML file, or options."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from buslens.capture import _table_kernel as kernel
from buslens.capture.table_time import UNITS
from buslens.errors import SourceLocation, UsageError, did_you_mean

COLUMN_KEYS: Final = {
    "id": kernel.IDENTIFIER,
    "length": kernel.LENGTH,
    "bus": kernel.BUS,
    "direction": kernel.DIRECTION,
    "received": kernel.IS_RECEIVED,
    "extended": kernel.IS_EXTENDED,
    "remote": kernel.IS_REMOTE,
    "error": kernel.IS_ERROR,
    "fd": kernel.IS_FD,
    "kind": kernel.KIND,
}
"""Keys that name one column, with the role that it gets."""
SEPARATORS: Final = {"tab": "\t", "blanks": "", "comma": ",", "semicolon": ";"}
BASES: Final = {"hex": 16, "decimal": 10}
DATE_ORDERS: Final = {"year first": 0, "day first": 1, "month first": 2}
WORD_ORDERS: Final = {"low byte first": True, "high byte first": False}
KEYS: Final = (
    "separator", "time", "time_unit", "date_order", "id", "id_base", "length", "data", "data_base", "word_order",
    "bus", "direction", "received", "extended", "remote", "error", "fd", "kind",
)  # fmt: skip
"""All keys of the section."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TableSettings:
    """What a user says about tables of frames; what is None is worked out from the rows."""

    #: Character; empty: runs of blanks.
    separator: str | None = None
    #: Columns by key, as numbers from 1 or names from the header; ``time`` and ``data`` may have several.
    columns: tuple[tuple[str, tuple[int | str, ...]], ...] = ()
    #: A key of `UNITS`.
    time_unit: str | None = None
    #: A value of `DATE_ORDERS`.
    date_order: int | None = None
    #: 16 or 10.
    id_base: int | None = None
    data_base: int | None = None
    #: Whether the least byte of a 32-bit word comes first.
    low_first: bool | None = None

    @property
    def names_columns(self) -> bool:
        """Whether columns are told, so that the log has to be a table."""
        return bool(self.columns)

    def column(self, key: str) -> tuple[int | str, ...] | None:
        """Return the columns that a key names; None if it is not told."""
        return dict(self.columns).get(key)


NOTHING_TOLD: Final = TableSettings()


def load_table(path: str | Path | None, *, time_unit: str | None = None, id_base: str | None = None) -> TableSettings:
    """Return what a TOML file and options say about tables; an option outweighs the file.

    Parameters
    ----------
    path : str, Path or None
        File with a section ``[table]``.
    time_unit, id_base : str or None
        As in the file.

    Raises
    ------
    UsageError
        If the file is no TOML, has no such section, or a key or value in it is unknown.
    OSError
        If the system refuses the file.
    """
    settings = NOTHING_TOLD if path is None else _parse(Path(path).read_bytes(), str(path))
    if time_unit is not None:
        settings = replace(settings, time_unit=_choice("--time-unit", time_unit, UNITS, None))
    if id_base is not None:
        settings = replace(settings, id_base=BASES[_choice("--id-base", id_base, BASES, None)])
    return settings


def settings_of(table: TableSettings | str | Path | None) -> TableSettings:
    """Return what is said about tables: as it is given, or as the file says that is named.

    Raises UsageError or OSError as `load_table`.
    """
    if table is None:
        return NOTHING_TOLD
    return table if isinstance(table, TableSettings) else load_table(table)


def _parse(text: bytes, path: str) -> TableSettings:
    source = SourceLocation(path)
    try:
        content = tomllib.loads(text.decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as exc:
        raise UsageError(f"this is no TOML: {exc}", source) from exc
    table = content.get("table")
    if not isinstance(table, dict):
        raise UsageError("there is no section [table] in it", source)
    columns: dict[str, tuple[int | str, ...]] = {}
    values: dict[str, Any] = {}
    for key, value in table.items():
        if key not in KEYS:
            raise UsageError(f"[table] has no key '{key}'{did_you_mean(key, KEYS)}", source)
        if key in COLUMN_KEYS or key in {"time", "data"}:
            columns[key] = _columns(key, value, source)
        elif key == "separator":
            values[key] = SEPARATORS.get(value, value) if isinstance(value, str) else value
            if not isinstance(values[key], str) or len(values[key]) > 1 or (value == "" or not values[key].isascii()):
                raise UsageError("separator is one character, or one of tab, comma, semicolon, blanks", source)
        elif key == "time_unit":
            values[key] = _choice(key, value, UNITS, source)
        elif key == "date_order":
            values[key] = DATE_ORDERS[_choice(key, value, DATE_ORDERS, source)]
        elif key == "word_order":
            values["low_first"] = WORD_ORDERS[_choice(key, value, WORD_ORDERS, source)]
        else:
            values[key] = BASES[_choice(key, value, BASES, source)]
    return TableSettings(columns=tuple(columns.items()), **values)


def _choice(key: str, value: object, known: Mapping[str, object], source: SourceLocation | None) -> str:
    word = str(value).strip().lower()
    word = {"hexadecimal": "hex", "dec": "decimal", "\u00b5s": "us", "\u03bcs": "us"}.get(word, word)
    if word not in known:
        raise UsageError(f"{key} is one of {', '.join(known)}; '{value}' is none of them", source)
    return word


def _columns(key: str, value: object, source: SourceLocation) -> tuple[int | str, ...]:
    """Return columns as numbers from 1 or names; nothing for ``time = "none"``."""
    if key == "time" and value == "none":
        return ()
    given = value if isinstance(value, list) else [value]
    most = 2 if key in {"time", "data"} else 1
    good = [
        one
        for one in given
        if (isinstance(one, int) and not isinstance(one, bool) and 1 <= one <= 96) or (isinstance(one, str) and one)
    ]
    if len(good) != len(given) or not 1 <= len(given) <= most:
        both = " or two of them" if most == 2 else ""
        raise UsageError(
            f"{key} in [table] is the number of a column, counted from 1, or its name in the header{both}", source
        )
    return tuple(good)
