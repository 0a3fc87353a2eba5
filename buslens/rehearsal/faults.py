"""Everything that can be rehearsed, by the name that a practitioner would use.

What each does to the car, and so to the bus, is common practice without a source or invented for the demonstration;
no entry is measured on a real car. Nearly all end in the same warning and no start, which is the point.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from buslens.errors import UsageError, did_you_mean
from buslens.rehearsal.harness import Harness, Wire
from buslens.rehearsal.lock_unit import Mechanics, PairingState
from buslens.rehearsal.scenario import LoggerSettings, Scenario

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing to rehearse."""

    name: str
    #: What it breaks and what the bus then shows, one sentence.
    sentence: str
    #: Makes the scenario, from a severity: 1 as a rule, more is worse.
    scenario: Callable[[float], Scenario]


def find_fault(name: str) -> Fault:
    """Return the fault of that name.

    Raises
    ------
    UsageError
        If there is none.
    """
    if name not in FAULTS:
        hint = did_you_mean(name, FAULTS)
        known = "" if hint else "; known: " + ", ".join(FAULTS)
        raise UsageError(f"nothing to rehearse is called '{name}'{hint}{known}")
    return FAULTS[name]


def _harness(harness: Harness) -> Callable[[float], Scenario]:
    return lambda _severity: Scenario(harness=harness)


def _script(name: str) -> Callable[[float], Scenario]:
    return lambda _severity: Scenario(script=name)


