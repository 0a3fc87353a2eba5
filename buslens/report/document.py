"""The JSON document: one for all captures of a command, in a form that later versions only add to.

Times are seconds from the capture's first frame, written out exactly: they are whole nanoseconds and are put
down as decimals, never through binary floats, which cannot hold the nanoseconds of a wall clock.

A discontinuity has its ``time``, the ``line`` after it, how far the clock ran ``back``, and in ``stamp_lost`` whether
it is none of the clock, but a stamp that counts from the line before and could not be read; ``back`` then says nothing.
In ``hole`` it has whether a part of the log is lost there.
"""

import json
import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from decimal import Decimal
from functools import partial
from itertools import chain, islice
from typing import Any, Final, Generic, TypeAlias, TypeVar

from buslens.capture.frames import Clock, ReadStats
from buslens.checks.findings import Evidence, Finding, Handshake, Limit, Result, TimeBounds
from buslens.report.formatting import unread_text
from buslens.report.safety_notes import cautions_for

T = TypeVar("T")

SCHEMA: Final = 1
"""Version of the document's form."""

Entry: TypeAlias = "dict[str, Any]"
"""One capture in the document."""

_WORDS_TOGETHER: Final = 10_000
"""Words of JSON, of some ten characters each, in one piece."""


class _Each(Generic[T]):
    """A list whose items are made when they are written, and not kept: as plain data they take ten times the room."""

    def __init__(self, things: Sequence[T], item: Callable[[T], dict[str, Any]]) -> None:
        self._things = things
        self._item = item

    def __len__(self) -> int:
        return len(self._things)

    def __iter__(self) -> Iterator[dict[str, Any]]:
        return map(self._item, self._things)


def document(captures: Iterable[Entry]) -> dict[str, Any]:
    """Return the document over captures, as data for `dumps` and `parts`; times are Decimals."""
    return {"schema": SCHEMA, "captures": list(captures)}


def dumps(data: Mapping[str, Any]) -> str:
    """Return a document as JSON text of ASCII characters, so that no locale can spoil it."""
    return "".join(parts(data))


def parts(data: Mapping[str, Any]) -> Iterator[str]:
    """Yield what `dumps` returns piece by piece: with every finding of a bad log, the whole would fill the memory."""
    words = chain(_written(data, "\n"), "\n")
    while some := "".join(islice(words, _WORDS_TOGETHER)):
        yield some


def capture_entry(result: Result) -> Entry:
    """Return the entry for a capture that was checked."""
    stats, origin = result.stats, result.origin_ns
    return {
        **_blank(result.path),
        "frames": stats.frames,
        "skipped_lines": stats.broken,
        "start": None if stats.first_ns is None else seconds_of(0),
        "end": None if stats.last_ns is None else seconds_of(stats.last_ns - origin),
        "verdict": result.verdict.value,
        "unexercised": list(result.unexercised),
        "findings": _Each(result.findings, partial(_finding, origin_ns=origin)),
        "summary": result.summary,
        "cautions": list(cautions_for(result.verdict)),
        "recorded_start": _recorded_start(stats),
        "clock": stats.clock.name.lower(),
        "format": stats.format,
        "expectations": result.expectations.path,
        "handshakes": _Each(result.handshakes, partial(_handshake, origin_ns=origin)),
        "error_frames": stats.errors,
        "reordered": stats.reordered,
        "skipped": [{"line": line, "reason": why, "text": start} for line, why, start in stats.skipped],
        "seams": [
            {
                "time": seconds_of(discontinuity.time_ns - origin),
                "line": discontinuity.line,
                "back": seconds_of(discontinuity.back_ns),
                "stamp_lost": discontinuity.is_lost,
                "hole": discontinuity.is_hole,
            }
            for discontinuity in stats.discontinuities
        ],
        "notes": [note for note in dict.fromkeys((unread_text(stats), *result.notes, *stats.notes)) if note],
    }


