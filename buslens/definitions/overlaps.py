"""Signals that share bits: usual in real files (flags over a code), and worth a word."""

from collections.abc import Iterator
from typing import Final

from buslens.definitions.model import ByteOrder, Message, Problem, Signal

_COMPARED: Final = 1000
"""Signals of a message that the others are compared with; a frame of 64 bytes has 512 bits."""


def overlaps(message: Message) -> Iterator[Problem]:
    """Yield a note for each signal that shares bits with one before it, if both can be in one frame."""
    covered = 0
    # Of very many signals only the first are compared with: what is told names three.
    before: list[tuple[int, Signal]] = []
    by_name = {signal.name: signal for signal in message.signals}
    for signal in message.signals:
        bits = _bits(signal)
        if bits & covered:
            shared = [other.name for theirs, other in before if bits & theirs and not _exclude(signal, other, by_name)]
            if shared and signal.source is not None:
                names = ", ".join(shared) if len(shared) < 4 else f"{', '.join(shared[:3])} and {len(shared) - 3} more"
                reason = f"it shares bits with {names}; each of them is decoded"
                yield Problem(
                    source=signal.source, subject=f"{message.name}.{signal.name}", reason=reason, is_note=True
                )
        covered |= bits
        if len(before) < _COMPARED:
            before.append((bits, signal))


def _bits(signal: Signal) -> int:
    """Return the bits of a signal as ones, those of byte 0 lowest, within each byte as transmitted."""
    ones = (1 << signal.length) - 1
    if signal.order is ByteOrder.INTEL:
        return _mirrored(ones << signal.start)
    return ones << 8 * (signal.start // 8) + 7 - signal.start % 8


def _mirrored(bits: int) -> int:
    """Return the bits with the order within each byte reversed."""
    data = bits.to_bytes(bits.bit_length() // 8 + 1, "little")
    return int.from_bytes(data.translate(_REVERSED), "little")


_REVERSED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
"""Each byte with its bits in the opposite order."""


def _exclude(one: Signal, other: Signal, by_name: dict[str, Signal]) -> bool:
    """Return whether no frame carries both: some signal selects one of them by values that do not select the other."""
    needed = _selections(one, by_name)
    for selector, ranges in _selections(other, by_name).items():
        if selector in needed and not any(
            low <= upper and lower <= high for low, high in ranges for lower, upper in needed[selector]
        ):
            return True
    return False


def _selections(signal: Signal, by_name: dict[str, Signal]) -> dict[str, tuple[tuple[int, int], ...]]:
    """Return the values of each selector that are needed for a signal to be in a frame."""
    found: dict[str, tuple[tuple[int, int], ...]] = {}
    while signal.selection is not None and signal.selection.selector not in found:
        found[signal.selection.selector] = signal.selection.ranges
        signal = by_name[signal.selection.selector]
    return found