_ALL: Final = (
    Fault(
        name="healthy",
        sentence="Nothing is wrong: the lock releases before the ignition and locks when the driver gets out.",
        scenario=lambda _severity: Scenario(),
    ),
    Fault(
        name="logic-fuse-blown",
        sentence="The lock driver logic has no supply: the request is there, the enable never comes, and the message"
        " with the feedbacks is absent.",
        scenario=_harness(Harness(logic_fuse_whole=False)),
    ),
    Fault(
        name="load-fuse-blown",
        sentence="The supply to the lock has no fuse of its own and hangs on the load fuse: the enable comes, the"
        " supply reads 0 V, nothing moves, the data line is silent.",
        scenario=_harness(Harness(load_fuse_whole=False)),
    ),
    Fault(
        name="supply-open",
        sentence="The supply wire is broken: the enable comes and the control unit's plug has full voltage, but no"
        " current flows and the data line is silent.",
        scenario=_harness(Harness(supply=Wire.OPEN)),
    ),
    Fault(
        name="supply-contact-bad",
        sentence="A corroded contact in the supply wire eats voltage while the motor draws current: full voltage at"
        " the control unit's plug, less current, a late release.",
        scenario=lambda severity: Scenario(harness=Harness(contact_ohm=2.6 * severity)),
    ),
    Fault(
        name="ground-open",
        sentence="The ground wire is broken: the lock unit is dead though its supply is there; no current flows, the"
        " hard-wired feedback reads locked, the data line is silent.",
        scenario=_harness(Harness(ground=Wire.OPEN)),
    ),
    Fault(
        name="ground-contact-bad",
        sentence="A corroded contact in the ground wire lifts the ground of the lock unit while the motor draws"
        " current: full voltage at the control unit's plug, less current, a late release.",
        scenario=lambda severity: Scenario(harness=Harness(ground_contact_ohm=2.6 * severity)),
    ),
    Fault(
        name="enable-open",
        sentence="The enable wire is broken: the control unit drives it, the lock unit talks but never sees it, and no"
        " motor current flows.",
        scenario=_harness(Harness(enable=Wire.OPEN)),
    ),
    Fault(
        name="enable-shorted-on",
        sentence="The enable wire touches supply: it is on all the time, so there is no pulse to move on, and the"
        " control unit refuses.",
        scenario=_harness(Harness(enable=Wire.TO_SUPPLY)),
    ),
    Fault(
        name="unlock-feedback-open",
        sentence="The unlock feedback wire is broken and reads locked, the safe reading: the bolt moves, the data line"
        " says so, the wire never does.",
        scenario=_harness(Harness(unlock_feedback=Wire.OPEN)),
    ),
    Fault(
        name="unlock-feedback-stuck",
        sentence="The unlock feedback wire is chafed to ground and reads unlocked whatever the bolt does.",
        scenario=_harness(Harness(unlock_feedback=Wire.TO_GROUND)),
    ),
    Fault(
        name="data-line-open",
        sentence="The data line is broken: the hard-wired feedback follows the bolt, the second path has no data, and"
        " without a request the lock unit can only release.",
        scenario=_harness(Harness(data_line=Wire.OPEN)),
    ),
    Fault(
        name="feedbacks-disagree",
        sentence="The position sensor in the lock unit says locked for ever: the data line is alive and contradicts the"
        " hard-wired feedback.",
        scenario=lambda _severity: Scenario(mechanics=Mechanics(sensor_stuck=True)),
    ),
    Fault(
        name="lock-unit-dead",
        sentence="The lock unit is broken: supply, ground and enable reach its plug, it draws no current, moves nothing"
        " and says nothing.",
        scenario=lambda _severity: Scenario(mechanics=Mechanics(is_dead=True)),
    ),
    Fault(
        name="slow-motor",
        sentence="A worn motor and dry grease: everything comes, in order, but the release comes late.",
        scenario=lambda severity: Scenario(
            mechanics=Mechanics(friction=1.0 + 0.6 * severity, wear=1.0 + 1.3 * severity)
        ),
    ),
    Fault(
        name="jammed-bolt",
        sentence="The bolt is stuck in the column: the enable comes, the motor draws its stall current and is cut off,"
        " no feedback moves.",
        scenario=lambda _severity: Scenario(mechanics=Mechanics(blocked_at=0.015)),
    ),
    Fault(
        name="intermittent-connector",
        sentence="The plug at the lock loses contact now and then: the lock unit starts anew each time, feedbacks and"
        " data come and go.",
        scenario=_harness(Harness(loose_plug=True)),
    ),
    Fault(
        name="low-battery",
        sentence="A flat, tired battery: the supply breaks down while the motor runs, and the engine does not start.",
        scenario=lambda severity: Scenario(battery_volts=10.4 - severity, battery_ohm=0.02 + 0.02 * severity),
    ),
    Fault(
        name="new-unit",
        sentence="A new lock unit that is not paired with the car, released as delivered: it is not driven and the"
        " ignition is refused.",
        scenario=lambda _severity: Scenario(pairing=PairingState.NEW, starts_locked=False),
    ),
    Fault(
        name="cleared-unit",
        sentence="A lock unit that was prepared for another car: it answers, but is not driven and the ignition is"
        " refused.",
        scenario=lambda _severity: Scenario(pairing=PairingState.CLEARED),
    ),
    Fault(
        name="lock-commanded-with-ignition-on",
        sentence="The driver stage drives the enable wire by itself while the car moves; without a request the lock"
        " unit does not lock.",
        scenario=lambda severity: Scenario(stray_pulse_ms=int(180 + 60 * severity)),
    ),
    Fault(
        name="message-timeout",
        sentence="The control unit falls off the bus when the start button is pressed, and comes back seconds later.",
        scenario=lambda severity: Scenario(off_bus_ms=int(2600 * severity)),
    ),
    Fault(
        name="clock-jump",
        sentence="The recorder's clock is set back in the middle of a handshake: the car is healthy, the log cannot"
        " say so.",
        scenario=lambda severity: Scenario(recorder=LoggerSettings(set_back_ms=int(2500 * severity))),
    ),
    Fault(
        name="cut-short",
        sentence="The recorder loses power in the middle of a handshake and of a line: the car is healthy, the log"
        " cannot say so.",
        scenario=lambda _severity: Scenario(recorder=LoggerSettings(cut_in_handshake=2)),
    ),
    Fault(
        name="retry",
        sentence="The bolt stands under load at first and moves at the second pulse: healthy, with a second try.",
        scenario=lambda _severity: Scenario(mechanics=Mechanics(bound_pulses=1)),
    ),
    Fault(
        name="bolt-under-load",
        sentence="A wheel stands against the kerb and clamps the bolt: the enable comes, the motor draws its stall"
        " current at every try, no feedback moves; nothing is broken.",
        scenario=lambda _severity: Scenario(mechanics=Mechanics(bound_pulses=99)),
    ),
    Fault(
        name="units-asleep",
        sentence="Control unit and lock unit sleep until the driver's door is opened: their messages are absent until"
        " then, and nothing is wrong.",
        scenario=lambda _severity: Scenario(script="waits", asleep=True),
    ),
    Fault(
        name="key-not-recognised",
        sentence="The key is there and is not recognised: start is pressed, and the enable never comes.",
        scenario=lambda _severity: Scenario(key_recognised=False),
    ),
    Fault(
        name="speed-not-zero",
        sentence="A speed sensor shows a speed while the car stands: start is pressed, and the enable never comes.",
        scenario=lambda severity: Scenario(phantom_speed=5.0 * severity),
    ),
    Fault(
        name="not-in-park",
        sentence="The gear is not in park, which this bus does not show: start is pressed, and the enable never comes.",
        scenario=lambda _severity: Scenario(in_park=False),
    ),
    Fault(
        name="brake-not-pressed",
        sentence="The brake is not pressed, or its switch does not say so: start is pressed, and the enable never"
        " comes.",
        scenario=lambda _severity: Scenario(foot_on_brake=False),
    ),
    Fault(
        name="partner-not-registered",
        sentence="A unit beside the control unit was replaced and is not registered with it: start is pressed, and"
        " the enable never comes.",
        scenario=lambda _severity: Scenario(partner_registered=False),
    ),
    Fault(
        name="supply-cut-by-guard",
        sentence="The second of two guards takes the supply away on purpose whenever the lock is driven: full voltage"
        " at rest, 0 V and no current during the pulse.",
        scenario=lambda _severity: Scenario(guard_cuts=True),
    ),
    Fault(
        name="second-feedback-late",
        sentence="The position sensor in the lock unit sticks: the hard-wired feedback follows the bolt, the data line"
        " says the same half a second later and more.",
        scenario=lambda severity: Scenario(mechanics=Mechanics(sensor_lag_ms=int(800 * severity))),
    ),
    Fault(
        name="door-shuts-again",
        sentence="The driver opens the door a crack and shuts it before the lock is driven: healthy, with a handshake"
        " called off.",
        scenario=_script("second-thoughts"),
    ),
    Fault(
        name="two-close-together",
        sentence="The driver opens the door and presses start while the lock still moves: healthy, with two handshakes"
        " close together.",
        scenario=_script("forgotten"),
    ),
    Fault(
        name="restart",
        sentence="The driver switches off and on again without opening the door: healthy, and the lock has no part in"
        " it.",
        scenario=_script("restart"),
    ),
    Fault(
        name="nobody-comes",
        sentence="A parked car with its bus awake: nothing is wrong, and nothing about the lock is shown.",
        scenario=_script("parked"),
    ),
    Fault(
        name="sluggish",
        sentence="A cold day and an older motor: slow, but within every limit.",
        scenario=lambda severity: Scenario(mechanics=Mechanics(wear=1.0 + 0.95 * severity), temperature=-9.0),
    ),
    Fault(
        name="slow-recording",
        sentence="The sluggish car, recorded by a device that keeps one frame of each message per 100 ms: too coarse"
        " to decide.",
        scenario=lambda severity: Scenario(
            mechanics=Mechanics(wear=1.0 + 0.95 * severity),
            temperature=-9.0,
            recorder=LoggerSettings(thinning_ms=100),
        ),
    ),
)

FAULTS: Final[Mapping[str, Fault]] = {fault.name: fault for fault in _ALL}
"""All of them, by name, in the order in which to explain them."""


def adjusted(scenario: Scenario, *, temperature: float | None, battery_volts: float | None) -> Scenario:
    """Return a scenario with another temperature, degC, or battery, V."""
    if temperature is not None:
        scenario = replace(scenario, temperature=temperature)
    if battery_volts is not None:
        scenario = replace(scenario, battery_volts=battery_volts)
    return scenario
