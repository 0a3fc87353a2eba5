"""Several recordings on one axis: their clocks are a doubt between them, and none within one of them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.reference import values_of

from buslens.checks.check import check
from buslens.checks.findings import Outcome, Verdict
from buslens.errors import UnrelatedCaptureError
from buslens.expectations.load import load_expectations, parse_expectations
from buslens.expectations.model import Is
from buslens.timeline.ternary import IN_TRANSITION, TRUE, UNKNOWN, TernaryTimeline

if TYPE_CHECKING:
    from buslens.checks.findings import Result

ROOT: Final = Path(__file__).parents[2]
ROLES: Final = """
format = 1
[roles.a]
column = "A"
states = { off = "0", on = "1" }
[roles.b]
column = "B"
states = { off = "0", on = "1" }
[roles.c]
column = "C"
states = { off = "0", on = "1" }
"""
RULES: Final = """
[[rules]]
name = "own"
kind = "sequence"
start = "b becomes on"
steps = [{ name = "c", await = "c becomes on", within = "100 ms" }]
[[rules]]
name = "across"
kind = "sequence"
start = "a becomes on"
steps = [{ name = "c", await = "c becomes on", within = "500 ms" }]
"""
FIRST: Final = {"A": (1.0,)}
OTHER: Final = {"B": (3.05,), "C": (3.11,)}


def table(path: Path, changes: dict[str, tuple[float, ...]], until: float, step: float = 0.005) -> Path:
    """Write a table of columns that change at some times, s."""
    lines = [f"Time (s),{','.join(changes)}"]
    for row in range(round(until / step)):
        cells = [str(sum(at <= row * step for at in of) % 2) for of in changes.values()]
        lines.append(f"{row * step:.4f},{','.join(cells)}")
    path.write_text("\n".join(lines) + "\n", "ascii")
    return path


def together(tmp_path: Path, align: str, rules: str = RULES, until: float = 4.0) -> Result:
    expected = parse_expectations(f"{ROLES}{align}{rules}".encode(), "together.toml")
    first, other = table(tmp_path / "first.csv", FIRST, 2.5), table(tmp_path / "other.csv", OTHER, until)
    return check(first, expectations=expected, beside=[other])


def outcomes(result: Result) -> dict[str, Outcome]:
    return {it.rule: it.outcome for it in result.findings}


class TestTogether:
    def test_by_a_shared_event(self, tmp_path: Path) -> None:
        """The delay across has the doubt of both clocks; the one within the other table is as if it stood alone."""
        result = together(tmp_path, '[align]\nsame = ["a becomes on", "b becomes on"]\n')
        delays = {it.rule: it.delay for it in result.findings}
        own, across = delays["own"], delays["across"]
        assert own is not None
        assert across is not None
        assert (own.earliest_ns // 10**6, own.latest_ns and -(-own.latest_ns // 10**6)) == (55, 65)
        assert across.earliest_ns <= 60_000_000 <= (across.latest_ns or 0)
        assert (across.latest_ns or 0) - across.earliest_ns > 20_000_000
        assert any("begins 2.0" in note and "before the first frame" in note for note in result.notes)

    def test_by_rows_between_which_a_state_can_hide(self, tmp_path: Path) -> None:
        """Two rows that show a change bring clocks together all the same, and decide nothing."""
        roles = ROLES.replace('"B"', '"B"\nholds = "300 ms"').replace('"C"', '"C"\nholds = "300 ms"')
        expected = parse_expectations(f'{roles}[align]\nsame = ["a becomes on", "b becomes on"]\n{RULES}'.encode(), "x")
        first = table(tmp_path / "first.csv", {"A": (1.0, 1.35, 3.0, 3.35)}, 5.0)
        other = table(tmp_path / "other.csv", {"B": (2.0, 2.35, 4.0, 4.35), "C": (2.1,)}, 6.0, step=0.2)
        other.write_text(other.read_text("ascii").replace("00,", ","), "ascii")  # and stamps are rounded
        result = check(first, expectations=expected, beside=[other])
        assert any("by 2 shared events" in note for note in result.notes)
        assert outcomes(result)["across"] is Outcome.UNDECIDED

    def test_stated(self, tmp_path: Path) -> None:
        result = together(tmp_path, '[align]\noffset = "-2.05 s"\ndoubt = "1 ms"\n')
        assert outcomes(result) == {"own": Outcome.MET, "across": Outcome.MET}
        wide = together(tmp_path, '[align]\noffset = "-2.05 s"\ndoubt = "400 ms"\n')
        assert outcomes(wide) == {"own": Outcome.MET, "across": Outcome.UNDECIDED}

    def test_nothing_shared(self, tmp_path: Path) -> None:
        """Each is judged alone, and nothing across."""
        result = together(tmp_path, "")
        assert outcomes(result) == {"own": Outcome.MET, "across": Outcome.UNDECIDED}
        assert "nothing brings the clocks together" in result.findings[1].reason
        assert any("it stands behind the rest, and nothing is checked across" in note for note in result.notes)
        assert result.timelines["b"].seen_ns[-1] > result.timelines["a"].seen_ns[-1]

    def test_outside_of_the_other_nothing_is_asked(self, tmp_path: Path) -> None:
        """A rule across is checked where all of its recordings run, so that a short trace leaves nothing open."""
        rules = '[[rules]]\nname = "never"\nkind = "never"\nwhen = "a is off and c is on"\nlonger_than = "100 ms"\n'
        result = together(tmp_path, '[align]\noffset = "-2.05 s"\ndoubt = "1 ms"\n', rules)
        assert outcomes(result) == {"never": Outcome.MET}

    def test_short_beside_long(self, tmp_path: Path) -> None:
        """A moment of either recording is surely within a stretch of the other, if that is longer than the doubt."""
        first, other = tmp_path / "first.csv", tmp_path / "other.csv"
        expected = parse_expectations(f"{ROLES}[align]\noffset = '0 s'\ndoubt = '400 ms'\n{RULES}".encode(), "x.toml")
        is_on = [Is(role=role, state="on") for role in "ab"]
        for long, short in ((first, other), (other, first)):
            table(long, {"A": (1.0, 3.0)} if long == first else {"B": (1.0, 3.0), "C": ()}, 4.0)
            table(short, {"A": (2.0, 2.02)} if short == first else {"B": (2.0, 2.02), "C": ()}, 4.0)
            context = check(first, expectations=expected, beside=[other]).context_of({"a", "b"})
            assert context is not None
            for one, while_ in (is_on, is_on[::-1]):
                sure = [(truth.value == TRUE).any() for truth, _ in context.ternary_while(one, while_)]
                assert any(sure)
                assert not all(sure)

    def test_no_moment_together(self, tmp_path: Path) -> None:
        result = together(tmp_path, '[align]\noffset = "100 s"\n')
        assert "cover no moment together" in result.findings[1].reason

    def test_other_columns(self, tmp_path: Path) -> None:
        first, other = table(tmp_path / "first.csv", FIRST, 2.5), table(tmp_path / "other.csv", {"X": ()}, 1.0)
        with pytest.raises(UnrelatedCaptureError, match="with the columns 'X'"):
            check(first, expectations=parse_expectations(f"{ROLES}{RULES}".encode(), "x.toml"), beside=[other])

    def test_a_log_and_a_trace(self, tmp_path: Path) -> None:
        """The sample's trace begins 3 s into the log: that is found, within the doubt that is said."""
        text = (ROOT / "signal_defs" / "steering_lock_wires.toml").read_text("utf-8")
        bus = (ROOT / "signal_defs" / "steering_lock.toml").read_text("utf-8").partition("# --- Beside the bus")[0]
        wires = text.partition("[roles.enable_at_lock]")
        same = [
            ["lock_enable becomes on", "enable_at_lock becomes on"],
            ["lock_enable becomes off", "enable_at_lock becomes off"],
            ["unlock_feedback becomes unlocked", "feedback_wire becomes unlocked"],
        ]
        body = f"{bus}{wires[1]}{wires[2]}\n[align]\nsame = {json.dumps(same)}\n"
        path = tmp_path / "both.toml"
        path.write_text(body.replace("pinewick.dbc", str(ROOT / "signal_defs" / "pinewick.dbc")), "utf-8")
        folder = ROOT / "sample_logs"
        result = check(
            folder / "car07_slow_motor.log",
            expectations=load_expectations(path),
            beside=[folder / "scope_trace_car07.csv.gz"],
        )
        assert result.verdict is Verdict.FAULTY
        (note,) = [note for note in result.notes if "shared events" in note]
        assert "begins 3.00" in note
        assert "by 3 shared events" in note


class TestSmeared:
    @given(st.lists(st.tuples(st.integers(1, 8), st.integers(0, 3)), min_size=1, max_size=8), st.integers(0, 5))
    @settings(max_examples=examples(60), deadline=None)
    def test_against_every_moment(self, parts: list[tuple[int, int]], doubt: int) -> None:
        """At each moment the value is sure only if it is the same at all moments as near as the doubt."""
        at, value = [0], [parts[0][1]]
        for length, code in parts[1:]:
            at.append(at[-1] + length)
            value.append(code)
        kept = [0, *(k for k in range(1, len(at)) if value[k] != value[k - 1])]
        end = at[-1] + parts[0][0]
        of = TernaryTimeline(
            at_ns=np.array([at[k] for k in kept], np.int64),
            value=np.array([value[k] for k in kept], np.int8),
            end_ns=end,
        )
        moments = values_of(of)
        for time, got in enumerate(values_of(of.smeared(doubt))):
            near = set(moments[max(time - doubt, 0) : time + doubt + 1])
            expected = UNKNOWN if UNKNOWN in near else near.pop() if len(near) == 1 else IN_TRANSITION
            assert got == expected
