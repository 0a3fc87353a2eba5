"""Lines of candump log files whose time is not known: without a stamp, or all with the same one.

    can0 202#E8B7000000000000
    (0.000000) can0 202#E8B7000000000000

The lines are those of `candump`; their order is known, and nothing of their times.
"""

import re
from itertools import islice
from typing import Final

from buslens.capture import _candump_kernel as kernel
from buslens.capture.candump import REASONS
from buslens.capture.frames import Clock
from buslens.capture.log_format import FormatMatch, LogFormat
from buslens.capture.stamp_resolution import FEW, are_unpadded

_BARE: Final = re.compile(
    rb"[\0 \t]*[A-Za-z]\S{0,30}[ \t]+([0-9A-Fa-f]{1,8})#(?:R[0-9A-Fa-f]?|#?[0-9A-Fa-f]*)(?:[ \t]+[RTrt])?[ \t\r]*$"
)
_STAMPED: Final = re.compile(rb"[\0 \t]*\([ \t]*([\d.,]+)\)[ \t]+\S{1,31}[ \t]+([0-9A-Fa-f]{1,8})#(?![ \t]*[\[{])")
_LOOKED_ROWS: Final = 400
_ANY_IDENTIFIER: Final = re.compile(rb"[ \t]([0-9A-Fa-f]{3}|[0-9A-Fa-f]{8})#")


def sniff(head: bytes) -> FormatMatch | None:
    """Recognise lines without stamps, or with one stamp for all."""
    lines = head.split(b"\n")
    bare = list(islice((row for row in map(_BARE.match, lines) if row is not None), _LOOKED_ROWS))
    stamped = list(islice((row for row in map(_STAMPED.match, lines) if row is not None), _LOOKED_ROWS))
    if not bare and not stamped:
        return None
    is_bare = len(bare) > len(stamped)
    if not is_bare and (len(stamped) < FEW or len({row[1] for row in stamped}) > 1):
        return None
    ids = [row[1] for row in bare] if is_bare else [row[2] for row in stamped]
    what = "the lines have no time stamps" if is_bare else f"the first {len(stamped)} time stamps are all the same"
    return FormatMatch(
        clock=Clock.MISSING,
        slots={kernel.UNPADDED: int(are_unpadded(ids)), kernel.UNTIMED: 1, kernel.ORDER: 0, kernel.BARE: int(is_bare)},
        notes=(f"{what}, so only their order is known",),
        in_one_piece=True,
        in_order=True,
    )


CANDUMP_UNTIMED: Final = LogFormat(
    name="candump, without times",
    example="can0 202#E8B7000000000000",
    sniff=sniff,
    kernel=kernel.scan,
    reasons=REASONS,
    identifier=_ANY_IDENTIFIER,
)
