"""Bits of payloads become raw values, physical values and labels: columns in, columns out.

Bit numbers are those of a DBC: bit b is bit b % 8, counted from the least significant, of byte b // 8. A
field that runs from the least significant byte up (Intel) is a shift of one little-endian word, or of two
neighbours; one that runs the other way (Motorola) is the same on words with their bytes reversed. So no
signal needs more than two words.
"""

from collections.abc import Iterable
from typing import Final, NamedTuple, TypeAlias

import numpy as np
from numpy.typing import NDArray

from buslens.capture.frames import Frames
from buslens.definitions.model import ByteOrder, Message, Signal, ValueType
from buslens.errors import DefinitionError

Numbers: TypeAlias = "NDArray[np.uint64] | NDArray[np.int64] | NDArray[np.float64]"
"""Raw or physical values: unsigned, signed, or floating."""

_WORD_BITS: Final = 64
_MODULUS: Final = 1 << 64


def carries(frames: Frames, rows: NDArray[np.integer] | slice, signal: Signal, message: Message) -> NDArray[np.bool_]:
    """Return which frames carry the signal: they are long enough, and select it if it is multiplexed.

    Parameters
    ----------
    frames : Frames
        Any run of frames.
    rows : NDArray of integers, shape (n,), or slice
        Frames of `message` among them.

    Returns
    -------
    NDArray of bool, shape (n,)

    Raises
    ------
    DefinitionError
        If the signal is selected by a signal that the message does not have.
    """
    carried = np.asarray(frames.length[rows] > signal.last_byte)
    if signal.selection is not None:
        rows = np.arange(len(frames))[rows] if isinstance(rows, slice) else rows
        selector = message.signal(signal.selection.selector)
        carried &= carries(frames, rows, selector, message)
        selecting = raw_values(frames, rows[carried], selector)
        carried[carried] = _within(selecting, signal.selection.ranges)
    return carried


def raw_values(frames: Frames, rows: NDArray[np.integer] | slice, signal: Signal) -> Numbers:
    """Return the raw values of a signal, exact to the last bit.

    Parameters
    ----------
    rows : NDArray of integers, shape (n,), or slice
        Frames among them that carry the signal (see `carries`); for others the values mean nothing.

    Returns
    -------
    NDArray, shape (n,)
        uint64, int64 or float64, as the signal is unsigned, signed or floating. A float64 holds every value
        of the shorter floating formats exactly; a signalling NaN of theirs becomes the quiet one of the same
        payload.

    Raises
    ------
    DefinitionError
        If the signal is floating and has not 16, 32 or 64 bits.
    """
    bits = _field(frames.words, frames.word[rows], signal)
    if signal.kind is ValueType.UNSIGNED:
        return bits
    if signal.kind is ValueType.SIGNED:
        unused = np.uint8(_WORD_BITS - signal.length)
        return (bits << unused).view(np.int64) >> unused.astype(np.int64)
    if signal.length == 64:
        return bits.view(np.float64)
    with np.errstate(invalid="ignore"):  # a signalling NaN is a value like any other here
        if signal.length == 32:
            return bits.astype(np.uint32).view(np.float32).astype(np.float64)
        if signal.length == 16:
            return bits.astype(np.uint16).view(np.float16).astype(np.float64)
    raise DefinitionError(
        f"signal {signal.name} is a float of {signal.length} bits; IEEE 754 has 16, 32 and 64", signal.source
    )


