"""Fault codes in the record: what was read on each side, and what is gone only where the same was asked."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest
from support.dialogues import Recording

from buslens import read_dialogue
from buslens.report.record.fault_codes import fault_codes

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.dialogue.read import Dialogue

ASKED = "190209"
FAILS = "59022f" + "911c012f" + "911c0428"
"""One code that fails now, and one that is stored."""


def said(tmp_path: Path, *pairs: tuple[str, str]) -> list[Dialogue]:
    car = Recording()
    for request, answer in pairs:
        car.ask(request, answer)
    return [read_dialogue(car.write(tmp_path / f"{len(list(tmp_path.iterdir()))}.log"))]


def rows(markup: str) -> list[list[str]]:
    cells = [re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row) for row in re.findall(r"<tr>(.*?)</tr>", markup)]
    return [row for row in cells if row and row[0] != "Code, of unit"]


@pytest.mark.parametrize(
    ("after", "cell"),
    [
        ((ASKED, "59022f911c0428"), "no longer listed, asked in the same way"),
        (("190208", "590208911c0428"), "not read"),
        (("22d010", "62d01001"), "not read"),
        ((ASKED, "59022f911c0120"), "\N{NO-BREAK SPACE}s: neither failing nor stored (20)"),
    ],
)
def test_after_the_repair(tmp_path: Path, after: tuple[str, str], cell: str) -> None:
    shown = rows(fault_codes(said(tmp_path, (ASKED, FAILS)), said(tmp_path, after), is_repaired=True))
    assert shown[0][0] == "911C01 of 7E8 (B111C-01)"
    assert "fails now, pending, confirmed (2F)" in shown[0][1]
    assert shown[0][2].endswith(cell)


def test_cleared(tmp_path: Path) -> None:
    after = said(tmp_path, ("14ffffff", "54"), (ASKED, "59022f"))
    shown = fault_codes(said(tmp_path, (ASKED, FAILS)), after, is_repaired=True)
    assert [row[2] for row in rows(shown)] == ["no longer listed, asked in the same way"] * 2
    assert "codes were cleared at 0.000\N{NO-BREAK SPACE}s; a code that is gone since then may come back" in shown


def test_nothing_read(tmp_path: Path) -> None:
    assert fault_codes([], said(tmp_path, ("22d010", "62d01001")), is_repaired=False) == ""
