"""The reference of an expectations file, from the table of its keys."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from buslens.expectations.schema import ALIGN, DEFINITION, FILE, KINDS, REPLY, ROLE, RULE, STEP

if TYPE_CHECKING:
    from collections.abc import Mapping

    from buslens.expectations.schema import KeySpec


class KeyRow(NamedTuple):
    """One line of the reference of the file's keys."""

    table: str
    key: str
    type: str
    required: bool
    default: str | None
    meaning: str
    example: str


def describe() -> tuple[KeyRow, ...]:
    """Return the reference of the file: every key of every table, in the order in which to explain them."""
    tables: list[tuple[str, Mapping[str, KeySpec]]] = [
        ("file", FILE),
        ("definitions", DEFINITION),
        ("align", ALIGN),
        ("reply.NAME", REPLY),
        ("roles.NAME", ROLE),
        ("rules", RULE),
    ]
    for kind, keys in KINDS.items():
        tables.append((f"rules, {kind}", {name: key for name, key in keys.items() if name not in RULE}))
        if kind == "sequence":
            tables.append(("rules, sequence, steps", STEP))
    return tuple(
        KeyRow(
            table=table,
            key=key.name,
            type=" or ".join(f'"{choice}"' for choice in key.choices) or key.type.value,
            required=key.required,
            default=key.default,
            meaning=key.meaning,
            example=key.example,
        )
        for table, keys in tables
        for key in keys.values()
    )
