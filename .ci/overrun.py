"""Proves that the bounds of buffers are looked at: compiled kernels that reach out of theirs must be caught.

NUMBA_BOUNDSCHECK=1 python .ci/overrun.py
"""

from __future__ import annotations

import sys

import numpy as np

from buslens.kernels import compiled


def read(text, p):  # type: ignore[no-untyped-def]
    return text[p]


def read_through_another(text, p):  # type: ignore[no-untyped-def]
    return read(text, p) + 1


def write(words, k):  # type: ignore[no-untyped-def]
    words[k] = 1
    return 0


def is_caught(kernel, buffer, place):  # type: ignore[no-untyped-def]
    twin = compiled(kernel)
    if twin is None:
        raise SystemExit("there is no compiler")
    twin(buffer, len(buffer) - 1)  # the last element is no harm
    try:
        twin(buffer, place)
    except IndexError:
        return True
    return False


def main() -> int:
    blind = 0
    for kernel, buffer in (
        (read, np.zeros(8, np.uint8)),
        (read_through_another, np.zeros(8, np.uint8)),
        (write, np.zeros(16, np.int64)[:8]),  # what lies behind is ours, so that nothing breaks if it is not caught
    ):
        for place in (len(buffer), -len(buffer) - 1) if kernel is not write else (len(buffer),):
            caught = is_caught(kernel, buffer, place)
            blind += not caught
            print(f"{kernel.__name__} at {place} of {len(buffer)}: {'caught' if caught else 'NOT CAUGHT'}")
    return 1 if blind else 0


if __name__ == "__main__":
    sys.exit(main())
