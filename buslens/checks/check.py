"""From a capture to a verdict."""

from collections.abc import Callable, Iterable, Mapping
from collections.abc import Sequence as Sequenced
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any, Final, TypeAlias

from buslens.capture.frames import Clock, Pause, ReadStats
from buslens.capture.id_filter import IdFilter
from buslens.capture.open import Capture
from buslens.capture.pauses import common_pauses, merge_pauses
from buslens.capture.table_settings import TableSettings
from buslens.capture.values import ValuesCapture
from buslens.checks import agree, alive, never, precedes, pulse, sequence, value_range
from buslens.checks.capture_match import Identifier, absent_text, unrelated_text
from buslens.checks.context import EvaluationContext, Presence, edge_condition, longest_hold_ns, roles_in
from buslens.checks.findings import Finding, Findings, Handshake, Handshakes, Result, finding_by
from buslens.checks.lost_frame import in_doubt, role_that_lost_a_frame
from buslens.checks.outcome import Outcome, Verdict
from buslens.checks.own_words import in_own_words
from buslens.checks.replies import pairs_of, read_replies
from buslens.checks.shortest import shortest_of
from buslens.checks.sources import RecordedTogether, Recording, aligned, extended
from buslens.checks.step_findings import StepFindings
from buslens.checks.values import columns_of, not_carried, other_columns, read_columns, table_of_values
from buslens.checks.verdict import decide_verdict
from buslens.defaults import find_expectations
from buslens.definitions.model import EVERY_BIT, Definitions, Message
from buslens.dialogue.pairs import GivenPair
from buslens.errors import CaptureError, SourceLocation, UnrelatedCaptureError, UsageError
from buslens.expectations.model import (
    Agree,
    Alive,
    AnyRule,
    DefinitionsFile,
    Expectations,
    Never,
    Precedes,
    Pulse,
    Range,
    Role,
    Rule,
    Sequence,
    Timeout,
)
from buslens.expectations.resolve import message_of, with_layouts
from buslens.timeline.build import build_timeline
from buslens.timeline.history import CYCLES_PER_TIMEOUT, NO_TIMEOUT, CaptureHistory, MessageHistory, Track
from buslens.timeline.model import UNSAID, Timeline
from buslens.timeline.senders import merged
from buslens.units import format_duration

_PRESENCE: Final = "presence of "
_SEAMS_TOLD: Final = 5


def check(
    capture: str | Path,
    expectations: Expectations | str | Path | None = None,
    definitions: Definitions | str | Path | list[str | Path] | None = None,
    *,
    channels: Mapping[str, str] | None = None,
    table: TableSettings | str | Path | None = None,
    workers: int | None = None,
    notify: Callable[[str], None] | None = None,
    beside: Iterable[str | Path] = (),
) -> Result:
    """Check a capture against expectations.

    Parameters
    ----------
    capture : str or Path
        A recorded log, ``-`` for standard input.
    expectations : Expectations or path, optional
        Roles and rules. Default: ``steering_lock.toml`` beside the capture, in a folder ``signal_defs`` there or up to
        two folders above, or here.
    definitions : Definitions, path or list of paths, optional
        Default: the files that the expectations name.
    channels : mapping of str to str, optional
        Channels as the log calls them, and as the definitions that are tied to one do, where the two differ.
    table : TableSettings or path, optional
        What is said about tables of frames, or the TOML file that says it; else their rows tell.
    workers : int, optional
        Pieces that are read at the same time; default: one per core.
    notify : callable, optional
        Is told, as one sentence, what takes a while.
    beside : iterable of str or Path, optional
        Tables of values that were recorded at the same time: each shows the roles whose columns it has.

    Returns
    -------
    Result
        Verdict, findings in order of rule and time, and the timelines that they rest on.

    Raises
    ------
    BuslensError
        If one of the files cannot be used, or the two do not fit each other.
    """
    from buslens.capture.read import count_identifiers
    from buslens.capture.reduce import reduce_frames
    from buslens.capture.table_settings import settings_of

    if not isinstance(capture, str | Path):
        raise UsageError(
            f"a capture is a result of check() or the path of a log, and no {type(capture).__name__}; for several, give"
            " a list of them"
        )
    ground = prepare(find_expectations(capture) if expectations is None else expectations, definitions)
    settings = settings_of(table)
    opened = open_any(capture, ground.expectations, settings)
    tables = [_open_beside(path, ground.expectations, settings) for path in beside]
    if isinstance(opened, ValuesCapture):
        return replace(evaluate_table(str(capture), ground.expectations, opened, notify, tables), table=settings)
    recorder, stats = reduce_frames(
        opened,
        wanted=wanted_ids(ground.tracks, ground.pairs),
        make=lambda: CaptureHistory(ground.tracks, channels, ground.pairs),
        update=CaptureHistory.add,
        merge=CaptureHistory.merge,
        workers=1 if any(track.timeout_ns is None for track in ground.tracks) else workers,
        notify=notify,
    )
    result = evaluate_capture(
        str(capture),
        ground.expectations,
        recorder,
        stats,
        # Nobody counted what is not needed, and standard input cannot be read again.
        look=None if str(capture) == "-" else lambda: count_identifiers(capture, table=settings),
        keep_rows=False,
        beside=[_read_beside(one, ground.expectations, notify) for one in tables],
    )
    return replace(result, table=settings)


