"""What the parts of the sheet say in sentences; how they stand there is in ``parts.html``."""

from collections import Counter
from collections.abc import Sequence
from typing import Final

from buslens.fleet.model import FailureKind
from buslens.fleet.page.dates import period
from buslens.fleet.page.page_data import FleetView
from buslens.fleet.page.urgency import Urgency
from buslens.fleet.views import FleetSummary
from buslens.units import NS_PER_MIN

TROUBLE_WORDS: Final = {
    FailureKind.UNREADABLE: "unreadable, or no log",
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


def counts(summary: FleetSummary) -> list[tuple[str, int, str]]:
    """Return how much the sheet rests on: what is counted, how many, and what of them."""
    minutes = summary.duration_ns / NS_PER_MIN
    long = f"{minutes / 60:,.1f} h" if minutes >= 120 else f"{minutes:.0f} min"
    verdicts = (
        (summary.as_expected, "as expected"),
        (summary.faulty, "faulty"),
        (summary.undecided, "undecided"),
        (sum(summary.troubles.values()), "not read"),
    )
    rows = [
        ("Captures", summary.captures, ", ".join(f"{count:,} {words}" for count, words in verdicts)),
        ("Vehicles", summary.vehicles, f"recorded {period(summary.first_ns, summary.last_ns)}"),
        ("Handshakes", summary.handshakes, f"in {long} of recording, {summary.frames:,} frames"),
    ]
    more = [
        ("Lines skipped", summary.skipped_lines, "not understood; each capture's page names them"),
        ("Copies", summary.copies, "second copies of a capture of the same vehicle; not counted"),
        ("Outdated", summary.outdated, "checked against other files than now; not counted until checked again"),
    ]
    return rows + [row for row in more if row[1]]


def share_text(share: float) -> str:
    """Return a share in percent, to two digits.

    >>> share_text(0.0312), share_text(1.2e-9), share_text(float("nan"))
    ('3.1 %', 'below 0.01 %', 'not known')
    """
    if not share >= 0.0:
        return "not known"
    return "below 0.01 %" if share < 1e-4 else f"{100 * share:.2g} %"


def _list(parts: Sequence[str]) -> str:
    return " and ".join([", ".join(parts[:-1]), parts[-1]]) if len(parts) > 1 else parts[0]
