"""From what was recorded to a result: each rule in what shows its roles, and the verdict."""

from collections.abc import Callable, Iterable, Mapping
from collections.abc import Sequence as Sequenced
from dataclasses import replace
from functools import partial

from buslens.capture.frames import ReadStats
from buslens.capture.values import ValuesCapture
from buslens.checks.capture_match import Identifier, absent_text, unrelated_text
from buslens.checks.capture_notes import message_notes, stats_notes
from buslens.checks.context import EvaluationContext, Presence
from buslens.checks.custom_sentences import reworded
from buslens.checks.evaluate_rule import evaluate_rule, undecided
from buslens.checks.findings import Finding, Findings, Handshake, Handshakes, Result
from buslens.checks.lost_frame import in_doubt, role_that_lost_a_frame
from buslens.checks.outcome import Verdict
from buslens.checks.replies import read_replies
from buslens.checks.role_timelines import timeline_makers
from buslens.checks.setup import PRESENCE
from buslens.checks.sources import RecordedTogether, Recording, aligned, extended
from buslens.checks.step_findings import StepFindings
from buslens.checks.values import not_carried, read_columns
from buslens.checks.verdict import decide_verdict
from buslens.errors import CaptureError, SourceLocation, UnrelatedCaptureError
from buslens.expectations.model import (
    Alive,
    AnyRule,
    Expectations,
)
from buslens.expectations.subjects import roles_in
from buslens.timeline.history import CaptureHistory
from buslens.timeline.model import Timeline
from buslens.timeline.on_demand import TimelinesOnDemand
from buslens.units import format_duration


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
    makers = timeline_makers(expected, recorder, stats, keep_rows=keep_rows)
    cycles = {log.message.name: log.message.cycle_ns for log in recorder.messages}
    presences = {
        rule.name: Presence(timeline=makers.pop(PRESENCE + rule.name)(), cycle_ns=rule.cycle_ns or cycles[rule.message])
        for rule in expected.rules
        if isinstance(rule, Alive)
    }
    timelines = TimelinesOnDemand(makers)
    needed = frozenset[str]().union(*map(roles_in, expected.rules))
    # A recorder that goes on recording would make others later.
    timelines.make(name for name in makers if keep_rows or name in needed)
    answered, missing = read_replies(path, expected, recorder.asked, stats)
    return _evaluate(
        expected,
        Recording.of(path, stats, timelines, presences),
        beside,
        answered,
        absent=absent_text(recorder.messages),
        notes=[*missing, *message_notes(recorder, stats)],
    )


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
        [read_beside(one, expected, notify) for one in beside],
        absent=read.absent,
        notes=stats_notes(read.stats),
    )


def read_beside(values: ValuesCapture, expected: Expectations, notify: Callable[[str], None] | None) -> Recording:
    """Return what a table of values shows that was recorded beside a capture; errors as of `evaluate_table`."""
    read = read_columns(values, expected, notify)
    _require_clock(values.path, read.stats)
    found = Recording.of(values.path, read.stats, read.timelines, moved_ns=read.moved_ns)
    return replace(found, timelines=found.carried)


def _require_clock(path: str, stats: ReadStats) -> None:
    if stats.unlisted_discontinuities:
        times = len(stats.discontinuities) + stats.unlisted_discontinuities
        raise CaptureError(
            f"its clock runs back {times:,} times, so that no delay in it can be trusted; sort the lines by their"
            " stamps if they stand in the wrong order, or record again",
            SourceLocation(path),
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
            parts.append([undecided(rule, context)])
            continue
        told, begun = evaluate_rule(rule, context)
        words = partial(reworded, rule=rule, roles=labelled)
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
