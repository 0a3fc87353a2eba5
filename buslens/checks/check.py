"""From a capture to a verdict."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TypeAlias

from buslens.capture.open import Capture
from buslens.capture.table_settings import TableSettings
from buslens.capture.values import ValuesCapture
from buslens.checks.evaluate import evaluate_capture, evaluate_table, read_beside
from buslens.checks.findings import Result
from buslens.checks.setup import prepare, wanted_ids
from buslens.checks.values import columns_of, other_columns, table_of_values
from buslens.defaults import find_expectations
from buslens.definitions.model import Definitions
from buslens.errors import CaptureError, SourceLocation, UnrelatedCaptureError, UsageError
from buslens.expectations.model import Expectations
from buslens.timeline.history import CaptureHistory


def check(
    capture: str | Path,
    expectations: Expectations | str | Path | None = None,
    definitions: Definitions | str | Path | list[str | Path] | None = None,
    *,
    channels: Mapping[str, str] | None = None,
    table: TableSettings | str | Path | None = None,
    workers: int | None = None,
    notify: Callable[[str], None] | None = None,
    beside: Iterable[str | Path] = (),
) -> Result:
    """Check a capture against expectations.

    Parameters
    ----------
    capture : str or Path
        A recorded log, ``-`` for standard input.
    expectations : Expectations or path, optional
        Roles and rules. Default: ``steering_lock.toml`` beside the capture, in a folder ``signal_defs`` there or up to
        two folders above, or here.
    definitions : Definitions, path or list of paths, optional
        Default: the files that the expectations name.
    channels : mapping of str to str, optional
        Channels as the log calls them, and as the definitions that are tied to one do, where the two differ.
    table : TableSettings or path, optional
        What is said about tables of frames, or the TOML file that says it; else their rows tell.
    workers : int, optional
        Pieces that are read at the same time; default: one per core.
    notify : callable, optional
        Is told, as one sentence, what takes a while.
    beside : iterable of str or Path, optional
        Tables of values that were recorded at the same time: each shows the roles whose columns it has.

    Returns
    -------
    Result
        Verdict, findings in order of rule and time, and the timelines that they rest on.

    Raises
    ------
    BuslensError
        If one of the files cannot be used, or the two do not fit each other.
    """
    from buslens.capture.read import count_identifiers
    from buslens.capture.reduce import reduce_frames
    from buslens.capture.table_settings import settings_of

    if not isinstance(capture, str | Path):
        raise UsageError(
            f"a capture is a result of check() or the path of a log, and no {type(capture).__name__}; for several, give"
            " a list of them"
        )
    ground = prepare(find_expectations(capture) if expectations is None else expectations, definitions)
    settings = settings_of(table)
    opened = open_any(capture, ground.expectations, settings)
    tables = [_open_beside(path, ground.expectations, settings) for path in beside]
    if isinstance(opened, ValuesCapture):
        return replace(evaluate_table(str(capture), ground.expectations, opened, notify, tables), table=settings)
    recorder, stats = reduce_frames(
        opened,
        wanted=wanted_ids(ground.tracks, ground.pairs),
        make=lambda: CaptureHistory(ground.tracks, channels, ground.pairs),
        update=CaptureHistory.add,
        merge=CaptureHistory.merge,
        workers=1 if any(track.timeout_ns is None for track in ground.tracks) else workers,
        notify=notify,
    )
    result = evaluate_capture(
        str(capture),
        ground.expectations,
        recorder,
        stats,
        # Nobody counted what is not needed, and standard input cannot be read again.
        look=None if str(capture) == "-" else lambda: count_identifiers(capture, table=settings),
        keep_rows=False,
        beside=[read_beside(one, ground.expectations, notify) for one in tables],
    )
    return replace(result, table=settings)


Checkable: TypeAlias = Result | str | Path
"""A capture as functions take it: checked, or where it lies."""


def results_of(captures: Checkable | Iterable[Checkable]) -> tuple[Result, ...]:
    """Return one or several captures checked: results as they are, logs as `check` checks them without more words.

    Raises UsageError if one is neither a result nor the path of a log, BuslensError as `check`.
    """
    several = captures if isinstance(captures, Iterable) and not isinstance(captures, str) else [captures]
    return tuple(it if isinstance(it, Result) else check(it) for it in several)


def _open_beside(path: str | Path, expected: Expectations, table: TableSettings) -> ValuesCapture:
    values = table_of_values(path, expected, table)
    if values is None:
        raise other_columns(path, expected, table) or UnrelatedCaptureError(
            "it is no table of values with a column that a role is read from", SourceLocation(str(path))
        )
    return values


def open_any(capture: str | Path, expected: Expectations, table: TableSettings) -> Capture | ValuesCapture:
    """Recognise a capture: a table of values that has a column of the expectations, else a log.

    Raises BuslensError if it is neither, or does not say enough; OSError if the system refuses the file.
    """
    from buslens.capture.open import open_capture

    values = table_of_values(capture, expected, table)
    if values is not None:
        return values
    try:
        opened = open_capture(capture, table=table)
    except CaptureError:
        if str(capture) != "-" and (unrelated := other_columns(capture, expected, table)) is not None:
            raise unrelated from None
        raise
    if columns_of(expected) and not any(role.signal or role.reply for role in expected.roles.values()):
        raise UnrelatedCaptureError(
            "it is a bus log, and all roles of the expectations are read from columns of a table: add 'signal' to them",
            SourceLocation(str(capture)),
        )
    return opened
