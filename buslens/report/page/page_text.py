"""What of the page is text: it stands there without a script, is read aloud, searched and printed."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from itertools import islice
from typing import Final, Literal, NamedTuple

from buslens.checks.findings import Finding, Outcome, Result
from buslens.checks.headline import times_text
from buslens.report.finding_kinds import sentence
from buslens.report.finding_layout import extent_of
from buslens.report.formatting import (
    IDLE_SIGN,
    OUTCOME_WORDS,
    clean,
    file_name,
    place,
    place_of,
    sign,
    spoken,
    unread_text,
)
from buslens.report.record.markup import Markup
from buslens.report.templates import render
from buslens.report.text import notes, recording, small_print

MOST_LISTED: Final = 500
"""Findings of a kind that are written out; the rest is counted."""

MOST_DRAWN: Final = 20_000
"""Findings beyond this are listed and counted, but have no place among the lanes."""

_MOST_LINKS: Final = 3
"""So many moments of a kind are named; of more the first, the last and the worst."""


class Shortcut(NamedTuple):
    """Keys for one deed, as the browser names them and as people do."""

    keys: str
    shown: str
    deed: str
    words: str


KEYS: Final = (
    Shortcut("ArrowLeft", "\N{LEFTWARDS ARROW}", "earlier", "earlier (with the sheet in focus)"),
    Shortcut("ArrowRight", "\N{RIGHTWARDS ARROW}", "later", "later (with the sheet in focus)"),
    Shortcut("PageUp", "Page up", "muchEarlier", "a whole view earlier"),
    Shortcut("PageDown", "Page down", "muchLater", "a whole view later"),
    Shortcut("+ =", "+", "closer", "closer"),
    Shortcut("- _", "-", "wider", "wider"),
    Shortcut("0 Home", "0 or Home", "whole", "the whole capture"),
    Shortcut("n", "n", "nextHandshake", "next handshake"),
    Shortcut("N", "Shift n", "previousHandshake", "previous handshake"),
    Shortcut("e", "e", "nextEvent", "next event"),
    Shortcut("E", "Shift e", "previousEvent", "previous event"),
    Shortcut("v", "v", "nextViolation", "next fault"),
    Shortcut("V", "Shift v", "previousViolation", "previous fault"),
    Shortcut("d Shift+ArrowLeft", "d", "cursorEarlier", "cursor a little earlier"),
    Shortcut("f Shift+ArrowRight", "f", "cursorLater", "cursor a little later"),
    Shortcut("a", "a", "markA", "set mark A at the cursor, or at the change right beside it"),
    Shortcut("b", "b", "markB", "set mark B at the cursor, or at the change right beside it"),
    Shortcut("x", "x", "clearMarks", "take both marks away"),
    Shortcut("Escape", "Esc", "letGo", "release the cursor, so that it follows the pointer; again: remove it"),
    Shortcut("Space", "Space", "play", "play or pause"),
    Shortcut("s", "s", "step", "step to the next change"),
    Shortcut("S", "Shift s", "stepBack", "step to the change before"),
    Shortcut("k", "k", "slower", "slower"),
    Shortcut("l", "l", "faster", "faster"),
    Shortcut("t", "t", "clock", "relative or wall-clock time"),
)
"""Every key of the page; its script reads them from the list that people see."""


def facts(result: Result) -> str:
    """Return how the recording is and what it was checked against, one line."""
    parts = list(recording(result.stats))
    if result.expectations.path:
        parts.append(f"expectations: {clean(file_name(result.expectations.path))}")
    return ", ".join(parts)


def numbers_of(groups: Sequence[Sequence[Finding]]) -> dict[int, int]:
    """Return the number in its ring of each finding that is not OK, by its id: one number for a kind."""
    shown = [group for group in groups if group[0].outcome is not Outcome.MET]
    return {id(finding): number for number, group in enumerate(shown, 1) for finding in group}


class ShownKind(NamedTuple):
    """The line of findings of one kind."""

    grade: Literal["fault", "doubt", "met"]
    #: What stands in its ring.
    mark: str
    outcome: str
    sentence: str
    where: str
    small: str
    times: int
    #: The same for a person: of how many handshakes, where it is about their steps.
    often: str
    #: Findings whose moments are named in the line.
    named: Sequence[Finding]
    #: Which of many moments one of them is.
    which: Callable[[Finding], str]
    #: Findings that are not said by the line alone.
    rest: Sequence[Finding]


def findings_html(result: Result, groups: Sequence[Sequence[Finding]], most: int | None = None) -> Markup:
    """Return the findings, a line for each kind; those that have a moment lead to it.

    With `most`, so many of the gravest stand open, and all others are a click away.
    """
    drawn = islice((finding for group in groups for finding in group), MOST_DRAWN)
    link_of = {id(finding): index for index, finding in enumerate(drawn) if extent_of(finding) is not None}
    numbers = numbers_of(groups)
    return render(
        __package__,
        "findings.html",
        kinds=[_kind(group, numbers, times_text(group, result.findings)) for group in groups],
        absent=result.absent,
        unexercised=result.unexercised,
        notes=[note for note in (unread_text(result.stats), *notes(result)) if note],
        when=lambda it: "" if it.time_ns is None else spoken(it.time_ns - result.origin_ns),
        number_of=lambda it: link_of.get(id(it)),
        place=place,
        most=most,
        most_listed=MOST_LISTED,
        idle_sign=IDLE_SIGN,
    )


def _kind(group: Sequence[Finding], numbers: Mapping[int, int], often: str) -> ShownKind:
    """Return the line of a kind: its sentence, how often, when, and where the limit comes from."""
    first, worst = group[0], max(group, key=_excess)
    outcome = first.outcome
    named = list(group) if len(group) <= _MOST_LINKS else _few(group, worst)
    return ShownKind(
        grade="fault" if outcome.is_fault else "doubt" if outcome is Outcome.UNDECIDED else "met",
        mark=str(numbers[id(first)]) if id(first) in numbers else sign(outcome),
        outcome=OUTCOME_WORDS[outcome],
        sentence=sentence(group),
        where=place(first) if len(group) == 1 else place_of(first.rule, None, first.step),
        # Where limits come from stands once, below all.
        small=small_print(replace(first, basis="")),
        times=len(group),
        often=often,
        named=named,
        which=partial(_which, group=group),
        rest=[it for it in group if it not in named or clean(it.reason) != clean(first.reason)],
    )


def _excess(finding: Finding) -> float:
    """Return how far a finding is from what is allowed: of one kind the greatest is the worst."""
    if finding.delay is None:
        return 0.0
    return float(-finding.delay.end_ns if finding.outcome is Outcome.EARLY else finding.delay.end_ns)


def _few(group: Sequence[Finding], worst: Finding) -> list[Finding]:
    in_time = sorted(group, key=lambda it: it.time_ns or 0)
    return list({id(it): it for it in (in_time[0], in_time[-1], worst)}.values())


def _which(finding: Finding, group: Sequence[Finding]) -> str:
    """Return which of many moments it is that is named."""
    if len(group) <= _MOST_LINKS:
        return ""
    in_time = sorted(group, key=lambda it: it.time_ns or 0)
    return "first at " if finding is in_time[0] else "last at " if finding is in_time[-1] else "worst at "


def sources(result: Result, version: str) -> str:
    """Return what the page was made from, on one line."""
    files = [file_name(result.path), *(file_name(one.path) for one in result.expectations.definitions)]
    if result.expectations.path:
        files.append(file_name(result.expectations.path))
    return " \N{MIDDLE DOT} ".join([*map(clean, files), f"buslens {version}".strip()])


def bases(result: Result) -> dict[str, dict[str, None]]:
    """Return where the limits come from, each with the rules that say so, in their order."""
    found: dict[str, dict[str, None]] = {}
    for finding in result.findings:
        if finding.basis:
            found.setdefault(finding.basis, {})[finding.rule] = None
    return found
