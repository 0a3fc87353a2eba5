"""What of the page is text: it stands there without a script, is read aloud, searched and printed."""

from __future__ import annotations

import html
from typing import TYPE_CHECKING, Final, NamedTuple

from buslens.checks.findings import Outcome, Verdict
from buslens.report.cautions import CAUTIONS
from buslens.report.ink import Tone
from buslens.report.text import notes, recording, small_print
from buslens.report.words import (
    IDLE_SIGN,
    OUTCOME_WORDS,
    clean,
    file_name,
    moment,
    place,
    sign,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from buslens.checks.findings import Finding, Result
    from buslens.report.places import Place

MOST_LISTED: Final = 500
"""Findings of a kind that are written out; the rest is counted."""


class Key(NamedTuple):
    """Keys for one deed, as the browser names them and as people do."""

    keys: str
    shown: str
    deed: str
    words: str


KEYS: Final = (
    Key("ArrowLeft", "\N{LEFTWARDS ARROW}", "earlier", "earlier (with the sheet in focus)"),
    Key("ArrowRight", "\N{RIGHTWARDS ARROW}", "later", "later (with the sheet in focus)"),
    Key("PageUp", "Page up", "muchEarlier", "a whole view earlier"),
    Key("PageDown", "Page down", "muchLater", "a whole view later"),
    Key("+ =", "+", "closer", "closer"),
    Key("- _", "-", "wider", "wider"),
    Key("0 Home", "0 or Home", "whole", "the whole capture"),
    Key("n", "n", "nextHandshake", "next handshake"),
    Key("N", "Shift n", "previousHandshake", "previous handshake"),
    Key("e", "e", "nextEvent", "next event"),
    Key("E", "Shift e", "previousEvent", "previous event"),
    Key("v", "v", "nextViolation", "next violation"),
    Key("V", "Shift v", "previousViolation", "previous violation"),
    Key(", Shift+ArrowLeft", ",", "cursorEarlier", "cursor a little earlier"),
    Key(". Shift+ArrowRight", ".", "cursorLater", "cursor a little later"),
    Key("a", "a", "markA", "set mark A at the cursor, or at the change right beside it"),
    Key("b", "b", "markB", "set mark B at the cursor, or at the change right beside it"),
    Key("x", "x", "clearMarks", "take both marks away"),
    Key("Escape", "Esc", "letGo", "let go of the cursor, so that it follows the pointer; again: take it away"),
    Key("Space", "Space", "play", "play or pause"),
    Key("s", "s", "step", "step to the next change"),
    Key("S", "Shift s", "stepBack", "step to the change before"),
    Key("[", "[", "slower", "slower"),
    Key("]", "]", "faster", "faster"),
    Key("t", "t", "clock", "relative or wall-clock time"),
)
"""Every key of the page; its script reads them from the list that people see."""


def light_ink(*, bare: bool = False) -> str:
    """Return the figure's colours as the page's, with or without the selector."""
    tones = "; ".join(f"--{tone.name.lower().replace('_', '-')}: {tone.value.lower()}" for tone in Tone)
    return f"{tones};" if bare else f":root {{ {tones}; }}\n"


def facts(result: Result) -> str:
    """Return how the recording is and what it was judged by, one line."""
    parts = list(recording(result.tally))
    if result.expectations.path:
        parts.append(f"judged by {clean(file_name(result.expectations.path))}")
    return ", ".join(parts)


def findings_html(result: Result, ordered: Sequence[Finding], placed: Sequence[Place]) -> str:
    """Return the findings as lists, worst first; those that have a moment lead to it."""
    reachable = {id(one.finding) for one in placed if one.extent is not None}
    number_of = {id(finding): number for number, finding in enumerate(ordered)}

    def listed(some: Sequence[Finding]) -> str:
        return "\n".join(["<ol>", *items(some), "</ol>"])

    def items(some: Sequence[Finding]) -> Iterator[str]:
        for finding in some[:MOST_LISTED]:
            yield _item(finding, number_of[id(finding)], result.origin_ns, leads=id(finding) in reachable)
        if len(some) > MOST_LISTED:
            rest = f"{len(some) - MOST_LISTED:,} more; buslens check --json lists them all"
            yield f'<li class="finding"><span></span><div>{rest}</div></li>'

    parts = []
    parts += [f'<p class="note">{html.escape(note)}</p>' for note in result.absent]
    for title, wanted in (("Wrong", _faults(ordered)), ("Undecided", _of(ordered, Outcome.UNDECIDED))):
        if wanted:
            parts.append(f"<h2>{title}{f': {len(wanted):,}' if len(wanted) > 1 else ''}</h2>\n{listed(wanted)}")
    met = _of(ordered, Outcome.MET)
    if met:
        count = f"{len(met):,} finding{'' if len(met) == 1 else 's'}"
        parts.append(f"<details><summary>Met: {count}</summary>\n{listed(met)}</details>")
    if result.unexercised:
        idle = "".join(
            f'<li class="finding met"><span>{IDLE_SIGN}</span><div class="note">{_safe(rule)}: the capture holds '
            "nothing for it to judge</div></li>"
            for rule in result.unexercised
        )
        parts.append(f"<details><summary>Not exercised: {len(result.unexercised)}</summary>\n<ol>{idle}</ol></details>")
    told = "".join(f'<p class="note">{html.escape(note)}</p>' for note in notes(result))
    if told:
        parts.append(f"<details open><summary>Notes</summary>{told}</details>")
    parts = ['<div class="list">', *parts, "</div>"]
    if result.verdict is Verdict.FAULTY:
        cautions = "".join(f"<p>{html.escape(caution)}</p>" for caution in CAUTIONS)
        parts.append(f'<div class="caution"><p><b>Before anybody works on it</b></p>{cautions}</div>')
    return "\n".join(parts)


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
    parts = [f"<p>{_safe(source)}</p>"]
    bases: dict[str, list[str]] = {}
    for finding in result.findings:
        if finding.basis and finding.rule not in bases.setdefault(finding.basis, []):
            bases[finding.basis].append(finding.rule)
    if bases:
        told = "".join(f"<li>{_safe(', '.join(rules))}: {_safe(basis)}</li>" for basis, rules in bases.items())
        parts.append(f"<details><summary>Where the limits come from</summary><ul>{told}</ul></details>")
    return "\n".join(parts)


def _item(finding: Finding, number: int, origin_ns: int, *, leads: bool) -> str:
    outcome = finding.outcome
    grade = "fault" if outcome.is_fault else "doubt" if outcome is Outcome.UNDECIDED else "met"
    mark = sign(outcome) if outcome is Outcome.MET else str(number + 1)
    when = "" if finding.time_ns is None else f' <span class="when">{moment(finding.time_ns, origin_ns)}</span>'
    where = f'<span class="where">{_safe(place(finding))}</span>{when}'
    head = f'<span class="outcome">{OUTCOME_WORDS[outcome]}</span>: {where}'
    if leads:
        head = f'<button type="button" data-finding="{number}">{head}</button>'
    small = small_print(finding)
    told = f'<p class="small">{_safe(small)}</p>' if small else ""
    return (
        f'<li class="finding {grade}"><span><span class="ring">{mark}</span></span>'
        f'<div>{head}<p class="reason">{_safe(finding.reason)}</p>{told}</div></li>'
    )


def _faults(findings: Iterable[Finding]) -> list[Finding]:
    return [finding for finding in findings if finding.outcome.is_fault]


def _of(findings: Iterable[Finding], outcome: Outcome) -> list[Finding]:
    return [finding for finding in findings if finding.outcome is outcome]


def _safe(text: str) -> str:
    """Return text of the user's as text, whatever it holds."""
    return html.escape(clean(text))
