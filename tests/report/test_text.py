from __future__ import annotations

import re
from dataclasses import replace

import pytest
from support.handmade import (
    ORIGIN_NS,
    between,
    broken_stats,
    handshake,
    pulse_finding,
    read_stats,
    result,
    step_finding,
)

from buslens.capture.frames import Clock
from buslens.checks.findings import Limit, Outcome, Verdict
from buslens.report.safety_notes import CAUTIONS, RECORDING_CAUTIONS
from buslens.report.text import closing, small_print, text


def lines(report: str) -> list[str]:
    return [line.strip() for line in report.splitlines()]


def section(report: str, title: str) -> list[str]:
    """Return the lines under a title."""
    found = re.search(rf"^{title}\n(.*?)(?:\n\n|\Z)", report, re.MULTILINE | re.DOTALL)
    return lines(found[1]) if found else []


class TestOrder:
    """The verdict is the first line, and what is wrong comes first below it."""

    def test_worst_first(self) -> None:
        report = text(
            result(
                pulse_finding(),
                step_finding(Outcome.UNDECIDED),
                step_finding(Outcome.LATE),
                step_finding(Outcome.MISSING, step="enable on"),
            ),
            in_full=True,
        )
        places = [
            report.index(words)
            for words in (
                "enable on: did not happen",
                "wire feedback: too late",
                "wire feedback: undecided",
                "enable pulse: 2 of 2",
            )
        ]
        assert places == sorted(places)

    @pytest.mark.parametrize("verdict", Verdict)
    def test_verdict_is_the_first_line(self, verdict: Verdict) -> None:
        report = text(result(step_finding(), verdict=verdict, summary="for this reason"))
        assert report.splitlines()[0].endswith(": for this reason")

    def test_nothing_to_say_makes_no_section(self) -> None:
        report = text(result(pulse_finding(), verdict=Verdict.AS_EXPECTED))
        assert not re.search("^(Faults|Undecided|Not tested|Notes)$", report, re.MULTILINE)


class TestHeader:
    """Below the verdict stands what was recorded, when, and what it is checked against."""

    def test_wall_clock(self) -> None:
        recorded = "4,212 frames in 12.480 s, candump, 2025-11-03 09:14:05 UTC"
        head = f"logs/car03.log: {recorded}; expectations: signal_defs/steering_lock.toml"
        assert lines(text(result()))[1] == head

    def test_a_clock_without_a_zone_is_not_called_utc(self) -> None:
        head = text(result(stats=read_stats(clock=Clock.LOCAL)))
        assert "2025-11-03 09:14:05, no zone" in head
        assert "UTC" not in head

    @pytest.mark.parametrize("clock", [Clock.RELATIVE, Clock.MISSING])
    def test_no_date_without_a_calendar(self, clock: Clock) -> None:
        assert "recorded 2" not in text(result(stats=read_stats(clock=clock)))

    def test_no_duration_without_stamps(self) -> None:
        assert "4,212 frames without time stamps, candump" in text(result(stats=read_stats(clock=Clock.MISSING)))

    def test_a_stamp_beyond_the_calendar(self) -> None:
        far = read_stats(first_ns=9 * 10**18, last_ns=9 * 10**18 + 1)
        text(result(stats=far))

    def test_skipped_lines_are_counted(self) -> None:
        assert "3 lines skipped" in lines(text(result(stats=broken_stats())))[1]


