"""Takes frames that another reader has made, so that they are ordered, chosen and counted like all others."""

from __future__ import annotations

from typing import TYPE_CHECKING

from buslens.capture import _scan_kernel as kit

if TYPE_CHECKING:
    from buslens.capture._scan_kernel import Columns, Numbers, Slots


def take(
    source: tuple[Numbers, ...],
    source_words: Numbers,
    start: int,
    stop: int,
    s: Slots,
    ids: Numbers,
    columns: Columns,
    words: Slots,
) -> int:
    """Take frames from start to stop; return where it came back, with s[STOP] saying why.

    A frame counts as a line. A frame that there cannot be, or whose stamp is out of range, is broken: readers of
    others hand on whatever stands in a file.
    """
    from_time, from_channel, from_id, from_flags, from_dlc, from_length, from_word = source
    i = start
    while i < stop:
        if kit.is_full(s):
            return i
        stamp = from_time[i]
        identifier = from_id[i]
        flag = from_flags[i]
        at = -kit.AXIS_LIMIT
        s[kit.STOP] = kit.BROKEN_LINE
        s[kit.REASON] = kit.STAMP_RANGE
        if identifier > (0x1FFFFFFF if flag & 5 else 0x7FF):
            s[kit.REASON] = kit.NO_SUCH_ID
        elif from_length[i] > (8 * kit.MOST_WORDS if flag & 8 else 8):
            s[kit.REASON] = kit.TOO_MUCH_DATA
        elif from_channel[i] >= s[kit.CHANNELS]:
            s[kit.REASON] = kit.TOO_MANY_CHANNELS
        elif -kit.STAMP_LIMIT < stamp < kit.STAMP_LIMIT:
            at = kit.place_in_time(stamp, from_channel[i], s)
            if at == -kit.AXIS_LIMIT and s[kit.STOP] == kit.SEAM:
                return i
        s[kit.LINES] += 1
        if at == -kit.AXIS_LIMIT:
            return i + 1
        at_word = s[kit.WORDS]
        key = kit.frame_key(identifier, flag)
        if kit.take_frame(at, from_channel[i], identifier, key, flag, from_dlc[i], from_length[i], s, ids, columns):
            for j in range(s[kit.WORDS] - at_word):
                words[at_word + j] = source_words[from_word[i] + j]
        i += 1
    s[kit.STOP] = kit.END
    return i
