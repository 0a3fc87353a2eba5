"""What captures are checked on: loaded once, for any number of them."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from buslens.capture.id_filter import IdFilter
from buslens.checks.replies import pairs_of
from buslens.checks.shortest_states import shortest_of
from buslens.definitions.model import EVERY_BIT, Definitions, Message
from buslens.dialogue.pairs import GivenPair
from buslens.errors import UsageError
from buslens.expectations.model import (
    Alive,
    DefinitionsFile,
    Expectations,
    Role,
    Timeout,
)
from buslens.expectations.resolve import message_of, validate_against, with_layouts
from buslens.timeline.history import CYCLES_PER_TIMEOUT, NO_TIMEOUT, Track

PRESENCE: Final = "presence of "


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


def _load_expectations(given: Expectations | str | Path, *, definitions_needed: bool) -> Expectations:
    from buslens.expectations.load import load_expectations

    if isinstance(given, Expectations):
        return given
    if not isinstance(given, str | Path):
        raise UsageError("expectations come before definitions: check(log, 'rules.toml', definitions)")
    return load_expectations(given, definitions_needed=definitions_needed)


def _load_definitions(given: Definitions | str | Path | list[str | Path] | None, expected: Expectations) -> Definitions:
    from buslens.definitions.load import load_definitions

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


def wanted_ids(tracks: list[Track], pairs: Iterable[GivenPair] = ()) -> IdFilter:
    """Return the ids of the frames that tracks are made from, and those of who asks and who answers."""
    messages = [track.message for track in tracks]
    asked = [(it.can_id, it.is_extended) for pair in pairs for it in pair]
    return IdFilter(
        ids=frozenset([*((message.can_id, message.is_extended) for message in messages), *asked]),
        groups=frozenset(message.can_id for message in messages if message.id_mask != EVERY_BIT),
    )


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
                    name=PRESENCE + rule.name,
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