def error_entry(path: str, problem: str) -> Entry:
    """Return the entry for a capture without a verdict; ``error`` says why there is none."""
    return {**_blank(path), "error": problem}


def _blank(path: str) -> Entry:
    nothing = dict.fromkeys(("frames", "skipped_lines", "start", "end", "verdict"))
    return {"path": path, **nothing, "unexercised": [], "findings": []}


def _finding(finding: Finding, origin_ns: int) -> dict[str, Any]:
    return {
        "rule": finding.rule,
        "step": finding.step,
        "handshake": finding.handshake,
        "kind": finding.kind,
        "outcome": finding.outcome.value,
        "reason": finding.reason,
        "time": None if finding.time_ns is None else seconds_of(finding.time_ns - origin_ns),
        "delay": None if finding.delay is None else span_entry(finding.delay),
        "limit": None if finding.limit is None else _limit(finding.limit),
        "reference": None if finding.reference is None else span_entry(finding.reference, origin_ns),
        "evidence": [_evidence(seen, origin_ns) for seen in finding.evidence],
        "count": finding.count,
        "basis": finding.basis or None,
    }


def span_entry(span: TimeBounds, origin_ns: int = 0) -> dict[str, Decimal | None]:
    """Return the two ends of a span as seconds."""
    return {
        "earliest": seconds_of(span.earliest_ns - origin_ns),
        "latest": None if span.latest_ns is None else seconds_of(span.latest_ns - origin_ns),
    }


def _limit(limit: Limit) -> dict[str, Any]:
    if limit.unit == "ns":
        ends = [None if end is None else seconds_of(round(end)) for end in (limit.least, limit.most)]
        return {"min": ends[0], "max": ends[1], "unit": "s"}
    return {"min": limit.least, "max": limit.most, "unit": limit.unit}


def _evidence(seen: Evidence, origin_ns: int) -> dict[str, Any]:
    return {"what": seen.what, "role": seen.role or None, "time": span_entry(seen.time, origin_ns)}


def _handshake(run: Handshake, origin_ns: int) -> dict[str, Any]:
    return {
        "rule": run.rule,
        "handshake": run.number,
        "start": span_entry(run.start, origin_ns),
        "end": seconds_of(run.end_ns - origin_ns),
        "completed": run.completed,
        "abandoned": run.abandoned or None,
        "tries": run.tries,
    }


def _recorded_start(stats: ReadStats) -> Decimal | None:
    """Return the recorder's stamp of the first frame, where it is one of a calendar."""
    if stats.first_ns is None or stats.clock not in {Clock.WALL, Clock.LOCAL}:
        return None
    return seconds_of(stats.first_ns)


def seconds_of(time_ns: int) -> Decimal:
    """Return a time as seconds that are written to the nanosecond."""
    # Through text: arithmetic on Decimals would round to the process-wide context.
    return Decimal(f"{int(time_ns)}e-9")


def _written(value: object, line: str) -> Iterator[str]:
    """Yield JSON text; `line` is a line end with the indentation of whatever holds the value.

    The standard library's writer puts a Decimal down through a float, which loses nanoseconds.
    """
    inner = line + "  "
    match value:
        case dict() if value:
            for index, (key, item) in enumerate(value.items()):
                yield f"{',' if index else '{'}{inner}{json.dumps(key)}: "
                yield from _written(item, inner)
            yield line + "}"
        case list() | _Each() if value:
            for index, item in enumerate(value):
                yield f"{',' if index else '['}{inner}"
                yield from _written(item, inner)
            yield line + "]"
        case Decimal():
            whole, _, rest = f"{value:f}".partition(".")
            yield f"{whole}.{rest.rstrip('0') or '0'}"
        case float() if not math.isfinite(value):
            # JSON has no such number.
            yield "null"
        case _Each():
            yield "[]"
        case _:
            yield json.dumps(value)
