"""A comparison in words and as a document."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest
from support.handmade import at, between, handshake, pulse_finding, result, step_finding

from buslens.causes.compare import RepairComparison, compare
from buslens.checks.findings import Finding, Findings, Handshakes, Outcome, Result, Verdict
from buslens.report.comparison import conclusion_sentence, document, still_needed, text
from buslens.report.document import dumps
from buslens.report.safety_notes import CAUTIONS


def capture(outcome: Outcome, count: int, low: float, *others: Finding, path: str = "car.log") -> Result:
    """Return a capture of so many handshakes that all came to the same, with a delay from `low` on."""
    findings = [
        replace(step_finding(outcome, handshake=number), delay=between(low, low + 25)) for number in range(1, count + 1)
    ]
    found = (*findings, *others)
    faulty = any(finding.outcome.is_fault for finding in found)
    return result(
        *found,
        path=path,
        handshakes=tuple(handshake(number) for number in range(1, count + 1)),
        verdict=Verdict.FAULTY if faulty else Verdict.AS_EXPECTED,
    )


def comparison(clean: int = 4, *others: Finding) -> RepairComparison:
    """Return a repair after two failures."""
    before = capture(Outcome.LATE, 2, 812, path="before.log")
    return compare([before], [capture(Outcome.MET, clean, 200, *others, path="after.log")])


class TestText:
    """Delays with their doubt, what became of them, what it proves, below the conclusion."""

    def test_step(self) -> None:
        assert (
            "\nFixed\n =  lock handshake, wire feedback: before too late, 2 of 2, 812 to 837 ms; "
            "after OK, 4 of 4, 200 to 225 ms (shorter by 587 to 637 ms; limit 50 to 600 ms)\n"
        ) in text(comparison())

    def test_missing(self) -> None:
        written = text(comparison())
        assert "5 clean handshakes needed for 95 %, 1 more would prove it\n" in written
        assert written.splitlines()[0] == (
            "Repair not yet confirmed: nothing wrong in 4 handshakes since; 1 more would prove it"
        )

    def test_repaired(self) -> None:
        assert text(comparison(5)).splitlines()[0] == (
            "Repaired: lock handshake failed in 2 of 2 before, and in none of 5 since"
        )

    @pytest.mark.parametrize("clean", [1, 5, 40])
    def test_one_statement(self, clean: int) -> None:
        """Nothing beside the conclusion says how often it may still fail."""
        assert "may still" not in text(comparison(clean))

    def test_several_that_lack_something(self) -> None:
        fault = replace(pulse_finding(Outcome.VIOLATED), time_ns=at(9000))
        before = capture(Outcome.LATE, 2, 812, fault)
        last = conclusion_sentence(compare([before], [capture(Outcome.MET, 1, 200, pulse_finding())]))
        assert last == (
            "Repair not yet confirmed: nothing wrong in 1 lock handshake and 12.480 s of watching enable pulse since;"
            " 4 more lock handshakes and 225 s more would prove it"
        )

    def test_a_rule_that_is_called_no_handshake(self) -> None:
        """Its name stands in brackets, for it need not read as a thing that one can count."""
        sides = [capture(outcome, 2, 300) for outcome in (Outcome.LATE, Outcome.MET)]
        name = "ignition after release"
        then, now = (
            replace(
                side,
                findings=Findings.of([replace(it, rule=name) for it in side.findings]),
                handshakes=Handshakes.of([replace(it, rule=name) for it in side.handshakes]),
            )
            for side in sides
        )
        assert still_needed(compare([then], [now])) == "3 more handshakes (ignition after release)"

    def test_few_never_read_as_repaired(self) -> None:
        assert "repaired" not in text(comparison()).lower()

    def test_new_fault(self) -> None:
        fault = replace(pulse_finding(Outcome.VIOLATED), reason="lock_enable is on for 20 ms")
        written = text(comparison(5, fault), in_full=True)
        assert "\nNew faults\n x  enable pulse: before not tested; after rule broken, once\n" in written
        assert "    lock_enable is on for 20 ms\n" in written
        assert all(caution in written for caution in CAUTIONS)
        assert written.startswith("Not repaired: ")

    def test_overlapping_delays_are_not_called_different(self) -> None:
        before, after = capture(Outcome.MET, 1, 200), capture(Outcome.MET, 1, 225)
        assert "longer" not in text(compare([before], [after]))
        apart = capture(Outcome.MET, 1, 226)
        assert "longer by 1 to 51 ms" in text(compare([before], [apart]))

    def test_told(self) -> None:
        told = compare([capture(Outcome.LATE, 2, 812)], [capture(Outcome.MET, 29, 200)], history=(1, 10))
        assert "before: failed in 1 of 10 handshakes, as told; since: " in text(told)
        assert conclusion_sentence(told).endswith("nothing wrong in 29 handshakes since; 161 more would prove it")

    def test_stated_rate_is_named_as_an_assumption(self) -> None:
        before = [capture(Outcome.LATE, 2, 812)]
        few, enough = (compare(before, [capture(Outcome.MET, n, 200)], known_rate=(1, 10)) for n in (28, 29))
        assert conclusion_sentence(few).endswith(
            "1 more would prove it, if it really failed in 1 of 10 handshakes as stated"
        )
        assert conclusion_sentence(enough) == (
            "Repaired, if the stated rate is right: lock handshake failed in 1 of 10 before, as stated, and in none of "
            "29 since"
        )
        (proof,) = document(enough)["comparison"]["proofs"]
        assert proof["stated_rate"] == {"failed": 1, "of": 10}

    def test_nothing_can_reach_the_terminal(self) -> None:
        hostile = replace(step_finding(), rule="a\x1b[2Jb", reason="c\x1b]0;d\x07")
        written = text(compare([result(hostile, path="e\x1b[0m")], [result(hostile, path="f\n")]))
        assert "\x1b" not in written
        assert "\x07" not in written

    @pytest.mark.parametrize("width", [40, 80])
    def test_width(self, width: int) -> None:
        longest = max(len(line) for line in text(comparison(), width=width).splitlines())
        assert longest <= width


class TestDocument:
    """The same as data."""

    def test_after_stands_where_every_document_has_its_captures(self) -> None:
        written = json.loads(dumps(document(comparison())))
        assert written["schema"] == 1
        assert [entry["path"] for entry in written["captures"]] == ["after.log"]
        assert [entry["path"] for entry in written["before"]] == ["before.log"]

    def test_numbers(self) -> None:
        written = json.loads(dumps(document(comparison())))["comparison"]
        assert written["conclusion"] == "not_proved"
        assert written["sentence"] == conclusion_sentence(comparison())
        (change,) = written["changes"]
        assert change["change"] == "mended"
        assert change["before"]["delays"] == [{"earliest": 0.812, "latest": 0.837}] * 2
        (proof,) = written["proofs"]
        assert (proof["clean_needed"], proof["clean_missing"]) == (5, 1)
        assert proof["failed_before"] == {"failed": 2, "of": 2}
        assert proof["remaining_rate_at_most"]["exact"] == pytest.approx(1 - 0.05**0.25)