class TestFindings:
    """A finding that is not met stands with its moment, place, outcome, reason, limit and where that comes from."""

    def test_written_out(self) -> None:
        assert section(text(result(step_finding()), in_full=True), "Faults") == [
            "x  at 3.214 s  lock handshake 1, wire feedback: too late",
            "unlock_feedback became locked 812 to 837 ms after enable on (late)",
            "limit 50 to 600 ms; limit source: invented for the demonstration",
        ]

    def test_in_brief(self) -> None:
        """The first line is the sentence; below it moment, place and limit source. Other faults follow."""
        late = step_finding()
        report = lines(text(result(late, pulse_finding(Outcome.VIOLATED), summary=late.reason)))
        assert report[:2] == [
            f"Faulty: {late.reason}",
            "at 3.214 s (lock handshake 1, wire feedback); limit source: invented for the demonstration",
        ]
        assert report[report.index("More faults") + 1].endswith("(enable pulse)")

    @pytest.mark.parametrize(
        ("limit", "told"),
        [
            (Limit(least=50e6, most=600e6), "limit 50 to 600 ms"),
            (Limit(most=600e6), "limit 600 ms"),
            (Limit(least=9.5, unit="V"), "limit at least 9.5 V"),
            (Limit(most=0), ""),
            (None, ""),
        ],
    )
    def test_limit(self, limit: Limit | None, told: str) -> None:
        assert small_print(replace(step_finding(), limit=limit, basis="")) == told

    @pytest.mark.parametrize("count", [2, 179])
    def test_many_alike_share_an_entry(self, count: int) -> None:
        """It tells how often, and the least and the greatest that was measured; in full, each stands alone."""
        delays = [between(700 + number, 725 + number) for number in range(count)]
        found = [replace(step_finding(handshake=number + 1), delay=delay) for number, delay in enumerate(delays)]
        (reason,) = section(text(result(*found)), "Faults")
        of_all = f"in {count} of {count} handshakes"
        them = "both" if count == 2 else f"all {count}"
        assert reason.endswith(f"; {them}: 700 to {724 + count} ms (lock handshake, wire feedback, {of_all})")
        assert text(result(*found), in_full=True).count("wire feedback: too late\n") == count

    @pytest.mark.parametrize("kinds", [3, 4, 9])
    def test_many_kinds_are_named_in_one_line(self, kinds: int) -> None:
        """Where one event leaves much undecided, a report in brief stays short, and names all of it."""
        names = [f"step {number}" for number in range(kinds)]
        found = result(*(step_finding(Outcome.UNDECIDED, step=name) for name in names), verdict=Verdict.UNDECIDED)
        brief, in_full = text(found), section(text(found, in_full=True), "Undecided")
        assert brief.count(" ?  at ") == (3 if kinds == 3 else 2)
        assert all(name in brief for name in names)
        assert sum(line.endswith(": undecided") for line in in_full) == kinds
        assert (f"{kinds - 2} more, written out with --all: lock handshake (step 2, " in brief) == (kinds > 3)

    def test_what_is_undecided_beside_faults_is_named(self) -> None:
        """A fault often leaves more undecided: that is one line."""
        report = text(result(step_finding(), pulse_finding(Outcome.UNDECIDED)))
        assert " ?  1 undecided, written out with --all: enable pulse\n" in report

    def test_other_steps_are_not_alike(self) -> None:
        late = [step_finding(handshake=number) for number in range(9)]
        report = text(result(*late, step_finding(Outcome.MISSING, step="enable on")))
        assert "(lock handshake 1, enable on)" in report


class TestMet:
    """What is met is summed up in one line for each rule, with how fast each step came over all handshakes."""

    def test_one_handshake(self) -> None:
        met = section(text(result(step_finding(Outcome.MET), verdict=Verdict.AS_EXPECTED)), "OK")
        assert met == ["=  lock handshake: wire feedback 812 to 837 ms (limit 50 to 600 ms)"]

    def test_several_handshakes(self) -> None:
        first = step_finding(Outcome.MET)
        second = replace(step_finding(Outcome.MET, handshake=2), delay=between(700, 725))
        met = section(text(result(first, second), in_full=True), "OK")
        assert met == ["=  lock handshake: 2 handshakes: wire feedback 700 to 837 ms (limit 50 to 600 ms)"]

    def test_order_is_that_of_the_rules(self) -> None:
        met = section(text(result(step_finding(Outcome.MET), pulse_finding()), in_full=True), "OK")
        assert [line.split(":")[0] for line in met] == ["=  lock handshake", "=  enable pulse"]

    def test_other_rules(self) -> None:
        assert section(text(result(pulse_finding()), in_full=True), "OK") == [
            "=  enable pulse: 2 of 2 pulses within limit at least 150 ms"
        ]

    def test_the_rest_of_a_rule_that_is_not_always_kept(self) -> None:
        met = section(text(result(pulse_finding(), pulse_finding(Outcome.VIOLATED)), in_full=True), "OK")
        assert met[0].startswith("=  enable pulse: ")


