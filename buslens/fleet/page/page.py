"""The fleet on one page: assembled, and written whole or not at all.

The first screen says which vehicle to call in; what that rests on stands below it, behind links.

The page fetches nothing and its policy lets nothing in: its one style sheet and its one script are named by their
hashes. Without the script, everything is there; with it, a vehicle can be searched for.
"""

from collections.abc import Callable, Container, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Final, NamedTuple

from buslens.checks.findings import Result
from buslens.errors import BuslensError
from buslens.files import os_error_text, write_atomically
from buslens.fleet.anomalies.discovery_rate import LEVEL
from buslens.fleet.anomalies.outliers import FAR
from buslens.fleet.check_job import defect_text
from buslens.fleet.ledger import Ledger
from buslens.fleet.model import Anomaly, FindingRow
from buslens.fleet.page import distribution, entries, sections, trends
from buslens.fleet.page.action import VisitAction
from buslens.fleet.page.dates import day, minute, period
from buslens.fleet.page.distribution import StepView
from buslens.fleet.page.entries import Picture
from buslens.fleet.page.overview import headline, overview
from buslens.fleet.page.page_data import MOST_DOUBTS, FleetView, first_screen, gather, moment_to_see
from buslens.fleet.page.recheck import explaining
from buslens.fleet.page.thumbnail import small_diagram
from buslens.fleet.page.trends import TrendView
from buslens.fleet.page.urgency import DEFINITIONS, LATELY, ORDER, Urgency, VehicleStatus
from buslens.fleet.result_folder import INDEX_NAME
from buslens.fleet.views import CaptureRow
from buslens.report.formatting import DOUBT_SIGN, file_name, limit_text
from buslens.report.page_style import policy_hash, resource
from buslens.report.record import sections as record_sections
from buslens.report.record.markup import Markup
from buslens.report.safety_notes import CAUTIONS
from buslens.report.templates import render

MOST_ENTRIES: Final = 50
"""Vehicles that are told in full, each with its worst moment; the rest stands in the table."""
MOST_ANOMALIES: Final = 300
"""Rows of what stands out."""
MOST_UNSURE: Final = 20
"""Rows of what may be chance."""

_NO_PAGES: Final[Mapping[str, str]] = MappingProxyType({})


def write_index(
    ledger: Ledger,
    folder: Path,
    *,
    pages: Mapping[str, str] = _NO_PAGES,
    again: Callable[[CaptureRow], Result] | None = None,
    notes: Sequence[str] = (),
) -> Path:
    """Write the sheet of a fleet into a folder; a sheet that is there is replaced once the new one is whole.

    Parameters
    ----------
    ledger : Ledger
        Open for reading or writing; what stands out is taken from it as `put_anomalies` has left it.
    folder : Path
        Where it goes, beside the ledger and the exports.
    pages : mapping of str to str
        Address of a capture to the path of its own page, seen from the folder.
    again : callable or None
        Checks a capture again, for its timing diagram; it is called for one capture of each of the first
        `MOST_ENTRIES` vehicles at most. Whatever it raises becomes the reason why there is no picture. None: there
        are none.
    notes : sequence of str
        What else should be known, a sentence each.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    BuslensError
        If the ledger is damaged.
    OSError
        If the folder does not take the file.
    """
    return write_atomically(folder / INDEX_NAME, sheet(ledger, pages=pages, again=again, notes=notes))


def sheet(
    ledger: Ledger,
    *,
    pages: Mapping[str, str] = _NO_PAGES,
    again: Callable[[CaptureRow], Result] | None = None,
    notes: Sequence[str] = (),
) -> bytes:
    """Return the sheet, UTF-8; parameters as for `write_index`. The same arguments give the same bytes."""
    view = gather(ledger)
    rows = first_screen(ledger, view)
    called = [row.standing for row in rows if row.standing.is_called_in]
    told = called[:MOST_ENTRIES]
    seen = _pictures(ledger, told, view.trends, again)
    explain = explaining()
    by_file = {result.expectations.path: result for result in seen.results.values()}
    steps: dict[str, list[StepView]] = {}
    for step in view.steps:
        steps.setdefault(step.rule, []).append(step)
    css = resource("buslens.report.record", "record.css") + resource(__package__, "fleet.css")
    script = resource(__package__, "fleet.js")
    page = render(
        __package__,
        "fleet.html",
        **_WORDS,
        view=view,
        pages=pages,
        notes=notes,
        masthead=_masthead(view),
        headline=headline(rows),
        is_wrong=any(row.advice.action in {VisitAction.OFF_THE_ROAD, VisitAction.CALL_IN_NOW} for row in rows),
        table=overview(rows, view.summary.last_ns, {name: explain(it) for name, it in seen.results.items()}),
        told=told,
        called=len(called),
        numbers={one.row.vehicle: place for place, one in enumerate(told, start=1)},
        pictures=seen.pictures,
        rest=seen.rest,
        steps=steps,
        bases=record_sections.bases(list(by_file.values())),
        style_hash=policy_hash(css),
        script_hash=policy_hash(script),
        css=Markup(css),
        script=Markup(script),
    )
    return page.encode()


