from __future__ import annotations

import itertools
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.logs import ENGINES, gather

from buslens.capture.frames import Pause
from buslens.capture.pauses import common_pauses, merge_pauses

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from buslens.capture.frames import ReadStats

MS = 1_000_000
START_S = 1_700_000_000


@pytest.fixture(scope="module")
def folder() -> Iterator[Path]:
    with TemporaryDirectory() as name:
        yield Path(name)


def every(period: float, *, until: float, start: float = 0.0) -> list[float]:
    return np.arange(start, until, period).tolist()


def without(times: Iterable[float], *windows: tuple[float, float]) -> list[float]:
    return [time for time in times if not any(low <= time < high for low, high in windows)]


def log_of(messages: Sequence[tuple[str, int, Iterable[float]]]) -> bytes:
    """Return a log of messages: channel, id, and the milliseconds of their frames."""
    rows = sorted((round(time * 1000), channel, can_id) for channel, can_id, times in messages for time in times)
    lines = (f"({START_S + at // 10**6}.{at % 10**6:06}) {channel} {can_id:03X}#00\n" for at, channel, can_id in rows)
    return "".join(lines).encode()


def read(folder: Path, *messages: tuple[str, int, Iterable[float]], engine: str = "plain") -> ReadStats:
    path = folder / "pauses.log"
    path.write_bytes(log_of(messages))
    return gather(path, engine=engine)[1]


def pauses_ms(stats: ReadStats, channel: str = "can0") -> list[tuple[float, float]]:
    origin_ns = START_S * 10**9
    return [((at.from_ns - origin_ns) / MS, (at.to_ns - origin_ns) / MS) for at in stats.pauses[channel]]


class TestPauses:
    @pytest.mark.parametrize("engine", ENGINES)
    def test_silence_of_everything(self, folder: Path, engine: str) -> None:
        window = (500, 900)
        messages = [("can0", 0x100 + n, without(every(20, until=2000, start=n), window)) for n in range(3)]
        assert pauses_ms(read(folder, *messages, engine=engine)) == [(482, 900)]

    def test_one_that_goes_on_speaks_for_the_channel(self, folder: Path) -> None:
        gone = [("can0", 0x100 + n, without(every(20, until=2000), (500, 1500))) for n in range(3)]
        assert pauses_ms(read(folder, *gone, ("can0", 0x200, every(90, until=2000)))) == []

    def test_even_a_slow_one_that_goes_on(self, folder: Path) -> None:
        """Each of its frames shows that recording goes on, though they are far apart."""
        gone = ("can0", 0x100, without(every(10, until=20_000), (5000, 12_000)))
        assert pauses_ms(read(folder, gone, ("can0", 0x200, every(1000, until=20_000, start=300)))) == []

    def test_few_frames_within_do_not(self, folder: Path) -> None:
        """A bus that falls asleep and is woken, once, by a single frame."""
        gone = ("can0", 0x100, without(every(10, until=20_000), (5000, 12_000)))
        assert pauses_ms(read(folder, gone, ("can0", 0x200, [8000]))) == [(4990, 8000), (8000, 12_000)]

    def test_as_long_as_a_tenth_of_a_second_is_none(self, folder: Path) -> None:
        assert pauses_ms(read(folder, ("can0", 1, [0, 10, 110, 120]), ("can0", 2, [0, 120]))) == []
        assert pauses_ms(read(folder, ("can0", 1, [0, 10, 110.001, 120]), ("can0", 2, [0, 120]))) == [(10, 110.001)]

    def test_slow_channel(self, folder: Path) -> None:
        """Gaps of 700 ms are usual there, one of 2,200 is not."""
        slow = [("can0", 1, every(1000, until=60_000)), ("can0", 2, every(1000, until=60_000, start=300))]
        assert pauses_ms(read(folder, *slow)) == []
        assert pauses_ms(read(folder, *(("can0", n, without(it, (20_500, 22_500))) for _, n, it in slow))) == [
            (20_300, 23_000)
        ]

    def test_channels_apart(self, folder: Path) -> None:
        """One channel wakes up late and falls asleep early; the other knows nothing of it."""
        stats = read(folder, ("can0", 1, every(10, until=3000)), ("can1", 1, every(10, until=2000, start=1000)))
        assert pauses_ms(stats) == []
        assert pauses_ms(stats, "can1") == [(0, 1000), (1990, 2990)]

    def test_lone_message(self, folder: Path) -> None:
        stats = read(folder, ("can0", 1, [0, 10, 20]), ("can1", 1, [5]), ("can1", 2, [15]), ("can1", 1, [25]))
        assert stats.lone_channels == {"can0"}

    def test_more_gaps_than_the_table_holds(self, folder: Path) -> None:
        times = [time for block in range(3000) for time in (60 * block, 60 * block + 1)]
        stats = read(folder, ("can0", 1, times), ("can0", 2, [60 * 3000 + 500]))
        assert pauses_ms(stats) == [(60 * 2999 + 1, 60 * 3000 + 500)]

    @settings(max_examples=examples(60), deadline=None)
    @given(
        steps=st.lists(
            st.tuples(st.sampled_from([1, 10, 33, 34, 90, 101, 400]), st.sampled_from(["can0", "can1"])), max_size=60
        ),
        workers=st.integers(1, 7),
        engine=st.sampled_from(ENGINES),
    )
    def test_any_cut(self, folder: Path, steps: list[tuple[int, str]], workers: int, engine: str) -> None:
        """However a log is cut, it has the same pauses: those that its definition names."""
        times = np.cumsum([step for step, _ in steps]).tolist()
        path = folder / "cut.log"
        log = log_of([(channel, 1 + time % 3, [time]) for time, (_, channel) in zip(times, steps, strict=True)])
        path.write_bytes(log_of([("can0", 1, [0]), ("can1", 1, [0])]) + log)
        _, stats = gather(path, engine=engine, workers=workers)
        for channel in ("can0", "can1"):
            mine = [0, *(time for time, (_, on) in zip(times, steps, strict=True) if on == channel)]
            assert pauses_ms(stats, channel) == defined(mine, max(times, default=0))


