"""Every signal of a capture as a table."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from buslens.capture.frames import Frames
from buslens.definitions.j1939 import SPECIAL, has_special_values, special_codes
from buslens.definitions.model import EVERY_BIT, Definitions, Message, Signal, ValueType
from buslens.definitions.unpack import Numbers, carries, label_codes, physical, raw_values
from buslens.errors import UsageError, did_you_mean
from buslens.units import NS_PER_S

if TYPE_CHECKING:
    import pandas as pd


_COLUMNS: Final = ("time", "channel", "can_id", "is_extended", "is_remote", "is_error", "data")
_LONGEST_PAYLOAD: Final = 64


class MessageIndex:
    """Messages by what a frame shows: channel and identifier."""

    def __init__(self, messages: Iterable[Message]) -> None:
        self._found: dict[tuple[str | None, int, int, bool], Message] = {}
        masks: set[int] = {EVERY_BIT}
        for message in messages:
            self._found.setdefault((message.channel, message.id_mask, message.key, message.is_extended), message)
            masks.add(message.id_mask)
        # What names more bits of an identifier says more precisely what it means.
        self._masks = sorted(masks, key=int.bit_count, reverse=True)

    def find(self, channel: str, can_id: int, *, is_extended: bool) -> Message | None:
        """Return the message that an identifier means on a channel, None if it means nothing there.

        A message that is tied to the channel has precedence over one that is tied to none, and the identifier as a
        whole over its J1939 group. The same number as an 11-bit and as a 29-bit identifier is two identifiers.
        """
        for on in (channel, None):
            for mask in self._masks:
                message = self._found.get((on, mask, can_id & mask, is_extended))
                if message is not None:
                    return message
        return None


class _SignalValues(NamedTuple):
    """All values of one signal."""

    message: Message
    signal: Signal
    #: Decoded frames that carried it, ascending.
    frames: NDArray[np.intp]
    #: How many signals of the same frame come before it.
    rank: NDArray[np.intp]
    raw: Numbers
    #: The same as whole numbers: of a floating signal its bits.
    counts: NDArray[np.uint64] | NDArray[np.int64]
    #: For each value 0, or which of the J1939 `SPECIAL` ones it is; None if it cannot be one.
    special: NDArray[np.int8] | None


def decode(
    capture: str | os.PathLike[str] | pd.DataFrame,
    definitions: Definitions | str | os.PathLike[str],
    *,
    only: Iterable[str] | None = None,
    wide: bool = False,
) -> pd.DataFrame:
    """Return every signal that the frames of a capture carry, one row for each.

    Parameters
    ----------
    capture : str, path or pandas.DataFrame
        A recorded log, or its frames as `buslens.read_frames` gives them.
    definitions : Definitions, str or path
        What the frames mean; a path names a DBC file.
    only : iterable of str, optional
        Messages and signals to decode, as ``"MESSAGE"`` or ``"MESSAGE.SIGNAL"``; default: all. Frames of other
        messages cost next to nothing.
    wide : bool, optional
        Whether each signal has a column of its own.

    Returns
    -------
    pandas.DataFrame
        Columns ``time`` (float64, s, as recorded), ``time_ns`` (int64, the same, exact), ``message``, ``signal``,
        ``raw``, ``value`` (float64, raw * scale + offset) and ``label`` (the name of the raw value, missing if it has
        none). ``raw`` is exact: the count before scaling; of a floating signal its bits as an unsigned number. It is
        int64, or, where a decoded signal is unsigned or floating and has 64 bits, a column of Python's whole numbers.
        Rows are in the order of the frames, then of the signals in the definitions. A signal that a frame is too short
        for, or that it does not select, has no row. Remote and error frames have none, nor have identifiers that mean
        nothing on their channel. Where a value of J1939 says that there is none, the value is not-a-number and the
        label, if the definitions have no other, ``"not available"``, ``"error"`` or ``"reserved"``.

        With `wide` there is one row for each frame that carried a signal, and after ``time`` and ``time_ns`` one column
        of values (float64, not-a-number where the frame did not carry it) for each signal, named ``MESSAGE.SIGNAL``:
        for those that came, or, if `only` is given, for all that it names.
        ``attrs["short_frames"]`` counts the frames that were shorter than their definition,
        ``attrs["unknown_frames"]`` the data frames whose identifier means nothing.

    Raises
    ------
    BuslensError
        If one of the files cannot be used, or `only` names what is not defined.
    UsageError
        If the table lacks a column, or a payload is longer than a frame can carry.
    """
    import pandas as pd

    if not isinstance(definitions, Definitions):
        from buslens.definitions.load import load_definitions

        definitions = load_definitions(definitions)
    wanted = _wanted(definitions, only)
    recorded = capture if isinstance(capture, pd.DataFrame) else _read(capture)
    missing = [name for name in _COLUMNS if name not in recorded.columns]
    if missing:
        raise UsageError(f"the table has no column {', '.join(missing)}; give one as read_frames returns it")

    known, unknown = _known_rows(recorded, definitions)
    rows = np.sort(np.concatenate([rows for message, rows in known if wanted[id(message)]] or [np.empty(0, np.intp)]))
    frames = _pack(recorded["data"].to_numpy(dtype=object)[rows])
    count = np.zeros(len(rows), np.intp)
    message_of = np.zeros(len(rows), np.intp)
    pieces: list[_SignalValues] = []
    names: list[str] = []
    short = 0
    for message, theirs in known:
        if wanted[id(message)]:
            within = np.searchsorted(rows, theirs)
            message_of[within] = len(names)
            names.append(message.name)
            short += int(np.count_nonzero(frames.length[within] < message.length))
            pieces += _decode_message(frames, within, message, wanted[id(message)], count)
    times = recorded["time"].to_numpy(np.float64)[rows]
    times_ns = recorded["time_ns"].to_numpy(np.int64)[rows] if "time_ns" in recorded else _nanoseconds(times)
    if wide:
        columns = [
            f"{message.name}.{signal.name}"
            for message in definitions
            for signal in wanted[id(message)]
            if only is not None or any(piece.message is message and piece.signal is signal for piece in pieces)
        ]
        table, kept = _wide_table(pieces, columns, len(rows)), np.flatnonzero(count)
        table = table.iloc[kept].reset_index(drop=True)
        times, times_ns = times[kept], times_ns[kept]
    else:
        signals = [signal for theirs in wanted.values() for signal in theirs]
        table = _table(pieces, count, np.dtype(object if any(map(_needs_64_bits, signals)) else np.int64))
        table.insert(0, "message", _texts(names, np.repeat(message_of, count)))
        times, times_ns = np.repeat(times, count), np.repeat(times_ns, count)
    table.insert(0, "time", times)
    table.insert(1, "time_ns", times_ns)
    table.attrs.update(short_frames=short, unknown_frames=unknown)
    return table


def _read(path: str | os.PathLike[str]) -> pd.DataFrame:
    from buslens.capture.read import read_frames

    return read_frames(path if isinstance(path, str) else Path(path))


def _nanoseconds(seconds: NDArray[np.float64]) -> NDArray[np.int64]:
    whole = np.floor(seconds)
    return whole.astype(np.int64) * NS_PER_S + np.rint((seconds - whole) * NS_PER_S).astype(np.int64)


def _needs_64_bits(signal: Signal) -> bool:
    """Return whether a raw value of the signal, as a whole number, may not fit an int64."""
    return signal.length == 64 and signal.kind is not ValueType.SIGNED


def _wanted(definitions: Definitions, only: Iterable[str] | None) -> dict[int, list[Signal]]:
    """Return the signals to decode of each message, by the message's identity."""
    if only is None:
        return {id(message): list(message.signals) for message in definitions}
    if isinstance(only, str):
        only = (only,)
    known = {message.name for message in definitions}
    known |= {f"{message.name}.{signal.name}" for message in definitions for signal in message.signals}
    chosen = set(only)
    for name in sorted(chosen - known):
        raise UsageError(f"there is no message or signal '{name}'{did_you_mean(name, known)}")
    return {
        id(message): [
            signal for signal in message.signals if message.name in chosen or f"{message.name}.{signal.name}" in chosen
        ]
        for message in definitions
    }


