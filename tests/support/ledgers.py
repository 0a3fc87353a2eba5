"""Ledgers filled with rows that are made up: drawn from a seed for speed and looks, or by hypothesis for properties.

Vehicles, dates, delays and limits are invented. Each vehicle of a generated fleet has its own usual delays; one in
twenty has a release that grows slower by the week, until it comes too late and then not at all.
"""

from __future__ import annotations

import hashlib
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from hypothesis import strategies as st

from buslens.checks.findings import Outcome, Verdict
from buslens.fleet.ledger import Ledger
from buslens.fleet.model import (
    CaptureJob,
    DelayRow,
    FailureKind,
    FindingRow,
    Group,
    HandshakeRow,
    JobResult,
    TrafficRow,
)
from buslens.units import NS_PER_MS, NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Iterator

GROUP: Final = Group(name="all", vehicles=("*",), expectations="pinewick.toml")
DAY_NS: Final = 86_400 * NS_PER_S
START_NS: Final = int(datetime(2026, 1, 5, 8, tzinfo=UTC).timestamp()) * NS_PER_S

RULE: Final = "lock handshake"
STEPS: Final = (
    # name, usual delay, least, most, ms; invented
    ("enable on", 120, None, 400),
    ("wire feedback", 330, 50, 600),
    ("data feedback", 90, None, 300),
    ("enable off", 420, None, 900),
)
HANDSHAKES: Final = 3
IDENTIFIERS: Final = 40


