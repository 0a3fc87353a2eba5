"""Takes frames that another reader has made, so that they are ordered, chosen and counted like all others."""

from __future__ import annotations

from buslens.capture._scan_kernel import (
    AXIS_LIMIT,
    BROKEN_LINE,
    CHANNELS,
    END,
    LINES,
    MOST_WORDS,
    NO_SUCH_ID,
    REASON,
    SEAM,
    STAMP_LIMIT,
    STAMP_RANGE,
    STOP,
    TOO_MANY_CHANNELS,
    TOO_MUCH_DATA,
    WORDS,
    Numbers,
    Slots,
    frame_key,
    is_full,
    place_in_time,
    take_frame,
)


def take(
    from_time: Numbers,
    from_channel: Numbers,
    from_id: Numbers,
    from_flags: Numbers,
    from_dlc: Numbers,
    from_length: Numbers,
    from_word: Numbers,
    from_words: Numbers,
    start: int,
    stop: int,
    s: Slots,
    ids: Numbers,
    time: Slots,
    channel: Slots,
    can_id: Slots,
    flags: Slots,
    dlc: Slots,
    length: Slots,
    word: Slots,
    words: Slots,
) -> int:
    """Take frames from start to stop; return where it came back, with s[STOP] saying why.

    A frame counts as a line. A frame that there cannot be, or whose stamp is out of range, is broken: readers of
    others hand on whatever stands in a file.
    """
    i = start
    while i < stop:
        if is_full(s):
            return i
        stamp = from_time[i]
        identifier = from_id[i]
        flag = from_flags[i]
        at = -AXIS_LIMIT
        s[STOP] = BROKEN_LINE
        s[REASON] = STAMP_RANGE
        if identifier > (0x1FFFFFFF if flag & 5 else 0x7FF):
            s[REASON] = NO_SUCH_ID
        elif from_length[i] > (8 * MOST_WORDS if flag & 8 else 8):
            s[REASON] = TOO_MUCH_DATA
        elif from_channel[i] >= s[CHANNELS]:
            s[REASON] = TOO_MANY_CHANNELS
        elif -STAMP_LIMIT < stamp < STAMP_LIMIT:
            at = place_in_time(stamp, from_channel[i], s)
            if at == -AXIS_LIMIT and s[STOP] == SEAM:
                return i
        s[LINES] += 1
        if at == -AXIS_LIMIT:
            return i + 1
        at_word = s[WORDS]
        if take_frame(
            at, from_channel[i], identifier, frame_key(identifier, flag), flag, from_dlc[i], from_length[i], s, ids,
            time, channel, can_id, flags, dlc, length, word,
        ):  # fmt: skip
            for j in range(s[WORDS] - at_word):
                words[at_word + j] = from_words[from_word[i] + j]
        i += 1
    s[STOP] = END
    return i
