"""Cars that nobody sells: definitions and captures made from a table of names, bits, periods and delays.

This knows nothing of what learns from its captures: frames are packed by cantools from the definitions that are
written. A car goes through one story as often as it is asked to: the driver gets in, starts, drives, stops, gets out.
What the lock does in it, and what is wrong with it, is drawn from the car's own figures.
"""

from __future__ import annotations

import random
from bisect import bisect
from dataclasses import dataclass, field
from functools import cache
from typing import TYPE_CHECKING, Final, Literal

import cantools

if TYPE_CHECKING:
    from pathlib import Path

Part = Literal[
    "door", "button", "ignition", "enable", "first", "second", "speed", "supply", "lamp", "key", "brake", "other door",
    "central", "request", "first turned", "counter", "key state", "presses", "selector",
]  # fmt: skip
"""What a signal follows; the rest is noise."""

FAULTS: Final = (
    "never locks",
    "never frees",
    "first dead",
    "second dead",
    "second late",
    "slow",
    "no drive",
    "pulse too long",
)
OTHER_FAULTS: Final = ("second free", "second silent", "enable stays on", "ignition while locked", "one try of three")
"""Of these not every car can have each, or a file tells them only with what healthy captures showed."""


BOOT_S: Final = 0.6
WAKING: Final = frozenset({"first", "second", "ignition"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One signal of the definitions."""

    part: Part
    name: str
    start: int
    length: int = 1
    #: Raw value of each state that the part can be in: 0, 1, 2 for what lies in between, and 3 for no answer.
    raw: tuple[int, ...] = (0, 1, 2)
    labels: tuple[tuple[int, str], ...] = ()
    is_motorola: bool = False
    scale: float = 1
    unit: str = ""
    comment: str = ""
    #: Value of the message's selector whose frames carry the signal; None: all of them do.
    page: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Cyclic:
    """One message."""

    name: str
    can_id: int
    period_ms: float
    fields: tuple[Field, ...]
    length: int = 8
    #: How far a frame may be off its beat, as a part of the period.
    jitter: float = 0.03
    #: Whether the definitions tell the period.
    has_cycle: bool = True
    #: Whether a frame comes as soon as a state changes, beside those on the beat.
    on_change: bool = False
    #: Whether that is all that comes, after a first frame.
    is_event: bool = False

    @property
    def pages(self) -> list[int]:
        """Values of the selector, in the order in which frames take turns; empty without one."""
        return sorted({it.page for it in self.fields if it.page is not None})


@dataclass(frozen=True, slots=True, kw_only=True)
class Car:
    """Definitions and figures of one car; lengths of time in ms, with a spread as a part of each."""

    messages: tuple[Cyclic, ...]
    answer: float = 120
    """From button or door to the enable."""
    travel: float = 260
    """From the enable to the first feedback."""
    second: float = 60
    """From the first feedback to the second."""
    pulse: float = 480
    ignition: float = 300
    """From the second feedback to the ignition."""
    spread: float = 0.05
    #: Whether the first and the second feedback show that the bolt is on its way.
    passes_between: bool = False
    #: Whether units that wake up send 0 for their states at first, which means nothing.
    boots: bool = False

    def dbc(self) -> str:
        """Return the definitions."""
        lines = ['VERSION ""', "NS_ :", "BS_:", "BU_: UNIT", ""]
        for message in self.messages:
            lines.append(f"BO_ {message.can_id} {message.name}: {message.length} UNIT")
            for it in message.fields:
                order = "0" if it.is_motorola else "1"
                chosen = " M" if it.part == "selector" else "" if it.page is None else f" m{it.page}"
                place = f"{it.start}|{it.length}@{order}+"
                lines.append(f' SG_ {it.name}{chosen} : {place} ({it.scale:g},0) [0|0] "{it.unit}" Vector__XXX')
            lines.append("")
        for message in self.messages:
            for it in message.fields:
                if it.comment:
                    lines.append(f'CM_ SG_ {message.can_id} {it.name} "{it.comment}";')
        lines += ['BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;', 'BA_DEF_DEF_ "GenMsgCycleTime" 0;']
        for message in self.messages:
            if message.has_cycle:
                lines.append(f'BA_ "GenMsgCycleTime" BO_ {message.can_id} {message.period_ms:g};')
        for message in self.messages:
            for it in message.fields:
                if it.labels:
                    names = " ".join(f'{raw} "{name}"' for raw, name in it.labels)
                    lines.append(f"VAL_ {message.can_id} {it.name} {names} ;")
        return "\n".join([*lines, ""])


@dataclass(slots=True)
class _Story:
    """What each part is through a capture: (time in s, value), ascending."""

    edges: dict[str, list[tuple[float, float]]] = field(default_factory=dict)

    def set(self, part: str, at: float, value: float) -> None:
        """Put a value from a time on."""
        self.edges.setdefault(part, []).append((at, value))


def tell(  # noqa: PLR0915  (a story is told in one go)
    car: Car, seed: int, fault: str = "", rounds: int = 1
) -> tuple[dict[str, list[tuple[float, float]]], float]:
    """Return what each part is through a capture, and how long the capture is, s."""
    dice = random.Random(f"{seed} {fault} {rounds}")
    story = _Story()

    def length(usual_ms: float) -> float:
        return max(usual_ms * dice.gauss(1, car.spread), 1) / 1000

    slow = 3.5 if fault == "slow" else 1.0
    late = 900 if fault == "second late" else 0
    for part in ("door", "button", "ignition", "enable", "speed", "lamp", "key", "brake", "other door", "request"):
        story.set(part, 0, 0)
    story.set("central", 0, 1)
    story.set("supply", 0, 12.6)
    stuck = {"first": fault == "first dead", "second": fault in {"second dead", "second free"}}
    stuck["second"] |= fault == "second silent"
    for part in ("first", "second"):
        story.set(part, 0, {"second free": 1, "second silent": 3}.get(fault, 0) if part == "second" else 0)

    def move(at: float, target: int, *, is_clamped: bool) -> float | None:
        """Play the lock from a button or door on; return when both feedbacks agree, None if they never do."""
        if fault in {"no drive", "enable stays on"}:
            return None
        begin = at + length(car.answer)
        story.set("request", at + length(car.answer) / 3, 1)
        story.set("enable", begin, 1)
        pulse = length(car.pulse) * (3.0 if fault == "pulse too long" else 1.0)
        moves = not (fault == "never locks" and target == 0) and not (is_clamped and target == 1)
        first = begin + length(car.travel) * slow
        pulse = max(pulse, first - begin + 0.05) if moves else pulse * 1.2
        story.set("supply", begin, 12.6 - dice.uniform(0.6, 1.2))
        story.set("enable", begin + pulse, 0)
        story.set("request", begin + pulse + 0.03, 0)
        story.set("supply", begin + pulse, 12.5)
        if not moves:
            return None
        second = first + length(car.second) + length(late)
        for part, arrives in (("first", first), ("second", second)):
            if not stuck[part]:
                if car.passes_between:
                    story.set(part, begin + 0.4 * (arrives - begin), 2)
                story.set(part, arrives, target)
        return second if not any(stuck.values()) else None

    story.set("enable", 0, int(fault == "enable stays on"))
    now = dice.uniform(1.5, 2.5)
    for count in range(rounds):
        story.set("central", now - 0.8, 0)
        story.set("door", now, 1)
        now += dice.uniform(1.5, 3)
        story.set("door", now, 0)
        story.set("key", now + 0.2, 1)
        now += dice.uniform(1.0, 2)
        story.set("brake", now, 1)
        now += dice.uniform(0.6, 1.2)
        press = dice.uniform(0.35, 0.6)
        story.set("button", now, 1)
        story.set("button", now + press, 0)
        clamped = fault in {"never frees", "ignition while locked"} or (fault == "one try of three" and count % 3 == 1)
        agreed = move(now, 1, is_clamped=clamped)
        if fault == "ignition while locked":
            story.set("ignition", now + 0.4, 1)
            story.set("ignition", now + 3.5, 0)
        if agreed is None:
            story.set("lamp", now + 1.8, 1)
            now += dice.uniform(4, 6)
        else:
            on = agreed + length(car.ignition)
            story.set("ignition", on, 1)
            story.set("lamp", on + 0.1, 1)
            story.set("lamp", on + 1.9, 0)
            now = on + dice.uniform(2.5, 4)
            story.set("brake", now, 0)
            story.set("other door", now - 0.7, 1)
            story.set("other door", now, 0)
            for tenth in range(20):
                story.set("speed", now + 0.1 * tenth, 1.5 * tenth)
            now += 2.5
            story.set("speed", now, 0)
            now += dice.uniform(0.8, 1.5)
            story.set("button", now, 1)
            story.set("button", now + press, 0)
            story.set("ignition", now + length(150), 0)
            now += dice.uniform(1.5, 3)
        story.set("door", now, 1)
        if agreed is not None or fault == "first dead":
            move(now, 0, is_clamped=False)
        now += dice.uniform(2.5, 3.5)
        story.set("door", now, 0)
        story.set("key", now + 0.5, 0)
        story.set("central", now + 1, 1)
        now += dice.uniform(2, 3)
    edges = {part: sorted(listed) for part, listed in story.edges.items()}
    for part in ("first", "second"):
        edges[f"{part} turned"] = [(at, {0: 1, 1: 0}.get(int(value), 0)) for at, value in edges[part]]
    presses = [at for at, value in edges["button"] if value]
    edges["presses"] = [(0, 3), *((at, 4 + index) for index, at in enumerate(presses))]
    edges["key state"] = sorted(
        (at, 2.0 if value and part == "ignition" else 1.0 if value or (part == "ignition" and at) else 0.0)
        for part in ("key", "ignition")
        for at, value in edges[part]
    )
    return edges, now + 1


def _times(
    message: Cyclic, edges: dict[str, list[tuple[float, float]]], end: float, dice: random.Random
) -> list[float]:
    """Return when frames of a message come: on its beat, and where it says so, as soon as a state changes."""
    period = message.period_ms / 1000
    beat = dice.uniform(0, period)
    times = [beat] if message.is_event else []
    while beat < end and not message.is_event:
        times.append(beat + dice.uniform(-1, 1) * message.jitter * period)
        beat += period
    if message.on_change or message.is_event:
        states = {it.part for it in message.fields} - {"speed", "supply", "counter", "selector"}
        changes = sorted(at for part in states for at, _ in edges[part] if 0 < at < end)
        # A message of pages sends each of them once.
        for at in changes:
            times += [at + dice.uniform(0.001, 0.004) + 0.0002 * page for page in range(len(message.pages) or 1)]
    return sorted(times)


@cache
def _database(dbc: str) -> cantools.database.can.Database:
    database = cantools.database.load_string(dbc, "dbc")
    assert isinstance(database, cantools.database.can.Database)
    return database


def record(car: Car, path: Path, seed: int, fault: str = "", rounds: int = 1) -> Path:
    """Write one capture in candump's form."""
    edges, end = tell(car, seed, fault, rounds)
    dice = random.Random(f"frames {seed} {fault}")
    database = _database(car.dbc())
    lines: list[tuple[float, str]] = []
    for message in car.messages:
        own = {it.part for it in message.fields} - {"counter", "selector"}
        if fault == "second silent" and own == {"second"}:
            continue
        layout = database.get_message_by_name(message.name)
        packed: dict[tuple[tuple[str, int], ...], str] = {}
        pages = message.pages
        for count, at in enumerate(_times(message, edges, end, dice)):
            page = pages[count % len(pages)] if pages else None
            raws = []
            for it in message.fields:
                if it.page is not None and it.page != page:
                    continue
                if it.part in {"counter", "selector"}:
                    raws.append((it.name, count % (1 << it.length) if it.part == "counter" else page or 0))
                    continue
                listed = edges[it.part]
                value = listed[bisect(listed, (at, float("inf"))) - 1][1]
                if car.boots and it.part in WAKING and at < BOOT_S:
                    raws.append((it.name, 0))
                elif it.part in {"speed", "supply"}:
                    raws.append((it.name, round(value / it.scale)))
                else:
                    raws.append(
                        (it.name, int(value) % (1 << it.length) if it.part == "presses" else it.raw[int(value)])
                    )
            key = tuple(raws)
            if key not in packed:
                packed[key] = layout.encode(dict(raws), scaling=False, strict=False).hex().upper()
            lines.append((max(at, 0.0), f"{message.can_id:03X}#{packed[key]}"))
    lines.sort()
    path.write_text("".join(f"({1700000000 + at:.6f}) can0 {text}\n" for at, text in lines))
    return path


GERMAN: Final = Car(
    messages=(
        Cyclic(
            name="KAROSSERIE_1",
            can_id=0x3A5,
            period_ms=100,
            fields=(
                Field(
                    part="door",
                    name="TUER_FA_STAT",
                    start=1,
                    length=2,
                    is_motorola=True,
                    raw=(1, 2),
                    labels=((0, "nicht verfuegbar"), (1, "geschlossen"), (2, "geoeffnet"), (3, "Fehler")),
                ),
                Field(
                    part="other door",
                    name="TUER_BF_STAT",
                    start=3,
                    length=2,
                    is_motorola=True,
                    raw=(1, 2),
                    labels=((0, "nicht verfuegbar"), (1, "geschlossen"), (2, "geoeffnet"), (3, "Fehler")),
                ),
                Field(
                    part="central", name="ZV_STAT", start=4, raw=(0, 1), labels=((0, "entriegelt"), (1, "verriegelt"))
                ),
                Field(part="counter", name="KAR1_BOTSCHAFTSZAEHLER", start=59, length=4, is_motorola=True),
            ),
        ),
        Cyclic(
            name="ZUGANG_START",
            can_id=0x1C3,
            period_ms=40,
            fields=(
                Field(
                    part="button",
                    name="START_TASTE",
                    start=8,
                    raw=(0, 1),
                    labels=((0, "nicht betaetigt"), (1, "betaetigt")),
                ),
                Field(part="brake", name="BREMSE_BETAETIGT", start=9, raw=(0, 1), labels=((0, "nein"), (1, "ja"))),
                Field(
                    part="key",
                    name="SCHLUESSEL_STAT",
                    start=17,
                    length=2,
                    is_motorola=True,
                    raw=(0, 1),
                    labels=((0, "kein Schluessel"), (1, "erkannt"), (3, "ungueltig")),
                ),
            ),
        ),
        Cyclic(
            name="KLEMMEN",
            can_id=0x12F,
            period_ms=100,
            fields=(
                Field(
                    part="ignition",
                    name="KLEMMENSTATUS",
                    start=3,
                    length=4,
                    is_motorola=True,
                    raw=(1, 5),
                    labels=((0, "ungueltig"), (1, "aus"), (3, "Radio"), (5, "Zuendung ein"), (7, "Motorstart")),
                ),
            ),
        ),
        Cyclic(
            name="LENKSPERRE_ANST",
            can_id=0x0D4,
            period_ms=20,
            fields=(
                Field(
                    part="enable",
                    name="ELV_FREIGABE",
                    start=0,
                    raw=(0, 1),
                    labels=((0, "gesperrt"), (1, "freigegeben")),
                ),
                Field(part="counter", name="ANST_ZAEHLER", start=12, length=4),
            ),
        ),
        Cyclic(
            name="LENKSPERRE_RM",
            can_id=0x2E1,
            period_ms=40,
            fields=(
                Field(
                    part="first",
                    name="ELV_KONTAKT",
                    start=1,
                    length=2,
                    is_motorola=True,
                    raw=(2, 1, 3),
                    labels=((0, "Signal ungueltig"), (1, "entriegelt"), (2, "verriegelt"), (3, "Zwischenstellung")),
                ),
                Field(
                    part="second",
                    name="ELV_DATENLEITUNG",
                    start=3,
                    length=2,
                    is_motorola=True,
                    raw=(2, 1, 3, 0),
                    labels=((0, "Signal ungueltig"), (1, "entriegelt"), (2, "verriegelt"), (3, "Zwischenstellung")),
                ),
                Field(part="supply", name="ELV_SPANNUNG", start=15, length=8, is_motorola=True, scale=0.1, unit="V"),
            ),
        ),
        Cyclic(
            name="KOMBI_2",
            can_id=0x4B0,
            period_ms=200,
            fields=(
                Field(part="lamp", name="LENKSPERRE_WARNLEUCHTE", start=6, raw=(0, 1), labels=((0, "aus"), (1, "ein"))),
                Field(part="speed", name="GESCHW", start=8, length=16, scale=0.01, unit="km/h"),
            ),
        ),
    ),
    passes_between=True,
    travel=340,
    second=80,
    pulse=620,
)
"""Value names in German, Motorola signals, feedbacks that pass an intermediate value."""

BITS: Final = Car(
    messages=(
        Cyclic(
            name="BCM_GENERAL",
            can_id=0x3F2,
            period_ms=50,
            fields=(
                Field(part="door", name="DR_FL_AJAR", start=0),
                Field(part="other door", name="DR_FR_AJAR", start=1),
                Field(part="central", name="CDL_LOCKED", start=4),
                Field(part="brake", name="BRK_PEDAL_SW", start=9),
            ),
        ),
        Cyclic(
            name="PEPS_TX",
            can_id=0x2A6,
            period_ms=25,
            has_cycle=False,
            fields=(
                Field(part="button", name="SSB_PRESSED", start=3),
                Field(part="ignition", name="IGN_RELAY", start=7),
                Field(part="key", name="FOB_FOUND", start=12),
                Field(part="enable", name="STRG_LCK_EN", start=17),
                Field(part="request", name="STRG_LCK_RQ", start=18),
            ),
        ),
        Cyclic(
            name="SCL_STATUS",
            can_id=0x51B,
            period_ms=25,
            has_cycle=False,
            fields=(
                Field(part="first", name="SCL_UNLK_SW", start=2),
                Field(part="first turned", name="SCL_LOCK_SW", start=3),
                Field(part="second", name="SCL_UNLK_LIN", start=11),
                Field(part="counter", name="SCL_ALV_CNT", start=20, length=4),
            ),
        ),
        Cyclic(
            name="SPEED_INFO",
            can_id=0x0F1,
            period_ms=20,
            fields=(Field(part="speed", name="VEH_SPD", start=7, length=16, is_motorola=True, scale=0.01, unit="kph"),),
        ),
    ),
)
"""Single bits without value names, and a bit that says the same as another, turned round."""