def defined(times: list[int], last: int) -> list[tuple[float, float]]:
    """Return the pauses of a channel by their definition, gap by gap."""
    gaps = [(a, b) for a, b in itertools.pairwise(times) if b - a > 33]
    lengths = sorted((b - a for a, b in gaps), reverse=True)
    rank = max(3, -(-len(times) // 64))
    most = max(100, 3 * lengths[rank - 1] if len(lengths) >= rank else 0)
    rows: list[list[tuple[int, int]]] = []
    for gap in gaps:
        before = rows[-1][-1] if rows else None
        length = gap[1] - gap[0]
        if before is not None and gap[0] - before[1] <= min(length, before[1] - before[0]) / 3:
            rows[-1].append(gap)
        else:
            rows.append([gap])
    found = []
    for row in rows:
        middle = float(np.median([b - a for a, b in row]))
        found += [(a, b) for a, b in row if b - a > most and not (len(row) >= 4 and b - a <= 3 * middle)]
    if last - times[-1] > most:
        found.append((times[-1], last))
    return found


HEADER = "date Sat Mar 14 07:30:00.000 2026\nbase hex  timestamps absolute\n"


class TestTriggerBlocks:
    @pytest.mark.parametrize("engine", ENGINES)
    def test_nothing_is_recorded_between_them(self, folder: Path, engine: str) -> None:
        """However short that is, and whether the stamps go on or restart."""
        path = folder / "blocks.asc"
        path.write_text(
            HEADER + "Begin Triggerblock Sat Mar 14 07:30:00.000 2026\n"
            " 0.000 1 100 Rx d 1 00\n 0.010 2 100 Rx d 1 00\n 0.020 1 100 Rx d 1 00\nEnd TriggerBlock\n"
            "Begin Triggerblock Sat Mar 14 07:30:00.050 2026\n"
            " 0.050 1 101 Rx d 1 00\n 0.060 2 100 Rx d 1 00\nEnd TriggerBlock\n"
            "Begin Triggerblock Sat Mar 14 07:31:00.000 2026\n"
            " 0.000 1 100 Rx d 1 00\n 0.010 2 100 Rx d 1 00\nEnd TriggerBlock\n"
        )
        _, stats = gather(path, engine=engine)
        origin_ns = stats.first_ns or 0
        for channel in ("1", "2"):
            found = [((it.from_ns - origin_ns) / MS, (it.to_ns - origin_ns) / MS) for it in stats.pauses[channel]]
            assert found[:1] == [(20, 50)]
            assert found[-1][1] - found[-1][0] >= 59_900

    def test_the_first_block_is_not_apart_from_its_header(self, folder: Path) -> None:
        path = folder / "block.asc"
        path.write_text(HEADER + "Begin Triggerblock\n 0.000 1 100 Rx d 1 00\n 0.010 1 101 Rx d 1 00\n")
        assert gather(path)[1].pauses == {"1": ()}


STRETCHES = st.lists(st.tuples(st.integers(0, 30), st.integers(1, 9)), max_size=6).map(
    lambda drawn: merge_pauses(Pause(at, at + length) for at, length in drawn)
)


class TestSeveral:
    @given(st.lists(STRETCHES, min_size=1, max_size=3))
    def test_common(self, several: list[tuple[Pause, ...]]) -> None:
        """A moment is in what several have in common if it is in one of each."""
        found = common_pauses(several)
        for moment in np.arange(0.5, 40):
            everywhere = all(any(it.from_ns < moment < it.to_ns for it in pauses) for pauses in several)
            assert any(it.from_ns < moment < it.to_ns for it in found) == everywhere
