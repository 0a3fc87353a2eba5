"""Holds the readers of candump and ASC logs against python-can's over as many lines as there is time for.

    python tests/benchmarks/readers_at_volume.py [SECONDS] [SEED]

Every other batch has its lines damaged at random. Some 5,000 lines a second; the exit status is 1 if there is a line
that python-can takes, that we read otherwise, and that `support.differences` does not explain.
"""

from __future__ import annotations

import logging
import random
import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.differences import unexplained
from support.mixed_lines import asc_lines, candump_lines

LINES = {"candump": candump_lines, "ASC": asc_lines}
CHARACTERS = "0123456789abcdefABCDEFxX#_.,()-+ \tRrTtd"
BATCH = 2000


def damaged(line: str, dice: random.Random) -> str:
    characters = list(line)
    for _ in range(dice.randrange(1, 4)):
        place, other = dice.randrange(len(characters) + 1), dice.randrange(len(characters) + 1)
        match dice.randrange(4):
            case 0:
                characters[place : place + 1] = [dice.choice(CHARACTERS)]
            case 1:
                characters[place:place] = [dice.choice(CHARACTERS)]
            case 2:
                del characters[place : place + dice.randrange(1, 4)]
            case _:
                characters[place:place] = characters[other : other + dice.randrange(1, 8)]
    return "".join(characters)


def main() -> int:
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60
    first = int(sys.argv[2]) if len(sys.argv) > 2 else time.time_ns()
    logging.getLogger("can").setLevel("ERROR")
    counts, found, started, seed = dict.fromkeys(LINES, 0), 0, time.monotonic(), first
    while time.monotonic() - started < seconds:
        for log_format, lines_of in LINES.items():
            lines = lines_of(seed, BATCH)
            if seed % 2:
                dice = random.Random(seed)
                lines = [damaged(line, dice) for line in lines]
            for line, theirs, ours in unexplained(lines, log_format):
                found += 1
                print(f"{log_format}: {line!r}\n  python-can: {theirs}\n  buslens:    {ours}")
            counts[log_format] += len(lines)
        seed += 1
    print(
        f"seeds from {first} on: {counts['candump']:,} lines of candump, {counts['ASC']:,} of ASC; unexplained: {found}"
    )
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
