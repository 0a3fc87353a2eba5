"""The proof: the definitions of rehearsed captures are hidden, and the true bits are found from marks alone."""

from __future__ import annotations

import random
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pytest
from scipy.stats import binom
from support.examples import is_thorough
from support.sent import frames_of

from buslens.definitions.load import load_definitions
from buslens.definitions.model import ByteOrder
from buslens.discovery.changes import ChangeLog
from buslens.discovery.marks import Mark
from buslens.discovery.seek import cap_for, seek, sought
from buslens.errors import UsageError
from buslens.rehearsal.rehearse import rehearse

if TYPE_CHECKING:
    from buslens.discovery.changes import BitToggles
    from buslens.discovery.seek import SeekResult

SEEDS = range(1, 41 if is_thorough() else 5)
"""Every seed from 1 on: none was left out."""
OFF_NS = 300_000_000
DURATION = 38.0
"""Two trips: the driver's door opens four times."""


class Recorded(NamedTuple):
    """What is left of a rehearsal when its frames have been thrown away."""

    changes: BitToggles
    first_ns: int
    end_ns: int
    #: Signal -> (time, raw value) of each true change.
    truth: dict[str, list[tuple[int, int]]]


@cache
def recorded(seed: int) -> Recorded:
    rehearsal = rehearse("healthy", seed=seed, duration=DURATION, background_ids=60)
    log = ChangeLog(cap_for(8))
    log.take(rehearsal.frames)
    truth = {
        name: list(zip(edges.time_ns[1:].tolist(), edges.value[1:].tolist(), strict=True))
        for name, edges in rehearsal.truth.items()
    }
    times = rehearsal.frames.time_ns
    return Recorded(log.finish(), int(times[0]), int(times[-1]), truth)


def marked(seed: int, signal: str, names: dict[int, str]) -> SeekResult:
    """Return what is found from marks at the first four changes to each value, each off by up to 300 ms."""
    it = recorded(seed)
    hand = random.Random(seed)
    marks = []
    for value, words in names.items():
        times = [time_ns for time_ns, new in it.truth[signal] if new == value][:4]
        assert len(times) == 4, "the capture is too short for four"
        for time_ns in times:
            off_ns = round(hand.uniform(-OFF_NS, OFF_NS))
            marks.append(
                Mark(time_ns=min(max(time_ns + off_ns - it.first_ns, 0), it.end_ns - it.first_ns), words=words)
            )
    return sought(it.changes, marks, first_ns=it.first_ns, end_ns=it.end_ns)


def is_first(found: SeekResult, can_id: int, bits: tuple[int, ...]) -> bool:
    """Whether the same true bits come first for every action, and are more than chance."""
    return all(
        bool(candidates)
        and candidates[0].field.origin.can_id == can_id
        and candidates[0].field.bits == bits
        and candidates[0].is_surprising
        for candidates in found.candidates
    )


@pytest.mark.slow
class TestHiddenDefinitions:
    """With 60 other identifiers, counters and checks among them, the true bits come first."""

    def test_door(self) -> None:
        definitions = load_definitions(Path(__file__).parents[2] / "signal_defs" / "pinewick.dbc")
        message = definitions.message("BODY_DOORS")
        door = message.signal("DRIVER_DOOR")
        names = {1: "driver door opens", 0: "driver door closes"}
        first = [
            is_first(marked(seed, "BODY_DOORS.DRIVER_DOOR", names), message.can_id, (door.start,)) for seed in SEEDS
        ]
        assert sum(first) >= 7 * len(SEEDS) // 8

    def test_one_action_alone(self) -> None:
        first = [
            is_first(marked(seed, "BODY_DOORS.DRIVER_DOOR", {1: "driver door opens"}), 0x1B3, (0,)) for seed in SEEDS
        ]
        assert sum(first) >= 7 * len(SEEDS) // 8

    def test_what_is_told_of_it(self) -> None:
        found = marked(1, "BODY_DOORS.DRIVER_DOOR", {1: "opens", 0: "closes"})
        best = found.candidates[0][0]
        assert [(it.hits, it.marks, it.before, it.after) for it in best.responses] == [(4, 4, 0, 1), (4, 4, 1, 0)]
        assert best.period_ns == pytest.approx(50_000_000, rel=0.01)
        for response in best.responses:
            assert response.lag_ns is not None
            assert -OFF_NS <= response.lag_ns[0] <= response.lag_ns[2] <= OFF_NS + 60_000_000
        # The door lamp of the cluster follows the door, and is the only other that is more than chance.
        assert {it.field.origin.can_id for it in found.candidates[0] if it.is_surprising} == {0x1B3, 0x3C7}

    def test_counters_and_checks_never_come_up(self) -> None:
        for seed in SEEDS:
            found = marked(seed, "BODY_DOORS.DRIVER_DOOR", {1: "opens", 0: "closes"})
            for candidate in found.candidates[0]:
                if candidate.is_surprising:
                    assert candidate.field.origin.can_id in {0x1B3, 0x3C7}, seed


