"""What a damaged log may still say: findings out of reach of a bad byte stay, and a cut invents and hides nothing."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from functools import cache, cached_property
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.damage import line_starts, span_of, with_one_bad_byte
from support.examples import examples
from support.rehearsed import definitions, expectations

from buslens.checks.check import check
from buslens.checks.findings import Finding, Outcome, Result, TimeBounds, Verdict
from buslens.errors import CaptureError
from buslens.expectations.model import ANSWER_EXPIRY_FACTOR, Sequence
from buslens.units import NS_PER_S

pytestmark = pytest.mark.slow

LOGS: Final = Path(__file__).parents[2] / "sample_logs"
FAULTY: Final = (
    "car03_load_fuse_blown.log",
    "car03_load_fuse_blown_on_the_way.asc",
    "car04_logic_fuse_blown.asc",
    "car05_enable_shorted_on.asc",
    "car06_unlock_feedback_open.log",
    "car06_unlock_feedback_stuck.asc",
    "car07_feedbacks_disagree.asc",
    "car07_slow_motor.log",
    "car08_intermittent_connector.log",
    "car08_jammed_bolt.asc",
    "car09_low_battery.log",
    "car10_lock_commanded_with_ignition_on.log",
    "car11_message_timeout.asc",
)
HEALTHY: Final = ("car01_healthy.log", "car02_retry.log", "car02_door_shuts_again.asc", "car07_sluggish.log")
#: Those whose stamps do not count from the line before.
ABSOLUTE: Final = tuple(name for name in (*FAULTY, *HEALTHY) if name != "car07_feedbacks_disagree.asc")

REACH_NS: Final = 2 * NS_PER_S
"""How far a line reaches: one frame less, or one that was none, may be what keeps a role known (the timeouts of the
demonstration are 0.4 s, but for what changes slowly), or an edge that a limit counts from (at most 1 s)."""
_STAMP: Final = re.compile(rb"[ \t]*\(?(\d+)\.(\d{6})\)?[ \t]")


@dataclass(frozen=True)
class Sample:
    """A sample log, judged."""

    name: str
    log: bytes
    starts: list[int]
    result: Result

    @cached_property
    def stamped_ns(self) -> dict[int, int]:
        """Axis times of the lines that are stamped, by number of the line."""
        times: dict[int, int] = {}
        first_ns = self.result.stats.first_ns or 0
        origin_ns = None
        for number, (start, stop) in enumerate(pairwise(self.starts)):
            match = _STAMP.match(self.log, start, stop)
            if match is not None and b"measurement" not in self.log[start:stop]:
                stamp_ns = int(match[1]) * NS_PER_S + int(match[2]) * 1000
                origin_ns = stamp_ns if origin_ns is None else origin_ns
                times[number] = first_ns + stamp_ns - origin_ns
        return times

    def time_ns(self, line: int, step: int) -> int:
        """Return the axis time of the first line from one on, up or down, that is stamped."""
        while line not in self.stamped_ns and 0 < line < len(self.starts):
            line += step
        stats = self.result.stats
        return self.stamped_ns.get(line, (stats.first_ns if step < 0 else stats.last_ns) or 0)


@cache
def sample(name: str) -> Sample:
    log = (LOGS / name).read_bytes()
    result = check(LOGS / name, expectations(), definitions())
    return Sample(name, log, line_starts(log), result)


def judged(log: bytes, name: str, folder: Path) -> Result:
    path = folder / name
    path.write_bytes(log)
    return check(path, expectations(), definitions())


def moved(span: TimeBounds | None, by_ns: int) -> TimeBounds | None:
    if span is None:
        return None
    latest_ns = None if span.latest_ns is None else span.latest_ns + by_ns
    return TimeBounds(earliest_ns=span.earliest_ns + by_ns, latest_ns=latest_ns)


def shifted(finding: Finding, by_ns: int) -> Finding:
    """Return a finding at another time; what its words say of other handshakes is left out."""
    return replace(
        finding,
        time_ns=(finding.time_ns or 0) + by_ns,
        reference=moved(finding.reference, by_ns),
        evidence=tuple(replace(seen, time=moved(seen.time, by_ns)) for seen in finding.evidence),
        handshake=None,
        reason="",
    )


class TestOneBadByte:
    """Findings that are out of reach of the line with the bad byte are the same, with the same evidence.

    A changed stamp may make a discontinuity, after which the axis continues from another time; later findings are
    the same then, all later or earlier by as much.
    """

    @settings(max_examples=examples(15))
    @given(name=st.sampled_from(ABSOLUTE), seed=st.integers(0, 2**40))
    def test_out_of_reach(self, tmp_path_factory: pytest.TempPathFactory, name: str, seed: int) -> None:
        whole = sample(name)
        damaged = with_one_bad_byte(whole.log, Random(seed), start=400)
        result = judged(damaged.data, name, tmp_path_factory.getbasetemp())
        low = whole.time_ns(max(damaged.first - 3, 0), -1) - REACH_NS
        high = whole.time_ns(damaged.last + 3, 1) + REACH_NS
        later = (result.stats.last_ns or 0) - (whole.result.stats.last_ns or 0)
        if damaged.last + 3 > len(whole.starts):
            later, high = 0, 2**62
        assert self.out_of_reach(result, low, high, later) == self.out_of_reach(whole.result, low, high, 0)

    @staticmethod
    def out_of_reach(result: Result, low: int, high: int, later: int) -> list[Finding]:
        found = []
        for finding in result.findings:
            if finding.time_ns is not None:
                first, last = span_of(finding, result)
                if last < low:
                    found.append(shifted(finding, 0))
                elif first > high + later:
                    found.append(shifted(finding, -later))
        return found

    def test_enough_is_out_of_reach(self) -> None:
        """The property says something: of a byte in the middle of a healthy drive most findings are out of reach."""
        whole = sample("car01_healthy.log")
        middle = whole.time_ns(len(whole.starts) // 2, 1)
        timed = [finding for finding in whole.result.findings if finding.time_ns is not None]
        assert 2 * len(self.out_of_reach(whole.result, middle - REACH_NS, middle + REACH_NS, 0)) > len(timed)


class TestTruncated:
    """A log that was cut at any byte shows no fault that the whole log does not, and hides none that it shows."""

    @settings(max_examples=examples(25))
    @given(name=st.sampled_from((*FAULTY, *HEALTHY)), seed=st.integers(0, 2**40))
    def test_any_byte(self, tmp_path_factory: pytest.TempPathFactory, name: str, seed: int) -> None:
        whole = sample(name)
        cut = Random(seed).randrange(300, len(whole.log))
        part: Result | None
        try:
            part = judged(whole.log[:cut], name, tmp_path_factory.getbasetemp())
        except CaptureError:
            part = None
        if part is None:
            assert cut < 600, "a log with some lines in it is refused"
            return
        faults = {place(finding) for finding in whole.result.findings if finding.outcome.is_fault}
        for finding in part.findings:
            if finding.outcome.is_fault:
                assert place(finding) in faults, f"graver than the whole log: {finding.reason}"
        end_ns = part.stats.last_ns or 0
        if part.verdict is Verdict.AS_EXPECTED:
            for finding in whole.result.findings:
                if finding.outcome.is_fault:
                    begins, _ = span_of(finding, whole.result)
                    assert begins > end_ns, f"a rule was open, and nothing is said: {finding.reason}"
        kept = [replace(finding, reason="") for finding in part.findings]
        for finding in whole.result.findings:
            if decided_ns(finding, whole.result) < end_ns - NS_PER_S:
                assert has_like(kept, finding), f"decided before the cut, and gone: {finding.reason}"
        shakes = set(part.handshakes)
        for shake in whole.result.handshakes:
            if shake.end_ns < end_ns - ANSWER_EXPIRY_FACTOR * longest_ns():
                assert shake in shakes

    def test_all_of_it_is_tried(self) -> None:
        """The property says something: faults of every kind of rule are among the samples."""
        kinds = {
            finding.kind for name in FAULTY for finding in sample(name).result.findings if finding.outcome.is_fault
        }
        assert kinds >= {"sequence", "pulse", "never", "agree", "alive", "range"}
        for name in HEALTHY:
            assert sample(name).result.verdict is Verdict.AS_EXPECTED


def place(finding: Finding) -> tuple[object, ...]:
    """Return what a fault is about: a step of a handshake, or a moment."""
    if finding.step is not None:
        return finding.rule, finding.step, finding.handshake
    return finding.rule, finding.outcome, finding.time_ns


def longest_ns() -> int:
    steps = [step for rule in expectations().rules if isinstance(rule, Sequence) for step in rule.steps]
    return max(step.within_ns for step in steps)


def decided_ns(finding: Finding, result: Result) -> int:
    """Return when nothing that comes can change a finding any more; never for what sums up a whole capture."""
    if finding.time_ns is None:
        return 2**62
    _, last = span_of(finding, result)
    if finding.handshake is not None:
        return last + ANSWER_EXPIRY_FACTOR * longest_ns()
    limit, reference = finding.limit, finding.reference
    if finding.outcome.is_fault and limit is not None and limit.unit == "ns" and limit.most and reference is not None:
        # Too long, however long it goes on.
        return (result.stats.last_ns if reference.latest_ns is None else reference.latest_ns) + int(limit.most)
    return last


def has_like(kept: list[Finding], finding: Finding) -> bool:
    """Return whether a finding is among others; how long something went on may not have been over."""
    if finding.outcome is Outcome.UNDECIDED or finding.step is not None:
        return replace(finding, reason="") in kept
    return place(finding) in {place(other) for other in kept}
