from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.handmade import pulse_finding, read_stats, result, step_finding

from buslens.capture.frames import Clock
from buslens.checks.findings import Outcome, Result, Verdict
from buslens.report.junit import READING, WHOLE_CAPTURE, error_suite, junit, suite

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element


def parsed(written: bytes) -> Element:
    """Return a report as a parser reads it."""
    return ET.fromstring(written)  # noqa: S314 - our own output


def read(*results: Result) -> Element:
    """Return the report on results as a parser reads it."""
    return parsed(junit(map(suite, results)))


def case(root: Element, name: str) -> Element:
    found = [one for one in root.iter("testcase") if one.get("name") == name]
    assert len(found) == 1
    return found[0]


def tags(element: Element) -> list[str]:
    return [child.tag for child in element]


class TestCases:
    """There is one case for each rule and capture, with at most one child that says how it ended."""

    @pytest.mark.parametrize(
        ("outcomes", "children"),
        [
            ([], ["skipped"]),
            ([Outcome.MET], []),
            ([Outcome.MET, Outcome.UNDECIDED], ["error"]),
            ([Outcome.UNDECIDED, Outcome.LATE, Outcome.MET], ["failure"]),
            ([Outcome.MISSING, Outcome.LATE], ["failure"]),
        ],
        ids=lambda value: " ".join(getattr(one, "value", one) for one in value) or "none",
    )
    def test_children(self, outcomes: list[Outcome], children: list[str]) -> None:
        root = read(result(*map(step_finding, outcomes)))
        assert tags(case(root, "lock handshake")) == children

    @pytest.mark.parametrize("outcome", [one for one in Outcome if one.is_fault])
    def test_every_fault_fails(self, outcome: Outcome) -> None:
        failure = case(read(result(step_finding(outcome))), "lock handshake")[0]
        assert (failure.tag, failure.get("type")) == ("failure", outcome.value)

    def test_body_holds_every_finding_that_is_not_met(self) -> None:
        findings = (
            step_finding(),
            step_finding(Outcome.UNDECIDED, handshake=2),
            step_finding(Outcome.MET, handshake=3),
        )
        body = case(read(result(*findings)), "lock handshake")[0].text or ""
        assert [line.split(":")[0] for line in body.splitlines()] == ["at 3.214 s"] * 2
        assert "lock handshake 2, wire feedback: undecided" in body

    def test_names_are_the_rules_of_the_expectations(self) -> None:
        names = [one.get("name") for one in read(result(pulse_finding())).iter("testcase")]
        assert names == ["lock handshake", "enable pulse"]

    def test_time_is_the_longest_delay(self) -> None:
        assert case(read(result(step_finding())), "lock handshake").get("time") == "0.837"


class TestSilence:
    """A capture that proves nothing does not pass in silence."""

    def test_undecided_without_an_undecided_rule(self) -> None:
        root = read(result(pulse_finding(), verdict=Verdict.UNDECIDED, summary="no handshake in it"))
        assert tags(case(root, WHOLE_CAPTURE)) == ["error"]
        assert root.get("errors") == "1"

    @pytest.mark.parametrize("verdict", [Verdict.FAULTY, Verdict.AS_EXPECTED])
    def test_no_such_case_otherwise(self, verdict: Verdict) -> None:
        assert WHOLE_CAPTURE not in [one.get("name") for one in read(result(verdict=verdict)).iter("testcase")]

    def test_unreadable_capture(self) -> None:
        root = parsed(junit([error_suite("x.log", "x.log: no such file")]))
        found = case(root, READING)
        assert tags(found) == ["error"]
        assert found[0].text == "x.log: no such file"


class TestSuites:
    """A suite stands for a capture; counts agree with the cases."""

    def test_counts(self) -> None:
        judged = result(step_finding(), replace(pulse_finding(), outcome=Outcome.UNDECIDED))
        root = read(judged, result(pulse_finding()), result())
        counted = (("failures", "failure"), ("errors", "error"), ("tests", "testcase"), ("skipped", "skipped"))
        for level in (root, *root):
            for key, tag in counted if level is not root else counted[:-1]:
                assert level.get(key) == str(len(list(level.iter(tag)))), (level.get("name"), key)
        assert [root.get(key) for key in ("tests", "failures", "errors", "skipped")] == ["6", "1", "1", None]

    def test_attributes(self) -> None:
        """Each is one of the common schema, as build servers check it (junit-10.xsd; from memory)."""
        allowed = {
            "testsuites": {"name", "time", "tests", "failures", "disabled", "errors"},
            "testsuite": {"name", "tests", "failures", "errors", "time", "disabled", "skipped", "timestamp"},
            "testcase": {"name", "assertions", "time", "classname", "status"},
            "failure": {"message", "type"},
            "error": {"message", "type"},
            "skipped": {"message"},
        }
        judged = result(step_finding(), replace(pulse_finding(), outcome=Outcome.UNDECIDED))
        for element in parsed(junit([suite(judged), suite(result()), error_suite("x.log", "no such file")])).iter():
            assert set(element.keys()) <= allowed[element.tag]

    def test_time_and_date(self) -> None:
        found = read(result())[0]
        assert (found.get("time"), found.get("timestamp")) == ("12.480", "2025-11-03T09:14:05")

    def test_no_date_without_a_calendar(self) -> None:
        assert read(result(stats=read_stats(clock=Clock.RELATIVE)))[0].get("timestamp") is None

    def test_nothing_judged(self) -> None:
        assert parsed(junit([])).get("tests") == "0"


class TestHostileText:
    """Whatever a name or a reason holds, the report stays XML."""

    @given(st.text(st.characters(exclude_categories=[])))
    def test_any_text(self, evil: str) -> None:
        finding = replace(step_finding(), rule=evil, step=evil, reason=evil, basis=evil)
        written = junit([suite(result(finding, path=evil, summary=evil)), error_suite(evil, evil)])
        root = parsed(written)
        kept = re.sub("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "", evil)
        assert root[0].get("name") == kept
