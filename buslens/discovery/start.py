"""From definitions and a capture to a first expectations file, for a person to go on from."""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from buslens.capture.frames import Clock
from buslens.checks.check import judge, plan_tracks
from buslens.checks.scene import Scene
from buslens.discovery.draft import Draft, Drafter, with_problem
from buslens.discovery.limits import STEP_NS
from buslens.discovery.roles import ROLES, STATES, Proposal, Seen, fits, propose
from buslens.discovery.toml_text import commented, duration, quoted, remark, role_lines, unnamed
from buslens.errors import CaptureError, Source, UsageError
from buslens.expectations.load import parse_expectations
from buslens.timeline.recorder import CYCLES_PER_TIMEOUT, NO_TIMEOUT, Recorder, Track
from buslens.units import format_duration

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from buslens.capture.frames import Tally
    from buslens.definitions.model import Definitions
    from buslens.expectations.model import Expectations

_EXPLAINED: Final = {
    "door_open": "the door whose opening makes the lock lock",
    "ignition": "whether the car is switched on",
    "lock_enable": "what the control unit drives: a short pulse, off at rest",
    "unlock_feedback": "the hard-wired path of the feedback",
    "data_feedback": "the second, independent path, over the data line",
    "supply_voltage": "the supply of the lock, as near to it as it is measured",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Started:
    """A first expectations file, and what it rests on."""

    text: str
    proposals: Mapping[str, Proposal]
    drafts: tuple[Draft, ...]
    #: Frames of the capture.
    frames: int

    @property
    def certain(self) -> dict[str, str]:
        """The roles that stand, with their signals."""
        return {role: it.best.name for role, it in self.proposals.items() if it.is_certain and it.best is not None}

    @property
    def uncertain(self) -> list[str]:
        """The roles that are only comments."""
        return [role for role, it in self.proposals.items() if not it.is_certain]


def start(
    definitions: Sequence[str],
    capture: str,
    *,
    output: str,
    workers: int | None = None,
    notify: Callable[[str], None] | None = None,
) -> Started:
    """Return a first expectations file.

    Parameters
    ----------
    definitions : sequence of str
        DBC files.
    capture : str
        A recorded log of a healthy vehicle, with a handshake or more in it; it is read twice, so no standard input.
    output : str
        Where the file will be: it names the definitions from there.
    workers : int, optional
        Pieces that are read at the same time; default: one per core.
    notify : callable, optional
        Is told, as one sentence, what takes a while.

    Raises
    ------
    BuslensError
        If a file cannot be used, or no signal of the definitions looks like one of a steering lock.
    """
    from buslens.definitions.load import load_definitions

    if capture == "-":
        raise UsageError("the capture is read twice, which standard input cannot be: save the log to a file first")
    defined = load_definitions(*definitions)
    candidates = fits(defined)
    if not candidates:
        raise UsageError(
            f"no signal in {', '.join(defined.paths)} looks like a door, an ignition, a lock's enable or feedback, or a"
            f" supply voltage, by its name and value names; 'buslens defs {defined.paths[0]} --find WORD' searches them"
        )
    tracks = {
        fit.name: Track(name=fit.name, message=fit.message, signal=fit.signal, timeout_ns=NO_TIMEOUT)
        for fit in candidates
    }
    recorder, tally = _read(capture, list(tracks.values()), workers, notify)
    if tally.clock is Clock.MISSING:
        raise UsageError(f"{capture} has no time stamps, so that nothing can be measured; record it with them")
    seen, cycles = _seen(recorder, tally)
    proposals = propose(candidates, seen)
    if not cycles:
        names = ", ".join(sorted({fit.message.name for fit in candidates}))
        raise UsageError(
            f"{capture} has no two frames of {names}: are these the definitions of this vehicle, and this bus?"
        )
    _refuse_empty(proposals, _alive(proposals, cycles))
    header = _header(proposals, cycles)
    expected = parse_expectations(header.encode(), output)
    recorder, tally = _read(capture, plan_tracks(expected, defined), workers, notify)
    drafts = _drafts(header, expected, recorder, tally, capture, proposals)
    findings = judge(capture, expected, recorder, tally).findings
    drafts += [with_problem(draft, findings) for draft in _alive(proposals, cycles)]
    text = "\n".join(_lines(proposals, cycles, drafts, defined, capture, output, tally)) + "\n"
    _refuse_empty(proposals, drafts)
    return Started(text=text, proposals=proposals, drafts=tuple(drafts), frames=tally.frames)


def _refuse_empty(proposals: Mapping[str, Proposal], drafts: Sequence[Draft]) -> None:
    if not _certain(proposals) and all(draft.problem for draft in drafts):
        named = (f"{role}: {it.best.name}?" for role, it in proposals.items() if it.best is not None)
        raise UsageError(f"nothing is certain enough to begin with; look at these signals yourself: {', '.join(named)}")


def _read(
    capture: str, tracks: list[Track], workers: int | None, notify: Callable[[str], None] | None
) -> tuple[Recorder, Tally]:
    from buslens.capture.fold import fold
    from buslens.capture.open import open_capture

    recorder, tally = fold(
        open_capture(capture),
        wanted=[(track.message.can_id, track.message.is_extended) for track in tracks],
        new=lambda: Recorder(tracks),
        step=Recorder.take,
        join=Recorder.join,
        workers=1 if any(track.timeout_ns is None for track in tracks) else workers,
        notify=notify,
    )
    recorder.finish()
    if tally.first_ns is None or tally.last_ns is None:
        raise CaptureError("no frame in it could be read", Source(capture))
    return recorder, tally


def _seen(recorder: Recorder, tally: Tally) -> tuple[dict[str, Seen], dict[str, int]]:
    """Return what was seen of each signal, and the usual time between frames of each message, ns."""
    seen, cycles = {}, {}
    for log in recorder.messages:
        if log.period_ns is not None:
            cycles[log.message.name] = log.period_ns
        for track, rows in zip(log.tracks, log.rows, strict=True):
            time_ns, _, raw, _ = rows.arrays()
            seen[track.name] = Seen(time_ns=time_ns, raw=raw.view("int64"), end_ns=tally.last_ns or 0)
    return seen, cycles


# --- the draft, read as a file --------------------------------------------------------------------------


def _header(proposals: Mapping[str, Proposal], cycles: Mapping[str, int]) -> str:
    """Return the certain roles, and the rules that need no measuring, as an expectations file."""
    lines = ["format = 1"]
    for proposal in _certain(proposals):
        assert proposal.best is not None  # noqa: S101  (else it were not certain)
        lines += role_lines(proposal.best, _timeout(proposal, cycles))
    for draft in _alive(proposals, cycles):
        lines += draft.lines
    return "\n".join(lines) + "\n"


def _certain(proposals: Mapping[str, Proposal]) -> list[Proposal]:
    return [proposals[role] for role in ROLES if proposals[role].is_certain]


def _timeout(proposal: Proposal, cycles: Mapping[str, int]) -> int | None:
    """Return three times the cycle time, of the definitions or as measured, whichever is longer."""
    assert proposal.best is not None  # noqa: S101  (the caller has looked)
    message = proposal.best.message
    cycle_ns = max(message.cycle_ns or 0, cycles.get(message.name, 0))
    return -(-CYCLES_PER_TIMEOUT * cycle_ns // STEP_NS) * STEP_NS if cycle_ns else None


def _alive(proposals: Mapping[str, Proposal], cycles: Mapping[str, int]) -> list[Draft]:
    """Return a rule for each message that must keep coming: those of the lock, else all that was thought of."""
    wanted = ("lock_enable", "unlock_feedback", "data_feedback")
    best = [proposals[role].best for role in wanted if proposals[role].is_certain]
    best = best or [it.best for it in proposals.values()]
    drafts = []
    for message in dict.fromkeys(fit.message.name for fit in best if fit is not None):
        if message not in cycles:
            continue
        cycle_ns = cycles[message]
        name = f"{message} keeps coming"
        lines = (
            "[[rules]]",
            f"name = {quoted(name)}",
            'kind = "alive"',
            f"message = {quoted(message)}",
            f"timeout = {duration(-(-CYCLES_PER_TIMEOUT * cycle_ns // STEP_NS) * STEP_NS)}",
            'basis = "three times the cycle time, common practice, no source"',
        )
        drafts.append(Draft(name=name, lines=lines, remarks=(f"one frame per {format_duration(cycle_ns)} here",)))
    return drafts


def _drafts(
    header: str,
    expected: Expectations,
    recorder: Recorder,
    tally: Tally,
    capture: str,
    proposals: Mapping[str, Proposal],
) -> list[Draft]:
    """Return the rules that are measured; those that this capture breaks are comments."""
    result = judge(capture, expected, recorder, tally)
    scene = Scene(
        timelines=result.timelines,
        presences={},
        first_ns=tally.first_ns or 0,
        end_ns=tally.last_ns or 0,
        seams_ns=tuple(seam.time_ns for seam in tally.seams),
    )
    roles = [proposal.role for proposal in _certain(proposals)]
    drafts = list(Drafter(header, roles, scene).drafts())
    standing = "".join("\n".join(draft.lines) + "\n" for draft in drafts if not draft.problem)
    whole = parse_expectations((header + standing).encode(), "draft")
    findings = judge(capture, whole, recorder, tally).findings
    return [draft if draft.problem else with_problem(draft, findings) for draft in drafts]


# --- the file -------------------------------------------------------------------------------------------


def _lines(
    proposals: Mapping[str, Proposal],
    cycles: Mapping[str, int],
    drafts: Sequence[Draft],
    defined: Definitions,
    capture: str,
    output: str,
    tally: Tally,
) -> Iterator[str]:
    yield from remark(
        "A first expectations file, made from one capture: go through it line by line before you trust it."
    )
    yield "#"
    yield from remark(
        f"Learned from {Path(capture).name}, {tally.frames:,} frames. If that vehicle was not healthy, its fault is"
        " learned as if it were right. What could not be made out with certainty stands as a comment: check it and take"
        " the '#' away, or delete it. Above each limit stands how often it was measured, and how it was made from that;"
        " more healthy captures make it better."
    )
    yield ""
    yield "format = 1"
    yield f"definitions = [{', '.join(quoted(_beside(path, output)) for path in defined.paths)}]"
    yield ""
    yield from remark("--- Roles: what each signal means; are these the right ones? ---")
    for role in ROLES:
        yield ""
        yield from _role(proposals[role], cycles)
    yield ""
    yield from remark("--- Rules: what a healthy vehicle keeps to; are the limits yours? ---")
    for draft in drafts:
        yield ""
        if draft.problem:
            yield from remark(f"{draft.name}: {draft.problem}")
        for text in draft.remarks:
            yield from remark(text)
        yield from commented(draft.lines) if draft.problem else draft.lines


def _role(proposal: Proposal, cycles: Mapping[str, int]) -> Iterator[str]:
    yield from remark(f"{proposal.role}: {_EXPLAINED[proposal.role]}")
    best = proposal.best
    if best is None:
        yield from remark(f"not found: {proposal.doubt}")
        return
    if not proposal.is_certain:
        yield from remark(f"NOT CERTAIN: {proposal.doubt}")
    yield from remark(f"why: {'; '.join(best.reasons)}")
    if left := unnamed(best):
        yield from remark(f"left unknown: {', '.join(left)}")
    if proposal.others:
        names = ", ".join(f"{fit.name} ({fit.points:g} points)" for fit in proposal.others)
        yield from remark(f"next best: {names}; this one has {best.points:g}")
    lines = role_lines(best, _timeout(proposal, cycles))
    if proposal.is_certain:
        yield from lines
        return
    if proposal.role in STATES and not best.states:
        one, other = STATES[proposal.role] if proposal.role != "door_open" else ("closed", "open")
        lines[2] = f"states = {{ {one} = 0, {other} = 1 }}    # or the other way round"
    yield from commented(lines)


def _beside(path: str, output: str) -> str:
    """Return a path as seen from the folder of the file to write."""
    try:
        return Path(os.path.relpath(path, Path(output).parent)).as_posix()
    except ValueError:  # on another drive
        return Path(path).resolve().as_posix()
