"""Tables of values: which columns are meant, and what stands in their cells."""

from __future__ import annotations

import gzip
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples

from buslens.capture import values as values_module
from buslens.capture.frames import Clock
from buslens.capture.table_settings import NOTHING_TOLD, TableSettings
from buslens.capture.values import ValuesBlock, open_values, read_values
from buslens.capture.values_layout import split_unit
from buslens.errors import CaptureError
from buslens.kernels import compiled

if TYPE_CHECKING:
    from buslens.capture.frames import ReadStats

PLAIN = "Time (s),Enable status,Supply (V)\n0.10,Off,12.4\n0.20,On,11.9\n0.30,Off,12.25\n"
UNITS_BELOW = PLAIN.replace(" (V)", "").replace(" (s)", "").replace("\n", "\n(s),,(V)\n\n", 1)
ODD_CELLS = ("", "On", "off", "1e3", "-", "+5", ".5", "5.", "12 V", "1,5", '"1,5"', "123456789012345678901")


def read(
    path: Path, wanted: list[str | int], *, as_text: bool = False, told: TableSettings = NOTHING_TOLD
) -> tuple[list[int], list[list[float | str | None]], ReadStats]:
    """Return the times in ms, the cells of each column, and the account."""
    found = open_values(path, wanted, told)
    assert found is not None
    times: list[int] = []
    cells: list[list[float | str | None]] = [[] for _ in found.columns]

    def take(block: ValuesBlock) -> None:
        times.extend((block.time_ns // 1_000_000).tolist())
        for column, out in zip(block.cells, cells, strict=True):
            numbers = column.numbers()
            # Buffers are used again and again: nothing of a row before may be left in a cell.
            assert (column.unit[~column.is_number] == -1).all()
            assert (column.digits[~column.is_filled] == 0).all()
            for row in range(len(block.time_ns)):
                if column.is_text[row]:
                    out.append(column.texts[column.digits[row]])
                else:
                    out.append(float(numbers[row]) if column.is_number[row] else None)

    stats = read_values(found, take, as_text=[as_text] * len(found.columns))
    return times, cells, stats


def table(tmp_path: Path, text: str | bytes, name: str = "table.csv") -> Path:
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


class TestNoFrames:
    @pytest.mark.parametrize(
        "cells",
        [["-1", "-60", "-7", "-12", "5"], ["nein", "ja"], ["00000001", "00010000", "11110000"], ["vero", "2 (0x02)"]],
        ids=["negative whole numbers", "words", "digits 0 and 1", "numbers written twice"],
    )
    def test_cells_stay(self, tmp_path: Path, cells: list[str]) -> None:
        """What stands for bytes in a table of frames is what it says in one of values."""
        cells *= 12
        text = "".join(f"{k / 10:.1f};{one};{one}\n" for k, one in enumerate(cells, 1))
        _, (found, _), _ = read(table(tmp_path, "Time (s);Angle;Torque\n" + text), ["Angle", "Torque"], as_text=True)
        assert found == cells


class TestPages:
    def test_header_again(self, tmp_path: Path) -> None:
        """Lines above the rows that come again between them are no rows that could not be read."""
        head, *rows = PLAIN.splitlines()
        lines = ["List of a tester", head, *rows, "", "List of a tester", f" {head}", "0.4,Off,12"]
        times, _, stats = read(table(tmp_path, "\n".join(lines)), ["Supply"])
        assert times == [100, 200, 300, 400]
        assert (stats.broken, stats.skipped, stats.other_lines) == (0, [], 5)

    def test_every_cell_in_quotes(self, tmp_path: Path) -> None:
        """Commas in quotes are those of numbers: of the time, of values, and of values with their unit."""
        text = '"Time (s)","Enable status","Supply"\n'
        text += "".join(f'"0,{k}00","Off","12,{k}5{" V" * (k % 2)}"\n' for k in range(1, 9))
        times, cells, stats = read(table(tmp_path, text), ["Enable status", "Supply"])
        assert times == [100 * k for k in range(1, 9)]
        assert cells == [["Off"] * 8, [float(f"12.{k}5") for k in range(1, 9)]]
        assert stats.resolution_ns <= 1_000_000

    def test_words_behind_a_number_are_no_stamp(self, tmp_path: Path) -> None:
        """A line below the rows may count them; a unit is part of a stamp."""
        text = "Time;Enable\n" + "".join(f"{k / 10} s;On\n" for k in range(60)) + "60 rows;On\n"
        times, _, stats = read(table(tmp_path, text), ["Enable"])
        assert times == [100 * k for k in range(60)]
        assert [it.text for it in stats.skipped] == ["60 rows;On"]

    def test_commas_between_and_within(self, tmp_path: Path) -> None:
        text = PLAIN.replace(".", ",")
        with pytest.raises(CaptureError, match=r"rows have 5 cells and its header 3.*export it with semicolons"):
            open_values(table(tmp_path, text), ["Supply"])
        assert open_values(table(tmp_path, PLAIN.replace("\n", ",,\n")), ["Supply"]) is not None


class TestLayout:
    @pytest.mark.parametrize(
        ("text", "wanted"),
        [
            (PLAIN, ["Enable status", "Supply"]),
            (PLAIN, ["enable  STATUS", "supply (v)"]),
            (PLAIN, [2, 3]),
            (PLAIN.replace(",", ";").replace(".", ","), ["Enable status", "Supply (V)"]),
            (PLAIN.replace(",", "\t"), ["Enable status", "Supply"]),
            ("Exported by a tester\nCar 7, of the club\n\n" + PLAIN, ["Enable status", "Supply"]),
            (UNITS_BELOW, ["Enable status", "Supply"]),
            (PLAIN.replace("\n", "\ns,,V\n", 1), ["Enable status", "Supply"]),
            (PLAIN.replace(",", "|").replace("\n", "\n---|:--|--:\n", 1), ["Enable status", "Supply"]),
            (PLAIN.replace("\n", "\r\n"), ["Enable status", "Supply"]),
            ("\ufeff" + PLAIN, ["Enable status", "Supply"]),
            (PLAIN.encode("utf-16"), ["Enable status", "Supply"]),
            (PLAIN.replace("12.4", '"12.4"').replace("Off", '"Off"'), ["Enable status", "Supply"]),
            (PLAIN.replace("12.4", "12.4 V"), ["Enable status", "Supply"]),
            (PLAIN.replace("Time (s)", "Time (ms)").replace("0.", ""), ["Enable status", "Supply"]),
        ],
        ids=[
            "plain", "other case", "by number", "decimal comma", "tabs", "preamble", "line of units", "units twice",
            "drawn lines", "CRLF", "mark", "UTF-16", "quotes", "unit in a cell", "milliseconds",
        ],
    )  # fmt: skip
    def test_the_same_table(self, tmp_path: Path, text: str | bytes, wanted: list[str | int]) -> None:
        """However it is written, the same rows come out."""
        times, (enable, supply), stats = read(table(tmp_path, text), wanted)
        factor = 1 if times[0] == 100 else 10
        assert [time * factor for time in times] == [100, 200, 300]
        assert (enable, supply) == (["Off", "On", "Off"], [12.4, 11.9, 12.25])
        assert (stats.frames, stats.broken, stats.counted) == (3, 0, "row")

    def test_names_above_the_header(self, tmp_path: Path) -> None:
        """A preamble that has the names, too, is no header: the rows below it have other cells."""
        above = '"Source","Enable status","Supply (V)"\n"Sample interval",1e-01,1e-01\n"Record length",3,3\n\n'
        times, (enable, _), _ = read(table(tmp_path, above + PLAIN), ["Enable status", "Supply"])
        assert (times, enable) == ([100, 200, 300], ["Off", "On", "Off"])

    def test_no_header(self, tmp_path: Path) -> None:
        """Columns that are named by number need no header."""
        text = "".join(f"{k / 10:.1f},{k % 3},{k / 4}\n" for k in range(6))
        times, cells, _ = read(table(tmp_path, text), [3, 2])
        assert times == [0, 100, 200, 300, 400, 500]
        assert cells == [[k / 4 for k in range(6)], [float(k % 3) for k in range(6)]]

    def test_settings_beside_the_first_rows(self, tmp_path: Path) -> None:
        """Some oscilloscopes write their settings into the first cells of the first rows, and no header."""
        beside = ["Record Length,3", "Sample Interval,0.1", "Source,CH1", *[","] * 3]
        text = "".join(f"{more},{k / 10:.1f},{k / 4}\n" for k, more in enumerate(beside))
        times, cells, _ = read(table(tmp_path, text), [4])
        assert (times, cells) == ([100 * k for k in range(6)], [[k / 4 for k in range(6)]])

    def test_numbers_between_tabs(self, tmp_path: Path) -> None:
        text = "Time (s)\tA\tB\n" + "".join(f"{k / 10}\t{k}.5\t+{k}E-01\n" for k in range(4))
        assert read(table(tmp_path, text), ["A", "B"])[1] == [[k + 0.5 for k in range(4)], [k / 10 for k in range(4)]]

    def test_names_of_two_lines(self, tmp_path: Path) -> None:
        """Spreadsheets write the line ends within a cell, in quotes."""
        text = '"Time\n(s)",A,"Lock\nstatus"\n' + "".join(f'0.{k},{k}.5,"On"\n' for k in range(9))
        times, cells, stats = read(table(tmp_path, text), ["A", "Lock status"])
        assert (times, cells[1]) == ([100 * k for k in range(9)], ["On"] * 9)
        assert (stats.broken, stats.other_lines) == (0, 3)

    def test_groups_above_the_header(self, tmp_path: Path) -> None:
        """A line that says what columns have in common is no header of a list with one value in each row."""
        text = ";Outputs;Inputs\nTime (s);Enable;Feedback\n" + "".join(f"0.{k};On;Off\n" for k in range(9))
        assert read(table(tmp_path, text), ["Enable", "Feedback"])[1] == [["On"] * 9, ["Off"] * 9]

    def test_letters_with_the_byte_of_a_blank(self, tmp_path: Path) -> None:
        """In UTF-8 the byte of a blank that does not break is a part of many letters."""
        text = "Time (s),Lock\n" + "".join(f"0.{k},\uc7a0\uae40\n" for k in range(9))
        assert read(table(tmp_path, text), ["Lock"])[1] == [["\uc7a0\uae40"] * 9]

    @pytest.mark.parametrize("told", [NOTHING_TOLD, TableSettings(time_unit="100 ns")])
    def test_ticks_of_100_ns(self, tmp_path: Path, told: TableSettings) -> None:
        """Steps of 100 ns since the year 1 are told by their size, and read alike where the user says so, too."""
        text = "Ticks;Lock\n" + "".join(f"{639 * 10**15 + k * 1_000_000};On\n" for k in range(9))
        times, _, _ = read(table(tmp_path, text), ["Lock"], told=told)
        assert [time - times[0] for time in times] == [100 * k for k in range(9)]

    @pytest.mark.parametrize("wanted", [["Supply", "Enable"], []])
    @pytest.mark.parametrize(
        "rows",
        [
            ["Tester list", "", "Time (s);Name;Value;Unit", "0.1;Enable;Off;", "0.1;Supply;12.5;V", "0.2;Enable;On;"],
            ["Tester list", "", "Value;Name;Time (s)", "Off;Enable;0.1", "12.5;Supply;0.1", "On;Enable;0.2"],
            ["", "Zeit (s);Messwert;Wert;Einheit", "0,1;Enable;Off;", "0,1;Supply;12,5;V", "0,2;Enable;On;"],
            ["Car,7", "Time (s),Signal,Reading,Units", "0.1,Enable,Off,", '0.1,Supply,"12.5",V', "0.2,Enable,On,"],
        ],
    )
    def test_one_value_a_row(self, tmp_path: Path, rows: list[str], wanted: list[str | int]) -> None:
        """Names in a column become columns, whatever stands above them; rows of other names are empty ones."""
        mark = "," if "," in rows[0] else ";"
        cells = [(f"{k / 10:.1f}", "Supply", "12.5", "V") for k in range(3, 9)]
        more = [mark.join(row[2::-1] if rows[2].startswith("Value") else row) for row in cells]
        times, cells, stats = read(table(tmp_path, "\n".join([*rows, *more])), wanted)
        by_first = sorted(cells, key=lambda column: column[0] != "Off")
        assert by_first[0][:3] == ["Off", None, "On"]
        assert [cell for cell in by_first[1] if cell] == [12.5] * 7
        assert (times[:3], times[-1], stats.broken) == ([100, 100, 200], 800, 0)
        assert "each row has one value, whose name is in column 2" in stats.notes

    @pytest.mark.parametrize("end", ["\n", "\r\n"])
    @pytest.mark.parametrize(
        ("above", "numbered"),
        [
            ("Sampling interval: 100 ms", False),
            ("Sample Interval,1.000000E-01", True),
            ("Increment;0,1;s", True),
            ("Abtastintervall: 100000 us", False),
            ("Sampling rate,0.01,kHz", False),
            ("t0 = -1.5s; tInc = 0.1s", False),
        ],
    )
    def test_samples_that_are_counted(self, tmp_path: Path, above: str, numbered: bool, end: str) -> None:
        """Without times the interval above the rows gives them."""
        rows = [f"{f'{k};' * numbered}{k % 2};{k}.25" for k in range(12)]
        text = end.join([above, "", f"{'No.;' * numbered}A;B", *rows]) + end
        times, cells, stats = read(table(tmp_path, text), ["A", "B"])
        assert times == [100 * k for k in range(12)]
        assert cells[1] == [time / 100 + 0.25 for time in times]
        assert "counted, one each 0.1 s" in stats.notes[1]

    @pytest.mark.parametrize(
        "above", ["X,A,Increment\nSequence,Volt,1.0E-01", "X,A,Start,Increment\nSequence,Volt,-2.5E+00,1.0E-01"]
    )
    def test_increment_in_the_first_row(self, tmp_path: Path, above: str) -> None:
        """Where the first line below the header says how far apart samples are, rows may have fewer cells than it."""
        text = f"{above}\n" + "".join(f"{k},{k}.5,\n" for k in range(9))
        times, cells, _ = read(table(tmp_path, text), ["A"])
        assert (times, cells) == ([100 * k for k in range(9)], [[k + 0.5 for k in range(9)]])

    @pytest.mark.parametrize("wanted", [["Lock", "Supply"], []])
    @pytest.mark.parametrize(
        "row",
        [
            "t={0} Lock={1} Supply={2}V",
            '{{"t": {0}, "Lock": "{1}", "Supply": {2}}}',
            "00:00:{0:06.3f}; Lock: {1}; Supply: {2} V",
            "{0:.1f}, Lock: {1}, Supply: {2} V",
            "00:00:{0:06.3f}  Lock: {1}, Supply: {2} V",
            "t,{0},Lock,{1},Supply,{2}",
            "t;{0};Lock;{1};Supply;{2}",
        ],
    )
    def test_names_in_each_row(self, tmp_path: Path, row: str, wanted: list[str | int]) -> None:
        """Names beside their values become columns, with what stands before the first as the time."""
        text = "".join(row.format(k / 10, ["Off", "On"][k % 2], f"{k}.5") + "\n" for k in range(9))
        times, cells, stats = read(table(tmp_path, text + "cut off\n" * ("{{" not in row)), wanted)
        assert (times, cells) == (
            [100 * k for k in range(9)],
            [["Off", "On"] * 4 + ["Off"], [k + 0.5 for k in range(9)]],
        )
        assert [it.line for it in stats.skipped] == [10] * ("{{" not in row)

    def test_names_in_some_rows(self, tmp_path: Path) -> None:
        """What a row does not name was not asked for."""
        text = "".join(f"t={k / 10} {'Lock=On' if k % 2 else 'Supply=5'}\n" for k in range(8))
        assert read(table(tmp_path, text), ["Lock"])[1] == [[None, "On"] * 4]

    @pytest.mark.parametrize("mark", [",", ";", "\t"])
    def test_first_column_without_a_name(self, tmp_path: Path, mark: str) -> None:
        """A mark in front of the first name parts cells: no column moves to the left."""
        rows = [["", "A", "B"], ["ms", "V", "V"], *([f"{k * 100}", f"{k}.5", f"{k}"] for k in range(9))]
        text = "\n".join(mark.join(row) for row in rows)
        times, cells, _ = read(table(tmp_path, text), ["B", "A"])
        assert (times, cells) == (
            [100 * k for k in range(9)],
            [[float(k) for k in range(9)], [k + 0.5 for k in range(9)]],
        )

    def test_units_below_names_between_blanks(self, tmp_path: Path) -> None:
        text = "  Time   Lock\n  [s]   [V]\n" + "".join(f"{k / 10:5.1f}  {k}.5\n" for k in range(9))
        found = open_values(table(tmp_path, text), [])
        assert found is not None
        assert [(it.name, it.unit) for it in found.columns] == [("Lock", "V")]

    @pytest.mark.parametrize("mark", [",", ";", "\t"])
    def test_words_that_stay_are_no_names(self, tmp_path: Path, mark: str) -> None:
        rows = [[f"{k / 10}", "Closed", "Off", "Released", "On" if k == 5 else "Off"] for k in range(12)]
        text = "\n".join(mark.join(row) for row in [["Time (s)", "Door", "Ignition", "Button", "Lamp"], *rows])
        found = open_values(table(tmp_path, text), [])
        assert found is not None
        assert [it.name for it in found.columns] == ["Door", "Ignition", "Button", "Lamp"]

    def test_frames_have_no_names(self, tmp_path: Path) -> None:
        text = "".join(f"ID: {k % 7:03X} DLC: 2 Data: 0{k % 3} 1{k % 5}\n" for k in range(40))
        assert open_values(table(tmp_path, text), []) is None

    @pytest.mark.parametrize("wanted", [["Value"], []])
    @pytest.mark.parametrize("unit", ["{}", "{}DC", "{} DC"])
    def test_units_in_cells_of_their_own(self, tmp_path: Path, unit: str, wanted: list[str | int]) -> None:
        """A meter that changes its range writes the unit beside each number."""
        text = "".join(f"{k};{k / 10} s;{k};{unit.format(['V', 'mV'][k % 2])};DC\n" for k in range(8))
        found = open_values(table(tmp_path, "No.;Time;Value;Unit;Kind\n" + text), wanted)
        assert found is not None
        units: list[str] = []

        def take(block: ValuesBlock) -> None:
            column = block.cells[[it.name for it in found.columns].index("Value")]
            units.extend(column.texts[index] for index in column.unit)

        read_values(found, take, as_text=[False] * len(found.columns))
        assert units == [unit.format("V"), unit.format("mV")] * 4

    def test_blanks_within_names(self, tmp_path: Path) -> None:
        text = "Time (s)    Lock enable    Supply voltage\n"
        text += "".join(f"{k / 10:<8.1f}    {'not set' if k % 2 else 'set':<11}    {k:.1f} V\n" for k in range(8))
        for wanted in (["Lock enable", "Supply voltage"], []):
            times, cells, stats = read(table(tmp_path, text), wanted)
            assert (times, stats.broken) == ([100 * k for k in range(8)], 0)
            assert cells == [["set", "not set"] * 4, [float(k) for k in range(8)]]

    @pytest.mark.parametrize(
        ("above", "names"),
        [
            ("(ms);(V);(V)\n\n", ["A", "B"]),
            ("", ["A", "B"]),
        ],
    )
    def test_any_table_below_what(self, tmp_path: Path, above: str, names: list[str]) -> None:
        """Where no column is wanted, the header is found below settings, above units and behind a comment's mark."""
        rows = "".join(f"{k};{k}.5;{k}\n" for k in range(300, 310))
        settings = "Coupling;DC;DC\nScale;5;2\nLabel;;\n\n"
        for text in (settings + "Time (ms);A;B\n" + above + rows, "# made 2026\n# Time (ms);A;B\n" + rows):
            found = open_values(table(tmp_path, text), [])
            assert found is not None
            assert [it.name for it in found.columns] == names

    def test_words_and_dates_only(self, tmp_path: Path) -> None:
        rows = "".join(f"2026-11-30 08:00:{k:02};Off;Locked\n" for k in range(9))
        found = open_values(table(tmp_path, "When;Enable;Lock\n" + rows), [])
        assert found is not None
        assert [it.name for it in found.columns] == ["Enable", "Lock"]

    @pytest.mark.parametrize("units", ["", "s;V;s;V\n"])
    def test_times_of_their_own(self, tmp_path: Path, units: str) -> None:
        """A column is read with the time to its left; rows come in order of time, however far one lags behind."""
        name = "Time" if units else "Time (s)"
        rows = "".join(
            f"{k / 10:.2f};{k};{f'{k / 5 + 0.03:.2f};{k + 50}' if k < 6 else ';'}\n".replace(".", ",") for k in range(9)
        )
        path = table(tmp_path, f"{name};A;{name};B\n{units}{rows}")
        a, b = [100 * k for k in range(9)], [200 * k + 30 for k in range(6)]
        assert read(path, ["A"])[:2] == (a, [list(range(9))])
        assert read(path, [4])[:2] == (b, [list(range(50, 56))])
        times, (of_a, of_b), stats = read(path, ["A", "B"])
        assert times == sorted(a + b)
        assert [it for it in of_a if it is not None] == list(range(9))
        assert [time for time, it in zip(times, of_b, strict=True) if it is not None] == b
        assert (stats.broken, stats.frames) == (0, 15)
        assert read(path, ["B"], told=TableSettings(columns=(("time", (1,)),), time_unit="s"))[0] == a

    def test_packed(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """How long it is shows only as it is unpacked; nothing is compiled for a short one."""
        monkeypatch.setattr(values_module, "compiled", lambda *_: pytest.fail("compiled"))
        times, _, _ = read(table(tmp_path, gzip.compress(PLAIN.encode()), "table.csv.gz"), ["Supply"])
        assert times == [100, 200, 300]

    @pytest.mark.parametrize("n_bytes", [200, 4000])
    def test_packed_and_large(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, n_bytes: int) -> None:
        """Of a packed one that is surely large, not even the beginning is read as plain Python."""
        begun: list[int] = []
        monkeypatch.setattr(values_module, "_PLAIN_BYTES", n_bytes)
        monkeypatch.setattr(values_module, "_COMPILING", 1)
        monkeypatch.setattr(values_module, "compiled", lambda *_: begun.append(len(begun)))
        assert read(table(tmp_path, gzip.compress(PLAIN.encode()), "table.csv.gz"), ["Supply"])[0] == [100, 200, 300]
        assert bool(begun) == (n_bytes == 200)

    def test_time_of_day_over_midnight(self, tmp_path: Path) -> None:
        text = "Clock,Lock\n23:59:59.900,On\n00:00:00.100,Off\n00:00:00.300,Off\n"
        times, cells, stats = read(table(tmp_path, text), ["Lock"])
        assert np.diff(times).tolist() == [200, 200]
        assert (cells, len(stats.discontinuities)) == ([["On", "Off", "Off"]], 0)

    def test_date(self, tmp_path: Path) -> None:
        text = "When;Lock\n2026-11-30T08:00:00.000Z;On\n2026-11-30T08:00:00.500Z;Off\n"
        found = open_values(table(tmp_path, text), ["Lock"])
        assert found is not None
        assert found.layout.stamps.clock is Clock.WALL

    def test_none_of_the_columns(self, tmp_path: Path) -> None:
        assert open_values(table(tmp_path, PLAIN), ["Door"]) is None

    def test_any_table(self, tmp_path: Path) -> None:
        found = open_values(table(tmp_path, PLAIN), [])
        assert found is not None
        assert [(it.name, it.unit) for it in found.columns] == [("Enable status", ""), ("Supply", "V")]

    def test_a_log_is_none(self, tmp_path: Path) -> None:
        log = "".join(f"({k / 10:.6f}) can0 123#0{k % 10}\n" for k in range(50))
        assert open_values(table(tmp_path, log), ["Enable"]) is None
        assert open_values(table(tmp_path, log), []) is None

    @pytest.mark.parametrize(
        ("text", "wanted", "words"),
        [
            ("Time,A,A\n0.1,1,2\n0.2,1,2\n", ["A"], "are both called 'A'"),
            ("Time,A\n1,On\n2,On\n4,Off\n", ["A"], "nothing says the unit of the time in column 1"),
            ("Time,A\n46095.3541,1\n46095.3542,2\n46095.3543,2\n", ["A"], "may be days, as spreadsheets count them"),
            ("X,A\nq,On\nw,On\n", ["A"], "no column of this table holds times that run"),
            (PLAIN, [9], "there is no column 9; the widest row has 3 cells"),
        ],
    )
    def test_refused(self, tmp_path: Path, text: str, wanted: list[str | int], words: str) -> None:
        with pytest.raises(CaptureError, match=words):
            open_values(table(tmp_path, text), wanted)

    @pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md", "tests/PROOFS.md"])
    def test_text_with_a_table_in_it_is_none(self, name: str) -> None:
        assert open_values(Path(__file__).parents[2] / name, ()) is None

    def test_told_unit(self, tmp_path: Path) -> None:
        path = table(tmp_path, "Time,A\n1,On\n2,On\n4,Off\n")
        assert read(path, ["A"], told=TableSettings(time_unit="ms"))[0] == [1, 2, 4]

    @pytest.mark.parametrize(
        ("header", "split"),
        [
            ("Supply [mV]", ("Supply", "mV")),
            ("Supply / V", ("Supply", "V")),
            ("Supply in V", ("Supply", "V")),
            ("Supply, V", ("Supply", "V")),
            ("Supply", ("Supply", "")),
            ("Enable status (On/Off)", ("Enable status", "On/Off")),
        ],
    )
    def test_split_unit(self, header: str, split: tuple[str, str]) -> None:
        assert split_unit(header) == split


class TestRows:
    def test_cells(self, tmp_path: Path) -> None:
        """Empty, number, text, number with a unit, and a row that has no time."""
        text = "Time,A\n0.1,\n0.2,-1.5e-3\n0.3,OL\n,7\n0.4,950 mV\n0.5,12:30\n1E+01,+2.5E-01\n"
        times, cells, stats = read(table(tmp_path, text), ["A"])
        assert times == [100, 200, 300, 400, 500, 10_000]
        assert cells == [[None, -0.0015, "OL", 950.0, "12:30", 0.25]]
        assert (stats.broken, stats.skipped[0].line) == (1, 5)

    def test_nothing_is_left_of_the_rows_before(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Rows with units, then rows of empty cells in the same places of the buffers."""
        monkeypatch.setattr(values_module, "WINDOW_BYTES", 200)
        text = "Time,A\n" + "".join(f"{k / 10},{'5 mV' if k < 40 else ''}\n" for k in range(80))
        times, (cells,), _ = read(table(tmp_path, text), ["A"])
        assert (len(times), cells) == (80, [5.0] * 40 + [None] * 40)

    def test_as_text(self, tmp_path: Path) -> None:
        text = "Time,A\n0.1,1\n0.2,1.0 bar\n"
        assert read(table(tmp_path, text), ["A"], as_text=True)[1] == [["1", "1.0 bar"]]

    def test_clock_back(self, tmp_path: Path) -> None:
        """The axis goes on, and the place is told."""
        text = "Time,A\n5.0,On\n5.5,On\n6.0,On\n1.0,Off\n1.5,Off\n2.0,Off\n"
        times, _, stats = read(table(tmp_path, text), ["A"])
        assert times == [5000, 5500, 6000, 6000, 6500, 7000]
        assert [(it.line, it.back_ns) for it in stats.discontinuities] == [(5, 5_000_000_000)]

    def test_too_many_texts(self, tmp_path: Path) -> None:
        text = "Time,A\n" + "".join(f"{k / 10},word {k}\n" for k in range(600))
        with pytest.raises(CaptureError, match="different texts, as no states do"):
            read(table(tmp_path, text), ["A"])

    def test_no_row(self, tmp_path: Path) -> None:
        path = table(tmp_path, PLAIN)
        found = open_values(path, ["Supply"])
        assert found is not None
        path.write_text("Time (s),Enable status,Supply (V)\nx,y,z\n", "ascii")
        with pytest.raises(CaptureError, match="no row of this table could be read; the first is 'x,y,z'"):
            read_values(found, lambda _: None, as_text=[False])

    @pytest.mark.slow
    @given(
        st.lists(
            st.tuples(
                st.one_of(
                    st.decimals(-10_000, 10_000, places=4).map(str),
                    st.sampled_from(ODD_CELLS),
                ),
                st.sampled_from(["", "\r", " "]),
            ),
            min_size=1,
            max_size=40,
        )
    )  # fmt: skip
    @settings(max_examples=examples(30), deadline=None)
    def test_compiled_and_plain(self, tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[str, str]]) -> None:
        """Both ways of running the kernel read the same, and numbers are the floats that Python makes of them."""
        if compiled(values_module.kernel.scan) is None:
            pytest.skip("there is no compiler")
        text = "Time;A\n0.1;1\n" + "".join(f"{k / 10 + 0.2};{cell}{end}\n" for k, (cell, end) in enumerate(rows))
        path = table(tmp_path_factory.mktemp("both"), text)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(values_module, "_PLAIN_BYTES", 1 << 40)
            plain = read(path, ["A"])
            patch.setattr(values_module, "_PLAIN_BYTES", -1)
            fast = read(path, ["A"])
        assert plain == fast
        for (cell, _), got in zip(rows, plain[1][0][1:], strict=True):
            assert got == expected_cell(cell)


def expected_cell(cell: str) -> Any:
    """Return what a cell holds, in plain Python."""
    text = cell.strip('"')
    for number in (text, text.removesuffix(" V")):
        try:
            return float(number.replace(",", "."))
        except ValueError:
            continue
    return text or None


class TestWindows:
    @pytest.mark.slow
    def test_windows_side_by_side(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """However small the windows, and however many are read at once, the same rows come in the same order."""
        if compiled(values_module.kernel.scan) is None:
            pytest.skip("there is no compiler")
        words = ("Off", "On", "Error 5", "---")
        lines = [f"{k / 100:.2f},{words[k * 7 % 4]},{k * 13 % 997 / 8}" for k in range(900)]
        lines[100] = "broken,,"
        lines[600:] = [line.replace(line.split(",")[0], f"{k / 100:.2f}", 1) for k, line in enumerate(lines[600:])]
        path = table(tmp_path, "\n".join(["Time (s),A,B", *lines]) + "\n")
        whole = read(path, ["A", "B"])
        assert (whole[2].skipped[0].line, len(whole[2].discontinuities)) == (102, 1)
        monkeypatch.setattr(values_module, "_PLAIN_BYTES", -1)
        monkeypatch.setattr(values_module, "WINDOW_BYTES", 700)
        assert read(path, ["A", "B"]) == whole
        monkeypatch.setattr(values_module, "_ROOM", 7)
        assert read(path, ["A", "B"]) == whole


def test_a_log_is_not_looked_through_for_a_table(monkeypatch: pytest.MonkeyPatch) -> None:
    """Each capture is asked whether it is a table; of a log that must take no longer than to see that it is one."""
    sample = Path(__file__).parents[2] / "sample_logs" / "car01_healthy.log"
    monkeypatch.setattr("buslens.capture.text.text_form_of", lambda *_, **__: pytest.fail("looked for marks"))
    assert open_values(sample, ("Enable",)) is None
