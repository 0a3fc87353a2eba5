from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buslens.errors import UsageError
from buslens.fleet import naming, vehicle_list
from buslens.fleet.listing import FoundCapture
from buslens.fleet.naming import CaptureLabel, Pattern, VehicleResolver, by_place, parse_date
from buslens.fleet.vehicle_list import load_vehicle_list

if TYPE_CHECKING:
    from pathlib import Path

START = datetime(1970, 1, 1, tzinfo=UTC)
MOMENTS = st.datetimes(datetime(1980, 1, 1), datetime(2090, 1, 1)).map(lambda moment: moment.replace(microsecond=0))  # noqa: DTZ001  # a calendar has no zone
VEHICLES = st.text(st.characters(exclude_characters="/", exclude_categories=["Cs"]), min_size=1, max_size=12)


def ns(moment: datetime) -> int:
    return (moment.replace(tzinfo=UTC) - START) // timedelta(microseconds=1) * 1000


def listed(address: str, below: str = "") -> FoundCapture:
    return FoundCapture(address, below or address.rpartition("/")[2], None, "")


class TestPattern:
    """A pattern is held against the end of a path; it says the vehicle, and the date as a day of the calendar."""

    @given(VEHICLES, MOMENTS, st.sampled_from(["%Y-%m-%d", "%Y%m%d", "%Y_%m_%d", "%Y.%m.%d"]))
    def test_the_day(self, vehicle: str, moment: datetime, form: str) -> None:
        path = f"/anywhere/{vehicle}/{moment:{form}}_run.log"
        day = moment.replace(hour=0, minute=0, second=0)
        assert Pattern("{vehicle}/{date}_*.log").match(path) == CaptureLabel(vehicle, ns(day))

    @given(MOMENTS, st.sampled_from(["%Y-%m-%dT%H-%M-%S", "%Y%m%dT%H%M%S", "%Y-%m-%d_%H.%M.%S", "%Y%m%d-%H%M%S"]))
    def test_the_time_with_it(self, moment: datetime, form: str) -> None:
        assert Pattern("{vehicle}_{date}.log").match(f"x/car_7_{moment:{form}}.log") == CaptureLabel(
            "car_7", ns(moment)
        )

    @given(MOMENTS, st.sampled_from(["%H-%M-%S", "%H%M%S", "%H.%M.%S"]))
    def test_the_time_elsewhere(self, moment: datetime, form: str) -> None:
        pattern = Pattern("{date}/{vehicle}/{time}.log")
        assert pattern.match(f"{moment:%Y-%m-%d}/car/{moment:{form}}.log") == CaptureLabel("car", ns(moment))

    def test_on_windows(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Folders are parted by either sign there, and a file may be called by small letters or by capitals."""
        monkeypatch.setattr(naming, "_ON_WINDOWS", True)
        for text in (r"{vehicle}\{date}_*.log", "{vehicle}/{date}_*.LOG"):
            assert Pattern(text).match("C:/Logs/Car 7/20260314_x.Log") == CaptureLabel(
                "Car 7",
                ns(datetime(2026, 3, 14)),  # noqa: DTZ001
            )

    @given(MOMENTS)
    def test_forms_of_the_users(self, moment: datetime) -> None:
        pattern = Pattern("{date:%d.%m.%Y}/{vehicle}_{time:%Hh%M}.log")
        path = f"{moment.day}.{moment.month}.{moment.year}/car_{moment:%Hh%M}.log"
        assert pattern.match(path) == CaptureLabel("car", ns(moment.replace(second=0)))

    @pytest.mark.parametrize(
        ("pattern", "path", "vehicle"),
        [
            ("{vehicle}_*.log", "a/car03_x_y.log", "car03"),
            ("{vehicle}/*/*", "fleet/car03/monday/x.log", "car03"),
            ("{vehicle}-???.log", "car-03-001.log", "car-03"),
            ("{{{vehicle}}}.log", "{car}.log", "car"),
            ("{vehicle}.log", "a.b/c.d.log", "c.d"),
            ("{vehicle}.log", "car.asc", None),
            ("{vehicle}/{date}.log", "car/2026-02-30.log", None),
            ("{vehicle}/{date}.log", "car/2026-13-01.log", None),
            ("{vehicle}/{date}_*.log", "car/20260314.log", None),
            ("{vehicle}/x.log", "x.log", None),
            ("a.c_{vehicle}", "abc_x", None),
        ],
    )
    def test_what_fits(self, pattern: str, path: str, vehicle: str | None) -> None:
        found = Pattern(pattern).match(path)
        assert (None if found is None else found.vehicle) == vehicle

    def test_a_number_behind_a_day_is_no_time(self) -> None:
        """Hours and minutes alone count only behind a T."""
        found = Pattern("{vehicle}/{date}_*.log").match("car/2026-03-14_0815_x.log")
        assert found == CaptureLabel("car", ns(datetime(2026, 3, 14)))  # noqa: DTZ001

    @pytest.mark.parametrize(
        ("pattern", "column", "words"),
        [
            ("", 1, "is empty"),
            ("*.log", 1, "no {vehicle}"),
            ("{vehicle", 1, "never closed"),
            ("x}{vehicle}", 2, "no '{' stands before"),
            ("{vehicle}*", 10, "where the vehicle ends"),
            ("*{vehicle}", 2, "where the vehicle ends"),
            ("{vehicle}{date}.log", 10, "where the vehicle ends"),
            ("{vehicle}_{vehicle}", 11, "second time"),
            ("{vehicel}.log", 1, "did you mean 'vehicle'"),
            ("{vehicle}_{time}.log", 11, "nothing without a {date}"),
            ("/{vehicle}.log", 1, "leave out the '/'"),
            ("{vehicle}/", 10, "ends with a folder"),
            ("{vehicle:x}.log", 1, "no form"),
            ("{vehicle}_{date:%d.%m}.log", 17, "a year, a month and a day"),
            ("{vehicle}_{date:%d.%B.%Y}", 20, "'%B' is not known"),
            ("{vehicle}_{date:%Y%m%d%d}", 17, "twice"),
        ],
    )
    def test_what_cannot_work_is_refused(self, pattern: str, column: int, words: str) -> None:
        with pytest.raises(UsageError) as caught:
            Pattern(pattern)
        assert f"column {column}: " in str(caught.value)
        assert words in str(caught.value)

    @given(st.text("{}vehicldatm:%Y*?/_.", max_size=25), st.text("{}car/_.2026", max_size=25))
    def test_no_text_breaks_it(self, pattern: str, path: str) -> None:
        with suppress(UsageError):
            found = Pattern(pattern).match(path)
            assert found is None or found.vehicle in path


class TestDates:
    """A date is a day of the calendar in a form that nobody can take for another."""

    @pytest.mark.parametrize("text", ["", "14.03.2026", "2026-3-14", "2026-02-29", "2026-03-14T25:00:00", "20260314x"])
    def test_no_date(self, text: str) -> None:
        assert parse_date(text) is None

    def test_parts_of_a_second(self) -> None:
        assert parse_date("2026-03-14T08:15:00.25Z") == ns(datetime(2026, 3, 14, 8, 15)) + 250_000_000  # noqa: DTZ001


class TestNaming:
    """What nothing is said of is not lost: it stands under a name of its own, and is counted."""

    def test_unnamed(self) -> None:
        told: list[FoundCapture] = []
        naming = VehicleResolver(Pattern("{vehicle}_{date}.log").find, told.append)
        assert naming(listed("/x/car_20260314.log")).vehicle == "car"
        for name in ("one.log", "two.log"):
            assert naming(listed(f"/x/{name}")) == CaptureLabel(f"unnamed ({name[:3]})", None)
        assert naming.unnamed == 2
        assert [one.below for one in told] == ["one.log"]

    def test_an_archive_counts_from_inside(self) -> None:
        naming = VehicleResolver(Pattern("{vehicle}/*.log").find)
        assert naming(listed("zip://car/x.log::file:///logs/all.zip")).vehicle == "car"

    @pytest.mark.parametrize(
        ("below", "vehicle"),
        [("car07/a.log", "car07"), ("north/car07/a.log", "north/car07"), ("car07_a.log", "car07"), ("_a.log", "_a")],
    )
    def test_by_place(self, below: str, vehicle: str) -> None:
        assert by_place(below) == vehicle


class TestVehicleList:
    """A list names captures by path; what is wrong in it is told with its place."""

    @pytest.mark.parametrize("delimiter", [",", ";", "\t"])
    @pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"], ids=["plain", "with a mark"])
    def test_found(self, tmp_path: Path, delimiter: str, mark: bytes) -> None:
        rows = [
            ["Vehicle", "note", "path", "date"],
            ["car 1", "", "logs/a.log", "2026-03-14"],
            ["car 2", "x", "b.log", ""],
            ["car 3", "", "logs/c*.log", "20260315T101112"],
            ["car 4", "", str(tmp_path / "else" / "d.log"), ""],
        ]
        path = tmp_path / "list.csv"
        path.write_bytes(mark + "\r\n".join(delimiter.join(row) for row in rows).encode())
        found = load_vehicle_list(str(path))
        folder = tmp_path.as_posix()
        assert found.find(listed(f"{folder}/logs/a.log")) == CaptureLabel("car 1", ns(datetime(2026, 3, 14)))  # noqa: DTZ001
        assert found.find(listed("/far/away/b.log", "b.log")) == CaptureLabel("car 2", None)
        assert found.find(listed(f"{folder}/logs/c7.log")) == CaptureLabel(
            "car 3",
            ns(datetime(2026, 3, 15, 10, 11, 12)),  # noqa: DTZ001
        )
        assert found.find(listed(f"{folder}/else/d.log")) == CaptureLabel("car 4", None)
        assert found.find(listed(f"{folder}/logs/z.log")) is None

    def test_on_windows(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Folders are parted by either sign there, and a file may be called by small letters or by capitals."""
        monkeypatch.setattr(vehicle_list, "_ON_WINDOWS", True)
        path = tmp_path / "list.csv"
        path.write_text("path,vehicle\nLogs\\a.LOG,Car 1\nlogs\\c*.log,Car 3\n")
        found = load_vehicle_list(str(path))
        assert found.find(listed("x", "logs/A.log")) == CaptureLabel("Car 1", None)
        assert found.find(listed("x", "logs/C7.log")) == CaptureLabel("Car 3", None)

    @pytest.mark.parametrize(
        ("text", "place", "words"),
        [
            ("", "", "is empty"),
            ("path;car\na;b", ":1:1", "no column 'vehicle'"),
            ("path,vehicel\na,b", ":1:1", "is 'vehicel' meant?"),
            ("path,vehicle,path\n", ":1", "two columns 'path'"),
            ("path,vehicle\n\na.log,\n", ":3:7", "'vehicle' is empty"),
            ("path,vehicle,date\na.log,car,14.3.26\n", ":2:11", "no date"),
            ('path,vehicle,date\n"a.log",car,x\n', ":2", "no date"),
            ("path,vehicle\na.log,x\n./a.log,y\n", ":3:1", "stands in line 2 already"),
            ('path,vehicle\n"a.log"b,x\n', ":2", "no row of a CSV file"),
        ],
    )
    def test_refused(self, tmp_path: Path, text: str, place: str, words: str) -> None:
        path = tmp_path / "list.csv"
        path.write_text(text)
        with pytest.raises(UsageError) as caught:
            load_vehicle_list(str(path))
        assert str(caught.value).startswith(f"{path}{place}: ")
        assert words in str(caught.value)

    def test_no_utf8(self, tmp_path: Path) -> None:
        path = tmp_path / "list.csv"
        path.write_bytes(b"path,vehicle\na,caf\xe9\n")
        with pytest.raises(UsageError, match=r":2:6: byte 0xe9 is not UTF-8"):
            load_vehicle_list(str(path))

    @given(st.binary(max_size=80))
    def test_no_bytes_break_it(self, raw: bytes) -> None:
        from tempfile import TemporaryDirectory

        with TemporaryDirectory() as folder:
            path = f"{folder}/list.csv"
            with open(path, "wb") as file:  # noqa: PTH123  # a few bytes
                file.write(b"path,vehicle,date\n" + raw)
            with suppress(UsageError):
                found = load_vehicle_list(path)
                assert all(name and named.vehicle for name, named in found.by_path.items())
