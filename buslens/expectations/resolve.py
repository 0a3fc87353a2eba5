"""Expectations meet definitions: what the file names must exist, and mean what the file says it means."""

from dataclasses import replace

from buslens.definitions.limits import exactly
from buslens.definitions.model import Definitions, Message, Signal, ValueType
from buslens.errors import ExpectationError, SourceLocation, did_you_mean
from buslens.expectations._problems import raise_all
from buslens.expectations.model import Alive, AnswerLayout, Expectations, Reply, Role
from buslens.expectations.quantities import same_unit


def validate_against(expectations: Expectations, definitions: Definitions) -> None:
    """Check that the definitions have everything that the expectations name.

    Raises
    ------
    ExpectationError
        If a message, signal or label does not exist, a raw value does not fit its signal, one raw value belongs to
        two states, or a number is given in another unit than the role's. The text lists every problem at its place
        in the expectations file.
    """
    problems: list[ExpectationError] = []
    for role in expectations.roles.values():
        if role.signal:
            problems += _role_problems(role, definitions)
    for rule in expectations.rules:
        if isinstance(rule, Alive):
            if _messages(rule.message, definitions):
                problems += _sender_problems(rule.message, rule, definitions)
            else:
                place = rule.places.get("message", rule.source)
                problems.append(ExpectationError(_no_message(rule.message, definitions), place))
    if problems:
        raise_all(problems)


def with_layouts(expectations: Expectations, definitions: Definitions) -> Expectations:
    """Return expectations whose replies know what messages of the definitions say of answers.

    Raises ExpectationError if such a value is a floating-point number, or has too many digits.
    """
    laid_out = {}
    for name, role in expectations.roles.items():
        if role.reply is not None and role.signal:
            laid_out[name] = _with_layout(role, role.reply, message_of(role, definitions))
    return replace(expectations, roles={**expectations.roles, **laid_out}) if laid_out else expectations


def _with_layout(role: Role, reply: Reply, message: Message) -> Role:
    signal = message.signal(role.signal)
    place = role.places.get("signal", role.source)
    if signal.kind is ValueType.FLOAT:
        raise ExpectationError(f"{_full(role)} is a floating-point number, which is not read from answers", place)
    selectors, selected = [], signal
    while selected.selection is not None:
        selector = message.signal(selected.selection.selector)
        selectors.append((selector, selected.selection.ranges))
        selected = selector
    reply = replace(
        reply,
        n_bits=signal.length,
        layout=AnswerLayout(signal=signal, length=message.length, selectors=tuple(selectors)),
    )
    if role.states and not role.thresholds:
        raws = raw_values(role, signal)
        # Texts stay for the column that shows it, too.
        words = role.states if role.column is not None else {}
        return replace(role, reply=reply, states={it: (*words.get(it, ()), *of) for it, of in raws.items()})
    reply = replace(reply, factor=exactly(signal.scale), offset=exactly(signal.offset))
    if reply.most_digits >= 1 << 63:
        raise ExpectationError(f"{_full(role)} has too many digits to be read from answers", place)
    return replace(role, reply=reply)


def raw_values(role: Role, signal: Signal) -> dict[str, tuple[int, ...]]:
    """Return the raw values of the signal that each state of a role stands for, ascending.

    Raises ExpectationError if the signal cannot have one of the states, or one raw value belongs to two of them.
    """
    values, problems = _states(role, signal)
    if problems:
        raise_all(problems)
    return {state: tuple(sorted(raws)) for state, raws in values.items()}


def message_of(reader: Role | Alive, definitions: Definitions) -> Message:
    """Return the message that a role or a rule is about: of several of its name the one on the channel that it names.

    Raises DefinitionError if there is no message of that name.
    """
    named = [it for it in _messages(reader.message, definitions) if it.channel == reader.channel]
    free = [it for it in _messages(reader.message, definitions) if it.channel is None]
    if reader.channel is not None and (named or free):
        return (named or free)[0]
    return definitions.message(reader.message)


def _sender_problems(name: str, reader: Role | Alive, definitions: Definitions) -> list[ExpectationError]:
    """Return why a message cannot be read from the channel or the source alone that a role or a rule names."""
    message = message_of(reader, definitions)
    if reader.address is not None and not message.is_j1939:
        text = f"message {name} is none of J1939 by the definitions, and has no source address; leave 'source' away"
        return [ExpectationError(text, reader.places.get("source", reader.source))]
    return []


