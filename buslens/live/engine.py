"""Checking a capture while it grows, at a cost that does not grow with it.

Three recorders take every frame. The first keeps the whole capture and is checked once, at the end, by the same
function as a capture from a file: so the last word is that of ``buslens check``. The other two are windows: captures
that began later. The older window is checked whenever something has come; when the younger one has grown old enough to
hold all that a rule can rest on, and all handshakes that reach into it have been told, it takes the older one's place.
Of what lies near the beginning of a later window nothing is told from it: the window before has told it.
"""

import copy
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Self

import numpy as np

from buslens.capture.frames import Clock, ClockDiscontinuity, Frames, ReadStats
from buslens.capture.pauses import TrafficByChannel
from buslens.checks.evaluate import evaluate_capture, evaluate_rules
from buslens.checks.findings import Finding, Findings, Handshakes, Result
from buslens.checks.replies import pairs_of
from buslens.checks.setup import plan_tracks, prepare
from buslens.definitions.model import Definitions
from buslens.expectations.model import Expectations
from buslens.expectations.resolve import raw_values
from buslens.expectations.subjects import roles_in
from buslens.live.final_findings import FinalFinding, extent, final_findings, lookback_ns
from buslens.timeline.build import typed_raw
from buslens.timeline.history import NO_FRAME_NS, CaptureHistory, MessageHistory, TrackHistory
from buslens.units import NS_PER_S

_LEAST_WINDOW_NS: Final = 60 * NS_PER_S
_LEAST_MARGIN_NS: Final = 5 * NS_PER_S
_PRESENCE: Final = "presence of "

_UNRELATED_FROM_NS: Final = 2 * NS_PER_S
"""Who stops sooner has perhaps not waited for the slowest message."""


@dataclass(slots=True)
class _Window:
    recorder: CaptureHistory
    first_ns: int
    #: Before this, nothing is told from the window.
    told_from_ns: int
    traffic: TrafficByChannel = field(default_factory=TrafficByChannel)