class TestNotes:
    """Whatever is wrong with the recording, and how handshakes ended, is said once."""

    def test_recording(self) -> None:
        notes = section(
            text(result(stats=broken_stats(), notes=("the date could not be read",), verdict=Verdict.AS_EXPECTED)),
            "Notes",
        )
        assert notes == [
            "the date could not be read",
            "line 812 skipped: odd number of digits in the data: (1.0) can0 1#1",
            "2 more lines skipped",
        ]

    def test_handshakes(self) -> None:
        runs = (
            handshake(1),
            handshake(2, abandoned="door_open becomes closed"),
            *(handshake(it, tries=2) for it in (3, 4)),
        )
        assert section(text(result(handshakes=runs, verdict=Verdict.AS_EXPECTED)), "Notes") == [
            "lock handshake 2, at 2.000 s: cancelled: door_open becomes closed",
            "lock handshake, 2 times: 2 tries",
        ]

    def test_what_a_finding_is_about_needs_no_note(self) -> None:
        """In brief, how a handshake ended is not told beside what was wrong in it."""
        made = result(step_finding(handshake=2), handshakes=[handshake(2, tries=3), handshake(4, tries=2)])
        assert [it for it in lines(text(made)) if it.endswith("tries")] == ["lock handshake 4, at 2.000 s: 2 tries"]
        assert len([it for it in lines(text(made, in_full=True)) if it.endswith("tries")]) == 2

    def test_rules_that_judged_nothing(self) -> None:
        report = text(result(unexercised=("supply while driving",), verdict=Verdict.AS_EXPECTED))
        assert section(report, "Not tested")[0].startswith("-  supply while driving: ")


class TestCautions:
    """The cautions of the work stand with a faulty verdict, those of recording with an undecided one, once."""

    @pytest.mark.parametrize("verdict", Verdict)
    def test_one_capture(self, verdict: Verdict) -> None:
        report = text(result(verdict=verdict))
        assert [report.count(caution) for caution in CAUTIONS] == [verdict is Verdict.FAULTY] * len(CAUTIONS)
        told = [report.count(caution) for caution in RECORDING_CAUTIONS]
        assert told == [verdict is Verdict.UNDECIDED] * len(RECORDING_CAUTIONS)

    def test_several_captures(self) -> None:
        report = text(result(), cautions=False) * 2 + closing([Verdict.FAULTY] * 2)
        assert [report.count(caution) for caution in CAUTIONS] == [1] * len(CAUTIONS)


class TestClosing:
    """Several captures end with how many there were of each verdict."""

    @pytest.mark.parametrize(
        ("verdicts", "unusable", "last"),
        [
            ([Verdict.AS_EXPECTED] * 2, 0, "2 captures: 2 as expected"),
            ([Verdict.AS_EXPECTED, Verdict.FAULTY], 1, "3 captures: 1 faulty, 1 as expected, 1 could not be checked"),
            ([Verdict.UNDECIDED], 1, "2 captures: 1 undecided, 1 could not be checked"),
            ([], 2, "2 captures: 2 could not be checked"),
        ],
        ids=lambda value: value if isinstance(value, str) else "",
    )
    def test_count(self, verdicts: list[Verdict], unusable: int, last: str) -> None:
        assert closing(verdicts, unusable=unusable).splitlines()[-1] == last


class TestPaint:
    """The accent marks what is wrong and nothing else; without paint there is no control sequence at all."""

    def test_accent(self) -> None:
        accent = "\x1b[1;31m"
        healthy = result(pulse_finding(), step_finding(Outcome.UNDECIDED), verdict=Verdict.UNDECIDED)
        assert accent not in text(healthy, painted=True)
        painted = re.findall(f"{re.escape(accent)}(.*?)\x1b", text(result(step_finding()), painted=True))
        assert painted == ["Faulty", "x"]

    def test_hostile_names_stay_text(self) -> None:
        evil = "a\x1b[2Jb\r\u202e"
        finding = replace(step_finding(), rule=evil, step=evil, reason=evil, basis=evil)
        report = text(
            result(finding, path=evil, summary=evil, unexercised=(evil,), notes=(evil,), stats=read_stats(format=evil))
        )
        assert not set(report) & set("\x1b\r\u202e")

    def test_moments_count_from_the_first_frame(self) -> None:
        assert str(ORIGIN_NS)[:6] not in text(result(step_finding()))


class TestMuchThatCouldNotBeRead:
    """When more than one line in a hundred was passed over, that is the first thing that the report says."""

    @pytest.mark.parametrize(("broken", "is_told"), [(1, False), (2, True), (50, True)])
    def test_first_line(self, broken: int, is_told: bool) -> None:
        made = result()
        first = text(replace(made, stats=replace(made.stats, frames=149, broken=broken))).splitlines()[0]
        assert first.startswith(f"{broken} lines of the log could not be read, beside 149 frames") is is_told
