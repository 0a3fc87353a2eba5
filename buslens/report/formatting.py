"""The words and signs that every kind of report shares: who has learnt one reads them all."""

import re
import unicodedata
from collections.abc import Mapping
from typing import Final

from buslens.capture.frames import ReadStats
from buslens.checks.findings import Finding, Limit, Outcome, Result, Verdict
from buslens.checks.phrases import whole_limit_text
from buslens.timeline.model import UnknownReason
from buslens.units import NS_PER_MS, NS_PER_S

_BEFORE_UNIT: Final = re.compile(r"(?<=\d) (?=(?:%|[munk]?[sVA]|min|h|k?ohm|km/h|degC)(?![\w/]))")

OUTCOME_WORDS: Final[Mapping[Outcome, str]] = {
    Outcome.MET: "OK",
    Outcome.EARLY: "too early",
    Outcome.LATE: "too late",
    Outcome.MISSING: "did not happen",
    Outcome.OUT_OF_ORDER: "wrong order",
    Outcome.VIOLATED: "rule broken",
    Outcome.UNDECIDED: "undecided",
}
"""What a person calls an outcome."""

VERDICT_WORDS: Final[Mapping[Verdict, str]] = {
    Verdict.AS_EXPECTED: "as expected",
    Verdict.FAULTY: "faulty",
    Verdict.UNDECIDED: "undecided",
}
"""What a person calls a verdict."""

WHY_WORDS: Final[Mapping[UnknownReason, tuple[str, ...]]] = {
    UnknownReason.KNOWN: ("unknown",),
    UnknownReason.NO_FRAME_YET: ("unknown: not yet seen", "not yet seen", "unknown"),
    UnknownReason.TIMED_OUT: ("unknown: message timeout", "message timeout", "unknown"),
    UnknownReason.DISCONTINUITY: ("unknown: clock jumped back", "unknown"),
    UnknownReason.UNMAPPED: ("unknown: value without a state", "unknown"),
    UnknownReason.HOLE: ("unknown: part of the log lost", "unknown"),
    UnknownReason.NOT_RECORDED: ("unknown: nothing recorded", "nothing recorded", "unknown"),
    UnknownReason.CONTRADICTED: ("unknown: senders disagree", "senders disagree", "unknown"),
    UnknownReason.NOT_CARRIED: ("unknown: not in this recording", "not in this recording", "unknown"),
}
"""What stands on a stretch of not knowing, by reason: the first of them that has room."""

WRONG_SIGN: Final = "x"
"""Stands before whatever is wrong; plain ASCII, so that every terminal and every font has it."""
DOUBT_SIGN: Final = "?"
"""Stands before whatever could not be decided."""
MET_SIGN: Final = "="
"""Stands before whatever is as it should be."""
IDLE_SIGN: Final = "-"
"""Stands before a rule that found nothing to check."""

# Control characters drive the terminal, surrogates cannot be encoded, and marks that turn the direction of
# writing can make a line read as what it is not. Joiners (Cf too) are part of words in some scripts.
_UNFIT: Final = frozenset({"Cc", "Cs", "Zl", "Zp"})
_TURNING: Final = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff")


def unknown_text(why: UnknownReason, value: str = "") -> tuple[str, ...]:
    """Return what stands on a stretch of not knowing: the first of them that has room.

    Parameters
    ----------
    value : str
        What the frames carried that has no name; empty if that is not the reason.
    """
    return (clean(f"unknown: {value}"), *WHY_WORDS[why]) if value else WHY_WORDS[why]


def sign(outcome: Outcome) -> str:
    """Return the sign that stands before a finding of this outcome."""
    if outcome.is_fault:
        return WRONG_SIGN
    return DOUBT_SIGN if outcome is Outcome.UNDECIDED else MET_SIGN


def clean(text: str) -> str:
    r"""Return text of the user's as one line that cannot do anything to what shows it.

    >>> clean("car\x1b[2J 03\n")
    'car\\x1b[2J 03'
    """
    text = text.strip()
    if text.isascii() and text.isprintable():
        return text
    shown = [
        char.encode("unicode_escape").decode("ascii")
        if unicodedata.category(char) in _UNFIT or char in _TURNING
        else char
        for char in " ".join(text.splitlines())
    ]
    return "".join(shown)