def _messages(name: str, definitions: Definitions) -> list[Message]:
    """Return the messages of that name: one definitions file may hold on several channels."""
    return [message for message in definitions if message.name == name]


def _no_message(name: str, definitions: Definitions) -> str:
    files = ", ".join(definitions.paths) or "the definitions"
    for problem in definitions.problems:
        if problem.subject == name and not problem.is_note:
            return f"message '{name}' cannot be used: {problem}"
    return f"there is no message '{name}' in {files}{did_you_mean(name, {message.name for message in definitions})}"


def _role_problems(role: Role, definitions: Definitions) -> list[ExpectationError]:
    messages = _messages(role.message, definitions)
    if not messages:
        text = _no_message(role.message, definitions)
        return [ExpectationError(text, role.places.get("message", role.source))]
    if problems := _sender_problems(role.message, role, definitions):
        return problems
    message = message_of(role, definitions)
    signal = next((signal for signal in message.signals if signal.name == role.signal), None)
    if signal is None:
        hint = did_you_mean(role.signal, (signal.name for signal in message.signals))
        text = f"message {role.message} has no signal '{role.signal}'{hint}"
        for problem in definitions.problems:
            if problem.subject == _full(role) and not problem.is_note:
                text = f"signal {_full(role)} cannot be used: {problem}"
                break
        return [ExpectationError(text, role.places.get("signal", role.source))]
    if role.is_number:
        if signal.unit and not same_unit(signal.unit, role.unit):
            shown = f"in '{role.unit}'" if role.unit else "without unit"
            right = f'write unit = "{signal.unit}"'
            text = f"{_full(role)} is in '{signal.unit}' by the definitions, and {shown} here; {right}"
            return [ExpectationError(text, role.places.get("unit", role.source))]
        return []
    return _states(role, signal)[1]


def _states(role: Role, signal: Signal) -> tuple[dict[str, list[int]], list[ExpectationError]]:
    values: dict[str, list[int]] = {}
    problems: list[ExpectationError] = []
    owners: dict[int, str] = {}
    if signal.kind is ValueType.FLOAT:
        text = f"{_full(role)} is a floating-point number and has no states; give the role a unit instead"
        return values, [ExpectationError(text, role.places.get("signal", role.source))]
    for state, labels in role.states.items():
        values[state] = []
        for index, label in enumerate(labels):
            place = role.places.get(f"states.{state}.{index}", role.source)
            raws = _raws(role, signal, label, place, problems)
            for raw in raws:
                if owners.setdefault(raw, state) != state:
                    text = f"{_shown(label, raw)} of {_full(role)} belongs to state '{owners[raw]}' already"
                    problems.append(ExpectationError(text, place))
                elif raw not in values[state]:
                    values[state].append(raw)
    return values, problems


def _raws(
    role: Role, signal: Signal, label: str | int, place: SourceLocation | None, problems: list[ExpectationError]
) -> list[int]:
    """Return the raw values that a label or raw value stands for, noting why it stands for none."""
    if isinstance(label, int):
        least, most = signal.raw_range
        if least <= label <= most:
            return [label]
        text = f"{label} does not fit {_full(role)}: its {signal.length} bits hold {least} to {most}"
        problems.append(ExpectationError(text, place))
        return []
    raws = [raw for raw, name in signal.labels.items() if name == label]
    if not raws and role.column is None:  # else it may be a text of the column
        problems.append(ExpectationError(_no_label(role, signal, label), place))
    return raws


def _no_label(role: Role, signal: Signal, label: str) -> str:
    if label.strip().removeprefix("-").isdecimal():
        return f"{_full(role)} has no label '{label}'; a raw value stands without quotes: {label.strip()}"
    if not signal.labels:
        return f"{_full(role)} has no labels in the definitions, so not '{label}'; name a raw value such as 1"
    return f"{_full(role)} has no label '{label}'{did_you_mean(label, set(signal.labels.values()))}"


def _shown(label: str | int, raw: int) -> str:
    return f"raw value {raw}" if isinstance(label, int) else f"'{label}' (raw value {raw})"


def _full(role: Role) -> str:
    return f"{role.message}.{role.signal}"
