"""A pool of processes: what happens to one worker concerns its item alone."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from support.fleets import do, do_named, pass_time_once_there
from support.patience import HANG_S

from buslens.fleet.local_pool import LocalPool, limit_memory
from buslens.fleet.model import FailureKind
from buslens.fleet.worker_pool import Failure

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.mark.slow
class TestEach:
    """Every item is yielded once, with what came of it."""

    def test_troubles_concern_their_items_alone(self) -> None:
        bad = [("die", 100), ("exit", 101), ("greedy", 103)]
        if sys.platform == "linux":
            bad.append(("eat", 104))
        items = [*(("count", number) for number in range(20)), *bad, *(("count", number) for number in range(20, 40))]
        with LocalPool(2, memory_bytes=1_000_000_000) as pool:
            found = dict(pool.each(do, items))
        assert [found["count", number] for number in range(40)] == list(range(40))
        failures = {item[0]: outcome for item, outcome in found.items() if isinstance(outcome, Failure)}
        assert failures["die"].trouble is FailureKind.DIED
        # Windows knows no signals: a process is ended with a status.
        assert ("SIGKILL" if hasattr(signal, "SIGKILL") else "ended by itself") in failures["die"].reason
        assert failures["exit"] == Failure(
            trouble=FailureKind.DIED, reason="its worker ended by itself, with status 3; it was tried twice"
        )
        assert failures["greedy"].trouble is FailureKind.MEMORY
        assert failures["greedy"].reason == "it took more than the 1,000 MB that a worker may take"
        assert {failures[what].trouble for what, _ in bad[3:]} <= {FailureKind.MEMORY}

    def test_what_takes_too_long_is_given_up(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        begun = tmp_path / "begun"
        pass_time_once_there(begun, monkeypatch)
        items = [("count", "1"), ("stall", str(begun)), ("count", "2")]
        with LocalPool(1, seconds=3) as pool:
            found = dict(pool.each(do_named, items))
        late = Failure(trouble=FailureKind.TIME, reason="not done within 3 s")
        assert found == dict(zip(items, ["1", late, "2"], strict=True))

    def test_what_a_function_raises_is_raised_here(self) -> None:
        with LocalPool(1) as pool, pytest.raises(ValueError, match="item 7"):
            list(pool.each(do, [("wrong", 7)]))

    def test_items_are_taken_as_workers_become_free(self) -> None:
        """Of a million items a few are waiting, not all."""
        taken = 0

        def items() -> Iterator[tuple[str, int]]:
            nonlocal taken
            for number in range(200):
                taken += 1
                yield "count", number

        ahead = []
        with LocalPool(2) as pool:
            for done, _ in enumerate(pool.each(do, items()), 1):
                ahead.append(taken - done)
        assert len(ahead) == 200
        assert max(ahead) <= 4

    def test_nothing_to_do(self) -> None:
        with LocalPool(1) as pool:
            assert list(pool.each(do, [])) == []


class TestMemory:
    @pytest.mark.skipif(sys.platform != "linux", reason="this system cannot hold a process to its memory")
    def test_is_held_to(self) -> None:
        with LocalPool(1, begin=partial(limit_memory, 600_000_000)) as pool:
            ((_, outcome),) = pool.each(do, [("eat", 0)])
        assert outcome == Failure(trouble=FailureKind.MEMORY, reason="it took more memory than there is")


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="sessions and signals of POSIX")
class TestEnds:
    """However the process that started the workers ends, none of them lives on, not even amid an item."""

    CODE = """
import signal
# Whoever runs the tests may have Ctrl-C ignored, which is inherited.
signal.signal(signal.SIGINT, signal.default_int_handler)
from support.fleets import do
from buslens.fleet.local_pool import LocalPool
with LocalPool(2) as pool:
    items = [("count", 0), ("pause", 1), *(("sleep", number) for number in range(4))]
    for item, _ in pool.each(do, items):
        print(item, len(pool._all), flush=True)
"""

    @pytest.mark.parametrize(
        ("name", "to_all"),
        [("SIGINT", True), ("SIGINT", False), ("SIGKILL", False)],
        ids=["Ctrl-C", "SIGINT", "SIGKILL"],
    )
    def test_no_worker_lives_on(self, name: str, to_all: bool) -> None:
        number = getattr(signal, name)
        traces = 1 if name == "SIGINT" else 0
        support = Path(__file__).parents[1]
        parent = subprocess.Popen(
            [sys.executable, "-c", self.CODE],
            env={**os.environ, "PYTHONPATH": os.pathsep.join([str(support), str(support.parent)])},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            start_new_session=True,
        )
        try:
            assert parent.stdout is not None
            done = [parent.stdout.readline() for _ in range(2)]
            assert done[-1].endswith(b" 2\n"), done
            if to_all:
                os.killpg(parent.pid, number)  # as a terminal does
            else:
                parent.send_signal(number)
            # The workers have its standard output, too: it ends when the last of them does.
            _, err = parent.communicate(timeout=HANG_S)
            assert parent.returncode == -number
            assert err.count(b"Traceback") == traces, err
        finally:
            with suppress(ProcessLookupError):
                os.killpg(parent.pid, signal.SIGKILL)
            parent.communicate()
