"""Proves that kernels are looked at: those that reach out of their buffers, or of 64 bits, must be caught.

NUMBA_BOUNDSCHECK=1 python .ci/overrun.py            compiled, by the compiler's own check
PYTHONPATH=tests python .ci/overrun.py --guarded     uncompiled, by tests/support/guarded_kernels.py
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


def write_through_a_difference(words, k):  # type: ignore[no-untyped-def]
    words[words[0] + k] = words[0]
    return 0


def keep(words, value):  # type: ignore[no-untyped-def]
    words[0] = value
    return 0


def add(words, value):  # type: ignore[no-untyped-def]
    return words[0] + value


def multiply(words, value):  # type: ignore[no-untyped-def]
    return (words[0] + value) * 1_000_000_000


def shift(words, bits):  # type: ignore[no-untyped-def]
    return words[0] >> bits


def is_caught(kernel, buffer, harmless, harmful):  # type: ignore[no-untyped-def]
    twin = compiled(kernel)
    if twin is None:
        raise SystemExit("there is no compiler")
    twin(buffer, harmless)
    try:
        twin(buffer, harmful)
    except (IndexError, AssertionError):
        return True
    return False


def main() -> int:
    text = np.zeros(8, np.uint8)
    words = np.zeros(16, np.int64)[:8]  # what lies behind is ours, so that nothing breaks if it is not caught
    planted = [(read, text, 7, 8), (read, text, 7, -9), (read_through_another, text, 7, 8), (write, words, 7, 8)]
    if "--guarded" in sys.argv:
        from support.guarded_kernels import guard

        guard()
        planted += [
            (read, text, 0, -1),
            (read_through_another, text, 0, -1),
            (write, words, 0, -1),
            (write_through_a_difference, np.ones(8, np.int64), -1, -2),
            (keep, text, 255, 256),
            (keep, text, 0, -1),
            (add, np.ones(8, np.int64), 2**63 - 2, 2**63 - 1),
            (multiply, words, 9 * 10**9, 10**10),
            (shift, words, 63, 64),
        ]
    blind = 0
    for kernel, buffer, harmless, harmful in planted:
        caught = is_caught(kernel, buffer, harmless, harmful)
        blind += not caught
        print(f"{kernel.__name__}, {harmful} in {len(buffer)}: {'caught' if caught else 'NOT CAUGHT'}")
    return 1 if blind else 0


if __name__ == "__main__":
    sys.exit(main())
