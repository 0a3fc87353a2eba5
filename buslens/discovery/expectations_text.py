"""The text of a first expectations file, with what it rests on as comments."""

import os
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Final

from buslens.definitions.model import Definitions, Message
from buslens.discovery.columns import STATES_NAME
from buslens.discovery.draft import RuleDraft
from buslens.discovery.limits import STEP_NS
from buslens.discovery.naming import ROLES, STATES
from buslens.discovery.roles import Proposal
from buslens.discovery.toml_text import commented, duration, quoted, remark, role_lines, unnamed
from buslens.discovery.traces import ShownSignals, is_column, within
from buslens.timeline.columns import ONE_BY_ONE_NS
from buslens.units import format_duration

_EXPLAINED: Final = {
    "door_open": "the door whose opening makes the lock lock",
    "start_button": "what the driver presses to switch on",
    "ignition": "whether the car is switched on",
    "lock_enable": "what the control unit drives: a short pulse, off at rest",
    "unlock_feedback": "the hard-wired path of the feedback",
    "data_feedback": "the second, independent path, over the data line",
    "warning_lamp": "the warning that nearly every fault of the lock ends in",
    "key": "whether a key of the car is near",
    "pairing_state": "whether the lock unit is paired with the car",
    "supply_voltage": "the supply of the lock, as near to it as it is measured",
    "supply_current": "the current of the lock",
    "battery_voltage": "the battery",
    "speed": "how fast the car drives",
}


