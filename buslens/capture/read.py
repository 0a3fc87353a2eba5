"""All frames of a capture as one table, for those who want to look for themselves."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from buslens.capture.frames import Flag, Frames
from buslens.capture.open import Capture, open_capture, require_read_frames
from buslens.capture.read_options import python_can_read_options, read_options_for
from buslens.capture.scan import Scanner
from buslens.capture.table_settings import TableSettings
from buslens.units import NS_PER_S

if TYPE_CHECKING:
    import pandas as pd


def read_frames(
    path: str | Path, *, table: TableSettings | str | Path | None = None, notify: Callable[[str], None] | None = None
) -> pd.DataFrame:
    """Return every frame of a capture, in file order.

    Parameters
    ----------
    path : str or Path
        A recorded log; ``-`` for standard input.
    table : TableSettings or path, optional
        What is said about tables of frames, or the TOML file that says it; else their rows tell.
    notify : callable, optional
        Is told, as one sentence, what takes a while.

    Returns
    -------
    pandas.DataFrame
        One row per frame: ``time`` (float64, s, as recorded: not sorted, not mended), ``time_ns`` (int64, the same to
        the nanosecond, which a float cannot hold since 1970), ``channel`` (str),
        ``can_id`` (int64, without flag bits; of an error frame its class bits), ``is_extended``, ``is_fd``,
        ``is_remote``, ``is_error``, ``is_rx`` (bool), ``dlc`` (int64, the raw data length code),
        ``data`` (bytes). ``attrs["stats"]`` is the account of all lines.

    Raises
    ------
    CaptureError
        If nothing in it can be read.
    """
    import pandas as pd

    capture = open_capture(path, table=table)
    scanner, runs = _runs(capture, notify)
    kept = list(runs)
    stats = scanner.stats()
    require_read_frames(capture, stats)
    flags = _joined([frames.flags for frames in kept], np.uint16)
    labels = pd.Series(list(scanner.channels), dtype=pd.Series(["text"]).dtype)
    time_ns = _joined([frames.time_ns for frames in kept], np.int64)
    frame = pd.DataFrame(
        {
            # Seconds and the rest apart: nanoseconds since 1970 do not fit a float.
            "time": time_ns // NS_PER_S + time_ns % NS_PER_S / NS_PER_S,
            "time_ns": time_ns,
            "channel": labels.array.take(_joined([frames.channel for frames in kept], np.int64)),
            "can_id": _joined([frames.can_id for frames in kept], np.int64),
            "is_extended": flags & Flag.EXTENDED != 0,
            "is_fd": flags & Flag.FD != 0,
            "is_remote": flags & Flag.REMOTE != 0,
            "is_error": flags & Flag.ERROR != 0,
            "is_rx": flags & Flag.TX == 0,
            "dlc": _joined([frames.dlc for frames in kept], np.int64),
            "data": pd.Series([data for frames in kept for data in payloads(frames)], dtype=object),
        }
    )
    frame.attrs["tally"] = stats
    return frame


def count_identifiers(
    path: str | Path, *, most_frames: int = 200_000, table: TableSettings | str | Path | None = None
) -> Counter[tuple[str, int, bool]]:
    """Return how many data and remote frames each identifier has in the first frames of a capture.

    Parameters
    ----------
    path : str or Path
        A recorded log that can be opened once more.
    most_frames : int, optional
        About how many frames are looked at.
    table : TableSettings or path, optional
        What is said about tables of frames, or the TOML file that says it; else their rows tell.

    Returns
    -------
    Counter
        By channel, identifier and whether it is a 29-bit one.
    """
    scanner, runs = _runs(open_capture(path, table=table), None)
    found: Counter[tuple[str, int, bool]] = Counter()
    frames_seen = 0
    for frames in runs:
        kept = frames.flags & Flag.ERROR == 0
        key = (frames.channel.astype(np.int64) << 33) | (frames.flags & Flag.EXTENDED != 0).astype(np.int64) << 32
        for number, count in zip(*np.unique((key | frames.can_id)[kept], return_counts=True), strict=True):
            channel = scanner.channels[int(number) >> 33]
            found[channel, int(number) & 0xFFFFFFFF, bool(int(number) >> 32 & 1)] += int(count)
        frames_seen += len(frames)
        if frames_seen >= most_frames:
            break
    return found


def payloads(frames: Frames, rows: NDArray[np.intp] | slice = slice(None)) -> list[bytes]:
    """Return the payload of each frame, or of some."""
    raw = frames.words.astype("<u8", copy=False).tobytes()
    starts = (8 * frames.word[rows]).tolist()
    return [raw[start : start + n] for start, n in zip(starts, frames.length[rows].tolist(), strict=True)]


def _runs(capture: Capture, notify: Callable[[str], None] | None) -> tuple[Scanner, Iterator[Frames]]:
    """Return the runs of all frames of a capture as recorded, and the scanner that keeps the account of them."""
    if capture.foreign is not None:
        scanner = Scanner(python_can_read_options(capture.name, wanted=None, as_recorded=True))
        return scanner, _foreign_runs(capture, scanner)
    scanner = Scanner(read_options_for(capture, wanted=None, as_recorded=True, notify=notify))
    return scanner, _own_runs(capture, scanner)


def _own_runs(capture: Capture, scanner: Scanner) -> Iterator[Frames]:
    with capture.stream() as stream:
        yield from scanner.read(stream)
    yield from scanner.flush()


def _foreign_runs(capture: Capture, scanner: Scanner) -> Iterator[Frames]:
    assert capture.foreign is not None  # noqa: S101  (the caller has looked)
    for run in capture.foreign:
        yield from scanner.feed(run)
    yield from scanner.flush()
    if capture.foreign.damage:
        scanner.end_at_damage(capture.foreign.damage)


def _joined(arrays: list[NDArray[Any]], dtype: type[np.generic]) -> NDArray[Any]:
    return np.concatenate([np.empty(0, dtype), *(array.astype(dtype) for array in arrays)])