_WORDS: Final[Mapping[str, object]] = {
    "cautions": " ".join(CAUTIONS),
    "counts": sections.counts,
    "day": day,
    "definitions": DEFINITIONS,
    "distribution": distribution.picture,
    "doubt_sign": DOUBT_SIGN,
    "facts": entries.facts,
    "far": FAR,
    "file_name": file_name,
    "headline_of": entries.headline,
    "href": entries.href,
    "lately": LATELY,
    "lately_signs": entries.lately_signs,
    "level": LEVEL,
    "limit_text": limit_text,
    "minute": minute,
    "most_anomalies": MOST_ANOMALIES,
    "most_doubts": MOST_DOUBTS,
    "most_unsure_anomalies": MOST_UNSURE,
    "order": ORDER,
    "reasons": lambda one: list(entries.reasons(one)),
    "share_text": sections.share_text,
    "since_fault": entries.since_fault,
    "span_text": distribution.span_text,
    "state_sentence": sections.state_sentence,
    "trend": trends.picture,
    "trouble_words": sections.TROUBLE_WORDS,
}
"""What the templates ask for by these names."""


class _Seen(NamedTuple):
    """What is seen in the list, and what is left for the rest of the sheet."""

    pictures: dict[str, tuple[Picture, ...]]
    #: Captures that were checked again, by vehicle.
    results: dict[str, Result]
    #: Drifts that are not among the pictures.
    rest: list[TrendView]


def _pictures(
    ledger: Ledger,
    told: Sequence[VehicleStatus],
    drifts: Sequence[TrendView],
    again: Callable[[CaptureRow], Result] | None,
) -> _Seen:
    pictures: dict[str, tuple[Picture, ...]] = {}
    results: dict[str, Result] = {}
    by_vehicle: dict[str, list[TrendView]] = {}
    for drift in drifts:
        by_vehicle.setdefault(drift.anomaly.vehicle, []).append(drift)
    shown = set()
    for one in told:
        found = []
        if again is not None and one.urgency is not Urgency.CROSSING:
            seen = moment_to_see(ledger, one)
            found += [_moment(one.row.vehicle, *seen, again, results)] if seen is not None else []
        if mine := by_vehicle.get(one.row.vehicle):
            # Of several, one that belongs to a fault, else one that will cross its limit.
            faulty = {(fault.finding.rule, fault.finding.step) for fault in one.faults}
            own = min(mine, key=lambda it: _rank(it.anomaly, faulty))
            shown.add(id(own))
            caption = f"{own.anomaly.rule}, {own.anomaly.step}: the delay, day by day"
            found.append(Picture(markup=trends.picture(own), caption=caption))
        pictures[one.row.vehicle] = tuple(found)
    return _Seen(pictures, results, [drift for drift in drifts if id(drift) not in shown])


def _rank(drift: Anomaly, faulty: Container[tuple[str, str | None]]) -> tuple[bool, bool, int]:
    """Return what the drifts of a vehicle are sorted by: one that the headline speaks of comes first."""
    crossing = drift.crossing_ns
    return (drift.rule, drift.step) not in faulty, crossing is None, 0 if crossing is None else crossing[0]


def _moment(
    vehicle: str,
    capture: CaptureRow,
    about: FindingRow | Anomaly | None,
    again: Callable[[CaptureRow], Result],
    results: dict[str, Result],
) -> Picture:
    try:
        result = again(capture)
        if result.verdict is not capture.verdict:
            return Picture(capture=capture, caption="No picture: the capture has changed since it was checked")
        results[vehicle] = result
        return Picture(markup=small_diagram(result, about), capture=capture)
    except OSError as exc:
        return Picture(capture=capture, caption=f"No picture: {os_error_text(exc)}")
    except BuslensError as exc:
        return Picture(capture=capture, caption=f"No picture: {exc}")
    except Exception as exc:  # a defect of ours: the rest of the sheet must still be told
        return Picture(capture=capture, caption=f"No picture: {defect_text(exc)}")


def _masthead(view: FleetView) -> str:
    summary = view.summary
    facts = [
        f"{summary.vehicles:,} vehicle{'' if summary.vehicles == 1 else 's'}",
        f"{summary.captures:,} capture{'' if summary.captures == 1 else 's'}",
    ]
    if summary.captures:
        facts.append(f"recorded {period(summary.first_ns, summary.last_ns)}")
    return " \N{MIDDLE DOT} ".join(facts)
