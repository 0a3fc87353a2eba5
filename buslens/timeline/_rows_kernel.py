"""What a history keeps of frames among which nothing is out of the ordinary.

`MessageHistory.add` knows every case, on columns of all frames at once. In a large log nearly all runs of frames are of
the plainest kind: one sender, each frame long enough, none late. Of those this loop returns the same rows in a fraction
of the time, or says that a run is not plain.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from buslens.capture._scan_kernel import Numbers, Slots

NOT_PLAIN: Final = -1


def keep_rows(
    rows: Numbers,
    n: int,
    time: Numbers,
    length: Numbers,
    word: Numbers,
    words: Numbers,
    last_byte: int,
    first: int,
    from_byte: int,
    to_byte: int,
    shift: int,
    mask: int,
    before: int,
    bits: int,
    lost: int,
    timeout: int,
    out_time: Slots,
    out_gap: Slots,
    out_bits: Slots,
) -> int:
    """Write the rows of one track into the columns; return how many there are, or NOT_PLAIN.

    The field is ``word >> shift & mask`` of word number `first`; if `to_byte` is not 0, of the number that the bytes
    from `from_byte` on make, the first one highest. `before` is the time of the frame before, `bits` its field. It is
    not plain that a frame is too short, or comes more than `timeout` behind the one before it.
    """
    kept = 0
    for k in range(n):
        row = rows[k]
        at = time[row]
        gap = at - before
        if length[row] <= last_byte or gap > timeout:
            return NOT_PLAIN
        value = 0
        if mask != 0:
            value = words[word[row] + first]
            if to_byte != 0:
                whole = value
                value = 0
                for b in range(from_byte, to_byte):
                    value = value << 8 | whole >> 8 * b & 0xFF
            value = value >> shift & mask
        if value != bits or gap > lost:
            out_time[kept] = at
            out_gap[kept] = gap
            out_bits[kept] = value
            kept += 1
            bits = value
        before = at
    return kept
