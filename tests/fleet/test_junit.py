from __future__ import annotations

import io
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pytest

from buslens.checks.findings import Outcome, Verdict
from buslens.fleet.junit import write_fleet_junit
from buslens.fleet.ledger import Ledger
from buslens.fleet.model import CaptureJob, FailureKind, FindingRow, Group, JobResult
from buslens.report.junit import READING, WHOLE_CAPTURE

if TYPE_CHECKING:
    from pathlib import Path
    from xml.etree.ElementTree import Element

GROUP = Group(name="all", vehicles=("*",), expectations="lock.toml")
RULES = {"all": ["handshake", "pulse", "never"]}


def finding(rule: str, outcome: Outcome, reason: str) -> FindingRow:
    return FindingRow(rule, "sequence", "wire feedback", 1, outcome, reason, 2_500_000_000, 7e8, 8e8, None, 6e8, "ns")


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Element:
    """Return the report on four captures."""
    folder: Path = tmp_path_factory.mktemp("fleet")
    late = finding("handshake", Outcome.LATE, "too <late>")
    doubt = finding("handshake", Outcome.UNDECIDED, "too close")
    found: dict[str, JobResult] = {
        "faulty": JobResult(content="1", ground="g", verdict=Verdict.FAULTY, summary="s", findings=(doubt, late)),
        "idle": JobResult(
            content="2", ground="g", verdict=Verdict.UNDECIDED, summary="no handshake", unexercised=("handshake",)
        ),
        "good": JobResult(content="3", ground="g", verdict=Verdict.AS_EXPECTED, summary="s", met=4, duration_ns=10**10),
        "broken": JobResult(content="4", ground="g", trouble=FailureKind.UNREADABLE, summary="is a folder"),
    }
    with Ledger.writing(folder) as ledger:
        for name, judged in found.items():
            job = CaptureJob(address=name, vehicle=name, recorded_ns=0, group=GROUP, size=1, stamp="1")
            ledger.put(job, judged)
        ledger.commit()
        written = io.BytesIO()
        write_fleet_junit(written, ledger, RULES)
    return ET.fromstring(written.getvalue())  # noqa: S314  # our own output


def cases(root: Element, suite: str) -> dict[str, list[str]]:
    return {
        str(case.get("name")): [child.tag for child in case] for one in root if one.get("name") == suite for case in one
    }


class TestSuites:
    """A capture is told from the ledger as it is told when it is judged."""

    def test_cases(self, root: Element) -> None:
        nothing: list[str] = []
        assert cases(root, "faulty") == {"handshake": ["failure"], "pulse": nothing, "never": nothing}
        idle = {"handshake": ["skipped"], "pulse": nothing, "never": nothing, WHOLE_CAPTURE: ["error"]}
        assert cases(root, "idle") == idle
        assert cases(root, "good") == {"handshake": nothing, "pulse": nothing, "never": nothing}
        assert cases(root, "broken") == {READING: ["error"]}

    def test_the_gravest_comes_first(self, root: Element) -> None:
        (failure,) = root.iter("failure")
        assert failure.get("message") == "too <late>"
        lines = str(failure.text).splitlines()
        assert len(lines) == 2
        assert lines[0] == "at 2.500 s: handshake 1, wire feedback: too late: too <late>"

    def test_totals_are_those_of_the_cases(self, root: Element) -> None:
        for key, tag in (("tests", "testcase"), ("failures", "failure"), ("errors", "error")):
            assert int(str(root.get(key))) == len(list(root.iter(tag)))

    def test_times(self, root: Element) -> None:
        (good,) = (one for one in root if one.get("name") == "good")
        assert (good.get("time"), good.get("timestamp")) == ("10.000", "1970-01-01T00:00:00")
        (case,) = (one for one in root.iter("testcase") if one.get("classname") == "faulty" and one.get("time"))
        assert case.get("time") == "0.800"
