from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from support.handshakes import handshake
from support.stage import holds, perform, sampled, step

import buslens
from buslens.causes.diagnosis import Diagnosis, diagnose
from buslens.causes.load import load_causes
from buslens.expectations.model import Agree
from buslens.report.page.drawing import pair_svg
from buslens.report.page.first_screen import likely_html
from buslens.report.page.page import first_screen, page
from buslens.report.strip import MOST_LANES, evidence_pair, evidence_strip, informative

ROOT = Path(__file__).parents[2]


def both(name: str) -> tuple[buslens.Result, Diagnosis]:
    result = buslens.check(ROOT / "sample_logs" / name, expectations=ROOT / "signal_defs" / "steering_lock.toml")
    causes = load_causes(str(ROOT / "signal_defs" / "steering_lock.causes.toml"), result.expectations)
    return result, diagnose([result], causes)


class TestLanes:
    """The lanes are the command, the signal that tells the cause, the answer, and what followed."""

    @pytest.mark.parametrize(
        ("name", "clue", "answer", "words"),
        [
            ("car08_jammed_bolt.asc", "supply_current", "unlock_feedback", "11 A"),
            ("car03_load_fuse_blown.log", "supply_current", "supply_voltage", "0 A"),
            ("car07_slow_motor.log", "supply_current", "unlock_feedback", "3.92 A"),
            ("car06_unlock_feedback_open.log", "data_feedback", "unlock_feedback", "says locked"),
        ],
    )
    def test_of_a_fault(self, name: str, clue: str, answer: str, words: str) -> None:
        result, diagnosis = both(name)
        strip = evidence_strip(result, informative(diagnosis))
        assert strip is not None
        assert strip.roles[:3] == ("lock_enable", clue, answer)
        assert len(strip.roles) <= MOST_LANES
        assert strip.clue is not None
        assert strip.clue.role == clue
        assert words in strip.clue.words
        assert strip.start_ns < strip.zero_ns < strip.clue.time_ns < strip.end_ns

    def test_holds_the_start_and_the_limit(self) -> None:
        result, _ = both("car08_jammed_bolt.asc")
        strip = evidence_strip(result)
        assert strip is not None
        allowed = strip.places[0].allowed
        assert allowed is not None
        assert strip.start_ns < result.handshakes[0].start.earliest_ns
        assert allowed.end[1] < strip.end_ns < allowed.end[1] + 500_000_000
        assert len(strip.tries) == 3

    def test_a_healthy_handshake(self) -> None:
        result, _ = both("car01_healthy.log")
        strip = evidence_strip(result)
        assert strip is not None
        assert strip.places == ()
        assert strip.roles[-1] == "ignition"

    def test_all_that_is_wrong_on_a_lane_that_is_shown(self) -> None:
        """A reader finds the numbers of the list on the lanes, not in a line that says which are not there."""
        result, diagnosis = both("car09_low_battery.log")
        strip = evidence_strip(result, informative(diagnosis))
        assert strip is not None
        assert [it.finding.rule for it in strip.places] == ["resting battery", "warning lamp", "lock supply"]

    def test_the_step_beside_a_wider_reason(self) -> None:
        """It is the first in the order of the rule, not in that of time: the answer that did not come."""
        rule = handshake(
            steps=(
                step("enable", "enable", "on", within=400),
                step("answer", "feedback", "locked", within=600),
                step("second answer", "second", "locked", within=600, from_="enable"),
            )
        )
        first, second = holds("feedback", "locked"), holds("second", "locked")
        agree = Agree(name="both", first=first, second=second, settle_ns=300_000_000)
        samples = {
            "door": sampled([(0, "closed"), (1000, "open")], every=10, until=4000),
            "ignition": sampled([(0, "off")], every=100, until=4000),
            "enable": sampled([(0, "off"), (1200, "on"), (1700, "off")], every=10, until=4000),
            "feedback": sampled([(0, "free")], every=25, until=4000),
            "second": sampled([(0, "free"), (1100, "locked")], every=25, until=4000),
        }
        result = perform(samples, rule, agree, also={"ignition": {"on"}, "feedback": {"locked"}})
        assert next(it.step for it in result.findings if it.outcome.is_fault and it.step) == "second answer"
        strip = evidence_strip(result)
        assert strip is not None
        assert [it.finding.step for it in strip.places][:2] == [None, "answer"]


