"""Bits and fields that follow what a person did, in a capture for which there are no definitions."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from buslens.capture.frames import Clock, ReadStats
from buslens.capture.table_settings import TableSettings
from buslens.definitions.model import ByteOrder
from buslens.discovery.candidates import BitField, Candidate, first_movers_first, rank
from buslens.discovery.changes import BITS, BitToggles, ChangeLog, FrameKey
from buslens.discovery.coincidence import MatchWindow, run_trials
from buslens.discovery.marks import Mark, MarkedAction, actions_of, reject_outside
from buslens.errors import CaptureError, SourceLocation, UsageError
from buslens.units import NS_PER_MS

TOLERANCE_NS: Final = 300 * NS_PER_MS
"""How far a mark of a person who watches a clock may be off (rule of thumb)."""
DELAY_NS: Final = 100 * NS_PER_MS
"""How much later than the action a unit may change its bit (rule of thumb)."""
MOST: Final = 5
"""Candidates for each action."""
LEAST_CAP: Final = 256
"""A bit may change at least so often before it is given up ..."""
CHANGES_PER_MARK: Final = 64
"""... and so often for each mark: what changes more coincides with too much to be a surprise (rule of thumb)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeekResult:
    """What was found."""

    path: str
    actions: tuple[MarkedAction, ...]
    #: For each action, the best first.
    candidates: tuple[tuple[Candidate, ...], ...]
    tolerance_ns: int
    delay_ns: int
    #: Bits that changed and were tried, and those that were not because they change all the time, or by the clock.
    n_tried: int
    n_busy: int
    #: Of each origin, usual time between frames in ns and bytes of its longest payload.
    origins: dict[FrameKey, tuple[int, int]]
    #: The bits that were tried.
    tried: tuple[BitField, ...]
    first_ns: int
    end_ns: int
    stats: ReadStats | None = None

    def chosen(self, most: int | None = None) -> list[Candidate]:
        """Return the candidates to define, each once: the best of each action that is more than chance, or so many."""
        found: list[Candidate] = []
        for candidates in self.candidates:
            kept = [it for it in candidates if it.is_surprising][:1] if most is None else candidates[:most]
            found += [candidate for candidate in kept if all(candidate.field != it.field for it in found)]
        return found


def seek(
    capture: str | Path,
    marks: Sequence[Mark],
    *,
    tolerance_ns: int = TOLERANCE_NS,
    delay_ns: int = DELAY_NS,
    most: int = MOST,
    table: TableSettings | str | Path | None = None,
    workers: int | None = None,
    notify: Callable[[str], None] | None = None,
) -> SeekResult:
    """Return the bits and fields of a capture whose changes coincide with marks.

    Parameters
    ----------
    capture : str or Path
        A recorded log; ``-`` for standard input.
    marks : sequence of Mark
        What was done and when.
    tolerance_ns : int
        How far marks may be off either way.
    delay_ns : int
        How much later than the action a bit may change.
    most : int
        Candidates for each action.
    table : TableSettings or path, optional
        What is said about tables of frames, or the TOML file that says it; else their rows tell.
    workers : int, optional
        Pieces that are read at the same time; default: one per core.
    notify : callable, optional
        Is told, as one sentence, what takes a while.

    Raises
    ------
    CaptureError
        If nothing in the capture can be read.
    UsageError
        If there are no marks, one lies behind the capture's end, or the capture has no time stamps.
    """
    _require_candidates(marks)
    changes, stats = read_changes(capture, len(marks), table=table, workers=workers, notify=notify)
    assert stats.first_ns is not None  # noqa: S101 (else there are no changes)
    assert stats.last_ns is not None  # noqa: S101
    return sought(
        changes,
        marks,
        first_ns=stats.first_ns,
        end_ns=stats.last_ns,
        tolerance_ns=tolerance_ns,
        delay_ns=delay_ns,
        most=most,
        path=str(capture),
        stats=stats,
    )


def read_changes(
    capture: str | Path,
    n_marks: int,
    *,
    table: TableSettings | str | Path | None = None,
    workers: int | None = None,
    notify: Callable[[str], None] | None = None,
) -> tuple[BitToggles, ReadStats]:
    """Return when the bits of a capture changed, those left out that change all the time; see `seek`.

    Raises CaptureError if nothing in the capture can be read, UsageError if the capture has no time stamps.
    """
    from buslens.capture.reduce import reduce_frames
    from buslens.capture.values import open_frames

    log, stats = reduce_frames(
        open_frames(capture, table, "whose bits could be sought: 'buslens start' drafts roles from its columns"),
        wanted=None,
        make=lambda: ChangeLog(cap_for(n_marks)),
        update=ChangeLog.take,
        merge=ChangeLog.join,
        workers=workers,
        notify=notify,
    )
    if stats.first_ns is None or stats.last_ns is None:
        raise CaptureError("no frame in it could be read", SourceLocation(str(capture)))
    if stats.clock is Clock.MISSING:
        raise UsageError(f"{capture} has no time stamps, so that nothing can be told to coincide; record it with them")
    return log.finish(), stats


def sought(
    changes: BitToggles,
    marks: Sequence[Mark],
    *,
    first_ns: int,
    end_ns: int,
    tolerance_ns: int = TOLERANCE_NS,
    delay_ns: int = DELAY_NS,
    most: int = MOST,
    path: str = "",
    stats: ReadStats | None = None,
) -> SeekResult:
    """Return the bits and fields among changes that coincide with marks; see `seek`.

    Parameters
    ----------
    first_ns, end_ns : int
        First and last frame of the capture.
    """
    _require_candidates(marks)
    reject_outside(marks, end_ns - first_ns)
    actions = actions_of(marks)
    window = MatchWindow(before_ns=tolerance_ns + delay_ns, after_ns=tolerance_ns, first_ns=first_ns, end_ns=end_ns)
    trials = run_trials(changes, actions, window=window)
    ranked = rank(changes, trials, actions, window=window, most=most)
    return SeekResult(
        path=path,
        actions=actions,
        candidates=tuple(tuple(first_movers_first(listed, index)) for index, listed in enumerate(ranked)),
        tolerance_ns=tolerance_ns,
        delay_ns=delay_ns,
        n_tried=len(trials.code),
        n_busy=changes.n_busy + trials.n_even,
        origins={
            origin: (period, length)
            for origin, period, length in zip(
                changes.origins, changes.period_ns.tolist(), changes.length.tolist(), strict=True
            )
        },
        tried=tuple(
            BitField(origin=changes.origins[code // BITS], bits=(code % BITS,), order=ByteOrder.INTEL)
            for code in trials.code.tolist()
        ),
        first_ns=first_ns,
        end_ns=end_ns,
        stats=stats,
    )


def cap_for(n_marks: int) -> int:
    """Return how often a bit may change before it is given up."""
    return max(LEAST_CAP, CHANGES_PER_MARK * n_marks)


def _require_candidates(marks: Sequence[Mark]) -> None:
    if not marks:
        raise UsageError('there are no marks; write for example --mark "12.3 driver door opens"')
