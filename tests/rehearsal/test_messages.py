"""The payloads, unpacked by an independent library with the definitions that the samples come with."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import cantools
import numpy as np
import pytest

from buslens.capture.frames import Flag
from buslens.rehearsal.bus import JITTER
from buslens.rehearsal.messages import LAYOUTS
from buslens.rehearsal.rehearse import rehearse
from buslens.units import NS_PER_MS

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from buslens.rehearsal.messages import MessageLayout
    from buslens.rehearsal.rehearse import Rehearsal, TrueStates


@cache
def database(path: Path) -> Any:
    return cantools.database.load_file(path, strict=True)


def frames_of(rehearsal: Rehearsal, layout: MessageLayout) -> list[tuple[int, bytes]]:
    """Return when each frame of a message was read, and its payload."""
    frames = rehearsal.frames
    extended = (frames.flags & Flag.EXTENDED) != 0
    chosen = np.flatnonzero((frames.can_id == layout.can_id) & (extended == layout.is_extended))
    raw = frames.words[frames.word[chosen]].astype("<u8")
    return [
        (int(rehearsal.read_ns[index]), word.tobytes()[: layout.length])
        for index, word in zip(chosen.tolist(), raw, strict=True)
    ]


def state_at(edges: TrueStates, time_ns: int) -> int:
    return int(edges.value[np.searchsorted(edges.time_ns, time_ns, side="right") - 1])


class TestLayouts:
    """What the car sends is what the definitions describe: no message more, none less."""

    def test_are_the_messages_of_the_definitions(self, definitions: Path) -> None:
        described = {
            (message.name, message.frame_id, message.is_extended_frame, message.length, message.cycle_time)
            for message in database(definitions).messages
        }
        assert described == {
            (layout.name, layout.can_id, layout.is_extended, layout.length, layout.cycle_ms) for layout in LAYOUTS
        }

    @pytest.mark.parametrize("fault", ["healthy", "intermittent-connector", "low-battery", "cleared-unit"])
    def test_a_frame_shows_what_was_true_when_it_was_read(
        self, fault: str, rehearsed: Callable[..., Rehearsal], definitions: Path
    ) -> None:
        rehearsal = rehearsed(fault)
        seen: set[str] = set()
        for layout in LAYOUTS:
            message = database(definitions).get_message_by_name(layout.name)
            for time_ns, data in frames_of(rehearsal, layout):
                for signal, raw in message.decode(data, decode_choices=False, scaling=False).items():
                    name = f"{layout.name}.{signal}"
                    if name in rehearsal.truth:
                        seen.add(name)
                        assert raw == state_at(rehearsal.truth[name], time_ns), (name, time_ns)
        assert seen == set(rehearsal.truth)

    def test_counters_count_and_every_value_is_in_its_range(
        self, rehearsed: Callable[..., Rehearsal], definitions: Path
    ) -> None:
        rehearsal = rehearsed("healthy")
        for layout in LAYOUTS:
            message = database(definitions).get_message_by_name(layout.name)
            decoded = [message.decode(data, decode_choices=False) for _, data in frames_of(rehearsal, layout)]
            for signal in message.signals:
                values = np.array([row[signal.name] for row in decoded if signal.name in row])
                assert len(values), signal.name
                assert values.min() >= signal.minimum, signal.name
                assert values.max() <= signal.maximum, signal.name
                if signal.name.endswith("_COUNTER"):
                    assert set(((values[1:] - values[:-1]) % 16).tolist()) == {1}, signal.name

    def test_physical_values_are_plausible(self, rehearsed: Callable[..., Rehearsal], definitions: Path) -> None:
        """12.6 V at rest is common practice without a source; the rest is what the healthy scenario sets."""
        rehearsal = rehearsed("healthy")
        first = {
            layout.name: database(definitions)
            .get_message_by_name(layout.name)
            .decode(frames_of(rehearsal, layout)[0][1])
            for layout in LAYOUTS
        }
        assert first["BATTERY_STATE"]["VOLTAGE"] == pytest.approx(12.6, abs=0.1)
        assert first["COLUMN_STATE"]["SUPPLY"] == pytest.approx(12.6, abs=0.1)
        assert first["COLUMN_STATE"]["CURRENT"] == pytest.approx(0.04, abs=0.05)
        assert first["ROAD_SPEED"]["SPEED"] == 0
        assert first["ROAD_SPEED"]["SPEED_VALID"] == "valid"
        assert first["CLUB_STATUS"]["CAR_NUMBER"] == 1
        assert first["CLUB_STATUS"]["OUTSIDE_TEMPERATURE"] == 18.0


class TestCycles:
    """A message comes by its cycle time, early or late by its unit's jitter."""

    def test_times_between_frames(self, rehearsed: Callable[..., Rehearsal]) -> None:
        rehearsal = rehearsed("healthy")
        for layout in LAYOUTS:
            times = np.array([time_ns for time_ns, _ in frames_of(rehearsal, layout)])
            cycle_ns = layout.cycle_ms * NS_PER_MS
            between = np.diff(times)
            assert np.abs(between - cycle_ns).max() <= 2 * JITTER * cycle_ns + 1
            assert between.mean() == pytest.approx(cycle_ns, rel=0.02)
            assert len(set(between.tolist())) > 1


class TestBackground:
    """More traffic changes nothing of what the described messages say, nor when they are read."""

    def test_leaves_the_car_alone(self) -> None:
        alone, crowded = (rehearse("healthy", duration=3, background_ids=count) for count in (0, 40))
        assert len(crowded.frames) > 4 * len(alone.frames)
        for layout in LAYOUTS:
            assert frames_of(alone, layout) == frames_of(crowded, layout)

    def test_sixty_make_about_three_thousand_frames_a_second(self) -> None:
        rehearsal = rehearse("nobody-comes", duration=2, background_ids=60)
        assert len(rehearsal.frames) / 2 == pytest.approx(3000, rel=0.05)
        assert (np.diff(rehearsal.frames.time_ns) >= 0).all()
        # At 500 kbit/s with that load a frame may wait for a good many others, yet not for long.
        assert rehearsal.latency_ns < 10 * NS_PER_MS
