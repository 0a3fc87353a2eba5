"""What follows what, of signals that are drawn by hand: times in ms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from buslens.definitions.model import Message, Signal
from buslens.discovery.behaviour import Moves
from buslens.discovery.expectations_text import sleeps
from buslens.discovery.naming import name_points, side_points
from buslens.discovery.roles import Proposal, RoleMatch, ignition_states, two_states
from buslens.discovery.traces import CaptureSpan, ShownSignals, Trace
from buslens.units import NS_PER_MS, NS_PER_S

END_NS = 60 * NS_PER_S


def trace(*changes: tuple[int, int], length: int = 1) -> Trace:
    """Return a signal that is 0 until the first change, seen 10 ms behind each."""
    seen_ns = np.array([0, *(at * NS_PER_MS for at, _ in changes)])
    signal = Signal(name="SIGNAL", start=0, length=length)
    return Trace(
        message=Message(name="MESSAGE", can_id=1, length=1, signals=(signal,)),
        signal=signal,
        seen_ns=seen_ns,
        since_ns=seen_ns - 10 * NS_PER_MS,
        stop_ns=np.append(seen_ns[1:], END_NS),
        raw=np.array([0, *(raw for _, raw in changes)]),
        is_change=np.arange(len(seen_ns)) > 0,
        is_start=np.arange(len(seen_ns)) == 0,
    )


ENABLE = trace((5000, 1), (5500, 0), (6500, 1), (7000, 0), (20000, 1), (20500, 0))
"""An unlocking with two tries, and a locking."""
FIRST = trace((6800, 1), (20300, 0))
SHOWN = ShownSignals(
    spans=(CaptureSpan(path="a.log", own_first_ns=0, first_ns=0, end_ns=END_NS),),
    traces={},
    cycles_ns={},
    silences_ns={},
    frames=0,
)


def test_a_pulse_that_moved_nothing_belongs_to_the_next() -> None:
    assert len(Moves(SHOWN, ENABLE, [1])) == 3
    moves = Moves(SHOWN, ENABLE, [1], FIRST)
    assert (moves.seen_ns // NS_PER_MS).tolist() == [5000, 20000]
    assert (moves.pulse_ns // NS_PER_MS).tolist() == [2000, 500]
    assert moves.feedback_share(FIRST) == 1
    before, after = moves.ends_of(FIRST)
    assert (before.tolist(), after.tolist()) == ([0, 1], [1, 0])


def test_a_lamp_that_is_tested_does_not_go_with_the_feedback() -> None:
    """A second path changes with the first one, whichever way it is turned; the lamp lights behind one direction."""
    moves = Moves(SHOWN, ENABLE, [1], FIRST)
    assert moves.agreement(trace((6900, 1), (20400, 0)), FIRST) == 1
    assert moves.agreement(trace((1000, 1), (6900, 0), (20400, 1)), FIRST) == 1
    assert moves.agreement(trace((7500, 1), (11000, 0)), FIRST) == 0.5


def test_what_goes_back() -> None:
    """A button is pressed and let go; a key goes from one place to the next."""
    assert trace((1000, 1), (1300, 0), (5000, 1), (5300, 0)).goes_back(1)
    assert not trace((1000, 1), (1300, 2), (5000, 0), (6000, 1), (6300, 2), length=2).goes_back(1)


@pytest.mark.parametrize(("paused_ms", "is_asleep"), [(3000, True), (6000, False), (9500, True)])
def test_a_bus_sleeps_with_the_ignition_off(paused_ms: int, is_asleep: bool) -> None:
    """With the ignition on it is the recorder that paused, and nobody knows what happened meanwhile."""
    ignition = trace((5000, 1), (9000, 0))
    shown = replace(SHOWN, traces={ignition.name: ignition}, paused_ns=np.array([paused_ms * NS_PER_MS]))
    states = {"off": (0,), "on": (1,)}
    best = RoleMatch(role="ignition", message=ignition.message, signal=ignition.signal, points=9, states=states)
    assert sleeps(Proposal(role="ignition", best=best, is_certain=True), shown) is is_asleep
    assert not sleeps(Proposal(role="ignition", best=None, is_certain=False), shown)


def test_a_bit_for_each_door() -> None:
    """The driver's door is open whatever the others are; fewer bits, or value names, are no bits of doors."""
    doors = trace((1000, 1), (2000, 3), (3000, 2), (4000, 0), length=3)
    assert two_states("door_open", doors, {"open": 1}) == {"open": (1, 3, 5), "closed": (0, 2, 4, 6)}
    assert two_states("door_open", trace((1000, 1), (1500, 3), (1600, 0), length=2), {"open": 1}) == {
        "open": (1,),
        "closed": (0,),
    }


