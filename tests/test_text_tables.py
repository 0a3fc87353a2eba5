"""Tables as text: titles, rows, cells, and lines that say nothing."""

from __future__ import annotations

import pytest

from buslens.text_tables import read_tables


@pytest.mark.parametrize(
    ("text", "tables"),
    [
        ("", {}),
        ("# a | b\n\n", {}),
        ("[one]\na | b c | d\n\n# e\nf\n[two]\n", {"one": [["a", "b c", "d"], ["f"]], "two": []}),
        ("[one]\na|b | [c]\n", {"one": [["a|b", "[c]"]]}),
    ],
)
def test_rows_by_title(text: str, tables: dict[str, list[list[str]]]) -> None:
    assert read_tables(text) == tables
