"""The reference of the causes file is made from the table that reads it."""

from __future__ import annotations

from pathlib import Path

import pytest

from buslens.causes._schema import TABLES
from buslens.causes.model import CauseKind, Frequency

ROOT = Path(__file__).parents[2]
REFERENCE = (ROOT / "signal_defs" / "README.md").read_text("utf-8")


def key_table() -> str:
    """Return the reference of all keys of a causes file, as it has to stand in the document."""
    lines = ["| table | key | default | meaning | example |", "|---|---|---|---|---|"]
    for table, keys in TABLES.items():
        for key in keys.values():
            gone = "required" if key.required else key.default or "nothing"
            lines.append(f"| {table} | `{key.name}` | {gone} | {key.meaning} | `{key.example}` |")
    return "\n".join(lines)


class TestReference:
    """Every key, kind and word stands in the document."""

    def test_every_key(self) -> None:
        assert key_table() in REFERENCE, f"put this into signal_defs/README.md:\n\n{key_table()}"

    @pytest.mark.parametrize("kind", CauseKind)
    def test_every_kind(self, kind: CauseKind) -> None:
        assert f"`{kind.value}`" in REFERENCE

    @pytest.mark.parametrize("word", Frequency)
    def test_every_word(self, word: Frequency) -> None:
        assert f"`{word.value}`" in REFERENCE

    @pytest.mark.parametrize("name", ["steering_lock.causes.toml", "steering_lock_supply_box.causes.toml"])
    def test_every_file(self, name: str) -> None:
        assert f"`{name}`" in REFERENCE
