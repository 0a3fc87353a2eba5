"""The list of vehicles to call in: why, since when, and the worst moment of each."""

import os
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final
from urllib.parse import quote

from buslens.checks.findings import Outcome, Verdict
from buslens.checks.verdict import WORST_FIRST
from buslens.fleet.page.dates import crossing_text, day, period
from buslens.fleet.page.urgency import Urgency, VehicleStatus
from buslens.fleet.views import CaptureRow, FoundRow
from buslens.report.formatting import DOUBT_SIGN, IDLE_SIGN, MET_SIGN, OUTCOME_WORDS, VERDICT_WORDS, WRONG_SIGN
from buslens.report.record.markup import Markup

MOST_REASONS: Final = 4
"""Sorts of findings that are told of one vehicle."""

MOST_SIGNS: Final = 30
"""Captures that stand in a line of signs."""

_NOTHING: Final = Markup("")
_SIGNS: Final = {Verdict.AS_EXPECTED: MET_SIGN, Verdict.FAULTY: WRONG_SIGN, Verdict.UNDECIDED: DOUBT_SIGN}


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """What stands beside the words of a vehicle."""

    #: The picture; nothing where there is none.
    markup: Markup = _NOTHING
    #: What it shows, or why there is none.
    caption: str = ""
    #: The capture that it shows.
    capture: CaptureRow | None = None


def headline(one: VehicleStatus) -> str:
    """Return why a vehicle is called in, in one phrase."""
    faulty, count = one.faulty_lately, len(one.lately)
    of = f"in {faulty} of its last {count} captures"
    if faulty == count:
        of = "in its only capture" if one.row.captures == 1 else f"in all of its last {count} captures"
    failed, handshakes = one.failed_handshakes
    where = f", {failed} of {handshakes} handshakes failed" if failed and handshakes else ""
    where += ", on both feedback paths" if one.on_both_paths else ""
    match one.urgency:
        case Urgency.IGNITION:
            against = len({fault.capture for fault in one.faults if fault.is_about_ignition})
            part = "" if against == faulty else f"in {against} of them "
            return f"Faulty {of}, {part}against a rule about the ignition{where}"
        case Urgency.FAULTY | Urgency.AT_TIMES:
            return f"Faulty {of}{where}"
        case Urgency.CROSSING:
            return f"Will cross a limit {crossing_text(one.crossing_ns or (0, None))}"
        case Urgency.STANDS_OUT:
            return "Unusual, though no rule is broken"
        case Urgency.NOT_KNOWN:
            return f"No verdict: none of its last {count} captures could be decided" if count > 1 else _not_known(one)
    return "As expected"


def why(one: VehicleStatus) -> str:
    """Return the reason in a few words, for a row of a table."""
    if one.urgency.is_fault:
        groups = _groups(one)
        return "; ".join(_group_text(key) for key in list(groups)[:2])
    if one.urgency is Urgency.CROSSING:
        return crossing_text(one.crossing_ns or (0, None))
    if one.urgency is Urgency.STANDS_OUT:
        return ", ".join(dict.fromkeys(anomaly.kind.value for anomaly in one.anomalies))
    if one.urgency is Urgency.NOT_KNOWN and one.lately:
        last = one.lately[-1]
        return last.trouble.value if last.trouble is not None else "undecided"
    return ""


def reasons(one: VehicleStatus) -> Iterator[tuple[str, str, bool]]:
    """Yield what was found: sorts of faults, the gravest with its sentence; what stands out; what is undecided.

    Each is what leads, the words behind it, and whether what leads is emphasised.
    """
    groups = _groups(one)
    for place, (key, found) in enumerate(list(groups.items())[:MOST_REASONS]):
        captures = len({fault.capture for fault in found})
        often = f", in {captures} captures" if captures > 1 else ""
        said = f": {found[-1].finding.reason}" if place == 0 else ""
        yield f"{WRONG_SIGN} {_group_text(key)}", f"{often}{said}", place == 0
    if (more := len(groups) - MOST_REASONS) > 0:
        yield "", f"{more} more sort{'' if more == 1 else 's'} of fault", False
    # Beside a fault, the surest is enough: all of them have a list of their own.
    most = 1 if one.urgency.is_fault else MOST_REASONS
    for anomaly in one.anomalies[:most]:
        yield f"{anomaly.kind.value}: ", anomaly.sentence, True
    if len(one.anomalies) > most:
        yield "", f"{len(one.anomalies) - most} more that are unusual, listed below", False
    if one.urgency is Urgency.NOT_KNOWN and one.lately:
        last = one.lately[-1]
        yield f"{DOUBT_SIGN if last.trouble is None else IDLE_SIGN} ", last.summary, False


def facts(one: VehicleStatus) -> str:
    """Return how much is known of a vehicle."""
    row = one.row
    parts = [f"{row.captures:,} capture{'' if row.captures == 1 else 's'}, {period(row.first_ns, row.last_ns)}"]
    counted = [(row.as_expected, "as expected"), (row.faulty, "faulty"), (row.undecided, "undecided")]
    parts.append(", ".join(f"{count:,} {words}" for count, words in [*counted, (row.troubled, "not read")] if count))
    if row.last_faulty_ns is not None:
        parts.append(f"last fault {day(row.last_faulty_ns)}")
    return "; ".join(part for part in parts if part)


def href(target: str) -> str:
    """Return the address of a file beside the sheet; whatever its name is, it is a path and no address of a store."""
    return quote(os.fsencode(target.replace(os.sep, "/")))


def _groups(one: VehicleStatus) -> dict[tuple[str, str | None, Outcome, bool], list[FoundRow]]:
    """Return the faults by rule, step and outcome, the gravest first, each oldest first."""
    groups: dict[tuple[str, str | None, Outcome, bool], list[FoundRow]] = {}
    for fault in one.faults:
        finding = fault.finding
        key = (finding.rule, finding.step, finding.outcome, fault.is_about_ignition)
        groups.setdefault(key, []).append(fault)
    ordered = sorted(
        groups.items(),
        key=lambda item: (not item[0][3], item[0][1] is None, WORST_FIRST.index(item[0][2]), -len(item[1]), item[0][0]),
    )
    return dict(ordered)


def _group_text(key: tuple[str, str | None, Outcome, bool]) -> str:
    rule, step, outcome, _ = key
    return f"{rule}, {step} {OUTCOME_WORDS[outcome]}" if step else f"{rule} {OUTCOME_WORDS[outcome]}"


def since_fault(one: VehicleStatus) -> str:
    """Return how many captures have been as expected since the last faulty one; empty if none has."""
    count = 0
    for row in reversed(one.lately):
        if row.verdict is Verdict.FAULTY:
            break
        count += row.verdict is Verdict.AS_EXPECTED
    return "" if count == 0 else "once" if count == 1 else f"{count} times"


def _not_known(one: VehicleStatus) -> str:
    last = one.lately[-1] if one.lately else None
    if last is None or last.trouble is None:
        return "No verdict: its only capture could not be decided"
    return f"No verdict: its only capture has no verdict ({last.trouble.value})"


def lately_signs(one: VehicleStatus) -> tuple[str, str]:
    """Return the last captures as signs, oldest first, and in words."""
    last = one.lately[-MOST_SIGNS:]
    signs = " ".join(IDLE_SIGN if row.verdict is None else _SIGNS[row.verdict] for row in last)
    return signs, ", ".join("not read" if row.verdict is None else VERDICT_WORDS[row.verdict] for row in last)