def file_name(path: str) -> str:
    r"""Return a file's name without its folder, whichever system the path is of.

    >>> file_name("logs/car.log"), file_name("C:\\logs\\car.log")
    ('car.log', 'car.log')
    """
    return path.replace("\\", "/").rstrip("/").rpartition("/")[2] or path


def unread_text(stats: ReadStats) -> str:
    """Return that more than one line in a hundred of a log could not be read; empty if it is not so."""
    if 100 * stats.broken <= stats.frames + stats.broken:
        return ""
    return (
        f"{counted(stats.broken, 'line')} of the log could not be read, beside"
        f" {counted(stats.frames, stats.counted)}: what they would have shown is missing below"
    )


def counted(number: int, thing: str) -> str:
    """Return how many of a thing there are.

    >>> counted(1, "frame"), counted(4191, "frame")
    ('1 frame', '4,191 frames')
    """
    return f"{number:,} {thing}{'' if number == 1 else 's'}"


def seconds(duration_ns: int) -> str:
    """Return a time in seconds, to the millisecond.

    >>> seconds(3_214_499_999), seconds(-5_000_000)
    ('3.214 s', '-0.005 s')
    """
    thousandths = (2 * abs(duration_ns) + NS_PER_MS) // (2 * NS_PER_MS)
    return f"{'-' if duration_ns < 0 and thousandths else ''}{thousandths // 1000}.{thousandths % 1000:03d} s"


def spoken(duration_ns: int) -> str:
    """Return a time as people say it: in seconds, and from a minute on in minutes too.

    >>> spoken(4_426_000_000), spoken(3_599_400_000_000), spoken(5_025_100_000_000)
    ('4.426 s', '59 min 59.400 s', '1 h 23 min 45.100 s')
    """
    if abs(duration_ns) < 60 * NS_PER_S:
        return seconds(duration_ns)
    thousandths = (2 * abs(duration_ns) + NS_PER_MS) // (2 * NS_PER_MS)
    minutes, left = divmod(thousandths, 60_000)
    hours, minutes = divmod(minutes, 60)
    told = f"{hours} h {minutes} min" if hours else f"{minutes} min"
    return f"{'-' if duration_ns < 0 else ''}{told} {left // 1000}.{left % 1000:03d} s"


def moment(time_ns: int, origin_ns: int) -> str:
    """Return when something is to be seen, counted from the capture's first frame.

    >>> moment(5_214_000_000, 2_000_000_000)
    'at 3.214 s'
    """
    return f"at {seconds(time_ns - origin_ns)}"


def limit_text(limit: Limit) -> str:
    """Return what is allowed.

    >>> from buslens.checks.findings import Limit
    >>> limit_text(Limit(least=50e6, most=600e6)), limit_text(Limit(most=450e6))
    ('limit 50 to 600 ms', 'limit 450 ms')
    >>> limit_text(Limit(least=9.5, unit="V")), limit_text(Limit(least=9.5, most=16, unit="V"))
    ('limit at least 9.5 V', 'limit 9.5 to 16 V')
    """
    return clean(whole_limit_text(limit))


def place(finding: Finding) -> str:
    """Return which rule made a finding, in which handshake, at which step."""
    return place_of(finding.rule, finding.handshake, finding.step)


def place_of(rule: str, handshake: int | None, step: str | None) -> str:
    """Return where something was found: rule, handshake and step, as far as there are any.

    >>> place_of("lock handshake", 2, "wire feedback")
    'lock handshake 2, wire feedback'
    """
    where = clean(rule)
    if handshake is not None:
        where += f" {handshake}"
    if step is not None:
        where += f", {clean(step)}"
    return where


def unparted(text: str) -> str:
    r"""Return text for a page on which no line ends between a number and its unit.

    >>> unparted("for 220 to 260 ms, 84 %").split(" ")
    ['for', '220', 'to', '260\xa0ms,', '84\xa0%']
    """
    return _BEFORE_UNIT.sub("\N{NO-BREAK SPACE}", text)


def verdict_sentence(result: Result) -> str:
    """Return the verdict and why it is so: the last line of every report."""
    word = VERDICT_WORDS[result.verdict]
    summary = clean(result.summary)
    if not summary or summary.lower().startswith(word):
        return capitalised(summary or f"{word}.")
    return f"{capitalised(word)}: {summary}"


def capitalised(text: str) -> str:
    """Return text that begins a sentence."""
    return text[:1].upper() + text[1:]