class TestPair:
    """Before and after have the same lanes and, counted from the start, the same stretch."""

    @pytest.mark.parametrize(
        ("before", "after"),
        [
            ("car03_load_fuse_blown.log", "car03_after_repair.log"),
            ("car08_jammed_bolt.asc", "car01_healthy.log"),
            ("car07_slow_motor.log", "car08_supply_contact_bad.log"),
            ("car01_healthy.log", "car01_healthy_hot_day.asc"),
        ],
    )
    def test_alike(self, before: str, after: str) -> None:
        then, diagnosis = both(before)
        now, _ = both(after)
        pair = evidence_pair(then, now, informative(diagnosis), most=4)
        assert pair is not None
        first, second = pair
        assert first.roles == second.roles
        assert 2 <= len(first.roles) <= 4
        assert first.start_ns - first.zero_ns == second.start_ns - second.zero_ns
        assert first.end_ns - first.zero_ns == second.end_ns - second.zero_ns
        alone = evidence_strip(now, rule="" if first.handshake is None else first.handshake.rule)
        assert alone is not None
        assert second.start_ns <= alone.start_ns
        assert second.end_ns >= alone.end_ns

    def test_what_is_still_wrong_shows(self) -> None:
        then, diagnosis = both("car08_jammed_bolt.asc")
        now, _ = both("car05_enable_open.log")
        pair = evidence_pair(then, now, informative(diagnosis), most=3)
        alone = evidence_strip(now)
        assert pair is not None
        assert alone is not None
        assert alone.places[0].role in pair[1].roles

    def test_without_a_handshake_both_are_as_long(self) -> None:
        then, _ = both("car12_nobody_comes.log")
        now, _ = both("car01_healthy.log")
        pair = evidence_pair(then, now)
        assert pair is not None
        assert len({strip.end_ns - strip.start_ns for strip in pair}) == 1

    def test_drawn_alike(self) -> None:
        then, diagnosis = both("car08_jammed_bolt.asc")
        now, _ = both("car01_healthy.log")
        pair = evidence_pair(then, now, informative(diagnosis))
        assert pair is not None
        drawn = pair_svg([(then, pair[0]), (now, pair[1])], ["before", "after"])
        assert len({re.search(r'height="(\d+)" role', it)[1] for it in drawn}) == 1  # type: ignore[index]
        # The current of a healthy motor on the scale of a jammed one.
        assert all("0 to 11.1 A<" in it for it in drawn)


class TestFirstScreen:
    """Sentence, cause, caution and measurement stand before evidence and findings."""

    def test_order(self) -> None:
        result, diagnosis = both("car06_unlock_feedback_open.log")
        text = page(result, diagnosis)
        wanted = [
            "<h1",
            "Most likely: unlock feedback wire open (",
            "Unlock feedback wire open",
            "For it:",
            "Safety:</b> Car parked",
            'class="do">Measure the resistance of the unlock feedback wire',
            "Safety notes",
            ">try 3<",
            "Faults: 3, 4 times in all",
            'id="controls"',
        ]
        assert sorted(wanted, key=text.index) == wanted
        assert len(text.encode()) < 250_000

    def test_without_causes_there_is_the_evidence(self) -> None:
        result, _ = both("car06_unlock_feedback_open.log")
        text = page(result)
        assert "Most likely" not in text
        assert ">try 3<" in text

    def test_repeats_share_a_line(self) -> None:
        result, diagnosis = both("car03_load_fuse_blown.log")
        text = page(result, diagnosis)
        assert text.count('<li class="finding fault"') == 4
        assert ">6 times<" in text

    def test_where_a_capture_is_one_step_of_several(self) -> None:
        """Three lanes beside three faults; the others are a click away, and so is what is undecided."""
        result, diagnosis = both("car03_load_fuse_blown.log")
        evidence, findings = first_screen(result, diagnosis)
        assert 'aria-label="Lanes over time: lock enable, supply current, supply voltage.' in evidence
        gravest, _, rest = findings.partition('<div class="rest">')
        assert gravest.count('<li class="finding fault"') == 3
        assert "<h2>Faults: 4, 10 times in all</h2>" in gravest
        assert re.findall("<summary>(.*?)</summary>", rest)[:2] == ["1 more", "Undecided: 1"]

    def test_the_line_names_the_likeliest(self) -> None:
        """A cause that is more than half as probable as the first is named, though the log fits it less well."""
        _, diagnosis = both("car03_load_fuse_blown.log")
        first, *others = diagnosis.ranking.hypotheses
        rival = replace(others[-1], posterior=0.6 * first.posterior)
        ranking = replace(diagnosis.ranking, hypotheses=(first, rival, *others[:-1]))
        line = likely_html(replace(diagnosis, ranking=ranking))
        assert f"{first.title} (84\N{NO-BREAK SPACE}%) or {rival.title} (" in line