Checkable: TypeAlias = Result | str | Path
"""A capture as functions take it: checked, or where it lies."""


def results_of(captures: Checkable | Iterable[Checkable]) -> tuple[Result, ...]:
    """Return one or several captures checked: results as they are, logs as `check` checks them without more words.

    Raises UsageError if one is neither a result nor the path of a log, BuslensError as `check`.
    """
    several = captures if isinstance(captures, Iterable) and not isinstance(captures, str) else [captures]
    return tuple(it if isinstance(it, Result) else check(it) for it in several)


def _open_beside(path: str | Path, expected: Expectations, table: TableSettings) -> ValuesCapture:
    values = table_of_values(path, expected, table)
    if values is None:
        raise other_columns(path, expected, table) or UnrelatedCaptureError(
            "it is no table of values with a column that a role is read from", SourceLocation(str(path))
        )
    return values


def _read_beside(values: ValuesCapture, expected: Expectations, notify: Callable[[str], None] | None) -> Recording:
    read = read_columns(values, expected, notify)
    _require_clock(values.path, read.stats)
    found = Recording.of(values.path, read.stats, read.timelines, moved_ns=read.moved_ns)
    return replace(found, timelines=found.carried)


def open_any(capture: str | Path, expected: Expectations, table: TableSettings) -> Capture | ValuesCapture:
    """Recognise a capture: a table of values that has a column of the expectations, else a log.

    Raises BuslensError if it is neither, or does not say enough; OSError if the system refuses the file.
    """
    from buslens.capture.open import open_capture

    values = table_of_values(capture, expected, table)
    if values is not None:
        return values
    try:
        opened = open_capture(capture, table=table)
    except CaptureError:
        if str(capture) != "-" and (unrelated := other_columns(capture, expected, table)) is not None:
            raise unrelated from None
        raise
    if columns_of(expected) and not any(role.signal or role.reply for role in expected.roles.values()):
        raise UnrelatedCaptureError(
            "it is a bus log, and all roles of the expectations are read from columns of a table: add 'signal' to them",
            SourceLocation(str(capture)),
        )
    return opened


