"""One message from several channels or sources: judged apart where roles are tied, not at all where they disagree."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.rehearsed import judge_frames
from support.stage import select
from support.traffic import ANYWHERE, PLAIN, Frame, columns, discontinuities_of, traffic

from buslens.capture.frames import ClockDiscontinuity
from buslens.checks.check import check
from buslens.checks.findings import Verdict
from buslens.errors import ExpectationError
from buslens.rehearsal.rehearse import rehearse
from buslens.timeline.build import build_timeline
from buslens.timeline.history import NO_TIMEOUT, CaptureHistory, Track
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.capture.frames import Frames
    from buslens.checks.findings import Result


@cache
def healthy() -> Frames:
    frames = rehearse("healthy", seed=5, background_ids=2).frames
    return select(frames, np.flatnonzero(frames.time_ns - frames.time_ns[0] < 8e9))


def with_copy(frames: Frames, delay_ns: int, each: int = 1) -> Frames:
    """Return frames with a copy of each n-th on another channel, so much later."""
    copied = np.arange(0, len(frames), each)
    rows = np.concatenate((np.arange(len(frames)), copied))
    time_ns = frames.time_ns[rows]
    time_ns[len(frames) :] += delay_ns
    channel = np.zeros(len(rows), np.uint16)
    channel[len(frames) :] = 1
    order = np.argsort(time_ns, kind="stable")
    found = select(frames, rows[order])
    return replace(found, time_ns=time_ns[order], channel=channel[order], channels=("can0", "can1"))


class TestCopy:
    @settings(max_examples=examples(15), deadline=None)
    @given(delay_ms=st.floats(0, 60) | st.floats(60, 2500), each=st.sampled_from([1, 1, 3]))
    def test_a_late_copy_makes_no_fault(self, delay_ms: float, each: int) -> None:
        result = judge_frames(with_copy(healthy(), round(delay_ms * NS_PER_MS), each))
        assert [it for it in result.findings if it.outcome.is_fault] == []

    def test_a_copy_that_begins_late_brings_no_doubt_to_the_beginning(self) -> None:
        result = judge_frames(with_copy(healthy(), 1_500 * NS_PER_MS))
        begun_ns = result.origin_ns + 50 * NS_PER_MS
        early = [it for it in result.findings if it.time_ns is not None and it.time_ns < begun_ns]
        assert [it.reason for it in early if it.outcome.value == "undecided"] == []

    def test_a_copy_right_behind_changes_no_verdict(self) -> None:
        assert judge_frames(with_copy(healthy(), 300_000)).verdict is judge_frames(healthy()).verdict


DBC = """VERSION ""
BU_: X
BO_ 256 LOCK: 1 X
 SG_ ENABLE : 0|1@1+ (1,0) [0|1] "" X
 SG_ LEVEL : 1|7@1+ (1,0) [0|127] "V" X
BO_ 2566848768 GROUP: 1 X
 SG_ BIT : 0|8@1+ (1,0) [0|250] "" X