@pytest.mark.parametrize(
    ("later", "is_copy"),
    [
        (trace((1050, 1), (2060, 0), (3070, 1)), True),
        (trace((950, 1), (1960, 0), (2970, 1)), False),  # that one is the original
        (trace((1050, 1), (2060, 0)), True),  # a short state lies between two frames of the gateway
        (trace((1050, 1), (2060, 0), (3900, 1)), False),
        (trace((1050, 1)), False),
        (trace(), False),
    ],
)
def test_what_a_gateway_repeats(later: Trace, is_copy: bool) -> None:
    assert later.repeats(trace((1000, 1), (2000, 0), (3000, 1))) is is_copy


def _message(name: str, *senders: str) -> Message:
    return Message(name=name, can_id=1, length=1, signals=(), senders=senders)


@pytest.mark.parametrize(
    ("feedback", "enable", "points"),
    [
        (_message("A", "KEYS"), _message("B", "KEYS"), 1.0),
        (_message("A", "LOCK"), _message("B", "KEYS"), -1.0),
        (_message("A", "Vector__XXX"), _message("B", "KEYS"), 0.0),
        (_message("A"), _message("B", "KEYS"), 0.0),
        (_message("ESCL_DATA"), _message("B"), -1.0),
    ],
)
def test_who_sends_a_feedback_tells_its_path(feedback: Message, enable: Message, points: float) -> None:
    assert side_points("unlock_feedback", feedback, enable)[0] == points


def test_numbers_behind_words_count_paths() -> None:
    """Elsewhere they number signals."""
    named = [Signal(name=name, start=0, length=1) for name in ("FEEDBACK1", "FEEDBACK2", "S3C1_LOCK", "S3C2_LOCK")]
    first, second, third, fourth = (name_points("data_feedback", _message("M"), it)[0] for it in named)
    assert first < second
    assert third == fourth


@pytest.mark.parametrize(
    ("names", "off", "on"),
    [
        # Words that nobody knows: the lock tells 0 and 1 from 2, and their places the others.
        ({0: "wyl", 1: "akc", 2: "wl", 3: "rozr", 7: "SNA"}, (0, 1), (2, 3)),
        # Without any, accessories lie below on, and crank is the next above it.
        ({}, (0, 1), (2, 3)),
        # Between the two, a place tells nothing.
        ({0: "off", 1: "xyz", 2: "run", 3: "rozr"}, (0,), (2, 3)),
        # Nor where they are mixed.
        ({0: "run", 1: "off", 3: "xyz"}, (1,), (0,)),
    ],
)
def test_values_of_an_ignition_that_no_capture_shows(
    names: dict[int, str], off: tuple[int, ...], on: tuple[int, ...]
) -> None:
    shown = trace((4000, 1), (8000, 2), (19000, 0), length=3)
    named = replace(shown, signal=replace(shown.signal, labels=names))
    moves = Moves(SHOWN, ENABLE, [1], FIRST)
    assert ignition_states(named, moves, np.zeros(4, np.bool_)) == {"off": off, "on": on}


@pytest.mark.parametrize(
    ("rows", "locked", "off", "on"),
    [
        # What follows on off and is not what it shows longest: accessories, on the way there and back.
        ([(7800, 1), (7900, 2), (9000, 4), (9500, 2), (18000, 1), (19000, 0)], 0, (0, 1), (2, 3, 4)),
        # Where none are shown, they lie below it all the same.
        ([(8000, 2), (9000, 4), (9500, 2), (19000, 0)], 0, (0, 1), (2, 3, 4)),
        # What stands from first to last while the lock is engaged is off, however long.
        ([(1000, 3), (3000, 0), (8000, 1), (9000, 0)], 1, (0, 3), (1,)),
        # What a capture only begins with is not on for that.
        ([(4900, 1), (8000, 2), (19000, 1)], -1, (), ()),
        # Off, ignition, crank, run, or accessories, ignition, run: nothing tells.
        ([(7800, 1), (8200, 2), (9000, 3), (19000, 0)], 0, (), ()),
        # Accessories, ignition, crank, run.
        ([(7800, 1), (8000, 2), (8200, 3), (9000, 4), (19000, 0)], 0, (0, 1), (2, 3, 4)),
    ],
)
def test_unnamed_values_of_an_ignition(
    rows: list[tuple[int, int]], locked: int, off: tuple[int, ...], on: tuple[int, ...]
) -> None:
    shown = trace(*rows, length=3)
    is_locked = np.arange(len(shown.raw)) == locked if locked else np.zeros(len(shown.raw), np.bool_)
    expected = {"off": off, "on": on} if on else {}
    assert ignition_states(shown, Moves(SHOWN, ENABLE, [1], FIRST), is_locked) == expected
