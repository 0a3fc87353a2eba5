"""Kernels that run uncompiled, with every index and every sum looked at.

The compiler's own check of bounds (NUMBA_BOUNDSCHECK) does not see a negative index, which counts from the end of a
buffer, nor a sum beyond 64 bits, nor a shift by as many, nor a number that its column is too narrow for. Here all these
raise `OutOfBoundsError`, and a shift to the left drops what leaves the 64 bits, as compiled code does.

    python -m pytest -p support.guarded_kernels tests/capture          (with tests/ in PYTHONPATH)
    python tests/fuzz/run.py candump --guarded

Whoever asks `buslens.kernels.compiled` for the compiled twin of a kernel then gets its guarded twin, some ten times
slower than plain Python. Being Python, the kernels are seen by tools that measure which branches a test reaches.
"""

from __future__ import annotations

from types import FunctionType, ModuleType
from typing import TYPE_CHECKING, Any, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

_LEAST: Final = -(1 << 63)
_MOST: Final = (1 << 63) - 1
_WIDTH: Final = (1 << 64) - 1


class OutOfBoundsError(AssertionError):
    """A kernel reached out of a buffer, or out of the numbers that compiled code has."""


class Word(int):
    """A whole number of 64 bits, signed, as compiled code has it; nothing beyond comes of it unnoticed."""

    __slots__ = ()

    def __add__(self, other: int) -> Word:
        return _whole(int.__add__(self, other))

    __radd__ = __add__

    def __sub__(self, other: int) -> Word:
        return _whole(int.__sub__(self, other))

    def __rsub__(self, other: int) -> Word:
        return _whole(int.__rsub__(self, other))

    def __mul__(self, other: int) -> Word:
        return _whole(int.__mul__(self, other))

    __rmul__ = __mul__

    def __floordiv__(self, other: int) -> Word:
        return _whole(int.__floordiv__(self, other))

    def __rfloordiv__(self, other: int) -> Word:
        return _whole(int.__rfloordiv__(self, other))

    def __mod__(self, other: int) -> Word:
        return _whole(int.__mod__(self, other))

    def __neg__(self) -> Word:
        return _whole(int.__neg__(self))

    def __abs__(self) -> Word:
        return _whole(int.__abs__(self))

    def __invert__(self) -> Word:
        return Word(int.__invert__(self))

    def __and__(self, other: int) -> Word:
        return Word(int.__and__(self, other))

    __rand__ = __and__

    def __or__(self, other: int) -> Word:
        return Word(int.__or__(self, other))

    __ror__ = __or__

    def __xor__(self, other: int) -> Word:
        return Word(int.__xor__(self, other))

    __rxor__ = __xor__

    def __lshift__(self, other: int) -> Word:
        return _shifted(self, other)

    def __rlshift__(self, other: int) -> Word:
        return _shifted(other, self)

    def __rshift__(self, other: int) -> Word:
        return Word(int(self) >> _amount(other))

    def __rrshift__(self, other: int) -> Word:
        return Word(int(other) >> _amount(self))


def _whole(value: int) -> Word:
    if not _LEAST <= value <= _MOST:
        raise OutOfBoundsError(f"{value} has more than 64 bits")
    return Word(value)


def _amount(bits: int) -> int:
    if not 0 <= bits < 64:
        raise OutOfBoundsError(f"a shift by {int(bits)} bits")
    return int(bits)


def _shifted(value: int, bits: int) -> Word:
    kept = int(value) << _amount(bits) & _WIDTH
    return Word(kept - (kept >> 63 << 64))


_SMALL: Final = tuple(Word(value) for value in range(256))


