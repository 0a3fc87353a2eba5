"""A car without definitions: what was marked, what follows it, the definitions that come of a choice."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from buslens.checks.check import check
from buslens.definitions.load import load_definitions
from buslens.desk.folder import FOUND, GOOD
from buslens.desk.seek_state import load_state, save_marks, save_state
from buslens.desk.seek_work import seek_signals, write_found

if TYPE_CHECKING:
    from support.desks import RunningDesk

LOG = "car01_healthy.log"
TWICE = "car02_two_close_together.log.gz"
EXPECTATIONS = Path(__file__).parents[2] / "signal_defs" / "steering_lock.toml"
DOOR = "can0 1B3 byte 0 bit 0"
"""Where `signal_defs/pinewick.dbc` has the driver's door."""


@pytest.fixture
def marked(tmp_path: Path, sample: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the folder of a car with a capture, marked where the door opens and closes."""
    (tmp_path / GOOD).mkdir()
    shutil.copy(sample / LOG, tmp_path / GOOD)
    monkeypatch.chdir(tmp_path)
    save_marks(tmp_path, replace(load_state(tmp_path), marks=door_marks(tmp_path / GOOD / LOG)))
    return tmp_path


def door_marks(capture: Path) -> tuple[str, ...]:
    """Return what a person would have written down."""
    result = check(capture, expectations=EXPECTATIONS)
    door = result.timelines["door_open"]
    words = {"open": "driver door opens", "closed": "driver door closes"}
    return tuple(
        f"{(seen - result.origin_ns) / 1e9:.2f} {words[door.states[code]]}"
        for seen, code in zip(door.seen_ns.tolist()[1:], door.state.tolist()[1:], strict=True)
        if 0 <= code < len(door.states)
    )


class TestSeek:
    """What a worker does."""

    def test_found_and_written(self, marked: Path) -> None:
        view = seek_signals(str(marked))
        assert not view.problem
        assert view.drawing.count("marked") == len(load_state(marked).marks) > 2
        (action,) = view.actions
        assert set(action.words) == {"driver door opens", "driver door closes"}
        door = next(it for it in action.signals if it.place == DOOR)
        n_marks = sum(action.marks)
        # At the first mark the door is seen for the first time, not seen to change.
        assert door.brief == f"changes at {n_marks - 1} of {n_marks} marks, at nothing else"
        assert door.lane.count("marked") == n_marks
        chosen = {words: [DOOR] for words in action.words}
        save_state(marked, replace(load_state(marked), chosen=chosen))
        taken = [it.place for action in seek_signals(str(marked)).actions for it in action.signals if it.is_taken]
        assert set(taken) == {DOOR}
        assert write_found(str(marked)) == ""
        signals = [it for message in load_definitions(marked / FOUND) for it in message.signals]
        assert [(it.name, it.start, it.length) for it in signals if "BIT" not in it.name] == [("DRIVER_DOOR", 0, 1)]

    def test_no_signal_is_proposed_for_two_things(self, marked: Path, sample: Path) -> None:
        """A lamp that comes on with the door follows the same marks; the door's own signal stays the door's."""
        (marked / GOOD / LOG).unlink()
        shutil.copy(sample / TWICE, marked / GOOD)
        door = door_marks(marked / GOOD / TWICE)
        lamp = tuple(
            it.replace("driver door opens", "lamp on").replace("driver door closes", "lamp off") for it in door
        )
        save_marks(marked, replace(load_state(marked), marks=(*door, *lamp)))
        taken = {
            words: [it.place for it in action.signals if it.is_taken]
            for action in seek_signals(str(marked)).actions
            for words in action.words
        }
        assert taken["driver door opens"] == taken["driver door closes"] == [DOOR]
        assert taken["lamp on"] == taken["lamp off"] != [DOOR]

    def test_nothing_chosen(self, marked: Path) -> None:
        chosen: dict[str, list[str]] = {"driver door opens": [], "driver door closes": []}
        save_state(marked, replace(load_state(marked), chosen=chosen))
        assert "nothing was found" in write_found(str(marked))
        assert not (marked / FOUND).exists()

    def test_mark_behind_the_end(self, marked: Path) -> None:
        save_marks(marked, replace(load_state(marked), marks=("9999 driver door opens",)))
        assert "behind the end of the capture" in seek_signals(str(marked)).problem


class TestForms:
    """What a person does in the page of a car."""

    def test_mark_choose_and_unmark(self, desk: RunningDesk, let_in: dict[str, str], sample: Path) -> None:
        car = desk.send("/cars", let_in, name="No DBC").headers["location"]
        assert "With a capture you can find the signals" in desk.ask("GET", car, headers=let_in).text
        desk.ask("PUT", f"{car}/files?name={LOG}", (sample / LOG).read_bytes(), let_in)
        assert desk.send(f"{car}/seek/mark", let_in, time="soon", words="driver door opens").status == 422
        assert desk.send(f"{car}/seek/mark", let_in, time="1,5", words="Driver <b> door").status == 303
        page = desk.ask("GET", car, headers=let_in).text
        assert "1.50 Driver &lt;b&gt; door" in page
        assert '<div class="timeline"' in page
        desk.send(f"{car}/seek/choose", let_in, thing="Driver <b> door", place="../x")
        desk.send(f"{car}/seek/unmark", let_in, mark="1.50 Driver <b> door")
        assert "1.50 Driver" not in desk.ask("GET", car, headers=let_in).text
