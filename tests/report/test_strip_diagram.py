from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import buslens
from buslens.report.strip_diagram import lay_pair_out, lay_strip_out
from buslens.report.style import format_named
from buslens.report.text_metrics import Lettering

if TYPE_CHECKING:
    from buslens.report.display_list import DisplayList
    from buslens.report.figure import Layout

ROOT = Path(__file__).parents[2]
FMT = format_named("page")


def judged(name: str) -> buslens.Result:
    return buslens.check(ROOT / "sample_logs" / name, expectations=ROOT / "signal_defs" / "steering_lock.toml")


def words(sheet: DisplayList) -> list[str]:
    return [label.text for label in sheet.labels]


class TestStrip:
    """The strip has the few lanes that tell, and no list of notes."""

    def test_lanes(self) -> None:
        result = judged("car07_slow_motor.log")
        listed = words(lay_strip_out(result, FMT, Lettering()))
        names = [role for role in result.timelines if role.partition("_")[0] in " ".join(listed).split()]
        assert "battery_voltage" not in names
        assert "lock_enable" in names
        assert not any("outside this picture" in it for it in listed)


class TestPair:
    """Before stands above after; the same moment from the start lies at the same place in both."""

    def test_one_axis(self) -> None:
        sheet = lay_pair_out(judged("car03_load_fuse_blown.log"), judged("car03_after_repair.log"), FMT, Lettering())
        listed = words(sheet)
        assert listed[0].startswith("Before, car03_load_fuse_blown.log: Faulty")
        assert any(it.startswith("After, car03_after_repair.log: As expected") for it in listed)
        for tick in ("0", "500", "1000"):
            at = [label.x for label in sheet.labels if label.text == tick]
            assert len(at) == 2
            assert at[0] == pytest.approx(at[1])


class TestWords:
    """A picture says in its file what it shows, for those who cannot see it."""

    @pytest.mark.parametrize("layout", ["lanes", "strip", "overlay"])
    def test_svg(self, layout: Layout, tmp_path: Path) -> None:
        from buslens.report.figure import draw

        path = draw(judged("car03_load_fuse_blown.log"), tmp_path / "lock.svg", layout=layout)
        assert "Timing diagram of car03_load_fuse_blown.log: Faulty: " in path.read_text("utf-8")

    def test_png_and_pdf(self, tmp_path: Path) -> None:
        from buslens.report.figure import draw

        result = judged("car03_load_fuse_blown.log")
        assert b"Timing diagram of car03" in draw(result, tmp_path / "lock.png", layout="strip").read_bytes()
        assert b"Timing diagram of car03" in draw(result, tmp_path / "lock.pdf", layout="strip").read_bytes()
