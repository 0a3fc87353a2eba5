"""What a person enters for a job record, from options or from a TOML file.

vehicle = "Club car 3, silver"
complaint = "Steering-lock warning, does not switch on; since Monday"
confirmed = "load_fuse_blown"
done = ["Replaced the load fuse of the lock", "Cleaned the fuse holder"]
replaced = ["lock unit"]

[[readings]]
what = "Supply at the lock's plug, key in, start pressed"
reading = "0.1 V"
limit = "at least 9.5 V"
source = "workshop manual"
"""

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, Final

from buslens.causes.comparison_input import history_of, known_rate_of
from buslens.errors import ExpectationError, UsageError, did_you_mean
from buslens.expectations._toml import Node, TomlDocument, parse_document
from buslens.files import read_at_most

_LARGEST_FILE: Final = 1_000_000
_LISTS: Final = frozenset({"done", "replaced"})
_NEEDED: Final = ("what", "reading")


@dataclass(frozen=True, slots=True, kw_only=True)
class EnteredReading:
    """Something that was measured at the vehicle, as the person wrote it down."""

    what: str
    reading: str
    #: What is allowed; empty if not said.
    limit: str = ""
    #: Where the limit comes from; empty if not said.
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobDetails:
    """What the person enters; empty text and empty lists are left out of the record."""

    vehicle: str = ""
    complaint: str = ""
    workshop: str = ""
    technician: str = ""
    customer: str = ""
    #: Of the job, as the workshop numbers it.
    number: str = ""
    #: As the person writes it.
    date: str = ""
    registration: str = ""
    odometer: str = ""
    done: tuple[str, ...] = ()
    #: Cause that the repair confirmed, as the causes file names it; counted by `buslens diagnose --learn`.
    confirmed: str = ""
    #: Units that were replaced.
    replaced: tuple[str, ...] = ()
    remarks: str = ""
    #: How often it failed before the repair: counted, such as "3/30", or known from long use, such as "1 in 10".
    failed: str = ""
    readings: tuple[EnteredReading, ...] = ()


def load_job(path: str) -> JobDetails:
    """Return what a TOML file says.

    Raises UsageError if it is no TOML, or a key is unknown or holds something else than it should; the text says where;
    OSError if the file cannot be read.
    """
    try:
        document = parse_document(read_at_most(path, _LARGEST_FILE), path)
    except ExpectationError as exc:
        raise UsageError(exc.problem, exc.source) from None
    reader = _JobParser(document)
    return JobDetails(**reader.fields(JobDetails, document.root, document.data, "", reader.value))


def stated_rate(job: JobDetails) -> dict[str, tuple[int, int]]:
    """Return how often it failed before the repair, as `buslens.causes.compare.compare` takes it; empty if not said.

    Raises UsageError if it is neither a count nor a rate.
    """
    if not job.failed:
        return {}
    return {"known_rate": known_rate_of(job.failed)} if " in " in job.failed else {"history": history_of(job.failed)}


def job_text(job: JobDetails) -> str:
    """Return a job as TOML; `load_job` reads the same job back."""
    lines = []
    for field in fields(JobDetails):
        value = getattr(job, field.name)
        if field.name == "readings":
            continue
        if field.name in _LISTS:
            lines += [f"{field.name} = [{', '.join(map(_quoted, value))}]"] if value else []
        elif value:
            lines.append(f"{field.name} = {_quoted(value)}")
    for reading in job.readings:
        named = {it.name: getattr(reading, it.name) for it in fields(reading)}
        said = {name: text for name, text in named.items() if text or name in _NEEDED}
        lines += ["", "[[readings]]", *(f"{name} = {_quoted(text)}" for name, text in said.items())]
    return "".join(f"{line}\n" for line in lines)


def _quoted(text: str) -> str:
    # A string of JSON is one of TOML, but for one control character.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def merged(job: JobDetails, options: Mapping[str, Any]) -> JobDetails:
    """Return a job with whatever the options say in place of it; None and empty lists say nothing."""
    said: dict[str, Any] = {key: tuple(v) if isinstance(v, list) else v for key, v in options.items() if v}
    return replace(job, **said)


class _JobParser:
    """Turns values into fields, with errors that point at their key."""

    def __init__(self, document: TomlDocument) -> None:
        self._document = document

    def fields(
        self, record: type, node: Node, data: Mapping[str, object], of: str, read: Callable[[str, object, Node], object]
    ) -> dict[str, Any]:
        """Return what a table says of the fields of a record."""
        known = [field.name for field in fields(record)]
        inner = node.table or {}
        for key in data:
            if key not in known:
                raise self._error(inner[key], f"unknown key '{key}'{of}{did_you_mean(key, known)}")
        return {key: read(key, value, inner[key]) for key, value in data.items()}

    def value(self, key: str, value: object, node: Node) -> object:
        """Return the value of a key of the job."""
        if key == "readings":
            if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
                raise self._error(node, "write each reading as a table of its own: [[readings]]")
            return tuple(self._reading(item, inner) for item, inner in zip(value, node.array or [], strict=True))
        if key in _LISTS:
            items = [value] if isinstance(value, str) else value
            if not isinstance(items, list) or not all(isinstance(item, str) for item in items):
                raise self._error(node, f"'{key}' is text, or a list of texts in brackets")
            return tuple(items)
        return self._text(key, value, node)

    def _error(self, node: Node, problem: str) -> UsageError:
        return UsageError(problem, self._document.source(node.key))

    def _reading(self, item: Mapping[str, object], node: Node) -> EnteredReading:
        read = self.fields(EnteredReading, node, item, " of a reading", self._text)
        for key in _NEEDED:
            if key not in item:
                raise self._error(node, f"a reading needs '{key}'")
        return EnteredReading(**read)

    def _text(self, key: str, value: object, node: Node) -> str:
        # A date or a number without quotes is meant as it is written: 11.90 V was read to the hundredth.
        if isinstance(value, str):
            return value
        if isinstance(value, bool | list | dict):
            raise self._error(node, f"'{key}' is text in quotes")
        return self._document.text[node.start : node.end]