class Engine:
    """Checks a capture as its frames come.

    Parameters
    ----------
    defined : Definitions
        Checked against the expectations already.
    clock : Clock
        What its stamps count from.
    channels : mapping of str to str, optional
        Channels as the log calls them, and as the definitions that are tied to one do, where the two differ.
    window_ns : int, optional
        Least length of what is checked again and again, ns; default: a minute, or more if the rules reach back further.
    """

    def __init__(
        self,
        expected: Expectations,
        defined: Definitions,
        *,
        path: str,
        clock: Clock = Clock.WALL,
        channels: Mapping[str, str] | None = None,
        window_ns: int | None = None,
    ) -> None:
        self.expected = expected
        self.path = path
        #: What the stamps count from.
        self.clock = clock
        self._tracks = plan_tracks(expected, defined)
        self._channels = channels
        self._whole = CaptureHistory(self._tracks, channels, pairs_of(expected))
        # An answer that is still to come says what was at its request: rules on answers are checked at the end alone.
        answered = {role.name for role in expected.roles.values() if role.reply is not None}
        self._early = replace(expected, rules=tuple(it for it in expected.rules if not roles_in(it) & answered))
        self._window: _Window | None = None
        self._next: _Window | None = None
        timeouts = [log_timeout for log_timeout in (track.timeout_ns for track in self._tracks) if log_timeout]
        reaches = [lookback_ns(rule) for rule in expected.rules]
        # A timeout that never runs out reaches back no further than the others.
        self._reach_ns = max([*reaches, *(it for it in timeouts if it < 3600 * NS_PER_S), _LEAST_MARGIN_NS])
        self._window_ns = max(3 * self._reach_ns, _LEAST_WINDOW_NS) if window_ns is None else window_ns
        self._discontinuities: list[ClockDiscontinuity] = []
        self._traffic = TrafficByChannel()
        #: Frames that have been taken.
        self.frames = 0
        self._result: Result | None = None
        #: What was last checked; frames may have come since.
        self.last_look: Result | None = None
        #: By rule, start of the last handshake that was told, and how many have been.
        self._last_start_ns: dict[str, int] = {}
        self._count: dict[str, int] = {}
        #: By rule and outcome, what was told without being a handshake.
        self._extents: dict[tuple[str, str], list[tuple[int, int]]] = {}
        #: Everything that was told, in order.
        self.told: list[FinalFinding] = []
        #: Axis times of the first and of the last frame, ns; None before there is one.
        self.first_ns: int | None = None
        self.last_ns: int | None = None

    @classmethod
    def of(
        cls,
        expected: Expectations,
        defined: Definitions | None = None,
        *,
        path: str,
        channels: Mapping[str, str] | None = None,
    ) -> Self:
        """Return an engine for expectations, with the definitions that they name unless others are given.

        Raises BuslensError if there are no definitions, or the two do not fit each other.
        """
        ground = prepare(expected, defined)
        return cls(ground.expectations, ground.definitions, path=path, channels=channels)

    # --- taking ---------------------------------------------------------------------------------------------

    def take(self, frames: Frames, discontinuities: Iterable[ClockDiscontinuity] = ()) -> None:
        """Take a run of frames, later than all before."""
        if not len(frames):
            return
        begin_ns, self.last_ns = int(frames.time_ns[0]), int(frames.time_ns[-1])
        if self.first_ns is None:
            self.first_ns = begin_ns
        if self._window is None:
            self._window = _Window(CaptureHistory(self._tracks, self._channels), begin_ns, begin_ns)
        elif self._next is None and begin_ns - self._window.first_ns > self._window_ns:
            self._next = _Window(self._later_recorder(), begin_ns, begin_ns + self._reach_ns)
        self._discontinuities = list(discontinuities)
        self.frames += len(frames)
        self._result = None
        for window in (self._window, self._next):
            if window is not None:
                window.recorder.add(frames)
                window.traffic.add(frames)
        self._traffic.add(frames)
        self._whole.add(frames)

    def _later_recorder(self) -> CaptureHistory:
        """Return a blank recorder with the timeouts that have been measured by now."""
        timeouts = {
            track.name: timeout_ns
            for log in self._whole.messages
            for track, timeout_ns in zip(log.tracks, log.timeouts_ns, strict=True)
        }
        tracks = (replace(track, timeout_ns=timeouts[track.name]) for track in self._tracks)
        return CaptureHistory(tracks, self._channels)

    # --- looking --------------------------------------------------------------------------------------------

    def look(self) -> Result | None:
        """Return the last minutes, checked as they stand; None before the first frame.

        Handshakes are numbered through from the beginning of the capture.
        """
        if self._result is None and self._window is not None:
            self._result = self.last_look = self._numbered(self._judge(self._window))
        return self._result

    def next_change_ns(self, frames: Frames) -> int | None:
        """Return when frames that have not been taken yet first show another state of a role; None if they do not.

        Numbers change all the time, and do not count.
        """
        recorder = self._later_recorder()
        recorder.add(frames)
        found = []
        for log, mine in zip(recorder.messages, self._whole.messages, strict=True):
            log.finish()
            for track, rows, before in zip(log.tracks, log.rows, mine.rows, strict=True):
                role = self.expected.roles.get(track.name)
                if role is None or role.is_number or track.signal is None:
                    continue
                codes = {raw: state for state, raws in raw_values(role, track.signal).items() for raw in raws}
                time_ns, bits = rows.time_ns.joined(), rows.bits.joined()
                states = [codes.get(number) for number in typed_raw(bits, track.signal).tolist()]
                last = np.array([before.last_bits], bits.dtype)
                known = [codes.get(number) for number in typed_raw(last, track.signal).tolist()]
                if before.last_ns == NO_FRAME_NS:
                    known = []
                changed = (at for at, state in zip(time_ns.tolist(), states, strict=True) if [state] != known)
                found.append(next(changed, None))
        return min((at for at in found if at is not None), default=None)

    def _judge(self, window: _Window) -> Result:
        last_ns = window.first_ns if self.last_ns is None else self.last_ns
        stats = ReadStats(
            clock=self.clock,
            frames=self.frames,
            first_ns=window.first_ns,
            last_ns=last_ns,
            discontinuities=[
                discontinuity
                for discontinuity in self._discontinuities
                if window.first_ns <= discontinuity.time_ns <= last_ns
            ],
            pauses=window.traffic.pauses(window.first_ns, last_ns),
            lone_channels=self._traffic.lone(),
        )
        return evaluate_rules(self.path, self._early, _finished(window.recorder), stats)

    def _numbered(self, result: Result) -> Result:
        """Return a window's result with the numbers that its handshakes have in the whole capture."""
        moved = {}
        for rule, last_ns in self._last_start_ns.items():
            runs = [run for run in result.handshakes if run.rule == rule]
            told = sum((run.start.latest_ns or 0) <= last_ns for run in runs)
            moved[rule] = self._count[rule] - told
        if not any(moved.values()):
            return result
        return replace(
            result,
            findings=Findings.of(
                [
                    finding
                    if finding.handshake is None or not moved.get(finding.rule)
                    else replace(finding, handshake=finding.handshake + moved[finding.rule])
                    for finding in result.findings
                ]
            ),
            handshakes=Handshakes.of(
                replace(run, number=run.number + moved[run.rule]) if moved.get(run.rule) else run
                for run in result.handshakes
            ),
        )

    def tell(self) -> list[FinalFinding]:
        """Return what can be said for the first time, and will stand however the capture goes on."""
        result = self.look()
        if result is None or self._window is None:
            return []
        new = [
            told for told in final_findings(result, unmeasured=_unmeasured(self._window.recorder)) if self._is_new(told)
        ]
        new.sort(key=lambda told: max((finding.time_ns or 0 for finding in told.findings), default=0))
        self.told += new
        if self._next is not None:
            self._move_on(result, self._window, self._next)
        return new

    def _is_new(self, told: FinalFinding) -> bool:
        if told.handshake is not None:
            start_ns = told.handshake.start.latest_ns or 0
            if start_ns <= self._last_start_ns.get(told.rule, start_ns - 1):
                return False
            self._last_start_ns[told.rule] = start_ns
            self._count[told.rule] = told.handshake.number
            return True
        finding = told.findings[0]
        known = self._extents.setdefault((told.rule, finding.outcome.value), [])
        from_ns, to_ns = extent(finding)
        for index, (begin_ns, end_ns) in enumerate(known):
            if from_ns <= end_ns and begin_ns <= to_ns:
                known[index] = min(begin_ns, from_ns), max(end_ns, to_ns)
                return False
        if (finding.time_ns or 0) < (self._window.told_from_ns if self._window else 0):
            return False
        known.append((from_ns, to_ns))
        return True

    def _move_on(self, result: Result, old: _Window, new: _Window) -> None:
        """Let the younger window take the older one's place, if nothing is lost by it."""
        assert self.last_ns is not None  # noqa: S101 (a window has frames)
        if self.last_ns - new.first_ns <= 2 * self._reach_ns or old.first_ns >= new.first_ns:
            return
        for run in result.handshakes:
            start_ns = run.start.latest_ns or 0
            if start_ns <= new.told_from_ns and start_ns > self._last_start_ns.get(run.rule, start_ns - 1):
                return
        self._window, self._next, self._result = new, None, None
        for key, known in self._extents.items():
            self._extents[key] = [span for span in known if span[1] >= new.first_ns]

    # --- the last word --------------------------------------------------------------------------------------

    def finish(self, stats: ReadStats) -> Result:
        """Return the verdict on the whole capture: what `check` finds in the same frames.

        Raises CaptureError if there was not one frame, or for seconds none that is needed.
        """
        return evaluate_capture(self.path, self.expected, self._whole, stats, unrelated_from_ns=_UNRELATED_FROM_NS)