def generated(
    *, vehicles: int, captures: int, seed: int = 1, days: int = 365
) -> Iterator[tuple[CaptureJob, JobResult]]:
    """Yield captures of a made-up fleet, its vehicles in turn, spread over some days, and what came of each."""
    draw = np.random.default_rng(seed)
    usual = draw.normal(1, 0.05, size=(vehicles, len(STEPS)))
    for number in range(captures):
        vehicle = number % vehicles
        at = number // vehicles * vehicles / max(captures, 1)
        recorded_ns = START_NS + int(at * days * DAY_NS) + vehicle * 60 * NS_PER_S
        content = hashlib.sha256(f"{seed} {number}".encode()).hexdigest()
        name = f"car{vehicle:04d}"
        stamp = datetime.fromtimestamp(recorded_ns // NS_PER_S, tz=UTC)
        job = CaptureJob(
            address=f"/captures/{name}/{stamp:%Y-%m-%d_%H-%M-%S}_{number:07d}.log",
            vehicle=name,
            recorded_ns=recorded_ns,
            group=GROUP,
            size=10_000_000 + number % 1000,
            stamp=str(recorded_ns),
        )
        yield job, _judged(draw, content, usual[vehicle], slow=vehicle % 20 == 7, at=at)


def _judged(draw: np.random.Generator, content: str, usual: np.ndarray, *, slow: bool, at: float) -> JobResult:
    if draw.random() < 0.002:
        trouble = (FailureKind.UNREADABLE, FailureKind.TIME)[int(draw.integers(2))]
        return JobResult(content=content, ground="ground", trouble=trouble, summary=f"made up: {trouble.value}")
    scatter = draw.normal(0, 0.04, size=(HANDSHAKES, len(STEPS)))
    cycles = draw.integers(-200_000, 200_000, size=IDENTIFIERS).tolist()
    handshakes, delays, findings = [], [], []
    for run in range(1, HANDSHAKES + 1):
        start_ns = run * 15 * NS_PER_S
        for place, (step, typical_ms, least_ms, most_ms) in enumerate(STEPS):
            factor = float(usual[place] + scatter[run - 1, place]) + (1.1 * at if slow and place == 1 else 0)
            delay_ns = int(typical_ms * factor * NS_PER_MS)
            lost = slow and place == 1 and factor > 1.95
            late = delay_ns > most_ms * NS_PER_MS
            outcome = Outcome.MISSING if lost else Outcome.LATE if late else Outcome.MET
            earliest_ns = 3 * most_ms * NS_PER_MS if lost else delay_ns - 10 * NS_PER_MS
            latest_ns = None if lost else delay_ns
            least_ns = None if least_ms is None else least_ms * NS_PER_MS
            most_ns = most_ms * NS_PER_MS
            delays.append(
                DelayRow(RULE, run, step, outcome, start_ns + delay_ns, earliest_ns, latest_ns, least_ns, most_ns)
            )
            if outcome is not Outcome.MET:
                reason = f"made up: {delay_ns / NS_PER_MS:.0f} ms, limit {most_ms} ms"
                found = (float(earliest_ns), None if lost else float(delay_ns), least_ns, float(most_ns))
                findings.append(
                    FindingRow(RULE, "sequence", step, run, outcome, reason, start_ns + delay_ns, *found, "ns")
                )
        whole = all(found.handshake != run or found.outcome is not Outcome.MISSING for found in findings)
        tries = 1 + int(slow and at > 0.5 and draw.random() < at)
        handshakes.append(
            HandshakeRow(RULE, run, start_ns, start_ns + 10 * NS_PER_MS, start_ns + 2 * NS_PER_S, whole, "", tries)
        )
    verdict = Verdict.FAULTY if findings else Verdict.AS_EXPECTED
    return JobResult(
        content=content,
        ground="ground",
        verdict=verdict,
        summary=f"{RULE} {findings[0].handshake}: {findings[0].reason}" if findings else "3 complete handshakes",
        frames=180_000,
        duration_ns=60 * NS_PER_S,
        met=len(delays) - len(findings) + 4,
        handshakes=tuple(handshakes),
        delays=tuple(delays),
        findings=tuple(findings),
        traffic=tuple(
            TrafficRow("can0", 0x100 + 8 * k, False, 60_000 // (10 + k), (10 + k) * NS_PER_MS + cycles[k])
            for k in range(IDENTIFIERS)
        ),
        seconds=0.05,
    )


def scratch() -> tempfile.TemporaryDirectory[str]:
    """Return a folder in memory where there is one: a ledger waits for the disk, and properties are tried often."""
    memory = Path("/dev/shm")  # noqa: S108  # the system's name for it; what is in it is ours
    return tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None)


def fill(folder: Path, *, vehicles: int = 12, captures: int = 240, seed: int = 1, days: int = 365) -> Path:
    """Make a ledger of a generated fleet in a folder; return the folder."""
    with Ledger.writing(folder) as ledger:
        for number, (job, judged) in enumerate(generated(vehicles=vehicles, captures=captures, seed=seed, days=days)):
            ledger.put(job, judged)
            if number % 5000 == 4999:
                ledger.commit()
    return folder


# --- for properties: anything that the records can hold ------------------------------------------------

_NUMBER = st.integers(-(2**63) + 1, 2**63 - 2)
_COUNT = st.integers(0, 2**40)
_SMALL = st.integers(0, 3)
# Names come from paths and from files of users: anything, among it what is no text, and what a spreadsheet would run.
NAMES = st.sampled_from(
    ["car1", "car2", '=HYPERLINK("x")', "-1", "a,b", 'say "so"', "two\nlines", "ä€😀", "\udcff", ""]
)
_WORDS = st.sampled_from(["enable", "wire feedback", "+cmd", "", "état"])
_REAL = st.none() | st.floats(allow_nan=False, width=64)


def _optional(numbers: st.SearchStrategy[int]) -> st.SearchStrategy[int | None]:
    return st.none() | numbers


_HANDSHAKES = st.builds(
    HandshakeRow, _WORDS, _SMALL, _NUMBER, _optional(_NUMBER), _NUMBER, st.booleans(), _WORDS, _SMALL
)
_DELAYS = st.builds(
    DelayRow,
    _WORDS,
    _SMALL,
    _WORDS,
    st.sampled_from(Outcome),
    _optional(_NUMBER),
    _NUMBER,
    _optional(_NUMBER),
    _optional(_NUMBER),
    _optional(_NUMBER),
)
_FINDINGS = st.builds(
    FindingRow,
    _WORDS,
    st.sampled_from(["sequence", "never"]),
    st.none() | _WORDS,
    _optional(_SMALL),
    st.sampled_from([outcome for outcome in Outcome if outcome is not Outcome.MET]),
    NAMES,
    _optional(_NUMBER),
    _REAL,
    _REAL,
    _REAL,
    _REAL,
    st.sampled_from(["ns", "V"]),
    st.sampled_from([(), ("ignition",), ("data_feedback", "unlock_feedback")]),
)
_TRAFFIC = st.builds(
    TrafficRow, _WORDS, st.integers(0, 2**29 - 1), st.booleans(), _COUNT, _optional(st.integers(0, 2**62))
)


@st.composite
def judged(draw: st.DrawFn, *, grounds: tuple[str, ...] = ("one", "two")) -> JobResult:
    """Draw what may come of a capture; few contents, so that copies are common."""
    trouble = draw(st.none() | st.sampled_from(FailureKind))
    content = draw(st.sampled_from(["aa" * 32, "bb" * 32, "no hash"]))
    if trouble is not None:
        return JobResult(
            content=content if draw(st.booleans()) else "",
            ground=draw(st.sampled_from(grounds)),
            trouble=trouble,
            summary=draw(NAMES),
            # Far enough in, some of what was seen may be known.
            traffic=draw(st.lists(_TRAFFIC, max_size=1).map(tuple)),
        )
    lists = st.lists
    return JobResult(
        content=content,
        ground=draw(st.sampled_from(grounds)),
        verdict=draw(st.sampled_from(Verdict)),
        summary=draw(NAMES),
        frames=draw(_COUNT),
        skipped_lines=draw(_COUNT),
        duration_ns=draw(_COUNT),
        clock_start_ns=draw(_optional(_NUMBER)),
        met=draw(_SMALL),
        unexercised=draw(lists(_WORDS, max_size=2).map(tuple)),
        handshakes=draw(lists(_HANDSHAKES, max_size=3).map(tuple)),
        delays=draw(lists(_DELAYS, max_size=4).map(tuple)),
        findings=draw(lists(_FINDINGS, max_size=3).map(tuple)),
        traffic=draw(lists(_TRAFFIC, max_size=3).map(tuple)),
        seconds=draw(st.floats(0, 100)),
    )


@st.composite
def jobs(draw: st.DrawFn) -> CaptureJob:
    """Draw a capture; few addresses, so that one comes again with other content."""
    group = draw(st.sampled_from(["all", "trucks"]))
    return CaptureJob(
        address=draw(st.sampled_from(["a.log", "b.log", "=c.log", "d\udcff.log", "s3://bucket/e.log"])),
        vehicle=draw(st.just("car1") | NAMES),
        recorded_ns=draw(_optional(_NUMBER)),
        group=Group(name=group, vehicles=("*",), expectations="x.toml"),
        size=draw(_optional(_COUNT)),
        stamp=draw(st.sampled_from(["", "1", "2"])),
    )
