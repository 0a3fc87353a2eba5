"""From definitions and captures to a first expectations file, for a person to go on from."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Final, TypeAlias

from buslens.capture.frames import ReadStats
from buslens.capture.table_settings import TableSettings
from buslens.capture.values import open_values
from buslens.checks.check import check
from buslens.checks.context import EvaluationContext
from buslens.checks.evaluate import evaluate_rules, evaluate_table
from buslens.checks.findings import Finding, Result, Verdict
from buslens.checks.setup import plan_tracks
from buslens.checks.values import columns_of
from buslens.definitions.model import Definitions
from buslens.discovery.behaviour import Moves
from buslens.discovery.columns import STATES_NAME, read_columns_shown
from buslens.discovery.draft import Drafter, RuleDraft, with_problem
from buslens.discovery.expectations_text import file_lines, sleeps, timeout_of
from buslens.discovery.file_kind import is_dbc, sort_by_kind
from buslens.discovery.limits import STEP_NS
from buslens.discovery.mark_evidence import bonus_of
from buslens.discovery.marks import Mark
from buslens.discovery.naming import ROLES
from buslens.discovery.roles import CHOSEN, HANDSHAKE, SWAPPED, Proposal, is_wanted, propose
from buslens.discovery.toml_text import duration, quoted, role_lines
from buslens.discovery.traces import ShownSignals, Trace, is_column, read_capture, read_shown
from buslens.errors import UsageError
from buslens.expectations.load import parse_expectations
from buslens.expectations.model import Expectations
from buslens.timeline.history import CaptureHistory
from buslens.units import format_duration

Way: TypeAlias = "Callable[[Expectations], Result]"
"""What says of one capture what expectations find in it."""
HANDSHAKE_RULES: Final = ("unlock handshake", "lock handshake")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tried:
    """What the file says of one capture."""

    path: str
    verdict: Verdict
    summary: str
    #: Whether the file was learned from it.
    is_own: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StartResult:
    """A first expectations file, and what it rests on."""

    text: str
    proposals: Mapping[str, Proposal]
    drafts: tuple[RuleDraft, ...]
    #: Frames of the captures.
    frames: int
    #: The captures that it was learned from and those that it was tried on.
    tried: tuple[Tried, ...]
    #: What the file finds in those that it was learned from.
    healthy: tuple[Result, ...]
    #: What could not be learned, each with what to record or decide.
    missing: tuple[str, ...]
    #: Captures that are unlike the others, as questions.
    outliers: tuple[str, ...]
    definitions: Definitions
    captures: tuple[str, ...]
    #: The moves of the lock that the captures show.
    moves: Moves | None

    @property
    def certain(self) -> dict[str, str]:
        """The roles that stand, with their signals."""
        return {role: it.best.name for role, it in self.proposals.items() if it.is_certain and it.best is not None}

    @property
    def is_complete(self) -> bool:
        """Whether the file holds both handshakes, from what starts them to both feedbacks, and nothing contradicts."""
        return not self.missing and not self.outliers


def start(
    files: Sequence[str],
    captures: str | Sequence[str] = (),
    *,
    output: str,
    marks: Sequence[Mark] = (),
    more: Sequence[str] = (),
    chosen: Mapping[str, str] | None = None,
    table: TableSettings | str | Path | None = None,
    workers: int | None = None,
    notify: Callable[[str], None] | None = None,
) -> StartResult:
    """Return a first expectations file.

    Parameters
    ----------
    files : sequence of str
        DBC files and captures in any order, told apart by what is in them; or tables of values alone.
    captures : str or sequence of str, optional
        Further captures: recorded logs of a healthy vehicle, with a handshake or more in each; they are read twice, so
        no standard input.
    output : str
        Where the file will be: it names the definitions from there.
    marks : sequence of Mark, optional
        What was done, and when in the first capture.
    more : sequence of str, optional
        Captures to try the file on, beside those that it is learned from.
    chosen : mapping of str to str, optional
        Role -> message and signal that a person has chosen for it among those that were proposed.
    table : TableSettings or path, optional
        What is said about tables of frames, or the TOML file that says it; else their rows tell.
    workers : int, optional
        Pieces that are read at the same time; default: one per core.
    notify : callable, optional
        Is told, as one sentence, what takes a while.

    Raises
    ------
    BuslensError
        If a file cannot be used, or no signal of the definitions looks like one of a steering lock.
    """
    from buslens.capture.table_settings import settings_of
    from buslens.definitions.load import load_definitions

    given = [*files, *([captures] if isinstance(captures, str) else captures)]
    settings = settings_of(table)
    columns = None if "-" in given or any(map(is_dbc, given)) else read_columns_shown(given, settings)
    if columns is None:
        dbcs, logs = sort_by_kind(given)
        defined = load_definitions(*dbcs)
        shown = read_shown(defined, logs, is_wanted, table=settings, workers=workers, notify=notify)
    else:
        logs, defined, shown = given, Definitions(messages=columns[0]), columns[1]
    bonus = bonus_of(marks, shown) | dict.fromkeys((chosen or {}).items(), CHOSEN)
    proposals, moves = propose(defined, shown, bonus)
    if columns is not None and not any(it.is_certain for it in proposals.values()):
        raise UsageError(_no_column(logs, shown, proposals))
    if all(it.best is None for it in proposals.values()):
        raise UsageError(
            f"no signal in {', '.join(defined.paths)} looks like a door, an ignition, a lock's enable or feedback, or a"
            f" supply voltage, by its name, its value names or what it does; 'buslens defs {defined.paths[0]} --find"
            f" WORD'"
            " searches them"
        )
    alive = _alive(proposals, shown)
    _require_frames(proposals, alive)
    header = _header(proposals, shown, alive)
    if columns is not None:  # times are learned as the rows show them; the limits allow for how old their values are
        header = header.replace("\n", '\nread_before = "0 ms"\n', 1)
    expected = parse_expectations(header.encode(), output)
    ways: list[Way] = []
    for path in logs:
        if columns is None:
            read = read_capture(path, plan_tracks(expected, defined), settings, workers, notify)
            ways.append(partial(_evaluate_log, path, read))
        else:
            ways.append(partial(_evaluate_table, path, settings))
    certain = {role: it.best for role in ROLES if (it := proposals[role]).is_certain and it.best is not None}
    events = [role for role, best in certain.items() if best.name in shown.events]
    drafts = _drafts(header, expected, ways, logs, list(certain), events)
    findings = [way(expected).findings for way in ways]
    drafts += [with_problem(draft, findings, logs) for draft in alive]
    missing = tuple(_missing(proposals, drafts))
    outliers = tuple(dict.fromkeys(question for draft in drafts for question in draft.outliers))
    lacking = [text.partition(";")[0] for text in missing if _TAKEN not in text]
    lines = file_lines(proposals, shown, drafts, defined, output, missing, lacking, outliers)
    text = "\n".join(lines) + "\n"
    final = parse_expectations(text.encode(), output)
    healthy = tuple(way(final) for way in ways)
    tried = [_tried(path, result, is_own=True) for path, result in zip(logs, healthy, strict=True)]
    tried += [_checked(path, final, defined, settings, workers) for path in more]
    return StartResult(
        text=text,
        proposals=proposals,
        drafts=tuple(drafts),
        frames=shown.frames,
        tried=tuple(tried),
        healthy=healthy,
        missing=missing,
        outliers=outliers,
        definitions=defined,
        captures=tuple(logs),
        moves=moves,
    )


def _evaluate_log(path: str, read: tuple[CaptureHistory, ReadStats], expected: Expectations) -> Result:
    return evaluate_rules(path, expected, *read)


def _evaluate_table(path: str, table: TableSettings, expected: Expectations) -> Result:
    values = open_values(path, columns_of(expected), table)
    assert values is not None  # noqa: S101  (it was one, with these columns)
    return evaluate_table(path, expected, values)


def _no_column(paths: Sequence[str], shown: ShownSignals, proposals: Mapping[str, Proposal]) -> str:
    """Return that no column can be told to be a role, and what to write."""
    states = [it for it in shown.traces.values() if it.signal.name and it.message.name == STATES_NAME]
    listed = "; ".join(f"'{it.signal.name}' ({_values_text(it)})" for it in states[:12]) or "none with a few values"
    best = next((it.best for it in proposals.values() if it.best is not None), None)
    column = best.signal.name if best is not None else states[0].signal.name if states else "..."
    return (
        f"no column of {', '.join(paths)} can be told to be a door, an ignition, a lock's enable or feedback; its"
        f" columns with states: {listed}; write roles yourself in a file such as yours.toml: format = 1, then"
        f' [roles.lock_enable] with column = "{column}" and states = {{ off = "...", on = "..." }}, and a [[rules]]'
    )


def _values_text(trace: Trace) -> str:
    values = [trace.signal.labels.get(raw, str(raw)) for raw in sorted(trace.held_ns)]
    return ", ".join(values[:6])


def _tried(path: str, result: Result, *, is_own: bool) -> Tried:
    return Tried(path=path, verdict=result.verdict, summary=result.summary, is_own=is_own)


def _checked(path: str, final: Expectations, defined: Definitions, table: TableSettings, workers: int | None) -> Tried:
    result = check(path, final, defined, table=table, workers=workers)
    return _tried(path, result, is_own=False)


def _require_frames(proposals: Mapping[str, Proposal], alive: Sequence[RuleDraft]) -> None:
    if not alive and not any(it.is_certain for it in proposals.values()):
        named = (f"{role}: {it.best.name}?" for role, it in proposals.items() if it.best is not None)
        raise UsageError(f"nothing is certain enough to begin with; look at these signals yourself: {', '.join(named)}")


# --- the draft, read as a file --------------------------------------------------------------------------


def _header(proposals: Mapping[str, Proposal], shown: ShownSignals, alive: Sequence[RuleDraft]) -> str:
    """Return the certain roles, and the rules that need no measuring, as an expectations file."""
    lines = ["format = 1", *(["sleeps = true"] if sleeps(proposals["ignition"], shown) else [])]
    for role in ROLES:
        best = proposals[role].best
        if proposals[role].is_certain and best is not None:
            lines += role_lines(
                best, timeout_of(best.message, shown), sent=shown.sent(best.name), holds_ns=shown.holds_ns(best.name)
            )
    for draft in alive:
        lines += draft.lines
    return "\n".join(lines) + "\n"


def _alive(proposals: Mapping[str, Proposal], shown: ShownSignals) -> list[RuleDraft]:
    """Return a rule for each message that must keep coming: those of the lock, else all that was thought of."""
    wanted = ("unlock_feedback", "data_feedback", "lock_enable")
    best = [proposals[role].best for role in wanted if proposals[role].is_certain]
    best = best or [it.best for it in proposals.values()]
    sent = [fit.message.name for fit in best if fit is not None and not is_column(fit.message)]
    drafts = []
    for index, message in enumerate(dict.fromkeys(sent)):
        if not shown.is_cyclic(message):
            continue
        cycle_ns = shown.cycles_ns[message]
        timeout_ns = shown.timeout_ns(message, cycle_ns)
        feedback = proposals["unlock_feedback"]
        is_columns = feedback.is_certain and index == 0
        name = "column message" if is_columns else f"{message} message"
        lines = (
            "[[rules]]",
            f"name = {quoted(name)}",
            'kind = "alive"',
            f"message = {quoted(message)}",
            f"timeout = {duration(-(-timeout_ns // STEP_NS) * STEP_NS)}",
            'basis = "three cycle times: common practice, no source; more where frames are lost, or gaps longer"',
        )
        drafts.append(
            RuleDraft(name=name, lines=lines, remarks=(f"about one frame per {format_duration(cycle_ns)} here",))
        )
    return drafts


def _drafts(
    header: str,
    expected: Expectations,
    ways: Sequence[Way],
    paths: Sequence[str],
    roles: Sequence[str],
    events: Sequence[str],
) -> list[RuleDraft]:
    """Return the rules that are measured; those that half of the captures break are comments."""
    contexts = []
    for way in ways:
        result = way(expected)
        stats = result.stats
        contexts.append(
            EvaluationContext(
                timelines=result.timelines,
                presences={},
                first_ns=stats.first_ns or 0,
                end_ns=stats.last_ns or 0,
                discontinuities_ns=tuple(discontinuity.time_ns for discontinuity in stats.discontinuities),
            )
        )
    drafts = list(Drafter(header, roles, contexts, paths, events).drafts())
    standing = "".join("\n".join(draft.lines) + "\n" for draft in drafts if not draft.problem)
    whole = parse_expectations((header + standing).encode(), "draft")
    findings: list[Sequence[Finding]] = [way(whole).findings for way in ways]
    return [draft if draft.problem else with_problem(draft, findings, paths) for draft in drafts]


# --- what is missing ------------------------------------------------------------------------------------

# What cars ask for at a press: common practice, no source.
_PRESS: Final = (
    "record captures in which start is pressed while the lock is engaged, with all that the car asks for at it (key"
    " found, foot on the brake or clutch, selector in park)"
)
_GET_IT: Final = {
    "door_open": "record captures in which the driver's door opens with the ignition off, and mark it:"
    ' --mark "door opens at 12.4 s"',
    "start_button": f'{_PRESS}, and mark it: --mark "start pressed at 12.4 s"',
    "ignition": "record captures in which the ignition comes on after the lock has released",
    "lock_enable": "record captures in which the lock moves; if the enable is on no bus, measure its wire",
    "unlock_feedback": "record captures in which the lock moves; if the feedback is on no bus, measure its wire",
    "data_feedback": "record captures in which the lock moves; if the second path is on no bus, measure its wire",
}
_TAKEN: Final = " is taken, but "
_ASK_DIAGRAM: Final = (
    "verdicts stay the same, causes do not; see the wiring diagram, and exchange their two signals if need be"
)
_TOLD_BY_ORDER: Final = frozenset({"door_open", "start_button", "ignition", "lock_enable"})
"""Roles that another signal must not fit as well: a file with the wrong one passes what is faulty."""
_DO: Final = {
    "unlock handshake": _PRESS,
    "lock handshake": "record captures in which the driver's door opens with the ignition off while the lock is"
    " released",
}


def _missing(proposals: Mapping[str, Proposal], drafts: Sequence[RuleDraft]) -> list[str]:
    """Return what of the two handshakes could not be learned, each with what to record or decide."""
    found = []
    for role in HANDSHAKE:
        proposal = proposals[role]
        if not proposal.is_certain:
            name = "" if proposal.best is None else f" (perhaps {proposal.best.name}: then take the '#' away)"
            found.append(f"{role}: {proposal.doubt}{name}; {_GET_IT[role]}")
        elif proposal.doubt and role in _TOLD_BY_ORDER and proposal.best is not None:
            found.append(f"{role}: {proposal.best.name}{_TAKEN}{proposal.doubt}; {_GET_IT[role]}")
        elif proposal.doubt.endswith(SWAPPED) and role == "unlock_feedback" and proposal.best is not None:
            found.append(f"{role}: {proposal.best.name}{_TAKEN}{proposal.doubt} {_ASK_DIAGRAM}")
    for name in HANDSHAKE_RULES:
        draft = next((it for it in drafts if it.name == name), None)
        if draft is None:
            found.append(f"the rule '{name}': roles that it needs are missing; {_DO[name]}")
        elif draft.problem:
            found.append(f"the rule '{name}': {draft.problem}; {_DO[name]}")
        else:
            found += [f"the rule '{name}': {text}; {_DO[name]}" for text in draft.dropped]
    return found