def _known_rows(table: pd.DataFrame, definitions: Definitions) -> tuple[list[tuple[Message, NDArray[np.intp]]], int]:
    """Return the rows of each message that occurs, and how many data frames are of none."""
    import pandas as pd

    index = MessageIndex(definitions)
    kept = ~(table["is_remote"].to_numpy(bool) | table["is_error"].to_numpy(bool))
    rows = np.flatnonzero(kept)
    if not len(rows):
        return [], 0
    channel, labels = pd.factorize(table["channel"])
    # One number stands for channel, width and identifier.
    extended = table["is_extended"].to_numpy(bool).astype(np.int64)
    key = (channel.astype(np.int64) << 33) | (extended << 32) | table["can_id"].to_numpy(np.int64)
    code, keys = pd.factorize(key[rows])
    order = np.argsort(code, kind="stable")
    groups = np.split(rows[order], np.cumsum(np.bincount(code, minlength=len(keys)))[:-1])
    found: dict[int, tuple[Message, list[NDArray[np.intp]]]] = {}
    unknown = 0
    for number, group in zip(keys.tolist(), groups, strict=True):
        on = str(labels[number >> 33]) if number >= 0 else ""
        message = index.find(on, number & 0xFFFFFFFF, is_extended=bool(number >> 32 & 1))
        if message is None:
            unknown += len(group)
        else:
            found.setdefault(id(message), (message, []))[1].append(group)
    return [(message, np.sort(np.concatenate(groups))) for message, groups in found.values()], unknown