BA_DEF_ BO_ "GenMsgCycleTime" INT 0 10000;
BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";
BA_ "GenMsgCycleTime" BO_ 256 20;
BA_ "GenMsgCycleTime" BO_ 2566848768 20;
BA_ "VFrameFormat" BO_ 2566848768 3;
"""
RULES = """format = 1
definitions = ["x.dbc"]
[roles.enable]
signal = "{signal}"
states = {{ off = 0, on = 1 }}
{tie}
[[rules]]
name = "pulse"
kind = "pulse"
of = "enable is on"
least = "300 ms"
[[rules]]
name = "answers"
kind = "alive"
message = "{message}"
{tie}
"""


def judged(folder: Path, lines: list[tuple[float, str]], *, tie: str = "", signal: str = "LOCK.ENABLE") -> Result:
    (folder / "x.dbc").write_text(DBC)
    (folder / "x.toml").write_text(RULES.format(signal=signal, tie=tie, message=signal.partition(".")[0]))
    log = sorted([*lines, *((at + 0.5, f"{c} 7A5#00") for at in range(0, 2000, 10) for c in ("can0", "can1"))])
    (folder / "x.log").write_text("".join(f"({1700000000 + at / 1000:.6f}) {line}\n" for at, line in log))
    return check(folder / "x.log", expectations=folder / "x.toml")


def sent(frame: str, begin: float, end: float, *, late: float = 0) -> list[tuple[float, str]]:
    """Return frames every 20 ms that are on from one time to another."""
    times = np.arange(late, 2000, 20).tolist()
    return [(at, f"{frame}{'01' if begin <= at - late < end else '00'}") for at in times]


def outcomes(result: Result) -> list[tuple[str, str]]:
    return [(finding.rule, finding.outcome.value) for finding in result.findings]


class TestContradiction:
    ONE, OTHER = sent("can0 100#", 500, 1000), sent("can1 100#", 0, 0, late=3)

    def test_neither_is_believed(self, tmp_path: Path) -> None:
        result = judged(tmp_path, self.ONE + sent("can1 100#", 700, 710, late=3))
        assert outcomes(result)[0] == ("pulse", "undecided")
        assert result.verdict is Verdict.UNDECIDED

    def test_the_reason_names_both(self, tmp_path: Path) -> None:
        rule = '[[rules]]\nname = "never"\nkind = "never"\nwhen = "enable is on"\n'
        result = judged(tmp_path, self.ONE + self.OTHER, tie="")
        text = (tmp_path / "x.toml").read_text()
        (tmp_path / "x.toml").write_text(text + rule)
        result = check(tmp_path / "x.log", expectations=tmp_path / "x.toml")
        reasons = [it.reason for it in result.findings if it.rule == "never"]
        assert reasons
        assert any(
            "enable is unknown (it comes from can0 and from can1, which contradict each other)" in it for it in reasons
        )

    @pytest.mark.parametrize(("channel", "outcome"), [("can0", "met"), ("can1", "violated")])
    def test_a_tied_role_is_judged_by_its_channel(self, tmp_path: Path, channel: str, outcome: str) -> None:
        result = judged(tmp_path, self.ONE + sent("can1 100#", 700, 780, late=3), tie=f'channel = "{channel}"')
        assert outcomes(result) == [("pulse", outcome), ("answers", "met")]

    def test_where_they_agree_nothing_changes(self, tmp_path: Path) -> None:
        alone = judged(tmp_path, self.ONE)
        both = judged(tmp_path, self.ONE + sent("can1 100#", 500, 1000, late=3))
        assert outcomes(both) == outcomes(alone) == [("pulse", "met"), ("answers", "met")]

    def test_a_tied_rule_misses_its_own(self, tmp_path: Path) -> None:
        """The copy on another channel does not make up for it."""
        gone = [(at, line) for at, line in self.ONE if not 1200 <= at < 1500]
        lines = gone + sent("can1 100#", 500, 1000, late=3)
        assert ("answers", "violated") in outcomes(judged(tmp_path, lines, tie='channel = "can0"'))
        assert ("answers", "violated") not in outcomes(judged(tmp_path, lines, tie='channel = "can1"'))
        assert ("answers", "violated") not in outcomes(judged(tmp_path, lines))


class TestSources:
    LINES = sent("can0 18FF0131#", 500, 1000) + sent("can0 18FF0132#", 700, 780, late=3)

    def test_two_sources_of_one_group(self, tmp_path: Path) -> None:
        result = judged(tmp_path, self.LINES, signal="GROUP.BIT")
        assert result.verdict is Verdict.UNDECIDED
        assert ("pulse", "violated") not in outcomes(result)
        assert result.timelines["enable"].senders == ("source 0x31", "source 0x32")

    @pytest.mark.parametrize(("source", "outcome"), [("0x31", "met"), ("50", "violated")])
    def test_a_tied_role(self, tmp_path: Path, source: str, outcome: str) -> None:
        result = judged(tmp_path, self.LINES, signal="GROUP.BIT", tie=f"source = {source}")
        assert outcomes(result) == [("pulse", outcome), ("answers", "met")]

    def test_only_j1939_has_sources(self, tmp_path: Path) -> None:
        with pytest.raises(ExpectationError, match="message LOCK is none of J1939 by the definitions"):
            judged(tmp_path, sent("can0 100#", 500, 1000), tie="source = 1")

    @pytest.mark.parametrize("source", ["256", "-1"])
    def test_an_address_has_eight_bits(self, tmp_path: Path, source: str) -> None:
        with pytest.raises(ExpectationError, match="'source' must be a whole number from 0 to 255, such as 49"):
            judged(tmp_path, self.LINES, signal="GROUP.BIT", tie=f"source = {source}")


class TestPieces:
    @settings(max_examples=examples(60), deadline=None)
    @given(
        frames=traffic(discontinuities=False),
        cuts=st.lists(st.integers(0, 40), max_size=3),
        timeout=st.sampled_from([7, NO_TIMEOUT]),
    )
    def test_apart_however_a_log_is_cut(self, frames: list[Frame], cuts: list[int], timeout: int) -> None:
        """Each sender's log is the same as if nobody else had sent."""
        tracks = [Track(name="plain", message=ANYWHERE, signal=PLAIN, timeout_ns=timeout)]
        bounds = [0, *sorted(min(cut, len(frames)) for cut in cuts), len(frames)]
        whole: CaptureHistory | None = None
        for begin, end in pairwise(bounds):
            piece = CaptureHistory(tracks)
            if frames[begin:end]:
                piece.add(columns(frames[begin:end]))
            if whole is None:
                whole = piece
            else:
                whole.merge(piece)
        assert whole is not None
        log = whole.messages[0]
        came = {frame.channel for frame in frames if frame.can_id == ANYWHERE.can_id and not frame.flags}
        assert {sender.channel for sender in log.senders} == {f"can{channel}" for channel in came}
        for sender, each in log.senders.items():
            alone = CaptureHistory(tracks)
            mine = [frame for frame in frames if f"can{frame.channel}" == sender.channel]
            alone.add(columns(mine))
            one, other = (
                build_timeline(
                    it,
                    0,
                    states={"low": frozenset({0}), "high": frozenset({1})},
                    unit="",
                    lag_ns=None,
                    discontinuities=[
                        ClockDiscontinuity(time_ns=at, line=1, back_ns=1) for at in discontinuities_of(frames)
                    ],
                    first_ns=frames[0].time,
                    end_ns=frames[-1].time,
                )
                for it in (each or log, alone.messages[0])
            )
            for field in ("seen_ns", "changed_after_ns", "state", "why"):
                np.testing.assert_array_equal(getattr(one, field), getattr(other, field))
