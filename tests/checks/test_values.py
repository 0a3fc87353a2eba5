"""Tables of values as captures: columns become roles, and what a table does not carry is unknown."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from support.examples import examples

from buslens.capture import values as capture_values
from buslens.checks.check import check
from buslens.checks.findings import Outcome, TimeBounds, Verdict
from buslens.errors import CaptureError, UnrelatedCaptureError
from buslens.expectations.load import parse_expectations
from buslens.timeline.columns import ColumnHistory
from buslens.timeline.model import UNKNOWN_STATE, UnknownReason

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.checks.findings import Result
    from buslens.timeline.model import Timeline

AT_ONCE: Final = 'read_before = "0 ms"\n'
LOCK: Final = """
[roles.door]
column = "Door"
states = { open = "Open", closed = ["Closed", "shut"] }
holds = "1 s"
[roles.enable]
column = "Enable"
states = { off = "< 3 V", on = "> 8 V" }
holds = "150 ms"
[[rules]]
name = "lock"
kind = "sequence"
start = "door becomes open"
steps = [{ name = "enable", await = "enable becomes on", within = "400 ms" }]
"""


def judged(tmp_path: Path, text: str, roles: str = LOCK, read_before: str = AT_ONCE) -> Result:
    path = tmp_path / "table.csv"
    path.write_text(text, "utf-8")
    return check(path, expectations=parse_expectations(f"format = 1\n{read_before}{roles}".encode(), "table.toml"))


def rows(*columns: tuple[str, list[str]], step: float = 0.1) -> str:
    """Return a table of columns."""
    lines = [",".join(["Time (s)", *(name for name, _ in columns)])]
    lines += [
        f"{k * step:.3f},{','.join(cells)}" for k, cells in enumerate(zip(*(of for _, of in columns), strict=True))
    ]
    return "\n".join(lines) + "\n"


def one(tmp_path: Path, cells: list[str], role: str, *, header: str = "X", step: float = 0.1) -> Timeline:
    """Return the timeline of one role."""
    return judged(tmp_path, rows((header, cells), step=step), f"[roles.x]\n{role}\n").timelines["x"]


def states(timeline: Timeline) -> list[str]:
    return [timeline.states[code] if code != UNKNOWN_STATE else "?" for code in timeline.state.tolist()]


class TestHandshake:
    def test_whole(self, tmp_path: Path) -> None:
        door = ["Closed"] * 3 + ["open"] * 20
        enable = ["0.1"] * 5 + ["12.0"] * 4 + ["0.2"] * 14
        found = judged(tmp_path, rows(("Door", door), ("Enable (V)", enable)))
        assert found.verdict is Verdict.AS_EXPECTED
        (step,) = found.findings
        assert step.delay is not None
        assert (step.delay.earliest_ns, step.delay.latest_ns) == (100_000_001 - 1_000_000, 299_999_999 + 1_000_000)

    def test_missing(self, tmp_path: Path) -> None:
        """Samples are closer than the pulse is long, so that its absence is told."""
        found = judged(tmp_path, rows(("Door", ["Closed"] * 3 + ["open"] * 20), ("Enable", ["0.1 V"] * 23)))
        assert [it.outcome for it in found.findings] == [Outcome.MISSING]
        assert found.verdict is Verdict.FAULTY

    def test_not_seen(self, tmp_path: Path) -> None:
        """Samples are further apart than the pulse is long: it may have been, and the rate is said."""
        text = rows(("Door", ["Closed"] * 3 + ["open"] * 8), ("Enable", ["0.1"] * 11), step=0.2)
        found = judged(tmp_path, text)
        assert found.verdict is Verdict.UNDECIDED
        assert "7 samples a second would show it, or a measurement at its wire" in found.findings[0].reason

    def test_stamps_of_whole_seconds(self, tmp_path: Path) -> None:
        """No rate makes up for stamps that are coarser than the shortest state: finer ones are asked for."""
        cells = zip([k // 5 for k in range(90)], ["Closed"] * 30 + ["open"] * 60, strict=True)
        found = judged(tmp_path, "Time (s),Door,Enable\n" + "".join(f"{at},{door},0.1\n" for at, door in cells))
        assert found.verdict is Verdict.UNDECIDED
        assert "samples a second" not in found.summary
        assert "time stamps finer than 1 s would show it, or a measurement at its wire" in found.summary

    def test_column_that_is_not_there(self, tmp_path: Path) -> None:
        found = judged(tmp_path, rows(("Door", ["Closed"] * 3 + ["open"] * 20)))
        assert found.absent == ("there is no column 'Enable' in the table; it has 'Time', 'Door'",)
        assert found.timelines["enable"].why.tolist() == [UnknownReason.NOT_CARRIED.value]
        assert found.verdict is Verdict.UNDECIDED

    def test_words_without_a_state(self, tmp_path: Path) -> None:
        """What stands in a column and stands for no state is told once, but for marks that say nothing."""
        doors = ["---", "Zu", "Zu", "Öff", "closed"] * 4
        found = judged(tmp_path, rows(("Door", doors), ("Enable", ["0.1"] * 20)))
        (told,) = [it for it in found.absent if "no state" in it]
        assert told.startswith("column 'Door' has 'Zu', 'Öff', and no state of door has such a value: it is unknown")
        assert told.endswith("name them under its states, or save the table as UTF-8 if its letters look wrong")

    @pytest.mark.parametrize(("volts", "span"), [("12", "0.1 and 12"), ("1.2", "0.1 and 1.2"), ("-12", "-12 and 0.1")])
    def test_a_level_that_never_comes(self, tmp_path: Path, volts: str, span: str) -> None:
        """By a probe of ten to one, or turned round, a voltage never reaches a limit; it may also be the fault."""
        found = judged(tmp_path, rows(("Door", ["shut"] * 9 + ["open"] * 9), ("Enable (V)", ["0.1"] * 9 + [volts] * 9)))
        told = [it for it in found.absent if f"'Enable' lies between {span}, so that enable is never on (> 8 V)" in it]
        assert len(told) == (volts != "12")

    def test_no_column_is_there(self, tmp_path: Path) -> None:
        with pytest.raises(UnrelatedCaptureError, match="a table of values with the columns 'Speed', and no role"):
            judged(tmp_path, rows(("Speed", ["1", "2", "3", "4"])))

    def test_signal_roles_only(self, tmp_path: Path) -> None:
        roles = '[roles.a]\nsignal = "A.B"\nunit = "V"\n'
        path = tmp_path / "table.csv"
        path.write_text(rows(("Speed", ["1", "2", "3", "4"])), "ascii")
        dbc = tmp_path / "a.dbc"
        dbc.write_text('VERSION ""\nBO_ 1 A: 8 X\n SG_ B : 0|8@1+ (1,0) [0|0] "V" X\n', "ascii")
        expected = parse_expectations(
            f'format = 1\ndefinitions = ["{dbc.name}"]\n{roles}'.encode(), str(tmp_path / "e.toml")
        )
        with pytest.raises(UnrelatedCaptureError, match='tie each role to its column, such as column = "Speed"'):
            check(path, expectations=expected)

    def test_a_log_for_a_table(self, tmp_path: Path) -> None:
        with pytest.raises(UnrelatedCaptureError, match="it is a bus log, and all roles"):
            judged(tmp_path, "".join(f"({k / 10:.6f}) can0 123#0{k % 10}\n" for k in range(50)))


class TestStates:
    def test_hysteresis(self, tmp_path: Path) -> None:
        """Between the limits the state before goes on; before the first it is unknown."""
        cells = ["5", "0", "5", "7.9", "8.1", "5", "3", "2.9"]
        found = one(tmp_path, cells, 'column = "X"\nstates = { off = "< 3 V", on = "> 8 V" }\nholds = "1 s"')
        assert states(found) == ["?", "off", "on", "off"]
        assert (found.seen_ns // 10**8).tolist() == [0, 1, 4, 7]
        assert found.unnamed_value(0) == "'between the limits of the states'"

    def test_between_after_a_gap_says_nothing(self, tmp_path: Path) -> None:
        """A number between the limits tells the state before only if nothing can have hidden since."""
        found = one(
            tmp_path, ["0", "5", "5", "0"], 'column = "X"\nstates = { off = "< 3", on = "> 8" }\nholds = "50 ms"'
        )
        assert found.sampling.blind_ns.tolist() == [[0, 300_000_000]]

    @pytest.mark.parametrize(
        ("cells", "role", "expected"),
        [
            (["ON", "off", " On "], 'states = { off = "Off", on = "On" }', ["on", "off", "on"]),
            (["1", "0", "1.0"], "states = { off = 0, on = 1 }", ["on", "off", "on"]),
            (["1", "0", "2"], 'states = { off = "0", on = "1" }', ["on", "off", "?"]),
            (["1st", "2nd", "1st"], 'states = { low = "1st", high = "2nd" }', ["low", "high", "low"]),
            (["0.1 V", "950 mV", "OL"], 'states = { off = "< 500 mV", on = "> 0.9 V" }', ["off", "on", "?"]),
            (["125 mV", "4.9 V", "0.1 VDC"], 'states = { off = "< 1 V", on = "> 4 V" }', ["off", "on", "off"]),
            (["5", "Inf", "0", "-Inf"], 'states = { off = "< 1 V", on = "> 4 V" }', ["on", "off"]),
            (["0", "\u221e", "+Inf", "-\u221e"], 'states = { off = "< 1 V", on = "> 4 V" }', ["off", "on", "off"]),
            (["1", "---", "N/A", "1"], "states = { off = 0, on = 1 }", ["on"]),
            (["1", "---", "1"], 'states = { on = 1, none = "---" }', ["on", "none", "on"]),
            (["1", "OL", "1"], 'states = { off = "< 3", open = "OL" }', ["off", "open", "off"]),
        ],
    )
    def test_cells(self, tmp_path: Path, cells: list[str], role: str, expected: list[str]) -> None:
        assert states(one(tmp_path, cells, f'column = "X"\n{role}')) == expected

    def test_two_roles_of_one_column(self, tmp_path: Path) -> None:
        roles = '[roles.a]\ncolumn = "X"\nstates = { off = "< 3 V", on = "> 8 V" }\n[roles.b]\ncolumn = 2\nunit = "V"\n'
        found = judged(tmp_path, rows(("X (mV)", ["100", "9000", "9500"])), roles).timelines
        assert states(found["a"]) == ["off", "on"]
        assert found["b"].value.tolist() == [0.1, 9.0, 9.5]

    def test_unit_that_does_not_fit(self, tmp_path: Path) -> None:
        with pytest.raises(CaptureError, match="column 'X' is in A, and role 'x' asks for V"):
            one(tmp_path, ["1", "2", "3"], 'column = "X"\nunit = "V"', header="X (A)")

    def test_units_of_cells_and_none_of_the_role(self, tmp_path: Path) -> None:
        with pytest.raises(CaptureError, match="column 'X' have several units, and role 'x' has none"):
            one(tmp_path, ["125 mV", "4.9 V"], 'column = "X"\nstates = { off = "< 1", on = "> 4" }')

    def test_limit_is_exact(self, tmp_path: Path) -> None:
        """12600 mV is on a limit of 12.6 V, and 12.6 V too."""
        for header, cell in (("X (mV)", "12600"), ("X (V)", "12.6"), ("X", "12600.0 mV")):
            found = one(tmp_path, [cell] * 3, 'column = "X"\nunit = "V"', header=header)
            assert not found.compare("<", 12.6).any()
            assert not found.compare(">", 12.6).any()


class TestChangesOnly:
    def test_levels_hold(self, tmp_path: Path) -> None:
        """An instrument that writes a row for each change shows every level up to the next, and each time as it was."""
        sent = 'sent = "only on change"\nlag = "1 ms"\n'
        text = "Time (s),Door,Enable\n0.000,0,0\n1.001,1,0\n1.251,1,1\n1.400,1,0\n9.000,0,0\n"
        roles = LOCK.replace('"Open"', "1").replace('["Closed", "shut"]', "0").replace("< 3 V", "< 0.5")
        roles = roles.replace("> 8 V", "> 0.5").replace('holds = "1 s"\n', sent).replace('holds = "150 ms"\n', sent)
        (found,) = judged(tmp_path, text, roles, "").findings
        assert (found.outcome, found.delay) == (
            Outcome.MET,
            TimeBounds(earliest_ns=248_000_000, latest_ns=252_000_000),  # 1 ms for the lag, and 1 ms for the stamps
        )
        assert judged(tmp_path, text, roles.replace(sent, ""), "").verdict is Verdict.UNDECIDED
        assert any(
            'write sent = "only on change"' in note
            for note in judged(tmp_path, text, roles.replace(sent, ""), "").notes
        )


class TestSampling:
    def test_constant_column_is_known_throughout(self, tmp_path: Path) -> None:
        found = one(tmp_path, ["Off"] * 400, 'column = "X"\nstates = { off = "Off", on = "On" }', step=0.005)
        assert (states(found), len(found.sampling.blind_ns), found.period_ns) == (["off"], 0, 5_000_000)

    def test_missing_rows_are_a_pause(self, tmp_path: Path) -> None:
        lines = rows(("X", ["Off"] * 100)).splitlines()
        text = "\n".join([*lines[:30], *lines[80:]]) + "\n"
        found = judged(tmp_path, text, '[roles.x]\ncolumn = "X"\nstates = { off = "Off", on = "On" }\n').timelines["x"]
        assert states(found) == ["off", "?", "off"]
        assert found.why.tolist()[1] == UnknownReason.NOT_RECORDED.value

    def test_what_hides_in_a_gap(self, tmp_path: Path) -> None:
        """On and on: an off that nobody saw; off and on, no further apart than one of them lasts: nothing."""
        role = 'column = "X"\nstates = { off = "Off", on = "On" }\nholds = "60 ms"'
        found = one(tmp_path, ["Off", "Off", "On", "On"], role)
        assert (found.sampling.blind_ns // 10**6).tolist() == [[0, 100], [200, 300]]
        found = one(tmp_path, ["Off", "Off", "On", "On"], role, step=0.2)
        assert (found.sampling.blind_ns // 10**6).tolist() == [[0, 200], [200, 400], [400, 600]]

    def test_dense_numbers_keep_their_extremes(self, tmp_path: Path) -> None:
        """Of a number that is sampled each 10 us, few rows stay, the lowest and the highest of each ms among them."""
        rng = np.random.default_rng(1)
        numbers = np.round(rng.normal(12, 0.1, 5000), 3)
        numbers[[1234, 4321]] = 3.5, 20.25
        text = "Time (us),X\n" + "".join(f"{10 * k},{number}\n" for k, number in enumerate(numbers.tolist()))
        found = judged(tmp_path, text, '[roles.x]\ncolumn = "X"\nunit = "V"\n').timelines["x"]
        assert len(found) < 250
        assert (found.value.min(), found.value.max()) == (3.5, 20.25)
        assert found.seen_ns[found.value.argmin()] == 12_340_000


@pytest.mark.slow
class TestRowsThatTellNothingNew:
    NOISE: Final = (
        *("0.1", "-0.1", "+2.5E-01", "2.999999999999", "3", "3.00", "3.000000000001", "3.0000000000001"),
        *("7.9", "8", "8.000", "1.2E+01", "OL", "", "950 mV"),
    )
    ROLES: Final = """
