"""What is shown while a capture plays: lines, lanes, and nothing that a name in a file could do to a terminal."""

from __future__ import annotations

import io
import re

import pytest
from rich.console import Console
from support.handmade import ms
from support.sketches import lock

from buslens.checks.findings import Outcome
from buslens.live.final_findings import FinalFinding
from buslens.live.pending_steps import awaiting
from buslens.report.paragraphs import render
from buslens.report.replay import (
    ASCII_PENS,
    LaneGlyphs,
    LaneScreen,
    LineScreen,
    ReplayState,
    awaited_text,
    band,
    change_lines,
    finding_lines,
    lane,
    now_text,
    pens_for,
    picture,
)


def sight(**how: object) -> ReplayState:
    """Return a moment of an invented lock, 100 ms into its release."""
    fields = {
        "result": lock(),
        "origin_ns": 0,
        "now_ns": ms(1175),
        "speed": 0.5,
        "is_paused": False,
        "has_keys": True,
    }
    return ReplayState(**{**fields, **how})  # type: ignore[arg-type]


class TestToldLines:
    """A handshake that went well is one line; what is wrong stands with its reason."""

    def test_met(self) -> None:
        result = lock()
        (run,) = result.handshakes
        steps = tuple(it for it in result.findings if it.handshake == run.number)
        text = render(finding_lines(FinalFinding(rule=run.rule, findings=steps, handshake=run), 0))
        assert re.fullmatch(r" =  at 1\.425 s  lock handshake 1: OK: enable on 50 to 125 ms; .*\n", text)

    def test_late(self) -> None:
        result = lock(locked=1800, second=1900)
        (run,) = result.handshakes
        steps = tuple(it for it in result.findings if it.handshake == run.number)
        assert Outcome.LATE in {it.outcome for it in steps}
        text = render(finding_lines(FinalFinding(rule=run.rule, findings=steps, handshake=run), 0))
        assert " x  at 1.800 s  lock handshake 1, wire feedback: too late\n" in text
        assert ": OK" not in text


class TestLines:
    """Every change of a state is a line, with the time since which it may have been so already."""

    def test_changes(self) -> None:
        lines = [line for _, line in change_lines(lock(), ms(900), ms(1200), 0)]
        assert lines == [
            "at 1.000 s  door_open: open, for 0 to 50 ms already",
            "at 1.075 s  lock_enable: on, for 0 to 25 ms already",
        ]

    def test_nothing_twice(self) -> None:
        written: list[str] = []
        plain = LineScreen(written.append)
        plain.show(sight())
        first = len(written)
        plain.show(sight())
        assert first == 1
        assert len(written) == first

    @pytest.mark.parametrize(
        ("at_ms", "words"),
        [
            (1175, "lock handshake 1 awaits wire feedback: 475 to 500 ms left of 600 ms"),
            (1660, "lock handshake 1 awaits wire feedback: its limit of 600 ms is running out"),
            (1800, "lock handshake 1 awaits wire feedback: 125 ms over its limit of 600 ms"),
        ],
    )
    def test_awaited(self, at_ms: float, words: str) -> None:
        it = awaiting(lock(locked=None, second=None), ms(at_ms))[0]
        assert awaited_text(it) == words


class TestLane:
    """A lane is as long as it is told to be, names its states, and shows doubt and what is unknown."""

    def test_enable(self) -> None:
        timeline = lock().timelines["lock_enable"]
        # 10 ms a column: on was first seen at 1075 ms, off at 1425; between two frames it is doubtful.
        drawn = lane(timeline, ms(1500), ms(600), 60, ASCII_PENS)
        assert len(drawn) == 60
        assert re.fullmatch(r"-off-+/+\|on-+/+\|off-+", drawn)
        assert drawn.index("|") == 17

    def test_unknown(self) -> None:
        timeline = lock(silence=(1400, 2600)).timelines["data_feedback"]
        assert "..." in lane(timeline, ms(2500), ms(1000), 50, ASCII_PENS).replace("unknown", ".......")

    def test_behind_the_last_frame(self) -> None:
        timeline = lock(until=2000).timelines["lock_enable"]
        assert now_text(timeline, ms(2010)) == "off"
        assert now_text(timeline, ms(2100)).startswith("off, last shown")

    def test_band(self) -> None:
        (it, *_) = awaiting(lock(), ms(1175))
        drawn = band(it, 60, ASCII_PENS)
        # 100 to 125 ms of 600 have run: 10 columns surely, 3 more in doubt.
        assert drawn == "|" + "-" * 10 + "/" * 3 + ":" * 47 + "|"

    @pytest.mark.parametrize(("encoding", "pens"), [("utf-8", LaneGlyphs()), ("ascii", ASCII_PENS), (None, ASCII_PENS)])
    def test_pens(self, encoding: str | None, pens: LaneGlyphs) -> None:
        assert pens_for(encoding) == pens


class TestPicture:
    """All lanes show one and the same stretch of time, and none is wider than the terminal."""

    @pytest.mark.parametrize("width", [40, 80, 160])
    def test_width(self, width: int) -> None:
        console = Console(file=io.StringIO(), width=width)
        console.print(picture(sight(), width=width, height=40, pens=ASCII_PENS))
        lines = console.file.getvalue().splitlines()  # type: ignore[attr-defined]
        assert max(map(len, lines)) <= width
        assert any("awaits wire feedback" in line for line in lines) or width == 40

    def test_edges_stand_below_each_other(self) -> None:
        console = Console(file=io.StringIO(), width=120)
        console.print(picture(sight(now_ns=ms(1500), speed=0.2), width=120, height=40, pens=ASCII_PENS))
        lines = {line.split()[0]: line for line in console.file.getvalue().splitlines() if line.strip()}  # type: ignore[attr-defined]
        # In time: the door at 1000, the enable at 1075, the feedback at 1225 ms.
        places = [lines[role].index("|") for role in ("door_open", "lock_enable", "unlock_feedback")]
        assert places == sorted(places)
        assert (places[2] - places[1]) / (places[1] - places[0]) == pytest.approx(150 / 75, abs=0.3)

    @pytest.mark.parametrize("name", ["/home/pinewick/captures/2026/" * 3 + "car07.log", "\u65e5" * 80 + "car07.log"])
    @pytest.mark.parametrize("width", [60, 80])
    def test_long_name(self, name: str, width: int) -> None:
        """The moment and the speed are what a reader looks for; the end of a path tells more than its beginning."""
        from dataclasses import replace

        console = Console(file=io.StringIO(), width=width)
        shown = picture(
            sight(result=replace(lock(), path=name), is_paused=True), width=width, height=40, pens=ASCII_PENS
        )
        console.print(shown)
        heading = console.file.getvalue().splitlines()[0]  # type: ignore[attr-defined]
        assert heading.startswith("...")
        assert heading.endswith("car07.log  at 1.175 s  0.5 x real time  standing still")

    def test_hostile_name(self) -> None:
        from dataclasses import replace

        result = lock()
        evil = replace(result, path="\x1b[2Jcar\u202e.log")
        console = Console(file=io.StringIO(), width=100, force_terminal=False)
        console.print(picture(sight(result=evil), width=100, height=40, pens=ASCII_PENS))
        shown = console.file.getvalue()  # type: ignore[attr-defined]
        assert "\x1b[2J" not in shown
        assert "\u202e" not in shown

    def test_the_cursor_comes_back(self) -> None:
        terminal = io.StringIO()
        moving = LaneScreen(terminal)
        moving.show(sight())
        moving.close()
        shown = terminal.getvalue()
        assert shown.rfind("\x1b[?25h") > shown.rfind("\x1b[?25l") >= 0
