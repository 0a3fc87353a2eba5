"""What of the page is text: it stands there without a script, is read aloud, searched and printed."""

from __future__ import annotations

import html
from dataclasses import replace
from itertools import islice
from typing import TYPE_CHECKING, Final, NamedTuple

from buslens.checks.findings import Finding, Outcome, Result
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
    unparted,
    unread_text,
)
from buslens.report.text import notes, recording, small_print

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence


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
    Shortcut("Escape", "Esc", "letGo", "let go of the cursor, so that it follows the pointer; again: take it away"),
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


def findings_html(result: Result, groups: Sequence[Sequence[Finding]]) -> str:
    """Return the findings, a line for each kind; those that have a moment lead to it."""
    drawn = islice((finding for group in groups for finding in group), MOST_DRAWN)
    link_of = {id(finding): index for index, finding in enumerate(drawn) if extent_of(finding) is not None}
    numbers = numbers_of(groups)

    def lines(some: Iterable[Sequence[Finding]]) -> str:
        return "\n".join(["<ol>", *(_kind(group, numbers, link_of, result.origin_ns) for group in some), "</ol>"])

    parts = [f'<p class="note">{html.escape(note)}</p>' for note in result.absent]
    faults = [group for group in groups if group[0].outcome.is_fault]
    doubts = [group for group in groups if group[0].outcome is Outcome.UNDECIDED]
    met = [group for group in groups if group[0].outcome is Outcome.MET]
    for title, wanted in (("Faults", faults), ("Undecided", doubts)):
        if wanted:
            count = sum(map(len, wanted))
            in_all = f", {count:,} times in all" if count > len(wanted) else ""
            parts.append(f"<h2>{title}: {len(wanted):,}{in_all}</h2>\n{lines(wanted)}")
    rest = []
    if met:
        rest.append(f"<details><summary>OK: {sum(map(len, met)):,}</summary>\n{lines(met)}</details>")
    if result.unexercised:
        idle = "".join(
            f'<li class="finding met"><span>{IDLE_SIGN}</span><div class="note">{safe_html(rule)}: its situation did '
            "not occur in this capture</div></li>"
            for rule in result.unexercised
        )
        rest.append(f"<details><summary>Not tested: {len(result.unexercised)}</summary>\n<ol>{idle}</ol></details>")
    noted = [note for note in (unread_text(result.stats), *notes(result)) if note]
    told = "".join(f'<p class="note">{html.escape(note)}</p>' for note in noted)
    if told:
        rest.append(f"<details><summary>Notes: {len(noted)}</summary>{told}</details>")
    return "\n".join(['<div class="list">', *parts, '<div class="rest">', *rest, "</div>", "</div>"])


def _kind(group: Sequence[Finding], numbers: Mapping[int, int], link_of: Mapping[int, int], origin_ns: int) -> str:
    """Return the line of a kind: its sentence, how often, when, and where the limit comes from."""
    first, worst = group[0], max(group, key=_excess)
    outcome = first.outcome
    grade = "fault" if outcome.is_fault else "doubt" if outcome is Outcome.UNDECIDED else "met"
    mark = str(numbers[id(first)]) if id(first) in numbers else sign(outcome)
    count = f'<b class="times">\N{MULTIPLICATION SIGN} {len(group):,}</b> ' if len(group) > 1 else ""
    shown = list(group) if len(group) <= _MOST_LINKS else _few(group, worst)
    links = " ".join(_link(it, link_of, origin_ns, _which(it, group)) for it in shown)
    place_words = place(first) if len(group) == 1 else place_of(first.rule, None, first.step)
    # Where limits come from stands once, below all.
    small = small_print(replace(first, basis=""))
    rest = [it for it in group if it not in shown or clean(it.reason) != clean(first.reason)]
    each = ""
    if rest:
        listed = "".join(
            f"<li>{_link(it, link_of, origin_ns, '') if it not in shown else _when(it, origin_ns)}: "
            f"{safe_html(it.reason)}</li>"
            for it in rest[:MOST_LISTED]
        )
        more = f"<li>{len(rest) - MOST_LISTED:,} more; buslens check --json lists them all</li>"
        listed += more if len(rest) > MOST_LISTED else ""
        each = f"<details><summary>each of them</summary><ul>{listed}</ul></details>"
    return (
        f'<li class="finding {grade}"><span><span class="ring">{mark}</span></span><div>'
        f'<p class="reason"><span class="outcome">{OUTCOME_WORDS[outcome]}</span>: {safe_html(sentence(group))}</p>'
        f'<p class="small"><span class="where">{safe_html(place_words)}</span>'
        f"{f'; {safe_html(small)}' if small else ''}</p>{each}</div>"
        f'<div class="when">{count}{links}</div></li>'
    )


def _excess(finding: Finding) -> float:
    """Return how far a finding is from what is allowed: of one kind the greatest is the worst."""
    if finding.delay is None:
        return 0.0
    latest = finding.delay.earliest_ns if finding.delay.latest_ns is None else finding.delay.latest_ns
    return float(-latest if finding.outcome is Outcome.EARLY else latest)


def _few(group: Sequence[Finding], worst: Finding) -> list[Finding]:
    in_time = sorted(group, key=lambda it: it.time_ns or 0)
    return list({id(it): it for it in (in_time[0], in_time[-1], worst)}.values())


def _which(finding: Finding, group: Sequence[Finding]) -> str:
    """Return which of many moments it is that is named."""
    if len(group) <= _MOST_LINKS:
        return ""
    in_time = sorted(group, key=lambda it: it.time_ns or 0)
    return "first at " if finding is in_time[0] else "last at " if finding is in_time[-1] else "worst at "


def _when(finding: Finding, origin_ns: int) -> str:
    return "" if finding.time_ns is None else spoken(finding.time_ns - origin_ns)


def _link(finding: Finding, link_of: Mapping[int, int], origin_ns: int, which: str) -> str:
    """Return the moment of a finding, as a button that leads to it where there is one."""
    words = _when(finding, origin_ns)
    number = link_of.get(id(finding))
    if number is None:
        return f"{which}{words}"
    name = html.escape(clean(place(finding)), quote=True)
    shown = words or "show"
    return f'<button type="button" data-finding="{number}" aria-label="{name}: {which}{shown}">{which}{shown}</button>'


def keys_html() -> str:
    """Return the keys as terms and what they do."""
    return "\n".join(
        f'<dt data-keys="{html.escape(key.keys)}" data-do="{key.deed}">{html.escape(key.shown)}</dt>'
        f"<dd>{key.words}</dd>"
        for key in KEYS
    )


def footer_html(result: Result, version: str) -> str:
    """Return what the page was made from, and where the limits come from."""
    sources = [file_name(result.path), *(file_name(one.path) for one in result.expectations.definitions)]
    if result.expectations.path:
        sources.append(file_name(result.expectations.path))
    source = " \N{MIDDLE DOT} ".join([*map(clean, sources), f"buslens {version}".strip()])
    parts = [f"<p>{safe_html(source)}</p>"]
    bases: dict[str, list[str]] = {}
    for finding in result.findings:
        if finding.basis and finding.rule not in bases.setdefault(finding.basis, []):
            bases[finding.basis].append(finding.rule)
    if bases:
        told = "".join(f"<li>{safe_html(', '.join(rules))}: {safe_html(basis)}</li>" for basis, rules in bases.items())
        parts.append(f"<details><summary>Where the limits come from</summary><ul>{told}</ul></details>")
    return "\n".join(parts)


def safe_html(text: str) -> str:
    """Return text of the user's as text, whatever it holds."""
    return html.escape(unparted(clean(text)))
