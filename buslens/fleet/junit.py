"""The captures of a fleet as a report for build servers, in the form of `report.junit`.

A capture that this run did not read again is in it too: the ledger knows all that a suite tells, but for the delays of
rules that are met, and the basis of limits.
"""

from collections.abc import Iterator, Mapping, Sequence
from typing import BinaryIO, Final
from xml.etree.ElementTree import Element

from buslens.checks.findings import Outcome
from buslens.checks.verdict import worst_first
from buslens.fleet import queries
from buslens.fleet.ledger import Ledger
from buslens.fleet.model import FindingRow
from buslens.fleet.page.dates import moment_of
from buslens.fleet.views import CaptureRow
from buslens.report.formatting import moment, place_of
from buslens.report.junit import CaseFinding, capture_suite, error_suite, finding_line, longest_of, write_junit

_MET: Final = CaseFinding(Outcome.MET, "", "", None)
"""Stands for what is met and was counted."""


def write_fleet_junit(to: BinaryIO, ledger: Ledger, rules: Mapping[str, Sequence[str]]) -> None:
    """Write the report on every capture that counts; the captures of one vehicle at a time are in memory.

    Parameters
    ----------
    rules : mapping of str to sequence of str
        Names of the rules of each group of vehicles, in order. Of a group that is not among them, only those rules
        are told that found something.
    """
    with ledger.snapshot():
        write_junit(to, _suites(ledger, rules))


def _suites(ledger: Ledger, rules: Mapping[str, Sequence[str]]) -> Iterator[Element]:
    for vehicle in queries.vehicles(ledger):
        found: dict[int, list[FindingRow]] = {}
        for row in queries.findings_of(ledger, vehicle.vehicle):
            found.setdefault(row.capture, []).append(row.finding)
        for capture in queries.captures_of(ledger, vehicle.vehicle):
            yield _suite(capture, found.get(capture.capture, []), rules.get(capture.group, ()))


def _suite(capture: CaptureRow, found: Sequence[FindingRow], rules: Sequence[str]) -> Element:
    if capture.verdict is None:
        return error_suite(capture.address, capture.summary)
    told: dict[str, list[CaseFinding]] = {rule: [] if rule in capture.unexercised else [_MET] for rule in rules}
    for finding in worst_first(found):
        told.setdefault(finding.rule, []).append(_told(finding))
    return capture_suite(
        capture.address,
        {rule: [one for one in lines if one is not _MET] or lines for rule, lines in told.items()},
        verdict=capture.verdict,
        summary=capture.summary,
        recorded=None if capture.recorded_ns is None else moment_of(capture.recorded_ns),
        duration_ns=capture.duration_ns,
    )


def _told(finding: FindingRow) -> CaseFinding:
    when = "" if finding.time_ns is None else moment(finding.time_ns, 0)
    where = place_of(finding.rule, finding.handshake, finding.step)
    measured = finding.delay_earliest
    return CaseFinding(
        outcome=finding.outcome,
        reason=finding.reason,
        line=finding_line(where, finding.outcome, finding.reason, when),
        longest_ns=None if measured is None else longest_of(measured, finding.delay_latest),
    )