def raw_of(data: bytes, signal: Signal) -> int | None:
    """Return the raw value of a whole-numbered signal in a payload of any length; None if it ends before."""
    if signal.last_byte >= len(data):
        return None
    if signal.order is ByteOrder.INTEL:
        bits = int.from_bytes(data, "little") >> signal.start
    else:
        behind = 8 * len(data) - (8 * (signal.start // 8) + 7 - signal.start % 8) - signal.length
        bits = int.from_bytes(data, "big") >> behind
    bits &= (1 << signal.length) - 1
    is_negative = signal.kind is ValueType.SIGNED and bits >> signal.length - 1
    return bits - (1 << signal.length) if is_negative else bits


def widened(raw: Numbers) -> Numbers:
    """Return raw values that are kept in fewer bytes in the 64 bits of `raw_values`."""
    return raw.astype(f"{raw.dtype.kind}8", copy=False)


def physical(raw: Numbers, signal: Signal) -> Numbers:
    """Return physical values, raw * scale + offset.

    Whole scales and offsets keep whole numbers whole and exact: the result is int64, or uint64 where only
    that holds all that the signal can be. What neither holds (a 64-bit counter times 1000, say) is computed
    exactly and then rounded once, to float64. With any other scale or offset, and for floating signals, the
    result is float64, the product rounded before the sum is.
    """
    scale, offset = signal.scale, signal.offset
    if scale == 1 and offset == 0:
        return raw
    with np.errstate(over="ignore", invalid="ignore"):  # infinite and not-a-number are results
        if signal.kind is ValueType.FLOAT:
            return raw * np.float64(scale) + np.float64(offset)
        if _is_whole(scale) and _is_whole(offset):
            return _whole_line(raw, signal, int(scale), int(offset))
        if isinstance(scale, int):
            return _whole_line(raw, signal, scale, 0).astype(np.float64) + np.float64(offset)
        return raw.astype(np.float64) * np.float64(scale) + np.float64(offset)


def labels(raw: Numbers, signal: Signal) -> NDArray[np.object_]:
    """Return the names of raw values, None where a value has none.

    Returns
    -------
    NDArray of str or None, shape (n,)
    """
    codes, names = label_codes(raw, signal)
    return np.array([*names, None], dtype=object)[codes]


def label_codes(raw: Numbers, signal: Signal) -> tuple[NDArray[np.intp], list[str]]:
    """Return for each raw value the index of its name in a list, -1 where it has none, and the list."""
    low, high = signal.raw_range
    named = sorted(value for value in signal.labels if low <= value <= high)
    if not named:
        return np.full(len(raw), -1, dtype=np.intp), []
    keys = np.array(named, dtype=raw.dtype)
    place = np.searchsorted(keys, raw)
    place[place == len(keys)] = 0
    place[keys[place] != raw] = -1
    return place, [signal.labels[value] for value in named]


def _field(words: NDArray[np.uint64], word: NDArray[np.int64], signal: Signal) -> NDArray[np.uint64]:
    """Return the bits of a signal, right-aligned; `word` is the index of each frame's first word."""
    first, skipped, reverse = _place(signal)
    here = words[word + first if first else word]
    beyond = skipped + signal.length - _WORD_BITS
    if reverse:
        here = here.byteswap()
        if beyond > 0:
            bits = here << np.uint64(beyond) | words[word + first + 1].byteswap() >> np.uint64(_WORD_BITS - beyond)
        else:
            bits = here >> np.uint64(-beyond)
    else:
        bits = here >> np.uint64(skipped)
        if beyond > 0:
            bits |= words[word + first + 1] << np.uint64(_WORD_BITS - skipped)
    if signal.length < _WORD_BITS:
        bits &= np.uint64((1 << signal.length) - 1)
    return bits


class PlainField(NamedTuple):
    """Where a signal stands in one word of payload, as shifts of the word or of the bytes of it that it lies in."""

    #: Number of the word.
    word: int
    #: The bytes that make the number, the first one highest; from 0 to 0 where it is the word itself.
    from_byte: int
    to_byte: int
    shift: int
    mask: int

    @property
    def bits(self) -> int:
        """Bits of the word, as a signed number, among which are all of the field."""
        bits = self.mask << self.shift if not self.to_byte else sum(0xFF << 8 * it for it in range(*self[1:3]))
        return bits - _MODULUS if bits >> _WORD_BITS - 1 else bits


def plain_field(signal: Signal) -> PlainField | None:
    """Return where a signal stands; None if not as a whole number of up to 32 bits in one word."""
    first, skipped, is_reversed = _place(signal)
    stop = skipped + signal.length
    if signal.kind is ValueType.FLOAT or signal.length > 32 or stop > _WORD_BITS:
        return None
    mask = (1 << signal.length) - 1
    if not is_reversed:
        return PlainField(first, 0, 0, skipped, mask)
    to_byte = (stop + 7) // 8
    return PlainField(first, skipped // 8, to_byte, 8 * to_byte - stop, mask)


def _place(signal: Signal) -> tuple[int, int, bool]:
    """Return the word in which a signal begins, its bits before the signal, and whether to reverse bytes.

    Bits are counted from the least significant one, in words with reversed bytes from the most significant.
    """
    if signal.order is ByteOrder.INTEL:
        return signal.start // _WORD_BITS, signal.start % _WORD_BITS, False
    msb = 8 * (signal.start // 8) + 7 - signal.start % 8
    lsb = msb + signal.length - 1
    if msb // 8 == lsb // 8:  # within one byte both orders are the same, and nothing need be reversed
        start = 8 * (lsb // 8) + 7 - lsb % 8
        return start // _WORD_BITS, start % _WORD_BITS, False
    return msb // _WORD_BITS, msb % _WORD_BITS, True


def _within(values: Numbers, ranges: Iterable[tuple[int, int]]) -> NDArray[np.bool_]:
    """Return which values lie in any of the inclusive ranges."""
    inside = np.zeros(len(values), np.bool_)
    for low, high in ranges:
        inside |= (values >= low) & (values <= high) if low != high else values == low
    return inside


def _is_whole(number: float) -> bool:
    return isinstance(number, int) or number.is_integer()


def _whole_line(raw: Numbers, signal: Signal, scale: int, offset: int) -> Numbers:
    """Return raw * scale + offset for whole numbers."""
    ends = [value * scale + offset for value in signal.raw_range]
    # Arithmetic modulo 2**64 is right whenever the result itself fits, whatever lies between.
    wide = raw.view(np.uint64)
    if min(ends) >= -(1 << 63) and max(ends) < 1 << 63:
        return (wide * np.uint64(scale % _MODULUS) + np.uint64(offset % _MODULUS)).view(np.int64)
    if min(ends) >= 0 and max(ends) < _MODULUS:
        return wide * np.uint64(scale % _MODULUS) + np.uint64(offset % _MODULUS)
    return np.array([float(value * scale + offset) for value in raw.tolist()], np.float64)