def is_final(finding: Finding, result: Result) -> bool:
    """Return whether what was told of a growing capture is among the findings on the whole of it."""
    alike = [other for other in result.findings if (other.rule, other.outcome) == (finding.rule, finding.outcome)]
    if finding.handshake is not None:
        key = finding.handshake, finding.step, finding.time_ns
        return any((other.handshake, other.step, other.time_ns) == key for other in alike)
    from_ns, to_ns = extent(finding)
    spans = [extent(other) for other in alike if other.time_ns is not None]
    return any(begin_ns <= to_ns and from_ns <= end_ns for begin_ns, end_ns in spans)


def _finished(recorder: CaptureHistory) -> CaptureHistory:
    """Return the history of a capture that ends here; the one given can go on."""
    if not recorder.must_measure:
        return recorder
    twin = CaptureHistory(())
    twin.messages = tuple(_ended(log) if log.must_measure else log for log in recorder.messages)
    return twin


def _ended(log: MessageHistory) -> MessageHistory:
    """Return a log that still measures, closed; all that it has kept so far are runs, which are not changed."""
    twin = copy.copy(log)
    if None in log.timeouts_ns:
        twin.rows = tuple(TrackHistory(beats_ns=[] if track.is_on_change else None) for track in twin.tracks)
    twin.senders = {it: _ended(each) if each and each.must_measure else each for it, each in log.senders.items()}
    twin.finish()
    return twin


def _unmeasured(recorder: CaptureHistory) -> frozenset[str]:
    """Return the roles, and the rules on messages, whose timeouts are not known yet."""
    return frozenset(
        track.name.removeprefix(_PRESENCE)
        for log in recorder.messages
        for track, timeout_ns in zip(log.tracks, log.timeouts_ns, strict=True)
        if timeout_ns is None
    )
