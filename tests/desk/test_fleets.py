"""A fleet in the desk: its folder is only read, what is new is checked, the sheet is shown."""

from __future__ import annotations

import multiprocessing
import shutil
from typing import TYPE_CHECKING

import pytest
from support.desk_script import CAR
from support.here_and_now import HereAndNow

from buslens.desk.fleet_work import FleetState, FleetTask, Teller, run_fleet
from buslens.desk.fleets import FleetSettings, fleets_in, new_fleet
from buslens.desk.folder import DeskFolder
from buslens.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path

    from support.desks import RunningDesk


class TestFolder:
    """What is kept of a fleet."""

    def test_found_again(self, tmp_path: Path) -> None:
        source = tmp_path / "share"
        source.mkdir()
        settings = FleetSettings(source=str(source), pattern="{vehicle}_*")
        made = new_fleet(tmp_path, "", settings, None)
        (found,) = fleets_in(tmp_path)
        assert (found.name, found.settings()) == ("share", settings)
        assert found.expectations() is None
        assert not found.has_sheet
        assert new_fleet(tmp_path, "", settings, None).path != made.path

    @pytest.mark.parametrize("source", ["", "share", "/nowhere/at/all", "file"])
    def test_no_folder(self, source: str, tmp_path: Path) -> None:
        (tmp_path / "file").write_text("x")
        with pytest.raises(UsageError, match="no folder on this machine"):
            new_fleet(tmp_path, "x", FleetSettings(source=str(tmp_path / source) if source == "file" else source), None)

    def test_only_what_a_run_has_written(self, tmp_path: Path) -> None:
        made = new_fleet(tmp_path, "x", FleetSettings(source=str(tmp_path)), None)
        (made.out / "pages").mkdir(parents=True)
        (made.out / "pages" / "a.html").write_text("a")
        (made.out / "index.html").write_text("i")
        assert made.written("index.html") == made.out / "index.html"
        assert made.written("pages/a.html") == made.out / "pages" / "a.html"
        for name in ("../fleet.json", "pages/../index.html", "/etc/passwd", "pages", "", "nothing.html"):
            assert made.written(name) is None


class TestRun:
    """What is new is checked; then the sheet is shown in the desk."""

    def test_checked_and_checked_again(
        self, desk: RunningDesk, let_in: dict[str, str], tmp_path: Path, sample: Path, desk_folder: Path
    ) -> None:
        source = tmp_path / "captures"
        source.mkdir()
        shutil.copy(sample / "car04_ground_open.log", source)
        car = next(it for it in DeskFolder(desk_folder).cars() if it.title == CAR)
        fleet = new_fleet(desk_folder, "Club", FleetSettings(source=str(source), pattern="{vehicle}_*"), car)
        task = FleetTask(
            source=str(source), out=str(fleet.out), pattern="{vehicle}_*", expectations=str(fleet.expectations())
        )

        def states() -> list[FleetState]:
            mine, theirs = multiprocessing.Pipe()
            run_fleet(Teller(theirs), task, HereAndNow())
            found = []
            while mine.poll():
                found.append(mine.recv())
            return found

        first = states()
        assert [(it.done, it.total) for it in first if it.total][-1] == (1, 1)
        assert first[-1].has_ended
        assert not first[-1].problem
        assert "1 checked" in first[-1].line
        assert "1 known from before and not read again" in states()[-1].line
        assert [it.name for it in source.iterdir()] == ["car04_ground_open.log"]

        assert "Club" in desk.ask("GET", "/fleets", headers=let_in).text
        assert "Check what is new" in desk.ask("GET", "/fleets/Club", headers=let_in).text
        sheet = desk.ask("GET", "/fleets/Club/sheet/", headers=let_in)
        assert "car04" in sheet.text
        assert "frame-ancestors 'self'" in sheet.headers["content-security-policy"]
        assert "unsafe-inline" not in sheet.headers["content-security-policy"]
        assert "car04" in desk.ask("GET", "/fleets/Club/sheet/captures.csv", headers=let_in).text
        assert desk.ask("GET", "/fleets/Club/sheet/..%2Ffleet.json", headers=let_in).status == 404

    def test_nothing_to_check(self, tmp_path: Path) -> None:
        mine, theirs = multiprocessing.Pipe()
        task = FleetTask(source=str(tmp_path), out=str(tmp_path / "out"), pattern="{nothing}", expectations="")
        run_fleet(Teller(theirs), task, HereAndNow())
        assert "{nothing}" in mine.recv().problem
