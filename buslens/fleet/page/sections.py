"""The parts of the sheet, in the order in which they are read; each is nothing where there is nothing to say."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final

from buslens.fleet.model import Anomaly, FailureKind
from buslens.fleet.page import distribution, trends
from buslens.fleet.page.dates import day, period
from buslens.fleet.page.distribution import StepView, span_text
from buslens.fleet.page.entries import link
from buslens.fleet.page.urgency import DEFINITIONS, ORDER, Urgency, VehicleStatus
from buslens.report.formatting import DOUBT_SIGN, limit_text
from buslens.report.record.markup import Markup, join, table, tag
from buslens.units import NS_PER_MIN

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from buslens.fleet.page.page_data import Doubt, FleetView
    from buslens.fleet.page.trends import TrendView
    from buslens.fleet.views import FleetSummary, TroubleRow

MOST_ANOMALIES: Final = 300
"""Rows of what stands out."""
MOST_UNSURE: Final = 20
"""Rows of what may be chance."""
CAPTURES_FILE: Final = "captures.csv"
"""Where every capture of the fleet is listed, beside the sheet."""

TROUBLE_WORDS: Final = {
    FailureKind.UNREADABLE: "not to be had, or no log",
    FailureKind.UNRELATED: "of another car, bus or channel: none of the needed messages",
    FailureKind.TIME: "took longer than was allowed",
    FailureKind.MEMORY: "needed more memory than was allowed",
    FailureKind.DIED: "ended the process that read it",
}
"""What a person calls a trouble."""


def state_sentence(view: FleetView) -> str:
    """Return what state the fleet is in."""
    count = Counter(one.urgency for one in view.standings)
    vehicles = len(view.standings)
    if not vehicles:
        return "No capture has been checked yet."
    called = sum(count[step] for step in Urgency if step.is_called_in)
    if not called:
        all_of = "the only vehicle is" if vehicles == 1 else f"all {vehicles:,} vehicles are"
        return f"Nothing to call in: {all_of} as expected in what was recorded lately."
    faulty = count[Urgency.IGNITION] + count[Urgency.FAULTY]
    said = []
    if faulty:
        ignition = count[Urgency.IGNITION]
        against = f" ({ignition:,} of them against a rule about the ignition)" if ignition else ""
        said.append(f"{faulty:,} {'is' if faulty == 1 else 'are'} faulty{against}")
    for step, words in (
        (Urgency.AT_TIMES, ("has an intermittent fault", "have an intermittent fault")),
        (Urgency.CROSSING, ("will cross a limit", "will cross a limit")),
        (Urgency.STANDS_OUT, ("is unusual", "are unusual")),
        (Urgency.NOT_KNOWN, ("has no verdict", "have no verdict")),
        (Urgency.AS_EXPECTED, ("is as expected", "are as expected")),
    ):
        number = count[step]
        if number:
            said.append(f"{number:,} {words[number > 1]}")
    of = f"Of {vehicles:,} vehicle{'' if vehicles == 1 else 's'}, "
    return f"{of}{_list(said)}."


def counts(summary: FleetSummary) -> Markup:
    """Return how much the sheet rests on."""
    minutes = summary.duration_ns / NS_PER_MIN
    long = f"{minutes / 60:,.1f} h" if minutes >= 120 else f"{minutes:.0f} min"
    verdicts = (
        (summary.as_expected, "as expected"),
        (summary.faulty, "faulty"),
        (summary.undecided, "undecided"),
        (sum(summary.troubles.values()), "not read"),
    )
    recorded = f"in {long} of recording, {summary.frames:,} frames"
    rows = [
        ("Captures", summary.captures, ", ".join(f"{count:,} {words}" for count, words in verdicts)),
        ("Vehicles", summary.vehicles, f"recorded {period(summary.first_ns, summary.last_ns)}"),
        ("Handshakes", summary.handshakes, recorded),
    ]
    if summary.skipped_lines:
        rows.append(("Lines skipped", summary.skipped_lines, "not understood; each capture's page names them"))
    if summary.copies:
        rows.append(("Copies", summary.copies, "second copies of a capture of the same vehicle; not counted"))
    if summary.outdated:
        rows.append(
            ("Outdated", summary.outdated, "checked against other files than now; not counted until checked again")
        )
    body = (
        tag("tr", tag("th", name, scope="row"), tag("td", f"{number:,}"), tag("td", words))
        for name, number, words in rows
    )
    return tag("table", tag("tbody", *body), class_="counts")


def definitions(standings: Sequence[VehicleStatus]) -> Markup:
    """Return what urgency means, with how many vehicles stand on each step."""
    count = Counter(one.urgency for one in standings)
    items = []
    for step, words in DEFINITIONS.items():
        items += [tag("dt", f"{step.value} ({count[step]:,})"), tag("dd", words)]
    return tag(
        "details",
        tag("summary", "What urgency means here"),
        tag("dl", *items),
        tag("p", ORDER, class_="quiet"),
        open_="",
    )


def steps(views: Sequence[StepView]) -> Markup:
    """Return the delays of every step against its limits, as pictures and as a table."""
    if not views:
        return tag("p", "No step of a handshake was checked.", class_="quiet")
    parts: list[Markup] = [_curve_key()]
    for rule in dict.fromkeys(view.rule for view in views):
        mine = [view for view in views if view.rule == rule]
        figures = (
            tag(
                "figure",
                tag("figcaption", tag("b", view.step), f", {limit_text(view.limit)}"),
                distribution.picture(view),
            )
            for view in mine
        )
        rows = (
            (
                view.step,
                limit_text(view.limit).removeprefix("limit "),
                f"{view.delays:,}",
                f"{view.vehicles:,}",
                span_text(view.median),
                span_text(view.most_are_within),
                view.not_met,
            )
            for view in mine
        )
        head = ("Step", "Allowed", "Delays", "Vehicles", "Median", "95 % within", "Faults or undecided")
        parts += [tag("h3", rule), tag("div", *figures, class_="plots"), _scrolled(table(head, rows, kind="steps"))]
    return join(parts)


def trend_figures(views: Sequence[TrendView], numbers: Mapping[str, int]) -> Markup:
    """Return the drifts, each as a picture; vehicles of the list lead to their place in it."""
    if not views:
        return Markup("")
    figures = []
    for view in views:
        anomaly = view.anomaly
        number = numbers.get(anomaly.vehicle)
        name = anomaly.vehicle if number is None else tag("a", anomaly.vehicle, href=f"#v{number}")
        caption = tag("figcaption", tag("b", name), f", {anomaly.rule}, {anomaly.step}")
        figures.append(tag("figure", caption, trends.picture(view)))
    return join([trend_key(), tag("div", *figures, class_="plots two")])


def trend_key() -> Markup:
    """Return how the pictures of drifts are to be read."""
    return tag(
        "p",
        "Each bar is a day: from the median of the earliest ends to that of the latest; dotted where the step did not "
        "come. Line: the slope of Theil and Sen, the season taken off. Broken: from the last day to the earliest and "
        "to the latest day, marked by upright lines, on which the limit will be crossed if it goes on so; where delays "
        "were beyond it already, nothing is foretold. Shaded: allowed.",
        class_="quiet",
    )


def anomalies(view: FleetView, pages: Mapping[str, str]) -> Markup:
    """Return what stands out, with the share of the list that is expected to be chance, and what is not sure yet."""
    if not view.anomalies:
        nothing = tag("p", "Nothing is unusual: no test of the fleet is below the level.", class_="quiet")
        return join([nothing, _unsure(view)])
    called = {one.row.vehicle for one in view.standings if one.urgency.is_fault}
    shown = view.anomalies[:MOST_ANOMALIES]
    news = [one for one in shown if one.vehicle not in called]
    known = [one for one in shown if one.vehicle in called]
    parts = [tag("h3", "Vehicles without a fault")] if known and news else []
    parts += [_anomaly_table(news, pages)] if news else []
    if known:
        parts += [tag("h3", "Vehicles that are called in for a fault already"), _anomaly_table(known, pages)]
    if len(view.anomalies) > len(shown):
        parts.append(tag("p", f"{len(view.anomalies) - len(shown):,} more are in the ledger.", class_="quiet"))
    parts.append(
        tag(
            "p",
            "Expected false share: of all rows from the first to this one, the share that is expected to be chance "
            "(the q-value after Benjamini and Hochberg). It is a reason to look, no fault: rules are checked apart "
            "from it.",
            class_="quiet",
        )
    )
    return join([*parts, _unsure(view)])


def _anomaly_table(found: Sequence[Anomaly], pages: Mapping[str, str]) -> Markup:
    rows = []
    for anomaly in found:
        sentence = Markup(tag("span", anomaly.sentence))
        if anomaly.address in pages:
            sentence = join([sentence, " (", link(pages[anomaly.address], "its page"), ")"])
        rows.append((anomaly.vehicle, anomaly.kind.value, sentence, share_text(anomaly.q_value)))
    return _scrolled(table(("Vehicle", "What", "What is unusual", "Expected false share"), rows, kind="anomalies"))


def _unsure(view: FleetView) -> Markup:
    """Return what may be chance, the least probable first."""
    if not view.unsure:
        return Markup("")
    found = sorted(view.unsure, key=lambda one: (one.p_value, one.vehicle))
    rows = [(one.vehicle, one.kind.value, one.sentence, share_text(one.p_value)) for one in found[:MOST_UNSURE]]
    more = f" {len(found) - len(rows):,} more are in the ledger." if len(found) > len(rows) else ""
    words = (
        "By chance: how often a vehicle that is sound shows as much. With all vehicles of the fleet looked at, that is "
        f"too often to call a vehicle in; more days will tell, often months of them.{more}"
    )
    head = ("Vehicle", "What", "What was seen", "By chance")
    return join(
        [tag("h3", "Not sure yet"), _scrolled(table(head, rows, kind="anomalies")), tag("p", words, class_="quiet")]
    )


def doubts(found: Sequence[Doubt], most: int) -> Markup:
    """Return what is undecided, and what would decide it."""
    if not found:
        return tag("p", "Nothing is undecided.", class_="quiet")
    rows = []
    for doubt in found[:most]:
        name = f"{doubt.rule}, {doubt.step}" if doubt.step else doubt.rule or "no handshake"
        rows.append((f"{DOUBT_SIGN} {name}", f"{doubt.captures:,}", f"{doubt.vehicles:,}", doubt.example))
    head = ("Rule and step", "Captures", "Vehicles", "Why, and what would decide it; the last one in full")
    parts = [_scrolled(table(head, rows, kind="doubts"))]
    if len(found) > most:
        rest = f"{len(found) - most:,} more sorts; findings.csv lists every one."
        parts.append(tag("p", rest, class_="quiet"))
    return join(parts)


def troubles(found: Mapping[FailureKind, tuple[int, Sequence[TroubleRow]]]) -> Markup:
    """Return what could not be read, and why."""
    if not found:
        return tag("p", "Every capture was read and checked.", class_="quiet")
    parts = []
    for kind, (count, first) in found.items():
        parts.append(tag("h3", f"{count:,} capture{'' if count == 1 else 's'}: {TROUBLE_WORDS[kind]}"))
        rows = [(row.address, row.vehicle, day(row.recorded_ns), row.summary) for row in first]
        parts.append(_scrolled(table(("Capture", "Vehicle", "Recorded", "Why"), rows, kind="troubles")))
        if count > len(first):
            parts.append(tag("p", f"{count - len(first):,} more are in {CAPTURES_FILE}.", class_="quiet"))
    return join(parts)


def share_text(share: float) -> str:
    """Return a share in percent, to two digits.

    >>> share_text(0.0312), share_text(1.2e-9), share_text(float("nan"))
    ('3.1 %', 'below 0.01 %', 'not known')
    """
    if not share >= 0.0:
        return "not known"
    return "below 0.01 %" if share < 1e-4 else f"{100 * share:.2g} %"


def _curve_key() -> Markup:
    return tag(
        "p",
        "Across: length of the delay. Upwards: how many in 100 are at most so long, which lies between the two curves, "
        "as each delay is only known to lie between two ends; what never came keeps the lower curve below 100. Shaded: "
        "allowed. Strokes below: the median of each vehicle, long where it is outside.",
        class_="quiet",
    )


def _scrolled(content: Markup) -> Markup:
    return tag("div", content, class_="scroll", tabindex="0")


def _list(parts: Sequence[str]) -> str:
    return " and ".join([", ".join(parts[:-1]), parts[-1]]) if len(parts) > 1 else parts[0]
