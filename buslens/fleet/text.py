"""A fleet in words, for the end of a run: whom to call in, why, and what that rests on."""

from collections.abc import Iterator, Sequence
from typing import Final

from buslens.fleet.page.dates import day
from buslens.fleet.page.entries import headline, why
from buslens.fleet.page.page_data import FleetView
from buslens.fleet.page.sections import TROUBLE_WORDS, state_sentence
from buslens.fleet.page.urgency import VehicleStatus
from buslens.fleet.progress import Progress
from buslens.fleet.run_jobs import RunSummary
from buslens.report.formatting import clean, counted
from buslens.report.paragraphs import MARGIN, Paragraph, StyledText, TextStyle, paragraph, render, section
from buslens.report.safety_notes import safety_notes
from buslens.units import NS_PER_S, format_duration

MOST_VEHICLES: Final = 50
"""Vehicles that are told; the sheet has them all."""
_ENOUGH: Final = 5
"""Captures that must be checked before it is told how long the rest will take."""
_WORTH_SAYING_S: Final = 1.0
"""Seconds from which on it is said what a run did after the checking."""
_TROUBLES: Final = 3
"""Captures of a kind of trouble that are named."""


def closing(
    view: FleetView, done: RunSummary, *, files: Sequence[str], width: int | None = None, painted: bool = False
) -> str:
    """Return the last lines of a run; the state of the fleet comes last."""
    # Without the blank line ahead of the first section.
    return render(list(_paragraphs(view, done, files))[1:], width=width, painted=painted)


def progress_line(progress: Progress) -> str:
    """Return how far a run has come.

    >>> from buslens.fleet.progress import Progress
    >>> progress_line(Progress(listed=40, total=100, checked=25, seconds=5.0))
    '25 of 100 captures, 5.0 per second, 15 s left'
    """
    parts = []
    if progress.total is None:
        parts.append(f"{progress.done:,} captures so far, more are still being found")
    else:
        parts.append(f"{progress.done:,} of {counted(progress.total, 'capture')}")
    if progress.rate is not None:
        parts.append(_rate(progress.rate))
    if progress.known:
        parts.append(f"{progress.known:,} already checked")
    if progress.troubled:
        parts.append(f"{progress.troubled:,} that cannot be checked")
    # The first few also wait for the workers to start.
    if progress.remaining_s is not None and progress.judged >= _ENOUGH and progress.done < (progress.total or 0):
        parts.append(f"{_rough(progress.remaining_s)} left")
    return ", ".join(parts)


def run_sentence(done: RunSummary) -> str:
    """Return what a run did."""
    if not done.listed:
        return "No captures were found."
    parts = [f"{done.judged:,} checked" if done.judged else "none checked again"]
    if troubled := done.troubles.total():
        parts[0] += f", {troubled:,} of them without a verdict"
    parts[0] += "".join(f", {count:,} of them again since {why}" for why, count in done.again.most_common())
    if done.unchanged:
        parts.append(f"{done.unchanged:,} known from before and not read again")
    if done.copies:
        parts.append(f"{done.copies:,} read, and the same as one that is known")
    rate = f" ({_rate(done.judged / done.seconds)})" if done.judged and done.seconds > 0 else ""
    after = [f"{_rough(seconds)} for {what}" for what, seconds in done.after.items() if seconds >= _WORTH_SAYING_S]
    then = f"; then {', '.join(after)}" if after else ""
    return f"{counted(done.listed, 'capture')} in {_rough(done.seconds)}: {', '.join(parts)}{rate}{then}."


def not_found_sentence(count: int) -> str:
    """Return that a ledger knows captures which the last run did not come over.

    >>> not_found_sentence(1)
    'At least 1 capture that earlier runs checked was not found by the last one; it stays in the ledger and counts.'
    """
    was, stays = (
        ("was", "it stays in the ledger and counts") if count == 1 else ("were", "they stay in the ledger and count")
    )
    return f"At least {counted(count, 'capture')} that earlier runs checked {was} not found by the last one; {stays}."


def _paragraphs(view: FleetView, done: RunSummary, files: Sequence[str]) -> Iterator[Paragraph]:
    called = [one for one in view.standings if one.is_called_in]
    yield from section("Vehicles to call in, most urgent first", _called(called))
    if any(one.urgency.is_fault for one in called):
        yield from safety_notes()
    yield from section("Without a verdict", _troubles(view))
    yield paragraph()
    yield paragraph(run_sentence(done))
    for line in files:
        yield paragraph(StyledText(clean(line)))
    yield paragraph(StyledText(state_sentence(view), TextStyle.STRONG))


def _called(called: Sequence[VehicleStatus]) -> Iterator[Paragraph]:
    for place, one in enumerate(called[:MOST_VEHICLES], start=1):
        yield from _vehicle(place, one)
    if len(called) > MOST_VEHICLES:
        yield paragraph(f"and {len(called) - MOST_VEHICLES:,} more, in the fleet report", indent=MARGIN)


def _vehicle(place: int, one: VehicleStatus) -> Iterator[Paragraph]:
    ink = TextStyle.WRONG if one.urgency.is_fault else TextStyle.STRONG
    name = clean(one.row.vehicle) or "without a name"
    last = f", last seen {day(one.row.last_ns)}" if one.row.last_ns is not None else ""
    yield paragraph(f"{place:>3} ", StyledText(name, ink), f": {clean(headline(one))}{last}", hang=MARGIN)
    if one.urgency.is_fault:
        yield paragraph(clean(why(one)), indent=MARGIN)
    for anomaly in one.anomalies[:2]:
        yield paragraph(clean(anomaly.sentence), indent=MARGIN)


def _troubles(view: FleetView) -> Iterator[Paragraph]:
    for trouble, (count, rows) in view.troubles.items():
        more = ", such as" if count > _TROUBLES else ""
        yield paragraph(f"{counted(count, 'capture')} {TROUBLE_WORDS[trouble]}{more}:", indent=MARGIN)
        for row in rows[:_TROUBLES]:
            yield paragraph(f"{clean(row.address)}: {clean(row.summary)}", indent=MARGIN, hang=2 * MARGIN)


def _rate(per_second: float) -> str:
    """Return a rate in the unit in which it is easy to read.

    >>> _rate(0.05), _rate(5), _rate(250)
    ('3.0 per minute', '5.0 per second', '250 per second')
    """
    if per_second < 1:
        return f"{60 * per_second:,.1f} per minute"
    return f"{per_second:,.{0 if per_second >= 100 else 1}f} per second"


def _rough(seconds: float) -> str:
    """Return a time as exact as a person wants it.

    >>> _rough(0.4), _rough(75), _rough(7300)
    ('400 ms', '1 min 15 s', '2 h 2 min')
    """
    if seconds < 10:
        return format_duration(round(round(seconds, 1) * NS_PER_S))
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s" if whole % 60 else f"{whole // 60} min"
    minutes = round(seconds / 60)
    return f"{minutes // 60:,} h {minutes % 60} min"
