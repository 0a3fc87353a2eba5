"""A simulated capture with the truth beside it."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from buslens.capture.frames import Flag, Frames
from buslens.errors import UsageError
from buslens.files import write_atomically
from buslens.rehearsal.bus import simulate_bus
from buslens.rehearsal.car import WARM_UP_MS, CarTrace, Snapshot, simulate_car
from buslens.rehearsal.faults import Fault, adjusted, find_fault
from buslens.rehearsal.harness import Harness
from buslens.rehearsal.lock_unit import Mechanics
from buslens.rehearsal.log_forms import find_log_form, log_form_for, render
from buslens.rehearsal.messages import LAYOUTS
from buslens.rehearsal.random_streams import RandomStreams
from buslens.rehearsal.recorder import record
from buslens.rehearsal.scenario import Onset, Scenario
from buslens.units import NS_PER_MS, NS_PER_S

START_NS: Final = 1_773_473_400 * NS_PER_S
"""When every rehearsal begins: 2026-03-14 07:30:00 UTC."""
LONGEST_S: Final = 3600.0
"""A longer capture is refused: every millisecond of it is lived."""


class TrueStates(NamedTuple):
    """The true states of one signal: `value[i]` from `time_ns[i]` on."""

    #: int64[n], ns from the epoch, ascending; the first is the beginning of the capture, or before it.
    time_ns: NDArray[np.int64]
    #: int64[n], raw values of the definitions.
    value: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rehearsal:
    """One simulated capture."""

    fault: Fault
    seed: int
    #: Times in ns from the epoch, as the recorder's clock says.
    frames: Frames
    #: When each frame's unit read what it sends, int64[n], ns from the epoch, by the true clock.
    read_ns: NDArray[np.int64]
    #: "MESSAGE.SIGNAL" -> what was so in the unit that sends it, by the true clock. A frame shows what was so when
    #: it was read, a little before its stamp.
    truth: Mapping[str, TrueStates]
    #: The bolt itself, by the true clock: 0 locked, 1 released, 2 between.
    bolt: TrueStates
    start_ns: int
    #: The car as it lived, and what was set for it.
    life: CarTrace
    scenario: Scenario
    #: A key of `log_forms.FORMS`; None: as the file name says.
    form: str | None
    #: Whether the log ends within a line.
    is_torn: bool

    def __repr__(self) -> str:
        return f"<Rehearsal of {self.fault.name}, seed {self.seed}: {len(self.frames):,} frames>"

    @property
    def latency_ns(self) -> int:
        """Longest time between reading a state and the stamp of its frame, ns; a recorder's jumps not counted."""
        late = self.frames.time_ns - self.read_ns
        return int(late.max(initial=0))