class Guarded:
    """A flat buffer that refuses every index but 0 to n - 1, and every value that would not be kept as it is.

    Parameters
    ----------
    buffer : array, bytearray, memory view or list
        Of whole numbers. A list is only read.
    """

    __slots__ = ("_buffer", "_least", "_most", "_read", "_size")

    def __init__(self, buffer: Any) -> None:
        self._size = len(buffer)
        self._buffer: Any = buffer
        self._read: Callable[[int], int] = buffer.__getitem__
        self._least, self._most = 0, -1  # nothing may be written
        if not isinstance(buffer, list | tuple):
            array = np.asarray(buffer)
            assert array.ndim == 1
            limits = np.iinfo(array.dtype)
            self._least, self._most = int(limits.min), int(limits.max)
            self._buffer = memoryview(array)
            self._read = self._buffer.__getitem__
            if not array.flags.aligned:  # words from each place of a text on, which a view does not read
                self._read = array.item

    def __len__(self) -> int:
        return self._size

    def __getitem__(self, place: int) -> Word:
        if not 0 <= place < self._size:
            raise OutOfBoundsError(f"read at {int(place)} of {self._size}")
        value = self._read(place)
        return _SMALL[value] if 0 <= value < 256 else Word(value)

    def __setitem__(self, place: int, value: int) -> None:
        if not 0 <= place < self._size:
            raise OutOfBoundsError(f"write at {int(place)} of {self._size}")
        if not self._least <= value <= self._most:
            raise OutOfBoundsError(f"{int(value)} does not fit, from {self._least} to {self._most} do")
        self._buffer[place] = int(value)


class Twin:
    """A kernel that guards what it is called with.

    Parameters
    ----------
    function : function
        The plain kernel, or one whose names of other kernels stand for twins.
    """

    def __init__(self, function: FunctionType) -> None:
        names = {name: _bare_global(value) for name, value in function.__globals__.items()}
        #: Takes only what is guarded already.
        self.bare = FunctionType(function.__code__, names | {"int": Word}, function.__name__, function.__defaults__)
        #: As compiled twins have it.
        self.py_func = function

    def __call__(self, *given: Any) -> Any:
        found = self.bare(*(_guarded(each) for each in given))
        return tuple(map(_bare, found)) if isinstance(found, tuple) else _bare(found)


def _guarded(given: Any) -> Any:
    if isinstance(given, bool):
        return given
    if isinstance(given, tuple):
        return tuple(map(_guarded, given))
    return Word(given) if isinstance(given, int | np.integer) else Guarded(given)


def _bare_global(value: Any) -> Any:
    """Return what stands for a global in a function that takes only what is guarded already."""
    if isinstance(value, ModuleType):
        part = ModuleType(value.__name__)
        vars(part).update((name, it.bare if isinstance(it, Twin) else it) for name, it in vars(value).items())
        return part
    return value.bare if isinstance(value, Twin) else value


def _bare(value: Any) -> Any:
    return int(value) if isinstance(value, Word) else value


def guard() -> None:
    """Let all kernels be guarded from now on; to be called before one has been compiled."""
    from buslens import kernels
    from buslens.capture import _recorded_kernel

    def wrap(_: object, function: FunctionType, *_rest: object, **__: object) -> Twin:
        return Twin(function)

    assert not kernels._COMPILED, "there are compiled kernels already"
    kernels._wrap = wrap
    # The one kernel that is never compiled.
    take: Callable[..., int] = Twin(kernels_of(_recorded_kernel.take))
    _recorded_kernel.take = take


def kernels_of(function: Any) -> FunctionType:
    """Return a plain kernel in which the names of other kernels stand for their guarded twins."""
    used = function.__code__.co_names

    def twins_in(names: dict[str, Any]) -> dict[str, Any]:
        return {
            name: Twin(kernels_of(value))
            for name, value in names.items()
            if name in used and isinstance(value, FunctionType) and value is not function
        }

    names = twins_in(function.__globals__)
    for name, value in function.__globals__.items():
        if name in used and isinstance(value, ModuleType):
            names[name] = ModuleType(value.__name__)
            vars(names[name]).update(vars(value) | twins_in(vars(value)))
    return FunctionType(function.__code__, function.__globals__ | names, function.__name__, function.__defaults__)


def pytest_configure() -> None:
    """Guard the kernels of the tests that are to be run."""
    guard()
