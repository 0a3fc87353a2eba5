"""What the units of the car put on the bus: which bits, how often, from what; and traffic of units not described.

The layout, in ``messages.toml``, is that of ``signal_defs/pinewick.dbc``; a test packs with this module and unpacks
with that file.
"""

import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from buslens.rehearsal.car import CarTrace
from buslens.rehearsal.random_streams import RandomStreams

Values = NDArray[np.int64]


class PayloadField(NamedTuple):
    """Some bits of a payload."""

    #: A field of the snapshots, an analog value, or one of `_MADE`.
    source: str
    start: int
    length: int
    is_motorola: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageLayout:
    """One message."""

    name: str
    can_id: int
    is_extended: bool = False
    length: int
    cycle_ms: int
    fields: tuple[PayloadField, ...]
    #: Field of the snapshots that says whether it is sent; empty: always.
    sent_while: str = ""
    #: Byte that holds a check of the others; None: none.
    check_byte: int | None = None
    #: Fields of each page, of a message that sends them in turn.
    pages: tuple[tuple[PayloadField, ...], ...] = ()


def _fields(listed: Sequence[Sequence[Any]]) -> tuple[PayloadField, ...]:
    return tuple(PayloadField(*it) for it in listed)


LAYOUTS: Final = tuple(
    MessageLayout(**it | {"fields": _fields(it["fields"]), "pages": tuple(map(_fields, it.get("pages", ())))})
    for it in tomllib.loads(Path(__file__).with_name("messages.toml").read_text("utf-8"))["messages"]
)
"""The messages of the definitions, by priority on the bus."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sampled:
    """What a message is made of: the moments at which its unit read what it sends."""

    life: CarTrace
    #: int64[n], ticks of the car.
    ticks: Values
    #: int64[n], how many frames the unit had sent before.
    turns: Values
    streams: RandomStreams
    car_number: int


def payloads(layout: MessageLayout, sampled: Sampled) -> NDArray[np.uint64]:
    """Return the payloads of some frames of a message, byte k in bits 8k and up."""
    words = np.zeros(len(sampled.ticks), dtype=np.uint64)
    for field in layout.fields:
        _put(words, field, _values(field.source, sampled))
    for page, fields in enumerate(layout.pages):
        on_it = sampled.turns % len(layout.pages) == page
        for field in fields:
            part = np.where(on_it, _values(field.source, sampled), 0)
            _put(words, field, part)
    if layout.check_byte is not None:
        words |= _check(words, layout.can_id, layout.length) << np.uint64(8 * layout.check_byte)
    return words


def _check(words: NDArray[np.uint64], can_id: int, length: int) -> NDArray[np.uint64]:
    """Return a check of some payloads, invented: all bytes and the identifier, exclusive or."""
    check = np.full(len(words), can_id & 0xFF, dtype=np.uint64)
    for byte in range(length):
        check ^= (words >> np.uint64(8 * byte)) & np.uint64(0xFF)
    return check


def _put(words: NDArray[np.uint64], field: PayloadField, values: Values) -> None:
    raw = (values & ((1 << field.length) - 1)).astype(np.uint64)
    if not field.is_motorola:
        words |= raw << np.uint64(field.start)
        return
    position = field.start
    for bit in reversed(range(field.length)):
        words |= ((raw >> np.uint64(bit)) & np.uint64(1)) << np.uint64(position)
        # The numbering of a DBC: down within a byte, then to the top of the next.
        position = position - 1 if position % 8 else position + 15


def _values(source: str, sampled: Sampled) -> Values:
    made = _MADE.get(source)
    return made(sampled) if made is not None else sampled.life.values(source, sampled.ticks)


def _scaled(name: str, steps_per_unit: float, noise: str, spread: float = 0.0) -> Callable[[Sampled], Values]:
    """Return what converts an analog value to raw, with the noise of a converter."""

    def made(sampled: Sampled) -> Values:
        value = sampled.life.analog[name][sampled.ticks]
        shaken = value + sampled.streams.uniform(noise, len(value), -spread, spread)
        return np.clip(np.floor(shaken * steps_per_unit + 0.5), 0, 65535).astype(np.int64)

    return made


def _angle(sampled: Sampled) -> Values:
    """Steer a little from side to side while the car moves."""
    speed = sampled.life.analog["SPEED"][sampled.ticks]
    swing = np.abs(sampled.ticks % 4000 - 2000) - 1000
    return np.asarray(np.floor(12.0 + np.minimum(speed, 10.0) * 0.02 * swing), np.int64)


def _angle_rate(sampled: Sampled) -> Values:
    speed = sampled.life.analog["SPEED"][sampled.ticks]
    return np.asarray(np.floor(np.minimum(speed, 10.0) * 2.0 / 4.0), np.int64)


def _battery_current(sampled: Sampled) -> Values:
    """Return what flows into the battery; out of it is negative."""
    return np.asarray(np.floor(sampled.life.analog["LOAD"][sampled.ticks] * -10.0), np.int64)


def _constant(value: int) -> Callable[[Sampled], Values]:
    return lambda sampled: np.full(len(sampled.ticks), value, dtype=np.int64)


_MADE: Final[Mapping[str, Callable[[Sampled], Values]]] = {
    "one": _constant(1),
    "counter": lambda it: it.turns % 16,
    "door lamp": lambda it: it.life.values("DRIVER_DOOR", it.ticks),
    "page": lambda it: it.turns % 4,
    "speed": _scaled("SPEED", 100.0, "speed"),
    "left wheel": _scaled("SPEED", 10.0, "left wheel", 0.04),
    "right wheel": _scaled("SPEED", 10.0, "right wheel", 0.04),
    "angle": _angle,
    "angle rate": _angle_rate,
    "supply": _scaled("SUPPLY", 50.0, "supply", 0.03),
    "current": _scaled("CURRENT", 50.0, "current", 0.03),
    "battery": _scaled("VOLTAGE", 50.0, "battery", 0.02),
    "battery current": _battery_current,
    "charge": _constant(172),
    "unit temperature": lambda it: np.full(len(it.ticks), int(it.life.temperature) + 40, dtype=np.int64),
    "lock cycles": lambda it: np.full(len(it.ticks), 1800 + 37 * it.car_number, dtype=np.int64),
    "unit number": lambda it: np.full(len(it.ticks), 40_260_000 + it.car_number, dtype=np.int64),
    "car number": lambda it: np.full(len(it.ticks), it.car_number, dtype=np.int64),
    "odometer": lambda it: np.full(len(it.ticks), 391_000 + 6_130 * it.car_number, dtype=np.int64),
    "outside temperature": lambda it: np.full(len(it.ticks), int(it.life.temperature * 2), dtype=np.int64),
}
"""What is computed, not remembered."""


class BackgroundMessage(NamedTuple):
    """A message of a unit that the definitions do not describe."""

    can_id: int
    cycle_ms: int


_BACKGROUND_CYCLES: Final = (100, 500, 50, 200, 20, 10, 10, 100, 20, 10)


def background(count: int, streams: RandomStreams) -> tuple[BackgroundMessage, ...]:
    """Return that many invented messages; the first ones stay when more are asked for."""
    taken = {layout.can_id for layout in LAYOUTS}
    found: list[BackgroundMessage] = []
    while len(found) < count:
        can_id = streams.draw_ms("background ids", 0x150, 0x700)
        if can_id not in taken:
            taken.add(can_id)
            found.append(BackgroundMessage(can_id, _BACKGROUND_CYCLES[len(found) % len(_BACKGROUND_CYCLES)]))
    return tuple(found)


def background_payloads(traffic: BackgroundMessage, count: int, streams: RandomStreams) -> NDArray[np.uint64]:
    """Return payloads as such messages have them: constant bytes, a slow value, a counter, a check."""
    concern = f"payload of {traffic.can_id:03X}"
    fixed = int.from_bytes(streams.bytes(concern, 3).tobytes(), "little")
    steps = (streams.uniform(concern, count) * 7.0).astype(np.int64) - 3
    value = (np.cumsum(steps) + 20_000) & 0xFFFF
    turns = np.arange(count, dtype=np.int64) & 0xF
    words = np.full(count, fixed, dtype=np.uint64)
    words |= (value.astype(np.uint64) << np.uint64(24)) | (turns.astype(np.uint64) << np.uint64(48))
    return words | (_check(words, traffic.can_id, 7) << np.uint64(56))
