"""What a user can read about refusals is what the program says, and everything that it says can be read about."""

from __future__ import annotations

import ast
import re
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from buslens.cli.status import Status
from buslens.files import _REASONS

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT: Final = Path(__file__).parents[1]
DOCUMENT: Final = (ROOT / "signal_defs" / "ERRORS.md").read_text(encoding="utf-8")
REFERENCE: Final = (ROOT / "signal_defs" / "README.md").read_text(encoding="utf-8")

GAP: Final = "…"
"""Stands in a sentence for what differs."""
ERRORS: Final = frozenset(
    {"BuslensError", "CaptureError", "DefinitionError", "ExpectationError", "UsageError", "ArgumentTypeError"}
)


def sentences(tree: ast.AST) -> Iterator[str]:
    """Yield every text in a module, with a gap wherever a value is put in."""
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            yield sentence(node)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield re.sub(r"\{\w*\}", GAP, node.value)


def sentence(node: ast.JoinedStr) -> str:
    return "".join(str(part.value) if isinstance(part, ast.Constant) else GAP for part in node.values)


def raised(tree: ast.AST) -> Iterator[str]:
    """Yield the sentences that stand in errors themselves."""
    for node in ast.walk(tree):
        if not (isinstance(node, ast.Call) and node.args):
            continue
        name = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        if name in ERRORS:
            if isinstance(node.args[0], ast.JoinedStr):
                yield sentence(node.args[0])
            elif isinstance(node.args[0], ast.Constant):
                yield str(node.args[0].value)


@cache
def words(row: str) -> tuple[str, re.Pattern[str]]:
    """Return the longest words of a row between two gaps, and what finds all of them."""
    parts = [part.strip() for part in row.split(GAP) if part.strip()]
    return max(parts, key=len), re.compile(".*".join(map(re.escape, parts)), re.DOTALL)


def fits(row: str, *texts: str) -> bool:
    """Whether the words of a row stand in one of the texts, in their order."""
    longest, pattern = words(row)
    return any(longest in text and pattern.search(text) for text in texts)


def quoted(document: str, heading: str) -> list[str]:
    """Return what is quoted in the first column of the tables with a heading."""
    rows = []
    for table in re.findall(rf"^\| {heading} \|.*\n\|[-|]+\n((?:\|.*\n)+)", document, flags=re.MULTILINE):
        rows += [said for line in table.splitlines() for said in re.findall(r"`([^`]+)`", line.split(" | ")[0])]
    return rows


ROWS: Final = quoted(DOCUMENT, "it says")


@cache
def trees() -> list[ast.Module]:
    return [ast.parse(path.read_text(encoding="utf-8")) for path in sorted((ROOT / "buslens").rglob("*.py"))]


@cache
def said() -> list[str]:
    """Return every text of the program."""
    return sorted({text for tree in trees() for text in sentences(tree)})


class TestRows:
    """Each sentence of the document stands in the program, save for its gaps."""

    def test_is_said(self) -> None:
        assert [row for row in ROWS if len(row.replace(GAP, "")) < 10] == [], "too little to tell it from others"
        assert [row for row in ROWS if not fits(row, *said())] == []

    @pytest.mark.parametrize("row", quoted(REFERENCE, "the text says"))
    def test_reason_of_a_finding_is_said(self, row: str) -> None:
        assert fits(re.sub(r"\d+( ms)?", GAP, row), *said())

    def test_nothing_else_fits(self) -> None:
        """So that the tests above can fail."""
        assert not fits("no … is called '…' on a Sunday", *said())


class TestProgram:
    """Each sentence that an error is made with has a row."""

    def test_has_a_row(self) -> None:
        told = sorted({text for tree in trees() for text in raised(tree) if len(re.findall(r"[a-z]{2,}", text)) > 1})
        assert len(told) > 100
        missing = [text for text in told if not any(fits(row, text) for row in ROWS)]
        assert missing == [], "give each a row in signal_defs/ERRORS.md"

    @pytest.mark.parametrize("text", sorted(set(_REASONS.values())))
    def test_refusals_of_the_system(self, text: str) -> None:
        assert text in ROWS

    @pytest.mark.parametrize("status", [status for status in Status if status > Status.UNDECIDED])
    def test_every_other_end(self, status: Status) -> None:
        table = DOCUMENT.partition("## Other ends")[2]
        assert str(status.value) in re.findall(r"\d+", " ".join(line.split("|")[1] for line in table.split("\n")[2:-1]))


def test_gaps_are_kept_apart() -> None:
    """A row of two parts fits only where both stand, in this order."""
    for one, other in pairwise(["'…' is no speed", "no speed … is"]):
        assert fits(one, "'9' is no speed from 1 to 2")
        assert not fits(other, "'9' is no speed")
