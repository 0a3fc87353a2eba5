"""Counts frames by channel and identifier, and keeps the first times between two of them."""

from typing import Final

from buslens.capture._scan_kernel import Numbers, Slots

SLOTS: Final = 8192
"""Places of the table; a power of two."""
MOST: Final = 4096
"""Identifiers that are told apart; the frames of further ones are left out."""
KEPT: Final = 64
"""Times between two frames that are kept for each."""
FREE: Final = -1
NO_TIME: Final = -(2**63)

ENTRIES: Final = 0
LEFT_OUT: Final = 1
STATE_SIZE: Final = 2


def count(
    time: Numbers,
    channel: Numbers,
    can_id: Numbers,
    flags: Numbers,
    n: int,
    no_data: int,
    s: Slots,
    keys: Slots,
    counts: Slots,
    lasts: Slots,
    gaps: Slots,
) -> int:
    """Count a run of frames; those with a flag of `no_data` are passed over. Return the entries of the table."""
    for i in range(n):
        if flags[i] & no_data:
            continue
        key = (int(channel[i]) << 30) | ((int(flags[i]) & 1) << 29) | int(can_id[i])
        place = ((key * 40503) >> 5) & (SLOTS - 1)
        while keys[place] != FREE and keys[place] != key:
            place = (place + 1) & (SLOTS - 1)
        if keys[place] == FREE:
            if s[ENTRIES] >= MOST:
                s[LEFT_OUT] += 1
                continue
            s[ENTRIES] += 1
            keys[place] = key
        at = int(time[i])
        if lasts[place] != NO_TIME and counts[place] <= KEPT:
            gaps[place * KEPT + counts[place] - 1] = at - lasts[place]
        counts[place] += 1
        lasts[place] = at
    return s[ENTRIES]
