"""What must not change the findings of a whole capture: how it was recorded, cut, written down and packed."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.rehearsed import definitions, expectations, judge_frames
from support.stage import select

from buslens.checks.check import check
from buslens.checks.evaluate import evaluate_rules
from buslens.checks.setup import plan_tracks
from buslens.rehearsal.rehearse import rehearse, write_rehearsal
from buslens.timeline.history import CaptureHistory

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from buslens.capture.frames import Frames
    from buslens.checks.findings import Finding, Result, TimeBounds
    from buslens.rehearsal.rehearse import Rehearsal

FAULTS = (
    "healthy",
    "slow-motor",
    "data-line-open",
    "lock-commanded-with-ignition-on",
    "message-timeout",
    "jammed-bolt",
)
STRANGER = 0x7A5
"""An identifier that no definitions know."""

pytestmark = pytest.mark.slow


@cache
def rehearsed(fault: str) -> Rehearsal:
    return rehearse(fault, seed=11, background_ids=2)


@cache
def judged(fault: str) -> Result:
    return judge_frames(rehearsed(fault).frames)


def wordless(result: Result) -> list[Finding]:
    """Return the findings without words that rest on how often frames usually come."""
    return [replace(finding, reason="") for finding in result.findings]


def ordered(frames: Frames, rows: NDArray[np.int64]) -> Frames:
    return select(frames, rows[np.argsort(frames.time_ns[rows], kind="stable")])


def joined(frames: Frames, other: Frames) -> Frames:
    """Return both as one recording, the frames of the first before those of the other that bear the same stamp."""
    n_words = len(frames.words)
    both = replace(
        frames,
        time_ns=np.concatenate([frames.time_ns, other.time_ns]),
        channel=np.concatenate([frames.channel, other.channel]),
        can_id=np.concatenate([frames.can_id, other.can_id]),
        flags=np.concatenate([frames.flags, other.flags]),
        dlc=np.concatenate([frames.dlc, other.dlc]),
        length=np.concatenate([frames.length, other.length]),
        word=np.concatenate([frames.word, other.word + n_words]),
        words=np.concatenate([frames.words, other.words]),
        channels=max(frames.channels, other.channels, key=len),
    )
    return ordered(both, np.arange(len(both)))


@pytest.mark.parametrize("fault", FAULTS)
class TestAnotherRecording:
    """What is recorded otherwise, but shows the same, is judged the same."""

    def test_channels_of_other_names(self, fault: str) -> None:
        renamed = replace(rehearsed(fault).frames, channels=("vcan7",))
        assert judge_frames(renamed).findings == judged(fault).findings

    def test_two_channels_in_one_log(self, fault: str) -> None:
        """Where each message comes on one of two channels, it does not matter on which."""
        frames = rehearsed(fault).frames
        parted = replace(frames, channel=(frames.can_id // 16 % 2).astype(np.uint16), channels=("a", "b"))
        assert judge_frames(parted).findings == judged(fault).findings

    def test_traffic_of_others(self, fault: str) -> None:
        frames = rehearsed(fault).frames
        dice = np.random.default_rng(5)
        times = np.sort(dice.integers(frames.time_ns[0], frames.time_ns[-1], 4000, endpoint=True))
        rows = dice.integers(0, len(frames), len(times))
        others = replace(select(frames, rows), time_ns=times, can_id=np.full(len(times), STRANGER, np.uint32))
        assert judge_frames(joined(frames, others)).findings == judged(fault).findings

    def test_merged_with_itself(self, fault: str) -> None:
        """Every frame twice, with one stamp, on one channel or on two: nothing new is said."""
        frames = rehearsed(fault).frames
        assert wordless(judge_frames(joined(frames, frames))) == wordless(judged(fault))
        second = replace(frames, channel=np.ones(len(frames), np.uint16), channels=("can0", "can1"))
        assert wordless(judge_frames(joined(frames, second))) == wordless(judged(fault))

    def test_another_time_of_day(self, fault: str) -> None:
        """Leap seconds and the time zone's summer are nothing to an axis that only counts."""
        by_ns = 181 * 86_400 * 10**9 + 1
        frames = rehearsed(fault).frames
        later = judge_frames(replace(frames, time_ns=frames.time_ns + by_ns))
        assert since_start(later) == since_start(judged(fault))


@pytest.mark.parametrize("fault", ["healthy", "slow-motor", "lock-commanded-with-ignition-on", "clock-jump"])
class TestCutAndJoined:
    """Pieces of a capture, each recorded from nothing and then joined, are the capture."""

    @given(st.lists(st.floats(0.0, 1.0), min_size=1, max_size=4))
    @settings(max_examples=examples(5), deadline=None)
    def test_at_any_frames(self, fault: str, places: list[float]) -> None:
        whole = judged(fault)
        frames = rehearsed(fault).frames
        back = np.flatnonzero(np.diff(frames.time_ns) < -10_000_000) + 1
        if len(back):
            frames = select(frames, np.arange(back[0]))  # a clock discontinuity is the reader's to find
            whole = judge_frames(frames)
        cuts = sorted(round(place * len(frames)) for place in places)
        tracks = plan_tracks(expectations(), definitions())
        total = CaptureHistory(tracks)
        for rows in np.split(np.arange(len(frames)), cuts):
            piece = CaptureHistory(tracks)
            if len(rows):
                piece.add(select(frames, rows))
            total.merge(piece)
        total.finish()
        result = evaluate_rules("joined", expectations(), total, whole.stats)
        assert result.findings == whole.findings
        assert result.verdict is whole.verdict


def moved(span: TimeBounds | None, origin_ns: int) -> tuple[int, int | None] | None:
    if span is None:
        return None
    return span.earliest_ns - origin_ns, None if span.latest_ns is None else span.latest_ns - origin_ns


def since_start(result: Result) -> list[object]:
    """Return all that the findings say, with times counted from the first frame."""
    origin_ns = result.origin_ns
    return [
        (
            replace(finding, time_ns=None, reference=None, evidence=()),
            None if finding.time_ns is None else finding.time_ns - origin_ns,
            moved(finding.reference, origin_ns),
            [(it.what, it.role, moved(it.time, origin_ns)) for it in finding.evidence],
        )
        for finding in result.findings
    ]


@pytest.mark.parametrize("fault", ["slow-motor", "message-timeout", "clock-jump", "cut-short"])
class TestAnotherFile:
    """The form of the log, and whether it is packed, is nothing to what it shows."""

    def test_every_form(self, fault: str, tmp_path: Path) -> None:
        found = {}
        for suffix in (".log", ".asc", ".log.gz", ".asc.gz"):
            path = write_rehearsal(rehearsed(fault), tmp_path / f"x{suffix}")
            result = check(path, expectations=expectations())
            found[suffix] = result.verdict, result.summary, since_start(result)
        assert found[".log"] == found[".asc"] == found[".log.gz"] == found[".asc.gz"]
