"""From a causes file to its records; all that is wrong with a file is said at once, each at its place."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from os import PathLike
from pathlib import Path
from typing import Any, Final, NamedTuple

from buslens.capture.file_kind import CAUSES
from buslens.causes._schema import CAUSE, FILE, MEASUREMENT, NUMBERS, RESULT
from buslens.causes._signs import read_own_sign, read_shared_sign, read_trace
from buslens.causes.model import Cause, CauseKind, Causes, Frequency, Measurement, Probabilities, ResultRange, Sign
from buslens.checks.findings import Result
from buslens.defaults import demonstration_folder
from buslens.errors import CaptureError, ExpectationError, SourceLocation, UsageError, did_you_mean
from buslens.expectations._problems import raise_all
from buslens.expectations._toml import Node, parse_document, toml_bytes
from buslens.expectations._values import InvalidValue, ValueReader
from buslens.expectations.load import load_expectations
from buslens.expectations.model import Expectations

LARGEST_FILE: Final = 8_000_000
"""Bytes of a causes file."""
_MISSING: Final = "there is no such causes file"
SUFFIX: Final = ".causes.toml"
"""Ends the name of a causes file; what stands before is the name of the expectations that it goes with."""


def find_causes(expectations: str | PathLike[str]) -> Path:
    """Return the name of the causes file that lies beside an expectations file, whether it is there or not."""
    path = Path(expectations)
    return path.with_name(path.stem + SUFFIX)


def causes_for(results: Sequence[Result], path: str | PathLike[str] | None = None) -> Causes:
    """Return the causes file for captures that were checked against one expectations file: a given one, or beside it.

    Raises CaptureError if they were checked against several, UsageError if none lies beside it, ExpectationError as
    `load_causes`.
    """
    expected = results[0].expectations
    for result in results:
        if result.expectations.path != expected.path:
            raise CaptureError(
                f"{results[0].path} is checked against {expected.path} and {result.path} against"
                f" {result.expectations.path}; a diagnosis is of one car: name one file with --expectations"
            )
    chosen = find_causes(expected.path) if path is None else path
    try:
        return load_causes(chosen, expected)
    except ExpectationError as error:
        if path is not None or error.problem != _MISSING:
            raise
        raise UsageError(
            f"{chosen}: there is no such causes file beside the expectations; name one with --causes FILE.toml"
        ) from None


def load_causes(path: str | PathLike[str], expectations: Expectations | str | Path) -> Causes:
    """Return what a causes file says.

    Parameters
    ----------
    path : path-like
        A TOML file; ``signal_defs/README.md`` lists its keys.
    expectations : Expectations or path
        By which the captures are checked: the rules, steps and roles that the file names must be there.

    Raises
    ------
    ExpectationError
        If the file cannot be read or anything in it is wrong. The text lists every problem with line, column and
        what would be right; `source` is the place of the first.
    """
    if not isinstance(expectations, Expectations):
        expectations = load_expectations(expectations)
    draft = _read(str(path), expectations, ())
    _check_names(draft)
    if draft.problems:
        raise_all(draft.problems)
    if draft.numbers is None or not draft.causes or not draft.signs:
        missing = "numbers" if draft.numbers is None else "causes.NAME" if not draft.causes else "signs.NAME"
        raise ExpectationError(
            f"the file has no table [{missing}]; write one, or name as 'base' a file that has it, such as"
            ' "steering_lock.causes.toml"',
            SourceLocation(str(path)),
        )
    return Causes(
        path=str(path),
        about=draft.about,
        numbers=draft.numbers,
        signs=draft.signs,
        causes=draft.causes,
        measurements=draft.measurements,
        lost=draft.lost,
        bases=tuple(draft.bases),
    )


class _Mention(NamedTuple):
    """A sign, measurement or result that a cause names, or a caution that a measurement does."""

    sort: str
    name: str
    #: Measurement that the result belongs to; empty for the others.
    of: str
    source: SourceLocation


@dataclass(slots=True)
class _PartialCauses:
    """What was read so far, of one file or of one on top of its base."""

    about: str = ""
    numbers: Probabilities | None = None
    signs: dict[str, Sign] = field(default_factory=dict)
    causes: dict[str, Cause] = field(default_factory=dict)
    measurements: dict[str, Measurement] = field(default_factory=dict)
    #: What each cause names, by the name of the cause, and each measurement.
    mentions: dict[str, list[_Mention]] = field(default_factory=dict)
    #: Sort and name of everything that was defined, be it wrongly.
    defined: set[tuple[str, str]] = field(default_factory=set)
    #: Names that a file leaves out of its base.
    dropped: set[str] = field(default_factory=set)
    #: Sign that the expectations cannot show -> why.
    lost: dict[str, str] = field(default_factory=dict)
    cautions: dict[str, str] = field(default_factory=dict)
    #: Files under this one, the nearest first.
    bases: list[str] = field(default_factory=list)
    problems: list[ExpectationError] = field(default_factory=list)


def _read(path: str, expectations: Expectations, above: tuple[str, ...]) -> _PartialCauses:
    document = parse_document(toml_bytes(path, LARGEST_FILE, _MISSING), path, CAUSES)
    values = ValueReader(document)
    values.roles.update(expectations.roles)
    root, inner = document.root, document.root.table or {}
    data = values.table(FILE, root, document.data, "the file")
    draft = (
        _base(values, data["base"], inner["base"], expectations, (*above, path)) if "base" in data else _PartialCauses()
    )
    for name, source in data.get("without", ()):
        _leave_out(values, draft, name, source)
    shared = bool(above) or data.get("shared") == "yes"
    draft.about = data.get("about", draft.about)
    if "numbers" in data:
        draft.numbers = _numbers(values, data["numbers"], inner["numbers"]) or draft.numbers
    for name, table, node in _named(values, data.get("signs", ())):
        draft.defined.add(("sign", name))
        draft.lost.pop(name, None)
        sign, lost = (read_shared_sign if shared else read_own_sign)(values, expectations, name, table, node)
        draft.signs.pop(name, None)
        if sign is not None:
            draft.signs[name] = sign
        elif lost:
            draft.lost[name] = lost
    _cautions(values, draft, data, inner)
    for name, table, node in _named(values, data.get("measurements", ())):
        draft.defined.add(("measurement", name))
        if measurement := _measurement(values, draft.cautions, expectations, name, table, node):
            draft.measurements[name] = measurement
            if measurement.trace is not None and measurement.trace.said_by:
                said = ((node.table or {})["trace"].table or {})["said_by"]
                mention = _Mention("sign", measurement.trace.said_by, "", document.source(said.start))
                draft.mentions[f"measurements.{name}"] = [mention]
    for name, table, node in _named(values, data.get("causes", ())):
        draft.mentions[name] = []
        if cause := _cause(values, draft.cautions, name, table, node, draft.mentions[name]):
            draft.causes[name] = cause
    _weights(values, draft, data, inner)
    draft.problems += values.problems
    return draft


def _base(
    values: ValueReader, name: str, node: Node, expectations: Expectations, above: tuple[str, ...]
) -> _PartialCauses:
    """Return what the file under a file says."""
    path = str(_place_of(Path(name).name, Path(above[-1])))
    if path in above:
        values.wrong(node, f"'{name}' leads back to itself")
        return _PartialCauses()
    if not Path(path).is_file():
        values.wrong(node, f"there is no file '{path}'; it is looked up beside this file")
        return _PartialCauses()
    draft = _read(path, expectations, above)
    draft.bases.insert(0, path)
    return draft


def _place_of(name: str, file: Path) -> Path:
    """Return where a base lies: beside the file on top of it, else with the program; never the file itself."""
    beside = file.with_name(name)
    if not beside.is_file() or name == file.name:
        try:
            shipped = demonstration_folder() / name
        except UsageError:
            return beside
        if shipped.is_file():
            return shipped
    return beside


def _leave_out(values: ValueReader, draft: _PartialCauses, name: str, source: SourceLocation) -> None:
    held: tuple[dict[str, Any], ...] = (draft.signs, draft.lost, draft.causes, draft.measurements)
    if not any(name in table for table in held):
        known = [key for table in held for key in table]
        values.wrong(source, f"the base has nothing called '{name}'{did_you_mean(name, known)}")
    for table in held:
        table.pop(name, None)
    draft.mentions.pop(name, None)
    draft.dropped.add(name)


def _named(
    values: ValueReader, tables: Iterable[tuple[str, dict[str, object], Node]]
) -> Iterator[tuple[str, dict[str, object], Node]]:
    """Yield tables that have a name, noting what cannot be one."""
    for name, table, node in tables:
        if name.isidentifier():
            yield name, table, node
        else:
            values.wrong(node.key, f"'{name}' cannot be a name here; use letters, digits and '_'")


# --- numbers -------------------------------------------------------------------------------------------


def _numbers(values: ValueReader, data: dict[str, object], node: Node) -> Probabilities | None:
    before = len(values.problems)
    read = values.table(NUMBERS, node, data, "the table of numbers")
    rising = [read[word.value] for word in reversed(Frequency) if word.value in read and word is not Frequency.CANNOT]
    if rising != sorted(set(rising)):
        values.wrong(node, "the numbers must rise from 'never' over 'rare' and 'sometimes' to 'usual'")
    if len(values.problems) > before:
        return None
    others = {name: value for name, value in read.items() if name in {"reading", "apart", "sure", "worth", "basis"}}
    return Probabilities(often={word: read[word.value] for word in Frequency}, **others)


# --- cautions and weights -------------------------------------------------------------------------------


def _cautions(values: ValueReader, draft: _PartialCauses, data: Mapping[str, Any], inner: Mapping[str, Node]) -> None:
    for name, text in data.get("cautions", {}).items():
        if isinstance(text, str) and text.strip() and text.isprintable():
            draft.cautions[name] = text
        else:
            node = (inner["cautions"].table or {})[name]
            values.wrong(node, f"caution '{name}' must be one text; write for example {name} = \"Park the car.\"")


def _weights(values: ValueReader, draft: _PartialCauses, data: Mapping[str, Any], inner: Mapping[str, Node]) -> None:
    for name, weight in data.get("weights", {}).items():
        node = (inner["weights"].table or {})[name]
        if name not in draft.causes:
            values.wrong(node.key, f"no cause is called '{name}'{did_you_mean(name, draft.causes)}")
            continue
        with suppress(InvalidValue):
            number = values.bounded(replace(CAUSE["weight"], name=name), weight, node)
            draft.causes[name] = replace(draft.causes[name], weight=number)


# --- causes and measurements ----------------------------------------------------------------------------


def _cause(
    values: ValueReader,
    known: Mapping[str, str],
    name: str,
    data: dict[str, object],
    node: Node,
    mentions: list[_Mention],
) -> Cause | None:
    before = len(values.problems)
    read, inner = values.table(CAUSE, node, data, f"cause '{name}'"), node.table or {}
    signs: dict[str, Frequency] = {}
    for word in (Frequency.USUAL, Frequency.SOMETIMES, Frequency.NEVER, Frequency.CANNOT):
        for sign, source in read.get(word.value, ()):
            if sign in signs:
                values.wrong(source, f"'{sign}' is named twice, as {signs[sign].value} and as {word.value}")
            signs[sign] = word
            mentions.append(_Mention("sign", sign, "", source))
    any_reading = read.get("readings") == "any"
    readings = {} if any_reading or "readings" not in read else _readings(values, read, inner["readings"], mentions)
    cautions = _named_cautions(values, known, read)
    if len(values.problems) > before:
        return None
    return Cause(
        name=name,
        title=read["title"],
        kind=CauseKind(read["kind"]),
        weight=read["weight"],
        signs=signs,
        otherwise=Frequency(read.get("otherwise", "rare")),
        readings=readings,
        any_reading=any_reading,
        repair=read["repair"],
        cautions=cautions,
        basis=read["basis"],
        source=values.document.source(node.start),
    )


def _readings(
    values: ValueReader, read: Mapping[str, Any], node: Node, mentions: list[_Mention]
) -> dict[str, tuple[str, ...]]:
    data = read["readings"]
    if not isinstance(data, dict):
        values.wrong(node, "'readings' must be a table of measurement = result, or the text \"any\"")
        return {}
    found: dict[str, tuple[str, ...]] = {}
    for measurement, results in data.items():
        place = (node.table or {})[measurement]
        mentions.append(_Mention("measurement", measurement, "", values.document.source(place.key)))
        if isinstance(results, str):
            named = [(results, values.document.source(place.start))]
        else:
            try:
                named = values.name_list(replace(CAUSE["usual"], name=measurement), results, place)
            except InvalidValue:
                continue
        if not named:
            values.wrong(place, f"'{measurement}' names no result")
        for index, (result, source) in enumerate(named):
            if any(result == earlier for earlier, _ in named[:index]):
                values.wrong(source, f"'{measurement}' names the result '{result}' twice; once is enough")
        mentions += [_Mention("result", result, measurement, source) for result, source in named]
        found[measurement] = tuple(result for result, _ in named)
    return found


def _measurement(
    values: ValueReader,
    known: Mapping[str, str],
    expectations: Expectations,
    name: str,
    data: dict[str, object],
    node: Node,
) -> Measurement | None:
    before = len(values.problems)
    read, inner = values.table(MEASUREMENT, node, data, f"measurement '{name}'"), node.table or {}
    unit = read.get("unit", "")
    windows = _windows(values, read["results"], inner["results"], unit) if "results" in read else []
    names = [window.name for window in windows]
    for key in ("expect", "with_fault"):
        if len(values.problems) == before and key in read and read[key] not in names:
            values.wrong(inner[key], f"no result is called '{read[key]}'{did_you_mean(read[key], names)}")
    cautions = _named_cautions(values, known, read)
    trace = read_trace(values, expectations, read["trace"], inner["trace"], unit) if "trace" in read else None
    if len(values.problems) > before:
        return None
    return Measurement(**{**read, "name": name, "results": tuple(windows), "cautions": cautions, "trace": trace})


def _named_cautions(values: ValueReader, known: Mapping[str, str], read: Mapping[str, Any]) -> tuple[str, ...]:
    """Return the cautions that a cause or a measurement names, as sentences."""
    named = read.get("cautions", ())
    for caution, source in named:
        if caution not in known:
            values.wrong(source, f"no caution is called '{caution}'{did_you_mean(caution, known)}")
    return tuple(known[caution] for caution, _ in named if caution in known)


def _windows(
    values: ValueReader, data: Iterable[tuple[dict[str, object], Node]], node: Node, unit: str
) -> list[ResultRange]:
    windows: list[ResultRange] = []
    before = len(values.problems)
    for item, place in data:
        read, inner = values.table(RESULT, place, item, "a result"), place.table or {}
        keys = [key for key in ("least", "below") if key in read]
        if keys and not unit:
            values.wrong(
                inner[keys[0]], 'a result with limits needs the measurement to have a unit, such as unit = "V"'
            )
            return windows
        written = {key: values.in_unit(read[key], unit, inner[key]) for key in keys}
        limits = {key: None if limit is None else float(limit) for key, limit in written.items()}
        window = ResultRange(name=read.get("name", ""), means=read.get("means", ""), **limits)
        if window.least is not None and window.below is not None and window.least >= window.below:
            values.wrong(place, "'least' is not below 'below', so no reading could ever be this result")
        if any(window.name == other.name for other in windows):
            values.wrong(place, f"there is a result '{window.name}' already; names must differ")
        windows.append(window)
    if len(windows) < 2:
        values.wrong(node, "a measurement has at least two results, or it could tell nothing")
    if unit and len(values.problems) == before:
        _require_no_gap(values, windows, node)
    return windows


def _require_no_gap(values: ValueReader, windows: list[ResultRange], node: Node) -> None:
    """Every reading must be one result, and one only."""
    inf = float("inf")
    ends = sorted(
        (-inf if it.least is None else it.least, inf if it.below is None else it.below, it.name) for it in windows
    )
    edges = [-inf, *(high for _, high, _ in ends)]
    for (low, _, name), edge in zip(ends, edges, strict=False):
        if low != edge:
            word = "two results overlap" if low < edge else "a reading can fall between two results"
            values.wrong(node, f"{word}, at {name}: the limits of one must begin where those of the other end")
            return
    if edges[-1] != inf:
        values.wrong(node, f"no result takes a reading of {edges[-1]:g} or more: leave one 'below' away")


# --- what names what ------------------------------------------------------------------------------------


def _check_names(draft: _PartialCauses) -> None:
    """Note every name of a sign, measurement or result that there is not; forget what a file leaves out."""
    # What a file leaves out of its base and then writes itself is there.
    dropped = (draft.dropped | set(draft.lost)) - set(draft.signs) - set(draft.measurements)
    for cause, mentions in draft.mentions.items():
        gone = {it.name for it in mentions if it.sort != "result" and it.name in dropped}
        if gone and cause in draft.causes:
            held = draft.causes[cause]
            draft.causes[cause] = replace(
                held,
                signs={name: word for name, word in held.signs.items() if name not in gone},
                readings={name: shown for name, shown in held.readings.items() if name not in gone},
            )
            usual = {name for name, word in held.signs.items() if word is Frequency.USUAL}
            if held.kind is CauseKind.RECORDING and usual and usual <= gone:
                del draft.causes[cause]  # a fault of a recording that this car does not have
        for it in mentions:
            if it.name in gone or it.of in gone:
                continue
            known: Iterable[str] = draft.signs if it.sort == "sign" else draft.measurements
            if it.sort == "result":
                if it.of not in draft.measurements:
                    continue
                known = [window.name for window in draft.measurements[it.of].results]
            if it.name not in known and (it.sort, it.name) not in draft.defined:
                hint = did_you_mean(it.name, known)
                draft.problems.append(ExpectationError(f"no {it.sort} is called '{it.name}'{hint}", it.source))