def timeout_of(message: Message, shown: ShownSignals) -> str:
    """Return the silence after which a role is unknown, as the file has it; empty if the message never came twice.

    By the cycle time of the definitions or as measured; `never` for what is sent on events.
    """
    cycle_ns = max(message.cycle_ns or 0, shown.cycles_ns.get(message.name, 0))
    if not cycle_ns:
        return ""
    if not shown.is_cyclic(message.name):
        return quoted("never")
    return duration(-(-shown.timeout_ns(message.name, cycle_ns) // STEP_NS) * STEP_NS)


def sleeps(ignition: Proposal, shown: ShownSignals) -> bool:
    """Return whether the bus sleeps: with the ignition off nothing at all was recorded for a while.

    With the ignition on it was the recorder that paused.
    """
    if ignition.best is None or not ignition.is_certain:
        return False
    before = shown.traces[ignition.best.name].at(shown.paused_ns)
    return bool(within(before, ignition.best.states["off"]).any())


def file_lines(
    proposals: Mapping[str, Proposal],
    shown: ShownSignals,
    drafts: Sequence[RuleDraft],
    defined: Definitions,
    output: str,
    missing: Sequence[str],
    lacking: Sequence[str],
    outliers: Sequence[str],
) -> Iterator[str]:
    """Yield the lines of the file.

    Parameters
    ----------
    proposals : mapping of str to Proposal
        By role.
    shown : Shown
        What the captures show.
    drafts : sequence of Draft
        The rules.
    defined : Definitions
        What they were decoded with.
    output : str
        Where the file will be.
    missing, outliers : sequence of str
        What is left to decide.
    lacking : sequence of str
        Those of the missing without which a handshake is not checked whole.
    """
    number = len(shown.spans)
    yield from remark(
        f"A first expectations file, made from {'one capture' if number == 1 else f'{number} captures'}: go through"
        f" it line"
        " by line before you trust it."
    )
    yield "#"
    names = ", ".join(Path(span.path).name for span in shown.spans)
    rows = f"{shown.frames:,} {'frames' if defined.paths else 'rows'}"
    yield from remark(
        f"Learned from {names}: {rows}. If that vehicle was not healthy, its fault is learned as if"
        f" it were"
        " right. What could not be made out stands as a comment: check it and take the '#' away, or delete it. Above"
        " each"
        " limit stands how often it was measured, and how it was made from that; more healthy captures make it better."
    )
    for title, texts in (("Could not be learned:", missing), ("Look at these captures:", outliers)):
        if texts:
            yield "#"
            yield from remark(title)
            for text in texts:
                yield from remark(f"- {text}")
    yield ""
    yield "format = 1"
    if defined.paths:
        yield f"definitions = [{', '.join(quoted(_beside(path, output)) for path in defined.paths)}]"
    elif shown.cycles_ns[STATES_NAME] >= ONE_BY_ONE_NS:
        yield from remark(
            "How long before the time of its row a value was read at most. Without it, that is the time between two"
            " rows, as of a tester that asks for one value after the other; most findings then stay undecided."
        )
        yield '# read_before = "10 ms"'
    if sleeps(proposals["ignition"], shown):
        yield ""
        yield from remark(
            "The bus fell asleep in these captures: with the ignition off nothing at all was recorded for a while. That"
            " is not missed."
        )
        yield "sleeps = true"
    if lacking:
        yield ""
        yield from remark("While anything stands here, no capture is as expected: complete the file, then delete it.")
        yield f"to_decide = [{', '.join(map(quoted, lacking))}]"
    yield ""
    yield from remark("--- Roles: what each signal means; are these the right ones? ---")
    for role in ROLES:
        yield ""
        yield from _role(proposals[role], shown)
    yield ""
    yield from remark("--- Rules of a healthy vehicle; are the limits yours? ---")
    for draft in drafts:
        yield ""
        if draft.problem:
            yield from remark(f"{draft.name}: {draft.problem}")
        for text in (*draft.dropped, *draft.outliers, *draft.remarks):
            yield from remark(text)
        yield from commented(draft.lines) if draft.problem else draft.lines


def _role(proposal: Proposal, shown: ShownSignals) -> Iterator[str]:
    yield from remark(f"{proposal.role}: {_EXPLAINED[proposal.role]}")
    best = proposal.best
    if best is None:
        yield from remark(f"not found: {proposal.doubt}")
        return
    if not proposal.is_certain:
        yield from remark(f"NOT CERTAIN: {proposal.doubt}")
    elif proposal.doubt:
        yield from remark(f"LOOK AT IT: {proposal.doubt}")
    reasons = "; ".join(reason for reason in best.reasons if reason)
    yield from remark(f"why: {reasons or 'nothing'}")
    if left := unnamed(best):
        yield from remark(f"left unknown: {', '.join(left)}")
    if proposal.others:
        names = ", ".join(f"{fit.name} ({fit.points:.1f} points)" for fit in proposal.others)
        yield from remark(f"next best: {names}; this one has {best.points:.1f}")
    sent = shown.sent(best.name)
    if sent and best.states:
        why = "its frames come with changes only" if best.name in shown.events else "its changes come off the beat"
        yield from remark(f"{why}: sent at once; 'lag' is a rule of thumb")
    holds_ns = shown.holds_ns(best.name)
    if holds_ns and best.states and proposal.is_certain:
        yield from remark("holds: half of the shortest state seen, a rule of thumb: write how short a state can be")
    lines = role_lines(best, timeout_of(best.message, shown), sent=sent, holds_ns=holds_ns)
    if proposal.is_certain:
        yield from lines
        if is_column(best.message) and best.states and not holds_ns:
            period = format_duration(shown.cycles_ns.get(best.message.name, 0))
            yield f'# holds = "..."    # how short a state of it can be; rows come about every {period}'
        return
    if proposal.role in STATES and not set(STATES[proposal.role]) <= set(best.states):
        one, other = STATES[proposal.role]
        lines[2] = f"states = {{ {one} = 1, {other} = 0 }}    # or the other way round"
        if is_column(best.message):
            seen = ", ".join(quoted(label) for label in best.signal.labels.values())
            lines[2] = f'states = {{ {one} = "...", {other} = "..." }}    # the table has {seen or "numbers"}'
    yield from commented(lines)


def _beside(path: str, output: str) -> str:
    """Return a path as seen from the folder of the file to write."""
    try:
        return Path(os.path.relpath(path, Path(output).parent)).as_posix()
    except ValueError:  # on another drive
        return Path(path).resolve().as_posix()
