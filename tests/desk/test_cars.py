"""A new car: from its files to a job that is checked against it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from buslens.desk.car_view import DraftView
from buslens.desk.car_work import draft
from buslens.desk.folder import CarFolder, DeskFolder

if TYPE_CHECKING:
    from collections.abc import Callable

    from support.desks import RunningDesk

ROOT = Path(__file__).parents[2]
DEFINITIONS = ROOT / "signal_defs" / "pinewick.dbc"
GOOD = ("car01_healthy.log",)


@pytest.fixture
def car_path(desk: RunningDesk, let_in: dict[str, str]) -> str:
    """Begin a new car; return its path."""
    return desk.send("/cars", let_in, name="My car / 2026").headers["location"]


@pytest.fixture
def add(desk: RunningDesk, let_in: dict[str, str], car_path: str) -> Callable[..., int]:
    """Add a file to the car."""

    def put(file: Path, name: str = "") -> int:
        return desk.ask("PUT", f"{car_path}/files?name={name or file.name}", file.read_bytes(), let_in).status

    return put


class TestNewCar:
    """Files, draft, choice, save; then a job."""

    @pytest.mark.slow
    def test_whole(
        self,
        desk: RunningDesk,
        let_in: dict[str, str],
        car_path: str,
        add: Callable[..., int],
        sample: Path,
        desk_folder: Path,
    ) -> None:
        for file in (DEFINITIONS, *(sample / name for name in GOOD)):
            assert add(file) == 201
        assert desk.send(f"{car_path}/draft", let_in).status == 303
        page = desk.ask("GET", car_path, headers=let_in).text
        assert "Next: look through the draft, then save it" in page
        assert "measured 1 time" in page
        picture = desk.ask("GET", f"{car_path}/candidates.svg", headers=let_in)
        assert "<svg" in picture.text
        assert "script" not in picture.headers["content-security-policy"]
        door = {"role": "door_open", "signal": "BODY_DOORS.DRIVER_DOOR"}
        assert desk.send(f"{car_path}/choose", let_in, **door).status == 303
        assert 'value="BODY_DOORS.DRIVER_DOOR" aria-pressed="true"' in desk.ask("GET", car_path, headers=let_in).text
        assert desk.send(f"{car_path}/save", let_in).status == 303
        name = car_path.rpartition("/")[2]
        assert name in {it.title for it in DeskFolder(desk_folder).cars()}
        job = desk.send("/jobs", let_in, car=name).headers["location"]
        data = (sample / "car07_slow_motor.log").read_bytes()
        assert desk.ask("PUT", f"{job}/captures/before?name=a.log", data, let_in).status == 201
        while "Faulty:" not in (text := desk.ask("GET", job, headers=let_in).text):
            assert "Cannot be read" not in text
        assert "late by at least" in text

    @pytest.mark.parametrize(
        ("role", "signal"),
        [("door_open", "../x"), ("nothing", "BODY_DOORS.DRIVER_DOOR"), ("", ""), ("door_open", "\u202e")],
    )
    def test_choice_that_was_not_offered(
        self, role: str, signal: str, desk: RunningDesk, let_in: dict[str, str], car_path: str
    ) -> None:
        assert desk.send(f"{car_path}/choose", let_in, role=role, signal=signal).status == 422

    def test_nothing_to_draft_from(
        self, desk: RunningDesk, let_in: dict[str, str], car_path: str, add: Callable[..., int]
    ) -> None:
        add(DEFINITIONS)
        desk.send(f"{car_path}/draft", let_in)
        assert "name one or more captures of a healthy vehicle" in desk.ask("GET", car_path, headers=let_in).text
        assert desk.send(f"{car_path}/save", let_in).status == 422

    def test_own_expectations(
        self, car_path: str, add: Callable[..., int], desk: RunningDesk, let_in: dict[str, str], desk_folder: Path
    ) -> None:
        add(DEFINITIONS)
        assert add(ROOT / "signal_defs" / "steering_lock.toml", "mine.toml") == 201
        assert add(ROOT / "signal_defs" / "steering_lock.causes.toml", "mine.causes.toml") == 201
        folder = desk_folder / "cars" / car_path.rpartition("/")[2]
        found = {file.name for file in folder.iterdir() if file.is_file()}
        assert found == {"pinewick.dbc", "steering_lock.toml", "steering_lock.causes.toml"}
        assert "Ready: choose this car in a job" in desk.ask("GET", car_path, headers=let_in).text
        assert desk.send(f"{car_path}/remove", let_in, name="steering_lock.toml").status == 303
        assert not (folder / "steering_lock.toml").exists()

    def test_table_needs_no_definitions(
        self, car_path: str, add: Callable[..., int], desk: RunningDesk, let_in: dict[str, str], sample: Path
    ) -> None:
        assert add(sample / "tester_list_car03.csv") == 201
        assert "Next: draft the expectations" in desk.ask("GET", car_path, headers=let_in).text

    @pytest.mark.parametrize("name", ["..%2f..%2fjob.dbc", "%2fetc%2fx.toml", "choices.json", ".desk.lock"])
    def test_files_stay_in_their_folder(
        self, name: str, car_path: str, add: Callable[..., int], desk_folder: Path
    ) -> None:
        folder = desk_folder / "cars" / car_path.rpartition("/")[2]
        others = {it for it in desk_folder.rglob("*") if folder not in it.parents}
        assert add(DEFINITIONS, name) == 201
        assert {it for it in desk_folder.rglob("*") if folder not in it.parents} == others
        assert CarFolder(folder).chosen() == {}


def test_file_without_its_open_points() -> None:
    """A person who does without what could not be found gets the same file, complete."""
    text = 'format = 1\nto_decide = ["lock_enable: x [1]", "y"]\n\n[roles.door_open]\n'
    assert DraftView(text=text).text_without_open_points == "format = 1\n\n[roles.door_open]\n"


class TestChoice:
    """What a person has chosen stands first."""

    @pytest.mark.slow
    def test_second_candidate(self, tmp_path: Path, sample: Path) -> None:
        car = DeskFolder(tmp_path).new_car("x")
        car.place("pinewick.dbc").write_bytes(DEFINITIONS.read_bytes())
        car.place("a.log").write_bytes((sample / GOOD[0]).read_bytes())
        first = draft(str(car.path), {})
        role = next(it for it in first.roles if it.role == "ignition")
        assert role.candidates[0].is_taken
        other = role.candidates[1].name
        second = draft(str(car.path), {"ignition": other})
        chosen = next(it for it in second.roles if it.role == "ignition").candidates[0]
        assert (chosen.name, chosen.is_taken) == (other, True)
        assert "you chose it" in chosen.reasons

    def test_kept(self, tmp_path: Path) -> None:
        car = DeskFolder(tmp_path).new_car("x")
        car.choose("ignition", "A.B")
        car.choose("door_open", "C.D")
        assert CarFolder(car.path).chosen() == {"ignition": "A.B", "door_open": "C.D"}
        (car.path / "choices.json").write_text("[1", "utf-8")
        assert car.chosen() == {}