@pytest.mark.slow
class TestFalseAlarms:
    """Marks that have nothing to do with the car seldom look as if they had: at most 1 in 20."""

    def test_random_marks(self) -> None:
        runs, alarms = 0, 0
        hand = random.Random(20)
        for seed in SEEDS:
            it = recorded(seed)
            for _ in range(25):
                marks = [
                    Mark(time_ns=round(hand.uniform(0, it.end_ns - it.first_ns)), words=words)
                    for words in ("on", "off")
                    for _ in range(4)
                ]
                found = sought(it.changes, marks, first_ns=it.first_ns, end_ns=it.end_ns, most=1)
                runs += 1
                alarms += any(candidate.is_surprising for of in found.candidates for candidate in of)
        # So many or more would come about with a chance below 1 in 1,000 if the true rate were 5 %.
        assert alarms <= binom.ppf(0.999, runs, 0.05)


class TestFields:
    """Neighbouring bits that change together are one field, in the byte order that holds them together."""

    @staticmethod
    def find(values: list[int], place: str) -> SeekResult:
        """Return what is found from a mark each second at which a field takes the next of the values."""
        sent = []
        for n in range(100 * len(values)):
            value = values[n // 100]
            payload = {
                "within": bytes([value << 2, n % 256]),
                "intel": (value << 6).to_bytes(2, "little") + bytes([n % 256]),
                "motorola": (value << 6).to_bytes(2, "big") + bytes([n % 256]),
            }[place]
            sent.append((10_000_000, 0, 0x202, 0, payload))
        frames = frames_of(sent)
        log = ChangeLog(64)
        log.take(frames)
        first_ns = int(frames.time_ns[0])
        marks = [Mark(time_ns=k * 1_000_000_000, words="next") for k in range(1, len(values))]
        return sought(log.finish(), marks, first_ns=first_ns, end_ns=int(frames.time_ns[-1]))

    @pytest.mark.parametrize(
        ("place", "bits", "order", "start"),
        [
            ("within", (2, 3, 4), ByteOrder.INTEL, 2),
            ("intel", (6, 7, 8), ByteOrder.INTEL, 6),
            ("motorola", (14, 15, 0), ByteOrder.MOTOROLA, 0),
        ],
    )
    def test_order(self, place: str, bits: tuple[int, ...], order: ByteOrder, start: int) -> None:
        best = self.find([0, 7, 0, 7, 0, 7, 0, 7], place).candidates[0][0]
        assert (best.field.bits, best.field.order, best.field.start) == (bits, order, start)
        assert best.field.is_order_certain == (place != "within")
        assert {best.responses[0].before, best.responses[0].after} == {0, 7}

    def test_bits_that_go_their_own_way_are_no_field(self) -> None:
        best = self.find([0, 1, 2, 3, 0, 1, 2, 3], "within").candidates[0][0]
        assert best.field.bits == (2,)


class TestRequests:
    """What cannot be sought is refused with a reason."""

    def test_no_marks(self) -> None:
        with pytest.raises(UsageError, match="there are no marks"):
            seek("sample_logs/none.log", [])

    def test_no_frames_but_a_mark(self) -> None:
        log = ChangeLog(10)
        changes = log.finish()
        found = sought(changes, [Mark(time_ns=0, words="x")], first_ns=0, end_ns=1)
        assert found.candidates == ((),)
        assert found.n_tried == 0
        assert np.size(changes.code) == 0