def evaluate_table(
    path: str,
    expected: Expectations,
    values: ValuesCapture,
    notify: Callable[[str], None] | None = None,
    beside: Iterable[ValuesCapture] = (),
) -> Result:
    """Return what the rules find in a table of values.

    Raises CaptureError if it cannot be read, or its clock runs back too often.
    """
    read = read_columns(values, expected, notify)
    _require_clock(path, read.stats)
    return _evaluate(
        expected,
        Recording.of(path, read.stats, read.timelines, moved_ns=read.moved_ns),
        [_read_beside(one, expected, notify) for one in beside],
        absent=read.absent,
        notes=_stats_notes(read.stats),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckSetup:
    """What captures are checked on: loaded once, for any number of them."""

    expectations: Expectations
    definitions: Definitions
    tracks: list[Track]

    @property
    def pairs(self) -> tuple[GivenPair, ...]:
        """Who asks and who answers, of those whose answers show a role."""
        return pairs_of(self.expectations)


def prepare(
    expectations: Expectations | str | Path, definitions: Definitions | str | Path | list[str | Path] | None = None
) -> CheckSetup:
    """Load what captures are checked on, and see that the two fit each other; parameters as for `check`.

    The expectations that are returned name the definitions that are used.

    Raises BuslensError if one of the files cannot be used, or the two do not fit each other.
    """
    expected = _load_expectations(expectations, definitions_needed=definitions is None)
    defined = _load_definitions(definitions, expected)
    if definitions is not None:
        # What reports name is what the capture was decoded with.
        expected = replace(expected, definitions=tuple(DefinitionsFile(path=path) for path in defined.paths))
    expected = with_layouts(expected, defined)
    return CheckSetup(expectations=expected, definitions=defined, tracks=plan_tracks(expected, defined))


def evaluate_capture(
    path: str,
    expected: Expectations,
    recorder: CaptureHistory,
    stats: ReadStats,
    *,
    look: Callable[[], Mapping[Identifier, int]] | None = None,
    unrelated_from_ns: int = 0,
    keep_rows: bool = True,
    beside: Sequenced[Recording] = (),
) -> Result:
    """Return what the rules find in a capture all of whose frames a recorder has taken.

    Parameters
    ----------
    look : callable, optional
        Returns the identifiers that the capture has and how often; asked only where no needed message is in it.
    unrelated_from_ns : int, optional
        Length from which a capture without any needed message is taken for one of another car, ns.
    keep_rows : bool, optional
        Whether the recorder is needed afterwards; else what it keeps of a role goes as soon as its timeline stands.
    beside : sequence of Recording, optional
        What was recorded at the same time by other instruments.

    Raises
    ------
    CaptureError
        If there was not one frame, or the clock ran back more often than was kept.
    UnrelatedCaptureError
        If not one of the messages that the expectations need is in it.
    """
    recorder.finish()
    if stats.first_ns is None or stats.last_ns is None:
        raise CaptureError("no frame in it could be read", SourceLocation(path))
    _require_clock(path, stats)
    is_long = stats.last_ns - stats.first_ns >= unrelated_from_ns
    if is_long and recorder.messages and not any(log.frames for log in recorder.messages):
        raise UnrelatedCaptureError(
            unrelated_text(recorder.messages, {} if look is None else look()), SourceLocation(path)
        )
    return evaluate_rules(path, expected, recorder, stats, beside, keep_rows=keep_rows)


def _require_clock(path: str, stats: ReadStats) -> None:
    if stats.unlisted_discontinuities:
        times = len(stats.discontinuities) + stats.unlisted_discontinuities
        raise CaptureError(
            f"its clock runs back {times:,} times, so that no delay in it can be trusted; sort the lines by their"
            " stamps if they stand in the wrong order, or record again",
            SourceLocation(path),
        )


def wanted_ids(tracks: list[Track], pairs: Iterable[GivenPair] = ()) -> IdFilter:
    """Return the ids of the frames that tracks are made from, and those of who asks and who answers."""
    from buslens.capture.id_filter import IdFilter

    messages = [track.message for track in tracks]
    asked = [(it.can_id, it.is_extended) for pair in pairs for it in pair]
    return IdFilter(
        ids=frozenset([*((message.can_id, message.is_extended) for message in messages), *asked]),
        groups=frozenset(message.can_id for message in messages if message.id_mask != EVERY_BIT),
    )


def _load_expectations(given: Expectations | str | Path, *, definitions_needed: bool) -> Expectations:
    from buslens.expectations.load import load_expectations

    if isinstance(given, Expectations):
        return given
    if not isinstance(given, str | Path):
        raise UsageError("expectations come before definitions: check(log, 'rules.toml', definitions)")
    return load_expectations(given, definitions_needed=definitions_needed)


def _load_definitions(given: Definitions | str | Path | list[str | Path] | None, expected: Expectations) -> Definitions:
    from buslens.definitions.load import load_definitions
    from buslens.definitions.model import Definitions
    from buslens.expectations.resolve import validate_against

    if isinstance(given, Definitions):
        defined = given
    elif given is None:
        if not expected.definitions:
            if expected.roles and not any(role.signal for role in expected.roles.values()):
                return Definitions(messages=())
            raise UsageError(
                f"{expected.path} names no definitions: add 'definitions = [\"your.dbc\"]' to it, or give a DBC file"
            )
        defined = load_definitions(*expected.definitions)
    else:
        defined = load_definitions(*([given] if isinstance(given, str | Path) else given))
    validate_against(expected, defined)
    return defined


def plan_tracks(expected: Expectations, defined: Definitions) -> list[Track]:
    """Return what has to be followed through a capture for every role and every message that must keep coming."""
    tracks = []
    for role in expected.roles.values():
        if not role.signal or role.reply is not None:
            continue
        message = message_of(role, defined)
        cycle_ns = None if message.cycle_ns is None else CYCLES_PER_TIMEOUT * message.cycle_ns
        match role.timeout:
            case Timeout.FROM_CYCLE:
                timeout_ns = cycle_ns
            case Timeout.NEVER:
                timeout_ns = NO_TIMEOUT
            case int():
                timeout_ns = role.timeout
        signal = message.signal(role.signal)
        tracks.append(
            Track(
                name=role.name,
                message=message,
                signal=signal,
                timeout_ns=timeout_ns,
                ignored_channels=_other_channels(role, message, defined),
                channel=role.channel,
                is_on_change=role.lag_ns is not None and not role.is_event,
                address=role.address,
                shortest_ns=shortest_of(role, expected, is_polled=False).least_ns,
            )
        )
    for rule in expected.rules:
        if isinstance(rule, Alive):
            message = message_of(rule, defined)
            cycle_ns = rule.cycle_ns or message.cycle_ns
            timeout_ns = rule.timeout_ns or (None if cycle_ns is None else CYCLES_PER_TIMEOUT * cycle_ns)
            tracks.append(
                Track(
                    name=_PRESENCE + rule.name,
                    message=message,
                    signal=None,
                    timeout_ns=timeout_ns,
                    ignored_channels=_other_channels(rule, message, defined),
                    channel=rule.channel,
                    address=rule.address,
                )
            )
    return tracks


def _other_channels(reader: Role | Alive, message: Message, defined: Definitions) -> tuple[str, ...]:
    """Return the channels on which the definitions know another message of the same name, if none was asked for."""
    if reader.channel is not None:
        return ()
    others = (it.channel for it in defined if it.name == message.name and it.channel != message.channel)
    return tuple(dict.fromkeys("the others" if channel is None else channel for channel in others))


def evaluate_rules(
    path: str,
    expected: Expectations,
    recorder: CaptureHistory,
    stats: ReadStats,
    beside: Sequenced[Recording] = (),
    *,
    keep_rows: bool = True,
) -> Result:
    """Return what the rules find in a recorder that has been finished."""
    timelines = _build_timelines(expected, recorder, stats, keep_rows=keep_rows)
    cycles = {log.message.name: log.message.cycle_ns for log in recorder.messages}
    presences = {
        rule.name: Presence(
            timeline=timelines.pop(_PRESENCE + rule.name), cycle_ns=rule.cycle_ns or cycles[rule.message]
        )
        for rule in expected.rules
        if isinstance(rule, Alive)
    }
    answered, missing = read_replies(path, expected, recorder.asked, stats)
    return _evaluate(
        expected,
        Recording.of(path, stats, timelines, presences),
        beside,
        answered,
        absent=absent_text(recorder.messages),
        notes=[*missing, *_notes(recorder, stats)],
    )


def _evaluate(
    expected: Expectations,
    found: Recording,
    beside: Sequenced[Recording] = (),
    answered: Recording | None = None,
    *,
    absent: tuple[str, ...],
    notes: Iterable[str],
) -> Result:
    """Return what the rules find in a recording, and in others of the same minutes."""
    if beside or answered is not None or found.moved_ns:
        return _evaluate_together(expected, found, beside, answered, absent=absent, notes=notes)
    return _evaluate_alone(expected, found, absent=absent, notes=tuple(notes))


def _evaluate_alone(
    expected: Expectations, found: Recording, *, absent: tuple[str, ...], notes: tuple[str, ...]
) -> Result:
    def check_again(timelines: Mapping[str, Timeline]) -> Findings:
        context = replace(found, timelines=timelines).context
        return _result(expected, found, lambda _: context, absent=absent, notes=notes).findings

    context = found.context
    result = _result(expected, found, lambda _: context, absent=absent, notes=notes)
    lost = role_that_lost_a_frame(expected, found.timelines, result.findings.unmet, result.handshakes, check_again)
    if not lost:
        return result
    findings = in_doubt(result.findings, expected.roles[lost].message)
    verdict, summary = decide_verdict(
        findings,
        result.handshakes,
        expected.rules,
        handshake=expected.handshake,
        to_decide=expected.to_decide,
        timelines=found.timelines,
    )
    return replace(result, findings=findings, verdict=verdict, summary=summary)


def _evaluate_together(
    expected: Expectations,
    first: Recording,
    beside: Sequenced[Recording],
    answered: Recording | None,
    *,
    absent: tuple[str, ...],
    notes: Iterable[str],
) -> Result:
    """Return what the rules find in several recordings of the same minutes: each rule in those that show its roles."""
    carried = first.carried
    recordings, said = [replace(first, timelines=carried)], []
    taken = set(carried)
    if answered is not None:
        recordings.append(answered)
        taken |= set(answered.timelines)
    for one in beside:
        placed, sentence = aligned(recordings[0], one, expected.align)
        said += [sentence, *(f"{one.path}: {note}" for note in one.stats.notes)]
        recordings.append(replace(placed, timelines={it: of for it, of in placed.timelines.items() if it not in taken}))
        taken |= set(one.timelines)
    first_ns, end_ns = min(it.first_ns for it in recordings), max(it.end_ns for it in recordings)
    shown = {name: of for it in recordings for name, of in it.timelines.items()}
    lacking = {name: not_carried(role, first_ns, end_ns) for name, role in expected.roles.items() if name not in shown}
    timelines = {name: extended({**shown, **lacking}[name], first_ns, end_ns) for name in expected.roles}

    together = RecordedTogether(recordings=tuple(recordings), timelines=timelines)

    whole = Recording.of(first.path, replace(first.stats, first_ns=first_ns, last_ns=end_ns), timelines)

    def context_of(rule: AnyRule) -> EvaluationContext | str:
        return together.context_of(roles_in(rule))

    result = _result(expected, whole, context_of, absent=absent, notes=[*said, *notes])
    return replace(result, together=together)


def _result(
    expected: Expectations,
    found: Recording,
    context_of: Callable[[AnyRule], EvaluationContext | str],
    *,
    absent: tuple[str, ...],
    notes: Iterable[str],
) -> Result:
    """Return what rules find, each in its context; one that has none is undecided for the reason that is given."""
    parts: list[Sequenced[Finding]] = []
    handshakes: list[Sequenced[Handshake]] = []
    unexercised = []
    labelled = {name: role for name, role in expected.roles.items() if role.label}
    for rule in expected.rules:
        context = context_of(rule)
        if isinstance(context, str):
            parts.append([_undecided(rule, context)])
            continue
        told, begun = evaluate_rule(rule, context)
        words = partial(in_own_words, rule=rule, roles=labelled)
        parts.append(told.told_by(words) if isinstance(told, StepFindings) else [words(it) for it in told])
        handshakes.append(begun)
        if not told:
            unexercised.append(rule.name)
    findings, runs = Findings(parts), Handshakes(handshakes)
    verdict, summary = decide_verdict(
        findings,
        runs,
        expected.rules,
        handshake=expected.handshake,
        to_decide=expected.to_decide,
        timelines=found.timelines,
    )
    stats, recorded_ns = found.stats, found.end_ns - found.first_ns
    if stats.is_unsound and verdict is Verdict.AS_EXPECTED:
        verdict = Verdict.UNDECIDED
        summary = "the packed log is damaged at an unknown place, and any of it may be wrong: copy it again"
    elif stats.damage:
        summary += f"; the log is cut short, and what it had after {format_duration(recorded_ns)} was not read"
    return Result(
        path=found.path,
        verdict=verdict,
        summary=summary,
        findings=findings,
        handshakes=runs,
        unexercised=tuple(unexercised),
        timelines=found.timelines,
        stats=stats,
        expectations=expected,
        notes=(*absent, *stats.notes, *notes),
        absent=absent,
    )


def evaluate_rule(rule: AnyRule, context: EvaluationContext) -> tuple[Sequenced[Finding], Sequenced[Handshake]]:
    """Return what one rule finds, and the handshakes if it is a sequence."""
    if not context.is_timed and _needs_time(rule):
        if isinstance(rule, Sequence) and _has_order(rule):
            return sequence.evaluate_order(rule, context)
        return [_untimed(rule)], []
    if isinstance(rule, Sequence):
        return sequence.evaluate(rule, context)
    return _EVALUATE[type(rule)](rule, context), []


_EVALUATE: Final[Mapping[type[Rule], Callable[[Any, EvaluationContext], list[Finding]]]] = {
    Pulse: pulse.evaluate,
    Never: never.evaluate,
    Agree: agree.evaluate,
    Alive: alive.evaluate,
    Range: value_range.evaluate,
    Precedes: precedes.evaluate,
}
"""What checks each kind of rule, except sequences, which also make handshakes."""


def _needs_time(rule: AnyRule) -> bool:
    return rule.needs_time or any(longest_hold_ns(state.condition) > 0 for state in rule.conditions)


def _has_order(rule: Sequence) -> bool:
    """Return whether no part of a sequence asks how long something has held."""
    triggers = (rule.start, rule.abandon, *(step.await_ for step in rule.steps))
    moments = [moment for trigger in triggers if trigger is not None for moment in trigger.moments]
    asked = [edge_condition(moment) for moment in moments] + [it.while_ for it in moments if it.while_ is not None]
    asked += [] if rule.given is None else [rule.given.condition]
    return not any(longest_hold_ns(condition) for condition in asked)


def _untimed(rule: AnyRule) -> Finding:
    return _undecided(
        rule,
        "the log carries no time stamps, so that nothing with a time limit can be checked;"
        " record again with time stamps switched on",
    )


def _undecided(rule: AnyRule, reason: str) -> Finding:
    return finding_by(rule)(outcome=Outcome.UNDECIDED, reason=reason)


def _build_timelines(
    expected: Expectations, recorder: CaptureHistory, stats: ReadStats, *, keep_rows: bool
) -> dict[str, Timeline]:
    from buslens.expectations.resolve import raw_values

    timelines: dict[str, Timeline] = {}
    for log in recorder.messages:
        for index, track in enumerate(log.tracks):
            role = expected.roles.get(track.name)
            states: Mapping[str, frozenset[int]] = {"present": frozenset({0})}
            if role is not None and track.signal is not None:
                states = {state: frozenset(numbers) for state, numbers in raw_values(role, track.signal).items()}
            built = {
                name: build_timeline(
                    each,
                    index,
                    states=states,
                    unit="" if role is None else role.unit,
                    lag_ns=None if role is None else role.lag_ns,
                    is_event=role is not None and role.is_event,
                    is_own_event=role is not None and role.is_own_event,
                    discontinuities=stats.discontinuities,
                    first_ns=stats.first_ns or 0,
                    end_ns=stats.last_ns or 0,
                    is_timed=stats.clock is not Clock.MISSING,
                    resolution_ns=stats.resolution_ns,
                    pauses=common_pauses(stats.pauses.get(label, ()) for label in _labels_of(each, stats)),
                    unread=_unread_of(each, stats),
                    is_lone=bool(each.channels) and each.channels <= stats.lone_channels,
                    sleeps=expected.sleeps,
                    shortest=UNSAID if role is None else shortest_of(role, expected, is_polled=False),
                    keep_rows=keep_rows,
                )
                for name, each in _senders(log).items()
            }
            timelines[track.name] = merged(built) if len(built) > 1 else built[""]
    first_ns, end_ns = stats.first_ns or 0, stats.last_ns or 0
    in_order = {
        name: timelines[name] if name in timelines else not_carried(role, first_ns, end_ns)
        for name, role in expected.roles.items()
    }
    return in_order | timelines


def _senders(log: MessageHistory) -> dict[str, MessageHistory]:
    """Return what each sender of a message sent, by what it is called; without a name if there is but one."""
    if len(log.senders) < 2:
        return {"": log}
    one_channel = len({it.channel for it in log.senders}) == 1
    named = {}
    for sender, each in log.senders.items():
        source = "" if sender.address is None else f"source 0x{sender.address:02X}"
        channel = "" if one_channel else sender.channel
        named[f"{channel} {source}".strip()] = each or log
    return named


def _unread_of(log: MessageHistory, stats: ReadStats) -> tuple[Pause, ...]:
    """Return where lines stand that could not be read and that may be frames of a message."""
    mask, wanted = log.message.id_mask, log.message.can_id & log.message.id_mask
    first_ns = stats.first_ns or 0
    return merge_pauses(
        Pause(first_ns if one.from_ns is None else one.from_ns, one.to_ns)
        for one in stats.unread
        if one.can_id is None or one.can_id & mask == wanted
    )


def _labels_of(log: MessageHistory, stats: ReadStats) -> list[str]:
    """Return the channels, as recorded, on which a message came, or could have come if it never did."""
    if log.channels:
        return sorted(log.channels)
    tied = log.tracks[0].channel or log.message.channel
    return [label for label in stats.channels if tied is None or tied in {label, log.channel_aliases.get(label, label)}]


def _notes(recorder: CaptureHistory, stats: ReadStats) -> list[str]:
    notes = []
    for log in recorder.messages:
        if len(log.channels) > 1:
            channels = ", ".join(sorted(log.channels))
            notes.append(
                f"{log.message.name} came on {channels}, and was read from all of them as one; where they contradict"
                " each other a role is unknown, unless 'channel' ties it to one of them"
            )
        if len(log.ids) > 1:
            sources = ", ".join(f"{can_id:X}" for can_id in sorted(log.ids))
            notes.append(
                f"{log.message.name} came with ids {sources}, and was read from all of them as one; where sources"
                " contradict each other a role is unknown, unless 'source' ties it to one of them"
            )
        tied = log.tracks[0].channel or log.message.channel
        if also_on := ", ".join(log.tracks[0].ignored_channels):
            notes.append(
                f"the definitions know {log.message.name} on {tied or 'every channel'} and on {also_on}; it was read"
                f" from {tied or 'every channel'}, which they name first"
            )
    return [*notes, *_stats_notes(stats)]


def _stats_notes(stats: ReadStats) -> list[str]:
    notes = []
    if stats.reordered:
        notes.append(
            f"{stats.reordered} frames came up to 100 ms behind one of another channel; they were merged by time"
        )
    for discontinuity in stats.discontinuities[:_SEAMS_TOLD]:
        what = f"recorder clock jumped back by {format_duration(discontinuity.back_ns)}"
        if discontinuity.back_ns <= 0:
            what = "the stamps of the log restart in a new block"
        if discontinuity.is_lost:
            what = "unreadable relative time stamp; elapsed time unknown"
        if discontinuity.is_hole:
            what = "zero bytes stand before it, as a loss of power leaves them; what was recorded there is lost"
        notes.append(
            f"line {discontinuity.line}: {what}; every role is unknown there until its next frame, "
            "and times count on from"
            " before it"
        )
    if len(stats.discontinuities) > _SEAMS_TOLD:
        notes.append(f"the same at {len(stats.discontinuities) - _SEAMS_TOLD} more places")
    if stats.errors:
        notes.append(f"{stats.errors} error frames were recorded: look at the bus itself, its wiring and its nodes")
    return notes
