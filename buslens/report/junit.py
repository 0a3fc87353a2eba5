"""A report for build servers, in the XML that JUnit made usual.

A test suite stands for a capture and a test case for a rule, so that a rule keeps its name from run to run.

    wrong                               failure
    undecided, nothing wrong            error: not shown to be right, so it must not pass in silence
    found nothing to judge              skipped
    met                                 passes

The form has no element for doubt. A capture that is undecided as a whole, although no rule of its own is (no
handshake in it, say), gets one more case that says so; one that cannot be read gets one case with an error.
``time`` of a case is the longest delay that its rule measured, of a suite the length of the recording: a
server that draws times over builds then draws how the lock slows down.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final
from xml.etree.ElementTree import Element, indent, tostring

from buslens.checks.findings import Outcome, Verdict
from buslens.checks.verdict import worst_first
from buslens.report.text import recorded_start
from buslens.report.words import OUTCOME_WORDS, moment, place
from buslens.units import NS_PER_S

if TYPE_CHECKING:
    from collections.abc import Iterable

    from buslens.checks.findings import Finding, Result

WHOLE_CAPTURE: Final = "verdict"
"""Name of the case for a capture that is undecided as a whole."""
READING: Final = "reading"
"""Name of the case for a capture that cannot be read."""

# Everything outside the characters of XML 1.0 (fifth edition), production 2; new lines and tabs stay.
_NO_XML: Final = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def suite(result: Result) -> Element:
    """Return the test suite of a capture that was judged."""
    tally = result.tally
    element = _element("testsuite", name=result.path)
    recorded = recorded_start(tally)
    if recorded is not None:
        element.set("timestamp", f"{recorded:%Y-%m-%dT%H:%M:%S}")
    if tally.first_ns is not None and tally.last_ns is not None:
        element.set("time", _seconds(tally.last_ns - tally.first_ns))
    by_rule: dict[str, list[Finding]] = {rule.name: [] for rule in result.expectations.rules}
    for finding in result.findings:
        by_rule.setdefault(finding.rule, []).append(finding)
    for rule, findings in by_rule.items():
        element.append(_rule_case(result, rule, findings))
    undecided = any(finding.outcome is Outcome.UNDECIDED for finding in result.findings)
    if result.verdict is Verdict.UNDECIDED and not undecided:
        case = _case(WHOLE_CAPTURE, result.path)
        case.append(_element("error", result.summary, message=result.summary, type=result.verdict.value))
        element.append(case)
    return _counted(element)


def error_suite(path: str, problem: str) -> Element:
    """Return the test suite of a capture that could not be judged."""
    element = _element("testsuite", name=path)
    case = _case(READING, path)
    case.append(_element("error", problem, message=problem, type="unusable"))
    element.append(case)
    return _counted(element)


def junit(suites: Iterable[Element]) -> bytes:
    """Return the whole report as UTF-8."""
    root = _element("testsuites", name="buslens")
    root.extend(suites)
    for key in ("tests", "failures", "errors", "skipped"):
        root.set(key, str(sum(int(one.get(key, "0")) for one in root)))
    indent(root)
    document: bytes = tostring(root, encoding="utf-8", xml_declaration=True)
    return document + b"\n"


def _rule_case(result: Result, rule: str, findings: list[Finding]) -> Element:
    case = _case(rule, result.path)
    longest_ns = [end for finding in findings if (end := _longest_ns(finding)) is not None]
    if longest_ns:
        case.set("time", _seconds(max(longest_ns)))
    unmet = [finding for finding in worst_first(findings) if finding.outcome is not Outcome.MET]
    if unmet:
        gravest = unmet[0]
        body = "\n".join(_line(finding, result.origin_ns) for finding in unmet)
        kind = "failure" if gravest.outcome.is_fault else "error"
        case.append(_element(kind, body, message=gravest.reason, type=gravest.outcome.value))
    elif not findings:
        case.append(_element("skipped", message="the capture holds nothing for this rule to judge"))
    return case


def _longest_ns(finding: Finding) -> int | None:
    if finding.delay is None:
        return None
    return finding.delay.earliest_ns if finding.delay.latest_ns is None else finding.delay.latest_ns


def _line(finding: Finding, origin_ns: int) -> str:
    when = "" if finding.time_ns is None else f"{moment(finding.time_ns, origin_ns)}: "
    basis = f" (basis: {finding.basis})" if finding.basis else ""
    return f"{when}{place(finding)}: {OUTCOME_WORDS[finding.outcome]}: {finding.reason}{basis}"


def _case(name: str, path: str) -> Element:
    return _element("testcase", name=name, classname=path)


def _element(tag: str, text: str | None = None, **attributes: str) -> Element:
    element = Element(tag, {key: _NO_XML.sub("", value) for key, value in attributes.items()})
    element.text = None if text is None else _NO_XML.sub("", text)
    return element


def _counted(element: Element) -> Element:
    """Put the counts of its cases on a suite."""
    element.set("tests", str(len(element)))
    for key, tag in (("failures", "failure"), ("errors", "error"), ("skipped", "skipped")):
        element.set(key, str(len(element.findall(f"testcase/{tag}"))))
    return element


def _seconds(duration_ns: int) -> str:
    return f"{duration_ns / NS_PER_S:.3f}"