def _pack(payloads: Sequence[bytes]) -> Frames:
    """Return frames of which only the payloads mean something."""
    n = len(payloads)
    length = np.fromiter(map(len, payloads), np.int64, n)
    if n and length.max() > _LONGEST_PAYLOAD:
        raise UsageError(f"a payload has {length.max()} bytes; a frame carries at most {_LONGEST_PAYLOAD}")
    n_words = (length + 7) // 8
    word = np.cumsum(n_words) - n_words
    joined = np.frombuffer(b"".join(payloads), np.uint8)
    padded = np.zeros(8 * int(n_words.sum()), np.uint8)
    shift = 8 * word - (np.cumsum(length) - length)
    padded[np.arange(len(joined)) + np.repeat(shift, length)] = joined
    return Frames(
        time_ns=np.zeros(n, np.int64),
        channel=np.zeros(n, np.uint16),
        can_id=np.zeros(n, np.uint32),
        flags=np.zeros(n, np.uint16),
        dlc=np.zeros(n, np.uint8),
        length=length.astype(np.uint8),
        word=word,
        words=padded.view("<u8").astype(np.uint64, copy=False),
        channels=("",),
    )


def _decode_message(
    frames: Frames, rows: NDArray[np.intp], message: Message, signals: Iterable[Signal], count: NDArray[np.intp]
) -> Iterator[_SignalValues]:
    """Yield the values of each signal of a message, and add up in `count` how many each frame carried."""
    for signal in signals:
        carried = rows[carries(frames, rows, signal, message)]
        raw = raw_values(frames, carried, signal)
        special = special_codes(raw, signal) if has_special_values(signal, message) else None
        floating = signal.kind is ValueType.FLOAT
        counts = raw_values(frames, carried, replace(signal, kind=ValueType.UNSIGNED)) if floating else raw
        yield _SignalValues(
            message=message,
            signal=signal,
            frames=carried,
            rank=count[carried],
            raw=raw,
            counts=counts,  # type: ignore[arg-type]  # of a signal that is not floating
            special=special if special is not None and special.any() else None,
        )
        count[carried] += 1


def _values(piece: _SignalValues) -> NDArray[np.float64]:
    values = physical(piece.raw, piece.signal).astype(np.float64)
    return values if piece.special is None else np.where(piece.special, np.nan, values)


def _wide_table(pieces: Sequence[_SignalValues], columns: Sequence[str], frames: int) -> pd.DataFrame:
    """Return the values of each frame, one column for each name."""
    import pandas as pd

    found = {name: np.full(frames, np.nan) for name in columns}
    for piece in pieces:
        found[f"{piece.message.name}.{piece.signal.name}"][piece.frames] = _values(piece)
    return pd.DataFrame(found, index=range(frames))


def _table(pieces: Sequence[_SignalValues], count: NDArray[np.intp], raw_type: np.dtype[Any]) -> pd.DataFrame:
    """Return signal, raw value, value and label of each row, in order of frames and of signals within them."""
    import pandas as pd

    total = int(count.sum())
    before = np.cumsum(count) - count
    raw = np.zeros(total, raw_type)
    value = np.zeros(total, np.float64)
    signal_code = np.zeros(total, np.intp)
    label_code = np.full(total, -1, np.intp)
    names: list[str] = []
    for number, piece in enumerate(pieces):
        place = before[piece.frames] + piece.rank
        raw[place] = piece.counts.astype(raw_type)
        value[place] = _values(piece)
        signal_code[place] = number
        codes, theirs = label_codes(piece.raw, piece.signal)
        codes = np.where(codes < 0, -1, codes + len(names))
        names += theirs
        if piece.special is not None:
            special = piece.special.astype(np.intp)
            codes = np.where((codes < 0) & (special > 0), len(names) + special - 1, codes)
            names += SPECIAL
        label_code[place] = codes
    return pd.DataFrame(
        {
            "signal": _texts([piece.signal.name for piece in pieces], signal_code),
            "raw": raw,
            "value": value,
            "label": _texts([*names, None], label_code),  # -1 is the last one
        }
    )


def _texts(names: Sequence[str | None], codes: NDArray[np.intp]) -> pd.Series[str]:
    """Return the names with the given indices, in the type that this version of pandas keeps text in."""
    import pandas as pd

    text = pd.Series(["text"]).dtype
    return pd.Series(pd.Series(list(names), dtype=text).array.take(codes), dtype=text)
