"""Roles and rules as TOML, the way a person would write them."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Final

from buslens.definitions.model import Signal
from buslens.discovery.roles import RoleMatch
from buslens.discovery.traces import AT_ONCE_NS, is_column
from buslens.units import NS_PER_MS


def quoted(text: str) -> str:
    r"""Return text as a basic string of TOML; what cannot be shown becomes a space.

    >>> print(quoted('a "b"'))
    "a \"b\""
    """
    shown = "".join(char if char.isprintable() else " " for char in text)
    return '"' + shown.replace("\\", "\\\\").replace('"', '\\"') + '"'


_LABELS: Final = {"door_open": "door"}
"""What people read instead of a role's name, where 'door open became open' would be the sentence."""


def duration(duration_ns: int) -> str:
    """Return a length of time as the file has it, in whole milliseconds."""
    return quoted(f"{round(duration_ns / NS_PER_MS)} ms")


def commented(lines: Iterable[str]) -> Iterator[str]:
    """Yield lines as comments."""
    for line in lines:
        yield f"# {line}".rstrip()


def remark(text: str) -> Iterator[str]:
    """Yield text as comment lines that no control character can leave."""
    from textwrap import wrap

    shown = "".join(char if char.isprintable() else " " for char in text)
    yield from wrap(shown, 116, initial_indent="# ", subsequent_indent="#   ", break_on_hyphens=False)


def role_lines(fit: RoleMatch, timeout: str, *, sent: str, holds_ns: int) -> list[str]:
    """Return the table of a role.

    Parameters
    ----------
    fit : RoleMatch
        Its signal and states.
    timeout : str
        As the file has it; empty for none.
    sent : str
        How its unit sends, as the file has it; empty for by the clock.
    holds_ns : int
        How short a state of a column can be, ns; 0: not known.
    """
    source = f"column = {quoted(fit.signal.name)}" if is_column(fit.message) else f"signal = {quoted(fit.name)}"
    lines = [f"[roles.{fit.role}]", source]
    if label := _LABELS.get(fit.role):
        lines.append(f"label = {quoted(label)}")
    if fit.states:
        lines.append(f"states = {_states(fit.signal, fit.states)}")
    else:
        lines.append(f"unit = {quoted(fit.signal.unit.strip())}")
    if timeout and not is_column(fit.message):
        lines.append(f"timeout = {timeout}")
    if sent and fit.states:
        lines += [f"sent = {quoted(sent)}", f"lag = {duration(AT_ONCE_NS)}"]
    if holds_ns and fit.states:
        lines.append(f"holds = {duration(holds_ns)}")
    return lines


def _states(signal: Signal, states: Mapping[str, Sequence[int]]) -> str:
    parts = []
    for state, raws in states.items():
        names = [_value(signal, raw) for raw in raws]
        parts.append(f"{state} = {names[0] if len(names) == 1 else '[' + ', '.join(names) + ']'}")
    return "{ " + ", ".join(parts) + " }"


def _value(signal: Signal, raw: int) -> str:
    """Return the label of a raw value, or the number itself where the label would not do."""
    label = signal.labels.get(raw, "")
    is_own = sum(other == label for other in signal.labels.values()) == 1
    return quoted(label) if is_own and label.strip() == label and label and label.isprintable() else str(raw)


def unnamed(fit: RoleMatch) -> list[str]:
    """Return the labels that are in none of the states, and so unknown."""
    named = {raw for raws in fit.states.values() for raw in raws}
    return [label for raw, label in sorted(fit.signal.labels.items()) if raw not in named] if fit.states else []
