"""The list of vehicles to call in: why, since when, and the worst moment of each."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final
from urllib.parse import quote

from buslens.checks.findings import Outcome, Verdict
from buslens.checks.verdict import WORST_FIRST
from buslens.fleet.page.dates import crossing_text, day, minute, period
from buslens.fleet.page.urgency import Urgency, VehicleStatus, is_about_ignition
from buslens.report.formatting import DOUBT_SIGN, IDLE_SIGN, MET_SIGN, OUTCOME_WORDS, VERDICT_WORDS, WRONG_SIGN
from buslens.report.record.markup import Markup, join, tag

if TYPE_CHECKING:
    from collections.abc import Mapping

    from buslens.fleet.views import CaptureRow, FoundRow

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


def entry(one: VehicleStatus, number: int, pictures: tuple[Picture, ...], pages: Mapping[str, str]) -> Markup:
    """Return one vehicle of the list.

    Parameters
    ----------
    pages : mapping of str to str
        Address of a capture to the path of its page, seen from the sheet.
    """
    words = tag(
        "div",
        tag("h3", tag("span", str(number), class_="place"), f" {one.row.vehicle or 'without a name'}"),
        tag("p", headline(one), class_=f"headline {'wrong' if one.urgency.is_fault else ''}".strip()),
        reasons(one),
        tag("p", facts(one), class_="quiet"),
        _lately(one),
        _mended(one),
        class_="words",
    )
    kind = "entry" if pictures else "entry alone"
    return tag("li", words, *(_figure(picture, pages) for picture in pictures), class_=kind, id=f"v{number}")


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
            against = len({fault.capture for fault in one.faults if is_about_ignition(fault)})
            part = "" if against == faulty else f"in {against} of them "
            return f"Faulty {of}, {part}against a rule about the ignition{where}"
        case Urgency.FAULTY:
            return f"Faulty {of}{where}"
        case Urgency.AT_TIMES:
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


def reasons(one: VehicleStatus) -> Markup:
    """Return what was found: sorts of faults, the gravest with its sentence; what stands out; what is undecided."""
    lines: list[Markup] = []
    groups = _groups(one)
    for place, (key, found) in enumerate(groups.items()):
        if place == MOST_REASONS:
            more = len(groups) - place
            lines.append(tag("li", f"{more} more sort{'' if more == 1 else 's'} of fault"))
            break
        captures = len({fault.capture for fault in found})
        often = f", in {captures} captures" if captures > 1 else ""
        words = f"{WRONG_SIGN} {_group_text(key)}"
        lead = tag("b", words) if place == 0 else words
        lines.append(tag("li", lead, often, f": {found[-1].finding.reason}" if place == 0 else ""))
    # Beside a fault, the surest is enough: all of them have a list of their own.
    most = 1 if one.urgency.is_fault else MOST_REASONS
    lines += [tag("li", tag("b", f"{anomaly.kind.value}: "), anomaly.sentence) for anomaly in one.anomalies[:most]]
    if len(one.anomalies) > most:
        lines.append(tag("li", f"{len(one.anomalies) - most} more that are unusual, listed below"))
    if one.urgency is Urgency.NOT_KNOWN and one.lately:
        last = one.lately[-1]
        lines.append(tag("li", f"{DOUBT_SIGN if last.trouble is None else IDLE_SIGN} ", last.summary))
    return tag("ul", *lines, class_="reasons") if lines else Markup("")


def facts(one: VehicleStatus) -> str:
    """Return how much is known of a vehicle."""
    row = one.row
    parts = [f"{row.captures:,} capture{'' if row.captures == 1 else 's'}, {period(row.first_ns, row.last_ns)}"]
    counted = [(row.as_expected, "as expected"), (row.faulty, "faulty"), (row.undecided, "undecided")]
    parts.append(", ".join(f"{count:,} {words}" for count, words in [*counted, (row.troubled, "not read")] if count))
    if row.last_faulty_ns is not None:
        parts.append(f"last fault {day(row.last_faulty_ns)}")
    return "; ".join(part for part in parts if part)


def link(target: str, words: str) -> Markup:
    """Return a link to a file beside the sheet; whatever its name is, it is taken for a path and not for an address."""
    return tag("a", words, href=quote(os.fsencode(target.replace(os.sep, "/"))))


def _groups(one: VehicleStatus) -> dict[tuple[str, str | None, Outcome, bool], list[FoundRow]]:
    """Return the faults by rule, step and outcome, the gravest first, each oldest first."""
    groups: dict[tuple[str, str | None, Outcome, bool], list[FoundRow]] = {}
    for fault in one.faults:
        finding = fault.finding
        key = (finding.rule, finding.step, finding.outcome, is_about_ignition(fault))
        groups.setdefault(key, []).append(fault)
    ordered = sorted(
        groups.items(),
        key=lambda item: (not item[0][3], item[0][1] is None, WORST_FIRST.index(item[0][2]), -len(item[1]), item[0][0]),
    )
    return dict(ordered)


def _group_text(key: tuple[str, str | None, Outcome, bool]) -> str:
    rule, step, outcome, _ = key
    return f"{rule}, {step} {OUTCOME_WORDS[outcome]}" if step else f"{rule} {OUTCOME_WORDS[outcome]}"


def _since_fault(one: VehicleStatus) -> str:
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


def _lately(one: VehicleStatus) -> Markup:
    """Return the last captures as signs, oldest first."""
    if len(one.lately) < 2:
        return Markup("")
    last = one.lately[-MOST_SIGNS:]
    signs = " ".join(IDLE_SIGN if row.verdict is None else _SIGNS[row.verdict] for row in last)
    words = [VERDICT_WORDS[row.verdict] if row.verdict is not None else "not read" for row in last]
    told = tag("span", signs, class_="signs", role="img", aria_label=", ".join(words))
    return tag("p", "Lately, oldest first: ", told, class_="quiet")


def _mended(one: VehicleStatus) -> Markup:
    """Return what a vehicle that has been as expected since needs to be taken for repaired."""
    since = _since_fault(one)
    if not since or not one.urgency.is_fault:
        return Markup("")
    return tag("p", f"As expected {since} since the last fault: buslens compare says what that proves.", class_="quiet")


def _figure(picture: Picture, pages: Mapping[str, str]) -> Markup:
    caption: list[str] = [picture.caption]
    if picture.capture is not None:
        address = picture.capture.address
        name = address.replace("\\", "/").rstrip("/").rpartition("/")[2] or address
        caption = [tag("span", name, title=address), f", {minute(picture.capture.recorded_ns)}"]
        caption += [f". {picture.caption}"] if picture.caption else []
        if address in pages:
            caption += [". ", link(pages[address], "All of this capture")]
    inside = tag("div", picture.markup, class_="scroll", tabindex="0") if picture.markup else Markup("")
    return tag("figure", inside, tag("figcaption", join(caption)))
