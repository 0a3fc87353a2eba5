"""Kernels that say everything a kernel can say, for the comparison of Python with what is compiled."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from buslens.capture._scan_kernel import Numbers, Slots

LIMIT: Final = -7
SIZE: Final = 8


def divide(a: int, b: int) -> tuple[int, int]:
    """Return quotient and rest."""
    return a // b, a % b


def passed_on(a: int, b: int) -> tuple[int, int]:
    return divide(a, b if b != 0 else 1)


def division(a: int, b: int) -> int:
    quotient, rest = passed_on(a, b)
    return quotient * 1_000_003 + rest


def division_by_constants(a: int, _: int) -> int:
    return (a // 10) ^ (a % 10) ^ (a // -7) ^ (a % -7)


def sides(a: int, b: int) -> int:
    """Return what ``and`` and ``or`` give: one of their sides."""
    return (a and b) * 3 + (a or b) * 5 + (a > 3 and b < 2 or a & 1) * 7  # noqa: RUF021


def conditions(a: int, b: int) -> int:
    found = 0
    if not (a < b and b != 0) or a in (1, 2, LIMIT):
        found |= 1
    if LIMIT <= a < b <= 9:
        found |= 2
    if not a:
        found |= 4
    elif a not in (5, b):
        found |= 8
    else:
        found |= 16
    found += (a if b > 0 else -b) if a != b else 100
    is_less = a < b
    is_less |= a == 4
    return found * 2 + is_less + (not b) + (LIMIT < a <= b)


def bits(a: int, b: int) -> int:
    a ^= b & 0xFF
    return (~a | b) - (a >> (b & 7)) + (b << 3) - -a


def small(a: int, b: int) -> int:
    return min(a, b) * 3 + max(a, 2) * 5 + abs(a) + int(b)


def loops(a: int, b: int) -> int:
    """Count up in every kind of loop, with every way out of it."""
    total = 0
    for k in range(SIZE):
        if k == a:
            continue
        for j in range(k, 20, 3):
            if j > b:
                break
            total += j
        total += k
    n = a
    while n > 0 or total < 0:
        n -= 3
        if n == 4:
            break
        while True:
            total += 1
            if total & 3 == 0:
                break
        if n == 7:
            return total
    for k in range(5):
        total += k
        k = 9  # noqa: PLW2901  (a loop goes on from its own count)
    return total + k


def is_between(a: int, b: int) -> bool:
    if a < b:
        return a < 3 < b
    return False


def swapped(a: int, b: int) -> int:
    a, b = b, a + b
    a, b = b, a
    return a - 2 * b


def note(words: Slots, k: int) -> None:
    words[k] += k + 1


def buffers(text: Numbers, wide: Numbers, narrow: Slots, signed: Slots, words: Slots, start: int) -> int:
    """Read from and write to buffers of every width."""
    p = start
    while p < SIZE:
        narrow[p] = text[p] * 3
        signed[p] = -text[p]
        words[p] = wide[p] + narrow[p] + signed[p]
        words[text[p] & 7] -= 1
        note(words, p)
        p += 1
    return words[start]


OF_TWO: Final = (
    division,
    division_by_constants,
    sides,
    conditions,
    bits,
    small,
    loops,
    is_between,
    swapped,
)
"""Kernels of two whole numbers."""


def slices(text: Numbers, _: int) -> int:
    return text[0:1][0]


def with_text(_: Numbers, a: int) -> int:
    return "abc".index("b") + a


def with_power(_: Numbers, a: int) -> int:
    return a**2


def with_float(_: Numbers, a: int) -> int:
    return a * 1.5  # type: ignore[return-value]


def with_an_exception(_: Numbers, a: int) -> int:
    raise ValueError(a)


def with_a_default(_: Numbers, a: int) -> int:
    return one(a)


def one(a: int, b: int = 1) -> int:
    return a + b


def with_a_large_number(_: Numbers, a: int) -> int:
    return a + 0x8000000000000000


def with_two_results(_: Numbers, a: int) -> tuple[int, int]:
    return a, a


FORBIDDEN: Final = (
    slices,
    with_text,
    with_power,
    with_float,
    with_an_exception,
    with_a_default,
    with_a_large_number,
    with_two_results,
)
"""Kernels that break a rule each."""
