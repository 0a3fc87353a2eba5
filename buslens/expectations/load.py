"""From an expectations file to its records; all that is wrong with a file is said at once, each at its place."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from fractions import Fraction
from os import PathLike, fspath
from pathlib import Path
from string import Formatter
from typing import Any, Final

from buslens.capture.file_kind import EXPECTATIONS
from buslens.definitions.model import Threshold
from buslens.errors import SourceLocation, did_you_mean
from buslens.expectations._problems import raise_all
from buslens.expectations._toml import Node, backslash_hint, parse_document, toml_bytes
from buslens.expectations._values import InvalidValue, ValueReader, type_text
from buslens.expectations.model import (
    RULE_KINDS,
    Align,
    AnyRule,
    DefinitionsFile,
    Expectations,
    Reply,
    Role,
    Step,
    Timeout,
    Trigger,
)
from buslens.expectations.schema import ALIGN, DEFINITION, FILE, KINDS, OUTCOMES, REPLY, ROLE, RULE, SLOTS, STEP
from buslens.units import power_of_unit

_MOST_REPLY_BYTES: Final = 4
LARGEST_FILE: Final = 8_000_000
"""Bytes of an expectations file; ten thousand rules have a quarter of it."""


def load_expectations(path: str | PathLike[str], *, definitions_needed: bool = True) -> Expectations:
    """Return what an expectations file says.

    Parameters
    ----------
    path : path-like
        A TOML file; `schema` lists its keys, `conditions` says how conditions are written.
    definitions_needed : bool, optional
        Whether the definitions files that it names must be there; a caller that was given others can do without.

    Raises
    ------
    ExpectationError
        If the file cannot be read or anything in it is wrong. The text lists every problem with line, column and
        what would be right; `source` is the place of the first.
    """
    return parse_expectations(toml_bytes(path, LARGEST_FILE), fspath(path), definitions_needed=definitions_needed)


def parse_expectations(raw: bytes, path: str, *, definitions_needed: bool = True) -> Expectations:
    """Return what the bytes of an expectations file say; see `load_expectations`."""
    document = parse_document(raw, path, EXPECTATIONS)
    values = ValueReader(document)
    root = document.root
    inner = root.table or {}
    data = values.table(FILE, root, document.data, "the file")
    if "format" in document.data and "format" not in data:
        raise_all(values.problems)  # of a format that is not known nothing else can be said
    definitions = _definitions(
        values, data.get("definitions", []), inner.get("definitions", root), needed=definitions_needed
    )
    # One that is wrong is there, and in doubt.
    for key, known in (("reply", values.replies), ("roles", values.roles)):
        known.update(dict.fromkeys(inner[key].table or () if key in data else ()))
    for name, table, node in data.get("reply", ()):
        values.replies[name] = _reply(values, name, table, node)
    for name, table, node in data.get("roles", ()):
        if problem := values.name_problem("role", name):
            values.wrong(node.key, problem)
        else:
            values.roles[name] = _role(values, name, table, node)
    for key, table in document.data.items():
        # What stands in a table with a mistyped name is taken for roles: each use of them is no mistake of its own.
        if key not in FILE and isinstance(table, dict):
            values.roles |= dict.fromkeys(table.keys() - values.roles.keys())
    rules = _rules(values, data.get("rules", ()))
    align = _align(values, data["align"], inner["align"]) if "align" in data else None
    if not data.get("roles") and not data.get("rules") and not values.problems:
        values.wrong(0, "the file asks for nothing: it has neither roles nor rules")
    if values.problems:
        raise_all(values.problems)
    roles = {name: role for name, role in values.roles.items() if role is not None}
    handshake = bool(data.get("handshake", True))
    return Expectations(
        path=path,
        definitions=definitions,
        roles=roles,
        rules=rules,
        handshake=handshake,
        to_decide=tuple(data.get("to_decide", ())),
        sleeps=bool(data.get("sleeps", False)),
        align=align,
        read_before_ns=data.get("read_before"),
    )


# --- several recordings ---------------------------------------------------------------------------------


def _align(values: ValueReader, data: dict[str, object], node: Node) -> Align:
    read = values.table(ALIGN, node, data, "'align'")
    inner = node.table or {}
    if "same" in data and "offset" in data:
        values.wrong(inner["offset"].key, "'align' has both shared events and an offset; keep one of them")
    return Align(
        same=_same(values, data["same"], inner["same"]) if "same" in data else (),
        apart_ns=read.get("apart", 0),
        offset_ns=read.get("offset"),
        doubt_ns=read.get("doubt"),
    )


def _same(values: ValueReader, data: object, node: Node) -> tuple[tuple[Trigger, ...], ...]:
    """Return the moments that are the same event, pair by pair."""
    items = data if isinstance(data, list) else [data]
    places = node.array if isinstance(data, list) and node.array is not None else [node]
    if all(isinstance(item, list) for item in items) and items:
        return tuple(it for item, place in zip(items, places, strict=True) for it in _same(values, item, place))
    if not 1 <= len(items) <= 2:
        values.wrong(node, f"'same' names one or two moments, and these are {len(items)}; write a list of pairs")
        return ()
    key = ALIGN["same"]
    found = []
    for item, place in zip(items, places, strict=True):
        try:
            found.append(values.trigger(key, item, place))
        except InvalidValue:
            return ()
    return (tuple(found),)


# --- definitions ----------------------------------------------------------------------------------------


def _definitions(values: ValueReader, data: object, node: Node, *, needed: bool) -> tuple[DefinitionsFile, ...]:
    if not isinstance(data, list):
        hint = f'; write definitions = ["{data}"]' if isinstance(data, str) else ""
        values.wrong(node, f"'definitions' must be a list, and this is {type_text(data)}{hint}")
        return ()
    found: list[DefinitionsFile] = []
    for item, inner in zip(data, node.array or [], strict=True):
        place, channel = inner, None
        if isinstance(item, dict):
            entry = values.table(DEFINITION, inner, item, "an entry of 'definitions'")
            name, channel = entry.get("file", ""), entry.get("channel")
            place = (inner.table or {}).get("file", inner)
        elif isinstance(item, str):
            name = item
            if not name.strip():
                values.wrong(inner, 'this file has no name; write for example "pinewick.dbc"')
        else:
            name = ""
            values.wrong(inner, f"'definitions' lists file names, and this is {type_text(item)}")
        if not name.strip():
            continue
        path = Path(values.document.path).parent / name
        file = DefinitionsFile(path=str(path), channel=channel, source=values.document.source(place.start))
        if file in found:
            values.wrong(place, f"'{name}' is named twice")
        elif needed and not _is_file(path):
            beside = backslash_hint(name) or did_you_mean(name, _beside(path))
            values.wrong(place, f"there is no file '{path}'; names are looked up beside this file{beside}")
        found.append(file)
    return tuple(found)


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except (OSError, ValueError):  # a name that no file can have
        return False


def _beside(path: Path) -> list[str]:
    try:
        return [file.name for file in path.parent.iterdir() if file.suffix.lower() == ".dbc"]
    except (OSError, ValueError):
        return []


# --- values in answers ----------------------------------------------------------------------------------


def _reply(values: ValueReader, name: str, data: dict[str, object], node: Node) -> Reply | None:
    read = values.table(REPLY, node, data, f"reply '{name}'")
    inner = node.table or {}
    if set(data) & set(REPLY) - set(read) or not {"ids", "identifier"} <= set(read):
        return None
    n_bytes, bit = read.get("bytes", 1), read.get("bit", 0)
    if n_bytes > _MOST_REPLY_BYTES:
        values.wrong(inner["bytes"], f"a value has up to {_MOST_REPLY_BYTES} bytes, and this is {n_bytes}")
        return None
    n_bits = read.get("bits", 8 * n_bytes - bit)
    if bit + n_bits > 8 * n_bytes or n_bits < 1:
        at = inner["bits"] if "bits" in inner else inner["bit"]
        values.wrong(
            at, f"bits {bit} to {bit + max(n_bits, 1) - 1} are asked, and {n_bytes} bytes have 0 to {8 * n_bytes - 1}"
        )
        return None
    reply = Reply(
        name=name,
        pair=read["ids"],
        identifier=read["identifier"],
        byte=read.get("byte", 0),
        n_bytes=n_bytes,
        bit=bit,
        n_bits=n_bits,
        is_signed=read.get("signed", False),
        factor=read.get("factor", Fraction(1)),
        offset=read.get("offset", Fraction(0)),
        is_bare=set(data) == {"ids", "identifier"},
    )
    if reply.most_digits >= 1 << 63:
        values.wrong(
            inner.get("factor", inner.get("offset", node)), "factor and offset have too many digits; round them"
        )
        return None
    return reply


# --- roles ----------------------------------------------------------------------------------------------


def _role(values: ValueReader, name: str, data: dict[str, object], node: Node) -> Role | None:
    subject = f"role '{name}'"
    read = values.table(ROLE, node, data, subject)
    inner = node.table or {}
    if not data.keys() <= ROLE.keys():
        return None  # what else it lacks may stand under the key that is not known
    if "states" in data and "unit" in data:
        values.wrong(inner["unit"].key, f"{subject} has both states and a unit; keep one of them")
        return None
    if "states" not in data and "unit" not in data:
        problem = 'states = { ... }, or for a number its unit, such as unit = "V" (unit = "" if it has none)'
        values.wrong(node, f"{subject} has neither states nor a unit; write {problem}")
        return None
    is_event = read.get("sent", "").startswith("only")
    if (is_event or read.get("sent") == "on change") and "lag" not in data:
        problem = 'must say how much older than its frame a change can be; write for example lag = "10 ms"'
        values.wrong(inner["sent"], f"{subject} is sent on change, and {problem}")
    if "lag" in data and read.get("sent", "cyclic") == "cyclic" and ("sent" in read or "sent" not in data):
        values.wrong(inner["lag"].key, f"{subject}: 'lag' says something only with sent = \"on change\"")
    if not {"signal", "column", "reply"} & set(data):
        problem = 'signal = "MESSAGE.SIGNAL" for bus logs, or column = "HEADER" for tables of values, or both'
        values.wrong(node, f"{subject} has neither a signal nor a column; write {problem}")
        return None
    reply = _reply_of(values, subject, read.get("reply"), inner)
    if "signal" in data and reply is not None and not reply.is_bare:
        values.wrong(
            inner["reply"].key,
            f"{subject}: both its signal and reply '{reply.name}' say where the value stands; keep one",
        )
        return None
    states: dict[str, tuple[str | int | Threshold, ...]] = read.get("states", {})
    labels = [it for of in states.values() for it in of]
    if not {"column", "reply"} & set(data) and any(isinstance(it, Threshold) for it in labels):
        values.wrong(inner["states"], f'{subject}: limits such as "< 3 V" are for a column, and it has none')
        return None
    texts = [it for it in labels if isinstance(it, str)]
    if "reply" in data and not {"column", "signal"} & set(data) and texts:
        values.wrong(
            inner["states"], f"{subject}: an answer holds numbers, and '{texts[0]}' is a text; write numbers or limits"
        )
        return None
    if (
        any(key in data and key not in read for key in ("signal", "column"))
        or ("reply" in data and reply is None)
        or ("states" in data and "states" not in read)
        or ("unit" in data and "unit" not in read)
    ):
        return None
    message, signal = read.get("signal", ("", ""))
    thresholds = {state: tuple(it for it in of if isinstance(it, Threshold)) for state, of in states.items()}
    thresholds = {state: of for state, of in thresholds.items() if of}
    if overlap := _overlap(thresholds):
        values.wrong(inner["states"], f"{subject}: {overlap}")
        return None
    return Role(
        name=name,
        message=message,
        signal=signal,
        column=read.get("column"),
        reply=reply,
        states={state: tuple(it for it in of if not isinstance(it, Threshold)) for state, of in states.items()},
        thresholds=thresholds,
        holds_ns=read.get("holds"),
        unit=read.get("unit", ""),
        timeout=read.get("timeout", Timeout.NEVER if is_event else Timeout.FROM_CYCLE),
        lag_ns=read.get("lag"),
        is_event=is_event,
        is_own_event=read.get("sent") == "only on its change",
        channel=read.get("channel"),
        address=read.get("source"),
        label=read.get("label", ""),
        source=values.document.source(node.start),
        places=_role_places(values, inner, len(message) + 1),
    )


def _reply_of(values: ValueReader, subject: str, name: str | None, inner: Mapping[str, Node]) -> Reply | None:
    """Return the value in answers that a role names."""
    if name is not None and name not in values.replies:
        hint = did_you_mean(name, values.replies) or f"; add a table [reply.{name}]"
        values.wrong(inner["reply"], f"{subject}: there is no reply '{name}'{hint}")
    return None if name is None else values.replies.get(name)


def _overlap(thresholds: Mapping[str, tuple[Threshold, ...]]) -> str:
    """Return which two states one number could stand for; empty if none."""
    ordered = [(state, it) for state, of in thresholds.items() for it in of]
    for place, (state, one) in enumerate(ordered):
        for other, two in ordered[place + 1 :]:
            power = power_of_unit(two.unit, one.unit)
            if power is None:
                return (
                    f"the limits of '{state}' and '{other}' have units that do not fit: '{one.unit}' and '{two.unit}'"
                )
            limit = two.limit * Fraction(10) ** power
            above, below = (limit, one.limit) if one.operator[0] == "<" else (one.limit, limit)
            share = one.operator[-1] == two.operator[-1] == "="
            is_apart = one.operator[0] != two.operator[0] and (above > below or (above == below and not share))
            if state != other and not is_apart:
                return f"a number can stand for both '{state}' and '{other}'; leave room between their limits"
    return ""


def _role_places(values: ValueReader, inner: Mapping[str, Node], signal_at: int) -> dict[str, SourceLocation]:
    """Return the places that `resolve` needs."""
    document = values.document
    places = {}
    if "signal" in inner:
        places["message"] = document.inside(inner["signal"], 0)
        places["signal"] = document.inside(inner["signal"], signal_at)
    for key in ("unit", "channel", "source", "column", "states"):
        if key in inner:
            places[key] = document.source(inner[key].start)
    if "states" in inner:
        for state, node in (inner["states"].table or {}).items():
            for index, item in enumerate([node] if node.array is None else node.array):
                places[f"states.{state}.{index}"] = document.source(item.start)
    return places


# --- rules ----------------------------------------------------------------------------------------------


def _rules(values: ValueReader, data: Iterable[tuple[dict[str, object], Node]]) -> tuple[AnyRule, ...]:
    rules: list[AnyRule] = []
    names: dict[str, Node] = {}
    for table, inner in data:
        name = table.get("name")
        if isinstance(name, str):
            place = (inner.table or {})["name"]
            if name in names:
                first = values.document.source(names[name].start)
                values.wrong(place, f"there is a rule '{name}' in line {first.line} already; names must differ")
            names.setdefault(name, place)
        rule = _rule(values, table, inner)
        if rule is not None:
            rules.append(rule)
    return tuple(rules)


def _rule(values: ValueReader, data: dict[str, object], node: Node) -> AnyRule | None:
    name = data.get("name")
    subject = f"rule '{name}'" if isinstance(name, str) and name else "this rule"
    kind = data.get("kind")
    if not isinstance(kind, str) or kind not in KINDS:
        values.table(RULE, node, data, subject, lax=True)
        return None
    keys = KINDS[kind]
    before = len(values.problems)
    read = values.table(keys, node, data, f"{subject} (kind {kind})")
    inner = node.table or {}
    # A rule that is wrong in part goes on to be compared, so that one look finds everything.
    for outcome, sentence in read.get("says", {}).items():
        _says(values, outcome, sentence, (inner["says"].table or {})[outcome])
    if kind in _BETWEEN_KEYS:
        _BETWEEN_KEYS[kind](values, read, inner)
    if len(values.problems) > before or any(key.required and key.name not in read for key in keys.values()):
        return None
    fields: dict[str, Any] = {keys[name].field: value for name, value in read.items() if name != "kind"}
    return RULE_KINDS[kind](source=values.document.source(node.start), places=values.places(node), **fields)


def _says(values: ValueReader, outcome: str, sentence: str, node: Node) -> None:
    """Note an outcome that there is not, and slots that nothing fills."""
    if outcome not in OUTCOMES:
        values.wrong(node.key, f"'{outcome}' is no outcome{did_you_mean(outcome, OUTCOMES)}")
    try:
        slots = list(Formatter().parse(sentence))
    except ValueError:
        values.wrong(node, "a brace is missing its other; write {{ and }} for braces that are no slot")
        return
    for _, name, spec, conversion in slots:
        if name is not None and (name not in SLOTS or spec or conversion):
            values.wrong(node, f"'{{{name}}}' is no slot{did_you_mean(name, SLOTS)}")


def _limits(values: ValueReader, read: Mapping[str, Any], inner: Mapping[str, Node], low: str, high: str) -> None:
    """Note a lower limit above its upper one."""
    if read.get(low) is not None and read.get(high) is not None and read[low] > read[high]:
        values.wrong(inner[low], f"'{low}' is greater than '{high}', so nothing could ever be right")


def _sequence(values: ValueReader, read: dict[str, Any], inner: Mapping[str, Node]) -> None:
    read["steps"] = _steps(values, read["steps"], inner["steps"]) if "steps" in read else ()
    if read.get("tries", 1) > 1 and len(read["steps"]) == 1:
        values.wrong(inner["tries"], "'tries' counts the first step until the second, and there is only one step")
    if read.get("usual_tries", 1) > read.get("tries", 1):
        values.wrong(inner["usual_tries"], "'usual_tries' is greater than 'tries', which says how many there may be")


def _steps(values: ValueReader, data: Sequence[tuple[dict[str, object], Node]], node: Node) -> tuple[Step, ...]:
    if not node.array:
        values.wrong(node, "a sequence has at least one step")
    steps: list[Step] = []
    names: list[str] = []
    written = [item.get("name") for item, _ in data]
    for item, place in data:
        inner = place.table or {}
        name = item.get("name")
        read = values.table(STEP, place, item, f"step '{name}'" if isinstance(name, str) and name else "this step")
        if "name" in read and name in names:
            values.wrong(inner["name"], f"there is a step '{name}' in this rule already; names must differ")
        if "from" in read and read["from"] not in names:
            values.wrong(inner["from"], _no_earlier_step(read["from"], name, names, written))
        for low, high in (("after", "within"), ("after", "late_over"), ("late_over", "within")):
            _limits(values, read, inner, low, high)
        if "name" in read:
            names.append(read["name"])
        if all(key in read for key in ("name", "await", "within")):
            steps.append(Step(**{STEP[key].field: value for key, value in read.items()}))
    return tuple(steps)


def _no_earlier_step(wanted: str, own: object, earlier: list[str], written: list[object]) -> str:
    """Return why a delay cannot count from a step."""
    if wanted == own:
        return f"step '{wanted}' cannot count from itself; name an earlier step"
    if wanted in written:
        return f"step '{wanted}' comes later; a delay counts from an earlier step"
    if not earlier:
        return "no step comes before this one; leave 'from' away to count from the start"
    return f"no earlier step is called '{wanted}'{did_you_mean(wanted, earlier)}"


def _pulse(values: ValueReader, read: dict[str, Any], inner: Mapping[str, Node]) -> None:
    if "least" not in inner and "most" not in inner:
        values.wrong(inner["kind"], "this rule has neither 'least' nor 'most', so nothing could ever be wrong")
    _limits(values, read, inner, "least", "most")


def _agree(values: ValueReader, read: dict[str, Any], inner: Mapping[str, Node]) -> None:
    first, second = read.get("first"), read.get("second")
    if first is not None and second is not None and first.condition == second.condition:
        values.wrong(inner["second"], "'first' and 'second' are the same condition, which always agrees with itself")


def _alive(values: ValueReader, read: dict[str, Any], inner: Mapping[str, Node]) -> None:
    cycle, timeout = read.get("cycle"), read.get("timeout")
    if cycle is not None and timeout is not None and timeout < cycle:
        values.wrong(inner["timeout"], "'timeout' is shorter than 'cycle', so that every frame would come too late")


def _range(values: ValueReader, read: dict[str, Any], inner: Mapping[str, Node]) -> None:
    role = values.roles.get(read.get("of", ""))
    for name in ("least", "most"):
        if name in read:
            read[name] = None if role is None else values.in_unit(read[name], role.unit, inner[name])
    _pulse(values, read, inner)


def _precedes(values: ValueReader, read: dict[str, Any], inner: Mapping[str, Node]) -> None:
    first, then = read.get("first"), read.get("then")
    if first is not None and then is not None and first.moments == then.moments:
        values.wrong(inner["then"], "'first' and 'then' are the same moment, which cannot precede itself")


_BETWEEN_KEYS: Final[Mapping[str, Callable[[ValueReader, dict[str, Any], Mapping[str, Node]], None]]] = {
    "sequence": _sequence,
    "pulse": _pulse,
    "agree": _agree,
    "alive": _alive,
    "range": _range,
    "precedes": _precedes,
}
"""What must hold between several keys of a kind, and values that need more than their own key to be read."""
