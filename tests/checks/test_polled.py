"""What a tester polls is a part of what happened: it may leave a verdict open, and never turns one round."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING, Final, NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples

from buslens.checks.check import check
from buslens.checks.findings import Verdict
from buslens.dialogue.pairs import parse_pair
from buslens.expectations.load import parse_expectations
from buslens.expectations.model import Reply

if TYPE_CHECKING:
    import random
    from pathlib import Path

    from buslens.checks.findings import Result
    from buslens.expectations.model import Expectations

pytestmark = pytest.mark.slow

STEP: Final = 5
"""ms between the rows of the table that was recorded fast enough."""
ROLES: Final = {
    "door": ("closed", "open"),
    "ignition": ("off", "on"),
    "enable": ("off", "on"),
    "feedback": ("unlocked", "locked"),
    "second": ("unlocked", "locked"),
    "lamp": ("dark", "lit", "flashing"),
    "supply": ("12.1", "8.4"),
}
NUMBER: Final = "supply"
END: Final = 2500

RULES: Final = """
[[rules]]
name = "lock handshake"
kind = "sequence"
start = "door becomes open"
given = "ignition is off and feedback is unlocked"
abandon = "door becomes closed"
tries = 2
steps = [
  { name = "enable", await = "enable becomes on", within = "300 ms" },
  { name = "locks", await = "feedback becomes locked", after = "50 ms", within = "400 ms" },
  { name = "follows", await = "second becomes locked", within = "300 ms" },
  { name = "enable ends", await = "enable becomes off", from = "enable", within = "600 ms" },
]
[[rules]]
name = "enable pulse"
kind = "pulse"
of = "enable is on"
least = "100 ms"
most = "700 ms"
[[rules]]
name = "interlock"
kind = "never"
when = "ignition is on and (feedback is locked or second is locked)"
[[rules]]
name = "interlock for long"
kind = "never"
when = "ignition is on and enable is on"
longer_than = "50 ms"
[[rules]]
name = "agreement"
kind = "agree"
first = "feedback is locked"
second = "second is locked"
settle = "300 ms"
[[rules]]
name = "supply"
kind = "range"
of = "supply"
least = "9.5 V"
while = "enable is on"
longer_than = "40 ms"
[[rules]]
name = "battery"
kind = "range"
of = "supply"
least = "7 V"
[[rules]]
name = "held"
kind = "never"
when = "(enable is on and ignition is off) for 620 ms"
[[rules]]
name = "lamp"
kind = "never"
when = "lamp is flashing"
[[rules]]
name = "order"
kind = "precedes"
first = "enable becomes on or door becomes closed and ignition is off"
then = "feedback becomes locked"
within = "500 ms"
"""


def role_lines(holds: int | None) -> str:
    return "".join(
        f'[roles.{role}]\ncolumn = "{role}"\n'
        + ('unit = "V"\n' if role == NUMBER else f"states = {{ {', '.join(f'{s} = {s!r}' for s in states)} }}\n")
        + ("" if holds is None else f'holds = "{holds} ms"\n')
        for role, states in ROLES.items()
    )


ROLE_LINES: Final = {holds: role_lines(holds) for holds in (None, 60, 120)}
EXPECTED: Final = {
    holds: parse_expectations(f"format = 1\n{roles}{RULES}".encode(), "polled.toml")
    for holds, roles in ROLE_LINES.items()
}
ALSO: Final = '[roles.also]\ncolumn = "also"\nstates = { off = "off", on = "on" }\n'
OFFSET: Final = 333
"""What is to be added to the times of the other table, ms, as somebody says it."""


def by_answers(columns: Expectations) -> Expectations:
    """Return the same with each role read from the answers of a unit of its own."""
    roles = {}
    for number, (name, role) in enumerate(columns.roles.items()):
        factor = Fraction(1, 10) if name == NUMBER else Fraction(1)
        reply = Reply(name=name, pair=parse_pair(f"{0x700 + number:03X}:{0x780 + number:03X}"), identifier=1)
        states = {state: (at,) for at, state in enumerate(role.states)}
        roles[name] = replace(role, column=None, reply=replace(reply, factor=factor), states=states)
    return replace(columns, roles=roles)


ASKED: Final = {holds: by_answers(columns) for holds, columns in EXPECTED.items()}


class Course(NamedTuple):
    """What really happened: by role, when it changed, ms; every state lasts at least `holds`."""

    changes: dict[str, tuple[int, ...]]
    holds: int | None

    def state(self, role: str, at: int) -> str:
        passed = sum(change <= at for change in self.changes[role])
        return ROLES[role][passed % len(ROLES[role])]


def spaced(times: list[int], least: int) -> tuple[int, ...]:
    """Return times without those that would make a state too short."""
    kept: list[int] = []
    for time in sorted(times):
        if time - (kept[-1] if kept else 0) >= least and END - time >= least:
            kept.append(time)
        elif kept and time - kept[-1] < least:
            kept.pop()
    return tuple(kept)


@st.composite
def courses(draw: st.DrawFn) -> Course:
    """Draw handshakes that are whole, or late, or lack something, with a few changes that belong to nothing."""
    holds = draw(st.sampled_from(sorted(EXPECTED, key=str)))
    number = st.integers
    times: dict[str, list[int]] = {role: [] for role in ROLES}
    at = draw(number(150, 600))
    times["door"].append(at)
    if draw(number(0, 7)):
        on = at + draw(number(5, 320))
        times["enable"] += [on, on + draw(st.one_of(number(110, 590), number(10, 720)))]
        if draw(number(0, 5)):
            locks = on + draw(st.one_of(number(60, 390), number(0, 460)))
            times["feedback"].append(locks)
            if draw(number(0, 5)):
                times["second"].append(locks + draw(st.one_of(number(0, 290), number(-100, 350))))
    for _ in range(draw(st.sampled_from((0, 0, 0, 1, 2)))):
        role, begin = draw(st.sampled_from(sorted(ROLES))), draw(number(20, END - 200))
        times[role] += [begin, begin + draw(number(10, 300))][: draw(number(1, 2))]
    return Course(changes={role: spaced(of, holds or 20) for role, of in times.items()}, holds=holds)


class Poll(NamedTuple):
    """Which rows of the fast table were asked for: by a clock that jitters, and all columns at once or in turns."""

    period: int
    first: int
    jitter: int
    turns: bool

    @property
    def rows(self) -> list[int]:
        last, jitter = END // STEP, self.jitter % (self.period // 2 + 1)
        regular = range(self.first % self.period, last, self.period)
        moved = [row + row * 7919 % (2 * jitter + 1) - jitter for row in regular]
        return sorted({0, last, *(row for row in moved if 0 <= row <= last)})


FAST: Final = Poll(period=1, first=0, jitter=0, turns=False)
POLLS: Final = st.builds(
    Poll,
    period=st.sampled_from((2, 4, 10, 20, 40, 66, 100)),
    first=st.integers(0, 100),
    jitter=st.integers(0, 20),
    turns=st.booleans(),
)


def judged(course: Course, poll: Poll, place: Path, late: random.Random | None = None) -> Result:
    """Return the verdict on a table of the rows of a poll; the first and the last row have all columns.

    With `late`, values are read one after the other, each at some time since the row before.
    """
    lines = [f"time (ms),{','.join(ROLES)}"]
    rows = poll.rows
    usual = median(after - before for before, after in pairwise(rows)) * STEP
    for number, row in enumerate(rows):
        since = row * STEP
        if late is not None and number and usual >= 20:
            since -= min(int(usual), since - rows[number - 1] * STEP)
        cells = [course.state(role, late.randint(since, row * STEP) if late else since) for role in ROLES]
        if poll.turns and 0 < number < len(rows) - 1:
            cells = [cell if number % len(cells) == k else "" for k, cell in enumerate(cells)]
        lines.append(f"{row * STEP},{','.join(cells)}")
    place.write_text("\n".join(lines) + "\n", "ascii")
    return check(place, expectations=EXPECTED[course.holds])


def asked(course: Course, poll: Poll, draw: random.Random, place: Path) -> Result:
    """Return the verdict on a log in which a tester asks; each unit reads its value some time before it answers."""
    lines = [(1.0, "100#00"), (1 + END / 1000 + 0.5, "100#00")]
    for row in poll.rows:
        for number, (role, states) in enumerate(ROLES.items()):
            asks, answers = row * STEP, row * STEP + draw.uniform(0, 0.8 * STEP * poll.period)
            state = course.state(role, round(draw.uniform(asks, answers)))
            value = round(10 * float(state)) if role == NUMBER else states.index(state)
            lines.append((1 + asks / 1000, f"{0x700 + number:03X}#03220001"))
            lines.append((1 + answers / 1000 + 0.0005, f"{0x780 + number:03X}#04620001{value:02X}"))
    place.write_text("".join(f"({at:.6f}) can0 {frame}\n" for at, frame in sorted(lines)), "ascii")
    return check(place, expectations=ASKED[course.holds])


def apart(course: Course, poll: Poll, other: set[str], off_ms: int, doubt_ms: int | None, place: Path) -> Result:
    """Return the verdict where some roles stand in a table of another clock.

    Its offset is said to within a doubt, in ms; else both tables show the enable.
    """
    columns = {"table.csv": [role for role in ROLES if role not in other], "other.csv": sorted(other)}
    for name, roles in columns.items():
        also = {"also": "enable"} if doubt_ms is None and name == "other.csv" else {}
        lines = [",".join(["time (ms)", *roles, *also])]
        for row in poll.rows:
            cells = (course.state(also.get(role, role), row * STEP) for role in (*roles, *also))
            lines.append(",".join([str(END + row * STEP + (off_ms if name == "other.csv" else 0)), *cells]))
        (place.parent / name).write_text("\n".join(lines) + "\n", "ascii")
    text = 'same = ["enable becomes on", "also becomes on"]'
    if doubt_ms is not None:
        text = f'offset = "{OFFSET} ms"\ndoubt = "{doubt_ms} ms"'
    wanted = parse_expectations(
        f"format = 1\n{ROLE_LINES[course.holds]}{ALSO}{RULES}[align]\n{text}\n".encode(), "apart.toml"
    )
    return check(place.parent / "table.csv", expectations=wanted, beside=[place.parent / "other.csv"])


def contradict(one: Verdict, other: Verdict) -> bool:
    return {one, other} == {Verdict.AS_EXPECTED, Verdict.FAULTY}


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("polled") / "table.csv"


class TestNoContradiction:
    def test_values_that_were_read_before_their_row(self, place: Path) -> None:
        """A delay within its limit is not late because one value was read right after its row before."""
        whole, poll = Course(dict.fromkeys(ROLES, ()), 120), Poll(period=22, first=0, jitter=0, turns=False)
        whole.changes.update(door=(150,), enable=(219, 700), feedback=(600,), second=(620,))

        class Late:
            """Reads the feedbacks as early as may be, all others with their row."""

            count = 0

            def randint(self, since: int, row: int) -> int:
                self.count += 1
                return since + 1 if since < row and (self.count - 1) % len(ROLES) in {3, 4} else row

        found = judged(whole, poll, place, Late())  # type: ignore[arg-type]
        assert judged(whole, FAST, place).verdict is Verdict.AS_EXPECTED
        assert found.verdict is Verdict.UNDECIDED, found.summary
        assert "up to 221 ms apart, and a state of 120 ms can hide between two; 17 samples a second" in found.summary

    @given(courses(), POLLS, st.none() | st.randoms(use_true_random=False))
    @settings(max_examples=examples(20), deadline=None)
    def test_any_poll_of_any_course(self, place: Path, course: Course, poll: Poll, late: random.Random | None) -> None:
        """A verdict on some of the rows never says the opposite of the verdict on all of them."""
        whole, part = judged(course, FAST, place), judged(course, poll, place, late)
        assert not contradict(whole.verdict, part.verdict), (whole.summary, part.summary)

    @given(courses(), POLLS.filter(lambda poll: poll.period > 4), st.randoms(use_true_random=False))
    @settings(max_examples=examples(8), deadline=None)
    def test_answers_to_a_tester(self, place: Path, course: Course, poll: Poll, draw: random.Random) -> None:
        """Nor does a verdict on values that were read at some time between a request and its answer."""
        whole, part = judged(course, FAST, place), asked(course, poll._replace(jitter=0), draw, place)
        assert not contradict(whole.verdict, part.verdict), (whole.summary, part.summary)

    @given(
        courses(),
        st.sets(st.sampled_from(sorted(set(ROLES) - {"enable"})), min_size=1),
        st.sampled_from((1, 1, 4, 10)),
        st.sampled_from((None, 0, 2, 10, 40)),
        st.floats(-1, 1),
    )
    @settings(max_examples=examples(10), deadline=None)
    def test_two_instruments(
        self, place: Path, course: Course, other: set[str], period: int, doubt_ms: int | None, part: float
    ) -> None:
        """Nor does a verdict on two tables whose clocks are known to stand to each other within a doubt."""
        whole = judged(course, FAST, place)
        poll = Poll(period=period, first=0, jitter=0, turns=False)
        found = apart(course, poll, other, round(part * (doubt_ms or 0)) - OFFSET, doubt_ms, place)
        assert not contradict(whole.verdict, found.verdict), (whole.summary, found.summary)

    @pytest.mark.parametrize("doubt_ms", [None, 0, 40])
    @pytest.mark.parametrize("other", [{"feedback", "second"}, {"door", "ignition"}, {"lamp"}])
    def test_two_instruments_decide(self, place: Path, other: set[str], doubt_ms: int | None) -> None:
        """A healthy car is as expected where limits are further away than the doubt; with a late lock it is not."""
        whole = Course(dict.fromkeys(ROLES, ()), 120)
        whole.changes.update(door=(300,), enable=(400, 900), feedback=(600,), second=(700,))
        assert apart(whole, FAST, other, -OFFSET, doubt_ms, place).verdict is Verdict.AS_EXPECTED
        whole.changes.update(feedback=(950,), second=(970,))
        assert apart(whole, FAST, other, -OFFSET, doubt_ms, place).verdict is Verdict.FAULTY

    @given(courses())
    @settings(max_examples=examples(15), deadline=None)
    def test_fast_tables_are_decided(self, place: Path, course: Course) -> None:
        """What is sampled twice as fast as anything changes is not left open for what may hide."""
        assert not any("can hide between" in it.reason for it in judged(course, FAST, place).findings)
