"""A report for build servers, in the XML that JUnit made usual.

A test suite stands for a capture and a test case for a rule, so that a rule keeps its name from run to run.

    wrong                               failure
    undecided, nothing wrong            error: not shown to be right, so it must not pass in silence
    found nothing to check              skipped
    met                                 passes

The form has no element for doubt. A capture that is undecided as a whole, although no rule of its own is (no
handshake in it, say), gets one more case that says so; one that cannot be read gets one case with an error.
``time`` of a case is the longest delay that its rule measured, of a suite the length of the recording: a
server that draws times over builds then draws how the lock slows down.
"""

import io
import re
import shutil
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import BinaryIO, Final, NamedTuple
from xml.etree.ElementTree import Element, indent, tostring

from buslens.checks.findings import Finding, Outcome, Result, Verdict
from buslens.checks.verdict import worst_first
from buslens.report.formatting import OUTCOME_WORDS, moment, place
from buslens.report.text import recorded_start
from buslens.units import NS_PER_S

WHOLE_CAPTURE: Final = "verdict"
"""Name of the case for a capture that is undecided as a whole."""
READING: Final = "reading"
"""Name of the case for a capture that cannot be read."""

_MOST_IN_MEMORY: Final = 8 << 20

# Everything outside the characters of XML 1.0 (fifth edition), production 2; new lines and tabs stay.
_NO_XML: Final = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


class CaseFinding(NamedTuple):
    """A finding as a case tells it."""

    outcome: Outcome
    reason: str
    #: Everything on one line.
    line: str
    #: Delay that it measured, ns; None if it measured none.
    longest_ns: float | None


def suite(result: Result) -> Element:
    """Return the test suite of a capture that was checked."""
    stats = result.stats
    by_rule: dict[str, list[Finding]] = {rule.name: [] for rule in result.expectations.rules}
    for finding in result.findings:
        by_rule.setdefault(finding.rule, []).append(finding)
    return capture_suite(
        result.path,
        {rule: [_told(finding, result) for finding in worst_first(found)] for rule, found in by_rule.items()},
        verdict=result.verdict,
        summary=result.summary,
        recorded=recorded_start(stats),
        duration_ns=None if stats.first_ns is None or stats.last_ns is None else stats.last_ns - stats.first_ns,
    )


def capture_suite(
    path: str,
    rules: Mapping[str, Sequence[CaseFinding]],
    *,
    verdict: Verdict,
    summary: str,
    recorded: datetime | None,
    duration_ns: int | None,
) -> Element:
    """Return the test suite of a capture from what is told of its rules.

    Parameters
    ----------
    rules : mapping of str to sequence of CaseFinding
        Findings of each rule, the gravest first; none: it found nothing to check.
    """
    element = _element("testsuite", name=path)
    if recorded is not None:
        element.set("timestamp", f"{recorded:%Y-%m-%dT%H:%M:%S}")
    if duration_ns is not None:
        element.set("time", _seconds(duration_ns))
    for rule, told in rules.items():
        element.append(_rule_case(path, rule, told))
    undecided = any(one.outcome is Outcome.UNDECIDED for told in rules.values() for one in told)
    if verdict is Verdict.UNDECIDED and not undecided:
        case = _case(WHOLE_CAPTURE, path)
        case.append(_element("error", summary, message=summary, type=verdict.value))
        element.append(case)
    return _counted(element)


def error_suite(path: str, problem: str) -> Element:
    """Return the test suite of a capture that could not be checked."""
    element = _element("testsuite", name=path)
    case = _case(READING, path)
    case.append(_element("error", problem, message=problem, type="unusable"))
    element.append(case)
    return _counted(element)


def junit(suites: Iterable[Element]) -> bytes:
    """Return the whole report as UTF-8."""
    written = io.BytesIO()
    write_junit(written, suites)
    return written.getvalue()


def write_junit(to: BinaryIO, suites: Iterable[Element]) -> None:
    """Write the whole report as UTF-8; one suite at a time is in memory."""
    # The form has no count of what was skipped here; each suite has one.
    counts = dict.fromkeys(("tests", "failures", "errors"), 0)
    # What a report begins with is known at its end.
    with tempfile.SpooledTemporaryFile(_MOST_IN_MEMORY) as body:
        for one in suites:
            for key in counts:
                counts[key] += int(one.get(key, "0"))
            indent(one, level=1)
            body.write(b"  " + tostring(one, encoding="utf-8").strip() + b"\n")
        is_empty = not body.tell()
        body.seek(0)
        root = _element("testsuites", name="buslens", **{key: str(count) for key, count in counts.items()})
        head: bytes = tostring(root, encoding="utf-8", xml_declaration=True, short_empty_elements=is_empty)
        if is_empty:
            to.write(head + b"\n")
            return
        begin, end, _ = head.partition(b"</testsuites>")
        to.write(begin + b"\n")
        shutil.copyfileobj(body, to)
        to.write(end + b"\n")


def _told(finding: Finding, result: Result) -> CaseFinding:
    basis = f" (limit source: {finding.basis})" if finding.basis else ""
    when = "" if finding.time_ns is None else moment(finding.time_ns, result.origin_ns)
    return CaseFinding(
        outcome=finding.outcome,
        reason=finding.reason,
        line=finding_line(place(finding), finding.outcome, f"{finding.reason}{basis}", when),
        longest_ns=None if finding.delay is None else longest_of(finding.delay.earliest_ns, finding.delay.latest_ns),
    )


def finding_line(where: str, outcome: Outcome, reason: str, when: str = "") -> str:
    """Return a finding on one line."""
    return f"{f'{when}: ' if when else ''}{where}: {OUTCOME_WORDS[outcome]}: {reason}"


def longest_of(earliest_ns: float, latest_ns: float | None) -> float:
    """Return what a delay may be at most; at least, where that is not known."""
    return earliest_ns if latest_ns is None else latest_ns


def _rule_case(path: str, rule: str, told: Sequence[CaseFinding]) -> Element:
    case = _case(rule, path)
    longest_ns = [one.longest_ns for one in told if one.longest_ns is not None]
    if longest_ns:
        case.set("time", _seconds(max(longest_ns)))
    unmet = [one for one in told if one.outcome is not Outcome.MET]
    if unmet:
        gravest = unmet[0]
        kind = "failure" if gravest.outcome.is_fault else "error"
        body = "\n".join(one.line for one in unmet)
        case.append(_element(kind, body, message=gravest.reason, type=gravest.outcome.value))
    elif not told:
        case.append(_element("skipped", message="its situation did not occur in this capture"))
    return case


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


def _seconds(duration_ns: float) -> str:
    return f"{duration_ns / NS_PER_S:.3f}"