def rehearse(
    fault: str = "healthy",
    *,
    seed: int = 1,
    duration: float | None = None,
    background_ids: int = 4,
    severity: float = 1.0,
    begins: str = "parked",
    temperature: float | None = None,
    battery_volts: float | None = None,
    car_number: int = 1,
    form: str | None = None,
) -> Rehearsal:
    """Let a simulated car live, and record what its bus says.

    The same arguments give the same capture, to the byte, on every machine.

    Parameters
    ----------
    fault : str
        A key of `faults.FAULTS`.
    seed : int
        0 or more; another seed is another day: hands, clocks and noise differ.
    duration : float or None
        Length of the capture, s, in which the driver does the same again and again; None: once.
    background_ids : int
        Messages of units that the definitions do not describe; 60 make about 3,000 frames per second in all.
    severity : float
        Of a fault that has degrees; 1 as a rule, more is worse.
    begins : {"parked", "driving"}
        Whether what is wrong was there before, or comes about on the first drive; without a drive it never does.
    temperature, battery_volts : float or None
        Of the car, degC, and of its battery without load, V; None: as the fault has them.
    car_number : int
        Of the club's car, 0 to 255: in the club's status message.
    form : str or None
        A key of `log_forms.FORMS`; None: `write` goes by the file name.

    Raises
    ------
    UsageError
        If there is no such fault or form, or a number is outside its range.
    """
    chosen = find_fault(fault)
    if form is not None:
        find_log_form(form)
    onset = _onset(begins)
    _within("seed", seed, 0, 2**63)
    _within("duration", duration, 1.0, LONGEST_S, unit=" s")
    _within("background_ids", background_ids, 0, 200)
    _within("severity", severity, 0.0, 3.0)
    _within("temperature", temperature, -40.0, 85.0, unit=" degC")
    _within("battery_volts", battery_volts, 7.0, 16.0, unit=" V")
    _within("car_number", car_number, 0, 255)
    scenario = adjusted(chosen.scenario(severity), temperature=temperature, battery_volts=battery_volts)
    if onset is Onset.DRIVING and scenario.harness == Harness() and scenario.mechanics == Mechanics():
        raise UsageError(f"{fault} is nothing that can come about on a drive; leave begins='driving' away")
    streams = RandomStreams(seed)
    life = simulate_car(scenario, onset, streams, duration_ms=None if duration is None else int(duration * 1000))
    heard = simulate_bus(life, streams, background_ids=background_ids, car_number=car_number)
    traffic, is_torn = record(heard, life, scenario.recorder)
    count = len(traffic.time_ns)
    frames = Frames(
        time_ns=START_NS + traffic.time_ns,
        channel=np.zeros(count, dtype=np.uint16),
        can_id=traffic.can_id,
        flags=np.where(traffic.is_extended, Flag.EXTENDED, 0).astype(np.uint16),
        dlc=traffic.length,
        length=traffic.length,
        word=np.arange(count, dtype=np.int64),
        words=traffic.word,
        channels=("can0",),
    )

    def edges(name: str) -> TrueStates:
        ticks, values = life.changes(name)
        return TrueStates(START_NS + (ticks - WARM_UP_MS) * NS_PER_MS, values)

    return Rehearsal(
        fault=chosen,
        seed=seed,
        frames=frames,
        read_ns=START_NS + traffic.read_ns,
        truth={
            f"{layout.name}.{field.source}": edges(field.source)
            for layout in LAYOUTS
            for field in (*layout.fields, *(field for page in layout.pages for field in page))
            if field.source in Snapshot._fields
        },
        bolt=edges("bolt"),
        start_ns=START_NS,
        life=life,
        scenario=scenario,
        form=form,
        is_torn=is_torn,
    )


def _onset(begins: str) -> Onset:
    for onset in Onset:
        if onset.value == begins:
            return onset
    raise UsageError(f"a fault cannot begin '{begins}'; write 'parked' or 'driving'")


def _within(name: str, value: float | None, least: float, most: float, *, unit: str = "") -> None:
    if value is not None and not least <= value <= most:
        raise UsageError(f"{name} is {value}{unit}; it must be from {least:g}{unit} to {most:g}{unit}")


def rendered(rehearsal: Rehearsal, form: str) -> bytes:
    """Return a rehearsal as the text of a log, in a form of `log_forms.FORMS`."""
    return render(rehearsal.frames, form, start_ns=rehearsal.start_ns, is_torn=rehearsal.is_torn)


def write_rehearsal(rehearsal: Rehearsal, path: str | Path) -> Path:
    """Write a rehearsal to a file, whole or not at all; a name that ends in ``.gz`` is compressed.

    Raises
    ------
    OSError
        If the folder does not take the file.
    """
    target = Path(path)
    data = rendered(rehearsal, rehearsal.form or log_form_for(target))
    if target.suffix.lower() == ".gz":
        data = _compressed(data)
    return write_atomically(target, data)


def _compressed(data: bytes) -> bytes:
    """Compress without a name or time, so that the same log gives the same bytes."""
    import gzip
    from io import BytesIO

    held = BytesIO()
    with gzip.GzipFile(filename="", mode="wb", fileobj=held, mtime=0) as stream:
        stream.write(data)
    return held.getvalue()
