"""What is shown of a capture while it plays: lanes that move, what is awaited, and what has been found."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Protocol

import numpy as np

from buslens.checks.context import describe_why
from buslens.checks.findings import Finding, Outcome, Result
from buslens.checks.phrases import span_text
from buslens.live.final_findings import FinalFinding
from buslens.live.pending_steps import PendingStep, awaiting
from buslens.report.formatting import MET_SIGN, OUTCOME_WORDS, clean, moment, place, sign
from buslens.report.paragraphs import MARGIN, Paragraph, StyledText, TextStyle, item, paragraph, render
from buslens.timeline.model import UNKNOWN_STATE, Timeline, UnknownReason
from buslens.units import NS_PER_MS, NS_PER_S, exact_duration, format_at_least, format_at_most, format_duration

if TYPE_CHECKING:
    from rich.console import RenderableType


_STRIP_NS: Final = 4 * NS_PER_S
"""What of the past the lanes show, at real time; played slower it is less, so that it moves as fast."""
_MOST_WORDS: Final = 34
"""Columns behind the lanes for what a role is now; longer words are cut off."""
_STYLES: Final = {TextStyle.PLAIN: "", TextStyle.STRONG: "bold", TextStyle.FAINT: "dim", TextStyle.WRONG: "bold red"}
KEYS: Final = "space: pause and go on   right or n: to the next change   q: end"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplayState:
    """One moment of a capture that is being played."""

    #: The part that has come, checked.
    result: Result
    #: Axis times of the first frame of the capture and of the moment, ns.
    origin_ns: int
    now_ns: int
    #: Times real time; None for what is shown as it comes.
    speed: float | None
    is_paused: bool
    #: Whether keys are listened to.
    has_keys: bool


class Screen(Protocol):
    """Shows a capture while it plays."""

    def show_finding(self, told: FinalFinding, origin_ns: int) -> None:
        """Show what has been found."""

    def show(self, sight: ReplayState) -> None:
        """Show a moment."""

    def close(self) -> None:
        """Leave the terminal as it was."""


# --- lines ----------------------------------------------------------------------------------------------------


def finding_lines(told: FinalFinding, origin_ns: int) -> list[Paragraph]:
    """Return what has been found as lines: a handshake that went well on one, else what was wrong or undecided."""
    if told.handshake is None:
        return list(_written(told.findings[0], origin_ns))
    run = told.handshake
    when = moment(max((it.time_ns or 0 for it in told.findings), default=run.end_ns), origin_ns)
    name = f"{clean(run.rule)} {run.number}"
    unmet = [it for it in told.findings if it.outcome is not Outcome.MET]
    lines = [line for finding in unmet for line in _written(finding, origin_ns)]
    if run.abandoned:
        lines.append(item("-", f"{when}  {name}: cancelled: {clean(run.abandoned)}"))
    if not unmet and told.findings and not run.abandoned:
        steps = "; ".join(_step_text(it) for it in told.findings)
        tries = f" after {run.tries} tries" if run.tries > 1 else ""
        lines.append(item(MET_SIGN, f"{when}  {name}: ", StyledText(f"OK{tries}", TextStyle.STRONG), f": {steps}"))
    return lines


def _step_text(finding: Finding) -> str:
    words = clean(finding.step or "")
    return words if finding.delay is None else f"{words} {span_text(finding.delay)}"


def _written(finding: Finding, origin_ns: int) -> Iterator[Paragraph]:
    ink = TextStyle.WRONG if finding.outcome.is_fault else TextStyle.STRONG
    when = moment(finding.time_ns or origin_ns, origin_ns)
    yield item(
        sign(finding.outcome), f"{when}  {place(finding)}: ", StyledText(OUTCOME_WORDS[finding.outcome], ink), ink=ink
    )
    yield paragraph(clean(finding.reason), indent=MARGIN)


def change_lines(result: Result, after_ns: int, until_ns: int, origin_ns: int) -> list[tuple[int, str]]:
    """Return what changed in ``(after_ns, until_ns]``: when, ns, and a line each.

    Of a number it is only told that it became unknown or known.
    """
    rows: list[tuple[int, str]] = []
    for timeline in result.timelines.values():
        first, last = np.searchsorted(timeline.seen_ns, [after_ns, until_ns], side="right").tolist()
        for index in range(first, last):
            state = int(timeline.state[index])
            was_known = index > 0 and timeline.state[index - 1] != UNKNOWN_STATE
            is_new = not timeline.is_number or state == UNKNOWN_STATE or (index > 0 and not was_known)
            if int(timeline.why[index]) == UnknownReason.NO_FRAME_YET.value or not is_new:
                continue
            seen_ns = int(timeline.seen_ns[index])
            words = f"{moment(seen_ns, origin_ns)}  {clean(timeline.role)}: {state_text(timeline, index)}"
            doubt_ns = int(timeline.gap_ns[index]) - 1
            if state != UNKNOWN_STATE and was_known and doubt_ns >= NS_PER_MS:
                words += f", for 0 to {format_at_most(doubt_ns)} already"
            rows.append((seen_ns, words))
    return sorted(rows)


def state_text(timeline: Timeline, index: int) -> str:
    """Return what an entry of a timeline shows."""
    if timeline.state[index] == UNKNOWN_STATE:
        return f"unknown ({describe_why(timeline, index)})"
    if timeline.is_number:
        return f"{timeline.value_at(index):g} {clean(timeline.unit)}".rstrip()
    return clean(timeline.states[int(timeline.state[index])])


def awaited_text(it: PendingStep) -> str:
    """Return a step that is awaited, and the time left for it."""
    tries = f" (try {it.tries})" if it.tries > 1 else ""
    name = f"{clean(it.rule)} {it.handshake}{tries} awaits {clean(it.step.name)}"
    within = exact_duration(it.step.within_ns)
    left = it.left
    if it.is_overdue:
        return f"{name}: {format_at_least(it.elapsed.earliest_ns - it.step.within_ns)} over its limit of {within}"
    if left.earliest_ns < 0:
        return f"{name}: its limit of {within} is running out"
    return f"{name}: {span_text(left)} left of {within}"


# --- lanes ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LaneGlyphs:
    """Characters of which lanes are drawn."""

    line: str = "\u2500"
    edge: str = "\u2502"
    doubt: str = "\u2571"
    unknown: str = "\u254c"
    band: str = "\u2591"


ASCII_PENS: Final = LaneGlyphs(line="-", edge="|", doubt="/", unknown=".", band=":")
"""For a terminal whose encoding has no others."""


def pens_for(encoding: str | None) -> LaneGlyphs:
    """Return the characters that an encoding can say."""
    pens = LaneGlyphs()
    try:
        "".join((pens.line, pens.edge, pens.doubt, pens.unknown, pens.band)).encode(encoding or "ascii")
    except (UnicodeError, LookupError):
        return ASCII_PENS
    return pens


def lane(timeline: Timeline, now_ns: int, span_ns: int, columns: int, pens: LaneGlyphs) -> str:
    """Return the last stretch of a role as one line: state names on it, edges, doubt hatched, unknown broken.

    Parameters
    ----------
    now_ns, span_ns : int
        The right end, and the length of the stretch, ns.
    """
    ends_ns = now_ns - span_ns + (np.arange(1, columns + 1) * span_ns) // columns
    index = np.searchsorted(timeline.seen_ns, ends_ns, side="right") - 1
    cells = []
    for column, (end_ns, at) in enumerate(zip(ends_ns.tolist(), index.tolist(), strict=True)):
        before = int(index[column - 1]) if column else at
        if at < 0:
            cells.append(" ")
        elif _is_unknown(timeline, at, end_ns):
            cells.append(pens.unknown)
        elif at != before:
            cells.append(pens.edge)
        elif _is_doubtful(timeline, at, end_ns):
            cells.append(pens.doubt)
        else:
            cells.append(pens.line)
    _letter(cells, timeline, index.tolist(), pens)
    return "".join(cells)


def _is_unknown(timeline: Timeline, at: int, time_ns: int) -> bool:
    last_ns, timeout_ns = timeline.last_frame_ns, timeline.timeout_ns
    is_silent = last_ns is not None and timeout_ns is not None and time_ns - last_ns > timeout_ns
    return bool(timeline.state[at] == UNKNOWN_STATE) or is_silent


def _is_doubtful(timeline: Timeline, at: int, time_ns: int) -> bool:
    """Return whether the next state may have begun already, or a frame is overdue that would show this one."""
    if at + 1 < len(timeline):
        return timeline.since_ns(at + 1) < time_ns and timeline.state[at + 1] != UNKNOWN_STATE
    last_ns, period_ns = timeline.last_frame_ns, timeline.period_ns
    return last_ns is not None and period_ns is not None and time_ns - last_ns > 2 * period_ns


def _letter(cells: list[str], timeline: Timeline, index: list[int], pens: LaneGlyphs) -> None:
    """Write the name of each state on its stretch of the lane, where it has room."""
    begin = 0
    for column in range(1, len(cells) + 1):
        if column < len(cells) and index[column] == index[begin]:
            continue
        at = index[begin]
        if at >= 0:
            known = timeline.state[at] != UNKNOWN_STATE
            name = clean(timeline.states[int(timeline.state[at])]) if known else "unknown"
            room = column - begin - 2
            if 0 < len(name) <= room and pens.line not in name:
                cells[begin + 1 : begin + 1 + len(name)] = list(name)
        begin = column


def band(it: PendingStep, columns: int, pens: LaneGlyphs) -> str:
    """Return the window of an awaited step as a line: what has run, its doubt, and what is left."""
    within = it.step.within_ns
    ran = min(it.elapsed.earliest_ns * columns // within, columns)
    may = min(-(-(it.elapsed.latest_ns or 0) * columns // within), columns)
    return f"{pens.edge}{pens.line * ran}{pens.doubt * (may - ran)}{pens.band * (columns - may)}{pens.edge}"


def now_text(timeline: Timeline, now_ns: int) -> str:
    """Return what a role is at a moment, behind the last frame too."""
    at = max(int(np.searchsorted(timeline.seen_ns, now_ns, side="right")) - 1, 0)
    if timeline.state[at] != UNKNOWN_STATE and at + 1 == len(timeline):
        last_ns = timeline.last_frame_ns
        if _is_unknown(timeline, at, now_ns):
            return "unknown (message timeout)"
        if last_ns is not None and _is_doubtful(timeline, at, now_ns):
            return f"{state_text(timeline, at)}, last shown {format_duration(now_ns - last_ns)} ago"
    if int(timeline.why[at]) == UnknownReason.NO_FRAME_YET.value:
        return "unknown (no frame has shown it yet)"
    return state_text(timeline, at)


# --- screens --------------------------------------------------------------------------------------------------


class LineScreen:
    """Shows lines, one per change, for a file, another program or a terminal without control sequences."""

    def __init__(self, write: Callable[[str], object], *, width: int | None = None) -> None:
        self._write = write
        self._width = width
        self._shown_ns: int | None = None
        self._awaited: set[tuple[str, int, str, int]] = set()

    def show_finding(self, told: FinalFinding, origin_ns: int) -> None:
        """Write what has been found."""
        self._write(render(finding_lines(told, origin_ns), width=self._width))

    def show(self, sight: ReplayState) -> None:
        """Write what has changed, and which steps are awaited now that were not before."""
        after_ns = sight.origin_ns - 1 if self._shown_ns is None else self._shown_ns
        until_ns = max(sight.result.stats.last_ns or 0, after_ns)
        changes = change_lines(sight.result, after_ns, until_ns, sight.origin_ns)
        self._shown_ns = until_ns
        lines = []
        for index, (at_ns, line) in enumerate(changes):
            lines.append(line)
            if index + 1 == len(changes) or changes[index + 1][0] > at_ns:
                lines += self._newly_awaited(sight, at_ns)
        lines += self._newly_awaited(sight, until_ns)
        if lines:
            self._write("".join(f"    {line}\n" for line in lines))

    def _newly_awaited(self, sight: ReplayState, at_ns: int) -> list[str]:
        awaited = {(it.rule, it.handshake, it.step.name, it.tries): it for it in awaiting(sight.result, at_ns)}
        new = [it for key, it in awaited.items() if key not in self._awaited]
        self._awaited = set(awaited)
        return [f"{moment(at_ns, sight.origin_ns)}  {awaited_text(it)}" for it in new]

    def close(self) -> None:
        """Do nothing: nothing has been changed."""


class LaneScreen:
    """Shows lanes on a terminal, and above them what has been found."""

    def __init__(self, file: Any) -> None:
        from rich.console import Console
        from rich.live import Live

        self._pens = pens_for(getattr(file, "encoding", None))
        self._console = Console(file=file, force_terminal=True, highlight=False, markup=False, emoji=False)
        self._live = Live(console=self._console, auto_refresh=False, redirect_stdout=False, redirect_stderr=False)
        self._live.start()

    def show_finding(self, told: FinalFinding, origin_ns: int) -> None:
        """Show what has been found, to stay."""
        text = render(finding_lines(told, origin_ns), width=self._console.width - 1, painted=False)
        from rich.text import Text

        for line in text.splitlines():
            style = "bold red" if line.startswith(" x ") else ""
            self._console.print(Text(line, style=style, no_wrap=True, overflow="ellipsis"))

    def show(self, sight: ReplayState) -> None:
        """Show a moment."""
        self._live.update(
            picture(sight, width=self._console.width, height=self._console.height, pens=self._pens), refresh=True
        )

    def close(self) -> None:
        """Take the lanes away and give the cursor back."""
        from rich.text import Text

        self._live.update(Text(""), refresh=True)
        self._live.stop()


def picture(sight: ReplayState, *, width: int, height: int, pens: LaneGlyphs) -> RenderableType:
    """Return the lanes, and what is awaited, as rich shows them."""
    from rich.console import Group
    from rich.text import Text

    def line(*pieces: tuple[str, TextStyle]) -> Text:
        text = Text(no_wrap=True, overflow="ellipsis")
        for words, ink in pieces:
            text.append(words, _STYLES[ink])
        return text

    result = sight.result
    rows = [line((_heading(sight, width), TextStyle.STRONG))]
    lanes = {role: timeline for role, timeline in result.timelines.items() if timeline.is_carried}
    names = max((len(clean(role)) for role in lanes), default=0)
    # One width for all lanes, so that what stands below each other is of one time.
    said = {role: now_text(timeline, sight.now_ns) for role, timeline in lanes.items()}
    widest = max((len(said[role]) for role, it in lanes.items() if not it.is_number), default=0)
    columns = max(width - names - 6 - min(widest, _MOST_WORDS), 8)
    span_ns = round(_STRIP_NS * min(sight.speed or 1.0, 1.0))
    awaited = awaiting(result, sight.now_ns)
    room = max(height - 2 * len(awaited) - 5, 1)
    for role, timeline in list(lanes.items())[:room]:
        name = f" {clean(role):<{names}}  "
        words = said[role]
        if timeline.is_number:
            rows.append(line((name, TextStyle.FAINT), (words, TextStyle.PLAIN)))
        else:
            strip = lane(timeline, sight.now_ns, span_ns, columns, pens)
            rows.append(line((name, TextStyle.FAINT), (strip, TextStyle.PLAIN), (f"  {words}", TextStyle.STRONG)))
    rows.append(line())
    for it in awaited:
        rows.append(line((f" {awaited_text(it)}", TextStyle.WRONG if it.is_overdue else TextStyle.STRONG)))
        rows.append(line((f" {band(it, max(width - 4, 4), pens)}", TextStyle.PLAIN)))
    if not awaited:
        rows.append(line((" no handshake is running", TextStyle.FAINT)))
    if sight.has_keys:
        rows.append(line((f" {KEYS}", TextStyle.FAINT)))
    return Group(*rows)


def _heading(sight: ReplayState, width: int) -> str:
    """Return what is played, and where it stands; a long path loses its beginning, never the moment its place."""
    from rich.cells import cell_len

    words = f"  {moment(sight.now_ns, sight.origin_ns)}"
    if sight.speed is not None:
        words += f"  {sight.speed:g} x real time"
    words += "  standing still" if sight.is_paused else ""
    path, room = clean(sight.result.path), width - cell_len(words)
    if cell_len(path) > room:
        while path and cell_len(path) > room - 3:
            path = path[max(len(path) - room, 1) :]
        path = f"...{path}"
    return path + words