[roles.levels]
column = "X"
states = { off = "< 3 V", on = "> 8 V" }
[roles.closed]
column = "X"
states = { off = "<= 3 V", on = ">= 8 V" }
[roles.switch]
column = "Y"
states = { off = 0, on = 1 }
[roles.volts]
column = "Z"
unit = "V"
"""

    @given(
        st.lists(
            st.tuples(
                st.lists(st.sampled_from(NOISE), min_size=1, max_size=3),
                st.integers(0, 1),
                st.integers(1, 150),
                st.sampled_from([20, 20, 20, 900, 4_000, 45_000, -50]),
            ),
            min_size=2,
            max_size=12,
        )
    )
    @example([(["0.1"], 0, 1, 20), (["12"], 0, 1, 20), (["3.000000000001"], 0, 2, 20), (["3"], 0, 99, 20)])
    @settings(max_examples=examples(8), deadline=None)
    def test_same_timelines(
        self, tmp_path_factory: pytest.TempPathFactory, runs: list[tuple[list[str], int, int, int]]
    ) -> None:
        """To pass over them changes no edge: at limits, behind gaps and clocks that run back, by numbers or words."""
        lines, now = ["Time (us),X,Y,Z"], 0
        for levels, switch, n, step in [(["0.1"], 0, 700, 20), *runs]:
            now += step
            for k in range(n):
                now += 20
                lines.append(f"{now},{levels[k * k % len(levels)]},{switch},{k * 7 % 30 / 8 - switch}")
        path = tmp_path_factory.mktemp("trace") / "trace.csv"
        path.write_text("\n".join(lines) + "\n", "ascii")
        expected = parse_expectations(f"format = 1\n{self.ROLES}".encode(), "trace.toml")
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(capture_values, "_PLAIN_BYTES", -1)
            patch.setattr(capture_values, "WINDOW_BYTES", 1_500)
            fewer = check(path, expectations=expected)
            patch.setattr(ColumnHistory, "news", None)
            every = check(path, expectations=expected)
        assert replace(fewer.stats, pauses={}) == replace(every.stats, pauses={})
        for role in ("levels", "closed", "switch"):
            for name in ("seen_ns", "gap_ns", "state", "why"):
                few, all_ = (getattr(it.timelines[role], name) for it in (fewer, every))
                assert few.tolist() == all_.tolist(), (role, name)
        few, all_ = (it.timelines["volts"].raw for it in (fewer, every))
        assert (np.nanmin(few), np.nanmax(few)) == (np.nanmin(all_), np.nanmax(all_))
