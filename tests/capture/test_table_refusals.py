"""Rows of frames that must not be read in silence as others: read right, or refused with what helps."""

from __future__ import annotations

import json
import re
import zipfile
from base64 import b64encode
from typing import TYPE_CHECKING

import pytest
from support.tables import traffic

from buslens.capture.frames import Clock
from buslens.capture.open import is_capture, open_capture
from buslens.capture.read import read_frames
from buslens.capture.values import open_values
from buslens.errors import CaptureError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from support.tables import Sent

FRAMES = traffic(5, n_ids=12, n=300, long_ids=False)


def rows_of(write: Callable[[Sent], str], header: str = "", frames: list[Sent] = FRAMES) -> str:
    return "\n".join([*([header] if header else []), *map(write, frames), ""])


AS_TEXT = bytes(b if 32 < b < 127 else 46 for b in range(256))
"""What stands for bytes as characters."""


def secs(frame: Sent) -> str:
    return f"{frame.time_ns / 1e9:.6f}"


def spaced(frame: Sent) -> str:
    return frame.data.hex(" ")


def cells(frame: Sent, form: str = "{:02X}", filler: str = "") -> str:
    return ";".join([*map(form.format, frame.data), *[filler] * (8 - len(frame.data))])


def two_in_a_row() -> str:
    pairs = zip(FRAMES[::2], FRAMES[1::2], strict=True)
    rows = [";".join(f"{secs(f)};{f.can_id:X};{f.data.hex()}" for f in pair) for pair in pairs]
    return "\n".join(["t1;id1;data1;t2;id2;data2", *rows, ""])


def as_object(frame: Sent) -> dict[str, object]:
    """Return a frame as a program writes it: numbers decimal, a part in an object of its own."""
    return {
        "time_us": frame.time_ns // 1000,
        **({"seen": "by chance, at the door"} if frame.data[-1] % 3 else {}),
        "frame": {"id": frame.can_id, "ext": frame.is_extended, "bytes": list(frame.data)},
        "remark": "door, left",
    }


def by_spreadsheet(frame: Sent) -> str:
    """Return data in one cell as a spreadsheet saves it that opened it, some of it small: 15 digits of a number."""
    if frame.can_id % 4:
        return frame.data.hex()
    digits = bytes(byte % 3 for byte in frame.data).hex()
    return str(int(digits)) if int(digits) < 1e15 else f"{float(digits):.14E}".replace(".", ",")


def clock(frame: Sent, form: str) -> str:
    """Return a time of day that passes a full hour half a second after the first frame."""
    of_day = 13 * 3600 * 10**9 - 500_000_000 + frame.time_ns
    seconds, ns = divmod(of_day, 10**9)
    minutes, second = divmod(seconds, 60)
    return form.format(h=minutes // 60, m=minutes % 60, s=second, us=ns // 1000)


def micros(frame: Sent) -> str:
    """Return the rest of the second of such a time."""
    return f"{(frame.time_ns // 1000 + 500_000) % 10**6:06}"


def fine_clock(frame: Sent) -> str:
    """Return a time of day with thousandths of a second and thousandths of those."""
    us = frame.time_ns // 1000 % 10**6
    return clock(frame, "{h:02}:{m:02}:{s:02}") + f".{(us + 500_000) % 10**6 // 1000:03}.{us % 1000:03}"


def over_lines(frame: Sent) -> str:
    """Return a frame whose bytes from the fifth on stand in a row of their own."""
    head = f"{secs(frame)} {frame.can_id:X} {len(frame.data)} {frame.data[:4].hex(' ')}"
    return head + f"\n{' ' * 20}{frame.data[4:].hex(' ')}" * (len(frame.data) > 4)


def grouped(ns: int) -> str:
    return f"{ns / 1e6 + 4000:,.3f}"


class TestRefused:
    @pytest.mark.parametrize(
        ("text", "helps"),
        [
            (rows_of(lambda f: f"{secs(f)};{f.can_id:X};{len(f.data)};{int.from_bytes(f.data, 'big'):#x}",
                     "time;id;dlc;data"), "without the zeros in front"),
            (rows_of(lambda f: f"{secs(f)};{f.can_id:X};{by_spreadsheet(f)}", "Time;ID;Data"), "the recorder wrote"),
            (rows_of(lambda f: f"{secs(f)};{f.can_id:03X};{cells(f, '{}', '00')},0", "t;id;b0;b1;b2;b3;b4;b5;b6;b7"),
             "'b7'"),
            (rows_of(lambda f: f"{f.time_ns + 17e17:.6e};{f.can_id:X};{spaced(f)}", "Time;ID;Data"), "too few digits"),
            (rows_of(lambda f: f"{secs(f)};{f.can_id:X};{len(f.data)};{spaced(f)}", "Time;ID;DLC;Data",
                     sorted(FRAMES, key=lambda f: f.can_id)), "sort them by the time"),
            (rows_of(lambda f: f"{f.time_ns // 50_000} {f.can_id:X} {len(f.data)} {spaced(f)}", "; time base 50 us"),
             "steps of 50 us"),
            (json.dumps({"t": dict(enumerate(f.time_ns for f in FRAMES)),
                         "id": dict(enumerate(f.can_id for f in FRAMES))}), "one object"),
            (json.dumps({"t": [f.time_ns for f in FRAMES], "id": [f.can_id for f in FRAMES]}), "one object"),
            (rows_of(lambda f: f"{secs(f)};{f.can_id:X};{len(f.data)};{spaced(f)}",
                     "Time;ID;DLC;Data", FRAMES[::-1]), "sort the rows"),
            (rows_of(lambda f: f"{secs(f)};{f.can_id >> 8:02X};{f.can_id & 255:02X};{len(f.data)};{cells(f)}",
                     "t;id_hi;id_lo;dlc;d0;d1;d2;d3;d4;d5;d6;d7"), "in two parts"),
            (rows_of(lambda f: f"{secs(f)};{f.can_id:X};{len(f.data)};{int.from_bytes(f.data, 'big'):#x}g",
                     "time;id;dlc;payload"), "is not data bytes"),
            (rows_of(lambda f: f"{secs(f)},{f.can_id:#x},0,0,{b64encode(f.data[:3].ljust(3, b'.')).decode()}",
                     "time,id,remote,error,data"), "base64"),
            (rows_of(lambda f: f"{f.can_id % 7 * 10 + 10.01 + f.time_ns % 3 / 100:.2f};{f.can_id:X};{spaced(f)}",
                     "Cycle (ms);ID;Data"), "same identifier"),
            (rows_of(lambda f: f"{secs(f)};{f.can_id:X};{spaced(f)}", "Time;ID;Data (byte7..byte0)"), "downwards"),
            (rows_of(lambda f: f"{secs(f)} {f.can_id:X} {len(f.data)} {' '.join(f.data.hex())}"), "digit of a byte"),
            (two_in_a_row(), "two frames"),
            (rows_of(lambda f: f"{f.can_id:X},{len(f.data)},{f.data.hex(',')},{secs(f)}"), "before the data"),
            ("".join(f"{secs(f)},{f.can_id:X},{k},{byte:02X}\n"
                     for f in FRAMES for k, byte in enumerate(f.data)), "a part of a frame"),
            (rows_of(lambda f: f"{secs(f)};6;{0xFE00 + f.can_id % 256};{spaced(f)}", "time;prio;PGN;data"),
             "parameter group numbers"),
            (rows_of(lambda f: "\n".join(f"{k};{secs(f)};{part}" for k, part in enumerate(
                [f"{f.can_id:#x};", *(f";{byte:#04x}" for byte in f.data)])), "field;time;id;data"),
             "a part of a frame"),
            (rows_of(lambda f: f"{secs(f)} {('LOCK', 'DOOR STATUS')[f.can_id % 2]} {f.can_id:03X} {len(f.data)} "
                     f"{spaced(f)}"),
             "numbers of words"),
            (rows_of(lambda f: f"{clock(f, '{h:02}{m:02}{s:02}')}{micros(f)[:3]} {f.can_id:X} {f.data.hex()}"),
             "time of day of hours"),
            (rows_of(lambda f: f"{secs(f)}?;{f.can_id:X};{len(f.data)};{spaced(f)}", "Time;ID;DLC;Data"),
             "seems to hold the time"),
            (rows_of(lambda f: f"{9 + f.time_ns / 6e8:.6f},{secs(f)},{f.can_id:X},{len(f.data)},{f.data.hex()}",
                     "host time,device time,id,dlc,data"), "time = 1 or time = 2"),
            (rows_of(lambda f: f"{secs(f)} {f.can_id:o} {len(f.data)} {' '.join(f'{b:03o}' for b in f.data)}"),
             "octal"),
            (rows_of(lambda f: f"{secs(f)},{f.can_id},{','.join(map(str, f.data.ljust(8, bytes(1))))}"),
             r"id = 2, id_base = .decimal., data = \[3, 10\]"),
            (rows_of(lambda f: f"{secs(f)},{f.can_id:X},{int.from_bytes(f.data.ljust(8, b'9'), 'big')}",
                     "time,id,data"), "one decimal number"),
            (rows_of(lambda f: f"{secs(f)},{f.can_id:X},{f.data[:4].hex():0<8},{f.data[4:].hex():0<8}",
                     "time,id,high,low"), "word_order"),
            (rows_of(lambda f: f"{secs(f)} {f.can_id.to_bytes(4).hex(' ') if f.is_extended else f'{f.can_id:03X}'} "
                     f"{len(f.data)} {spaced(f)}", frames=traffic(8)), "where the data begins"),
            ("".join(f"{k:08x}  {f.data.ljust(8, b'.').hex(' ')}  {f.data.ljust(8, b',').hex(' ')}\n"
                     for k, f in zip(range(0, 16 * len(FRAMES), 16), FRAMES, strict=True)), "bytes of a file"),
        ],
    )  # fmt: skip
    def test_with_what_helps(self, tmp_path: Path, text: str, helps: str) -> None:
        path = tmp_path / "rows.csv"
        path.write_text(text)
        with pytest.raises(CaptureError, match=helps):
            open_capture(path)

    @pytest.mark.parametrize(
        ("told", "helps"),
        [("id = 1\ndata = 3", "only 0% of the rows are frames.*the first that is none is"),
         ("id = 2\ndata = 2", "first row is '0.00.*', '[0-9A-F]+', '.*': name both")],
    )  # fmt: skip
    def test_columns_told_that_hold_something_else(self, tmp_path: Path, told: str, helps: str) -> None:
        path, toml = tmp_path / "rows.csv", tmp_path / "table.toml"
        path.write_text(rows_of(lambda f: f"{secs(f)};{f.can_id:X};{spaced(f)}"))
        toml.write_text(f"[table]\n{told}\n")
        with pytest.raises(CaptureError, match=helps):
            open_capture(path, table=toml)

    @pytest.mark.parametrize("text", ['[{"t":' * 9999, '{"a":' * 9999 + "1" + "}" * 9999])
    def test_objects_within_each_other_without_end(self, tmp_path: Path, text: str) -> None:
        path = tmp_path / "rows.json"
        path.write_text(text)
        with pytest.raises(CaptureError, match=r"JSON|unknown log format"):
            open_capture(path)

    def test_order_alone_on_request(self, tmp_path: Path) -> None:
        path, toml = tmp_path / "rows.csv", tmp_path / "table.toml"
        path.write_text(rows_of(lambda f: f"{secs(f)}?;{f.can_id:X};{spaced(f)}", "Time;ID;Data"))
        with pytest.raises(CaptureError, match='time = "none"'):
            open_capture(path)
        toml.write_text('[table]\ntime = "none"\n')
        assert open_capture(path, table=toml).clock is Clock.MISSING

    def test_frames_refused_are_no_values(self, tmp_path: Path) -> None:
        path = tmp_path / "rows.csv"
        path.write_text(rows_of(lambda f: f"{secs(f)};{f.can_id:X};{by_spreadsheet(f)}", "Time;ID;Data"))
        assert open_values(path, ()) is None
        path.write_text(rows_of(lambda f: f"{secs(f)};{f.can_id % 2};{('off', 'on')[f.can_id % 2]}", "Time;ID;Data"))
        assert open_values(path, ()) is not None

    def test_workbook(self, tmp_path: Path) -> None:
        path = tmp_path / "rows.xlsx"
        with zipfile.ZipFile(path, "w") as archive:
            archive.writestr("xl/workbook.xml", "")
        with pytest.raises(CaptureError, match=r"rows.xlsx.*CSV"):
            open_capture(path)


@pytest.mark.slow
class TestRead:
    @pytest.mark.parametrize(
        "text",
        [
            rows_of(lambda f: f"{secs(f)},{f.can_id:#x},{len(f.data)},\"{list(f.data)}\"", "t,id,dlc,data"),
            rows_of(lambda f: f"{secs(f)},{f.can_id:#x},\"{[hex(b) for b in f.data]}\"", "t,id,data"),
            rows_of(lambda f: f"{secs(f)};{f.can_id:X};{f.data.hex(' ', -2)}", "t;id;data"),
            rows_of(lambda f: f"{secs(f)};{f.can_id:X};{cells(f, filler='XX')}", "t;id;a;b;c;d;e;f;g;h"),
            rows_of(lambda f: f"{f.time_ns // 1000:>10} {f.can_id:03X} {len(f.data)} {spaced(f)}".ljust(60, "\0")),
            rows_of(lambda f: f"12:00:{secs(f):>09} INFO id=0x{f.can_id:X} dlc={len(f.data)} data={f.data.hex()}"
                    .replace(".", ",")),
            rows_of(lambda f: f"0 days 00:00:{secs(f):>09},{f.can_id:#x},{len(f.data)},{spaced(f)}",
                    "time,id,dlc,data"),
            rows_of(lambda f: f"0 days 00:00:{secs(f):>09};{f.can_id:03X};{cells(f, '{},0')}",
                    "t;id;b0;b1;b2;b3;b4;b5;b6;b7"),
            rows_of(lambda f: f"1 day, 0:00:{secs(f):>09}   {f.can_id:03X} "
                    + cells(f, "{:3}.0", "NaN").replace(";", "   "), "t  id  b0  b1  b2  b3  b4  b5  b6  b7"),
            "can0 202#E8B7000000000000\n" + rows_of(
                lambda f: f"{secs(f)},can0,{f.can_id:X},{len(f.data)},{f.data.hex()}", "Time,Bus,ID,DLC,Data"),
            rows_of(lambda f: f"\x1b[31m {secs(f)}  {f.can_id:X} {len(f.data)} {spaced(f)}\x1b[0m"),
            rows_of(lambda f: json.dumps(as_object(f))),
            json.dumps([as_object(f) for f in FRAMES]),
            json.dumps({"frames": [as_object(f) for f in FRAMES]}, indent=2),
            rows_of(lambda f: str({"t": f.time_ns / 1e9, "id": f"{f.can_id:X}", "data": spaced(f)})),
            rows_of(lambda f: f"t={f.time_ns // 1000},id={f.can_id:X},len={len(f.data)},d={f.data.hex('-')}"),
            rows_of(lambda f: f"2026-03-14T{clock(f, '{h}:{m:02}:{s:02}.{us:06}')}+01:00 pi: "
                    f"{f.can_id:X}#{f.data.hex()}"),
            rows_of(lambda f: f"T+{secs(f)} {f.can_id:X}/{len(f.data)} {spaced(f)}"),
            rows_of(lambda f: f"$CAN,{f.time_ns // 1000},{f.can_id:X},{len(f.data)},{f.data.hex()}*"
                    f"{sum(f.data) & 255:02X}"),
            rows_of(lambda f: f"{secs(f)},{f.can_id:X},{len(f.data)},{f.data.hex(',')},{sum(f.data) & 255:02X}"),
            rows_of(lambda f: f"Time: {secs(f)}\n ID: {f.can_id:#x}\n Data: {spaced(f)}\n"),
            rows_of(over_lines),
            rows_of(lambda f: f"- time: {secs(f)}\n  id: {f.can_id:#x}\n  data: [{f.data.hex(',')}]"),
            rows_of(lambda f: f"{secs(f)};{f.can_id:X};{cells(f, filler='00')};{len(f.data)}",
                    "t;id;d0;d1;d2;d3;d4;d5;d6;d7;len"),
            rows_of(lambda f: f"{secs(f)};{f.can_id:X};{cells(f, filler='00')};{len(f.data)}"),
            rows_of(lambda f: f"{f.time_ns // 10**6};{f.time_ns // 1000 % 1000};{f.can_id:X};{f.data.hex()}"),
            "".join(f"{k & 255:02X} {f.time_ns // 1000} {f.can_id:X} {len(f.data)} {spaced(f)}\n"
                    for k, f in enumerate(FRAMES)),
            rows_of(lambda f: f"Msg {f.can_id:#x}, {len(f.data)}, [{spaced(f)}], t={f.time_ns // 1000}us"),
            rows_of(lambda f: f"{secs(f)} id={f.can_id:#x} " + " ".join(f"b{k}={b:02X}" for k, b in enumerate(f.data))),
            rows_of(lambda f: f'<f id="{f.can_id:#x}" t="{secs(f)}"><data>{spaced(f)}</data></f>'),
            rows_of(lambda f: f'"{secs(f)}","{f.can_id:#x}","{spaced(f)}"'.replace(".", ","), '"Zeit","ID","Daten"'),
            rows_of(lambda f: f"{secs(f)},'{f.can_id:X}','{spaced(f)}'", "time,id,data"),
            rows_of(lambda f: f'{secs(f)},="{f.can_id:X}",="{f.data.hex()}"', "time,id,data"),
            rows_of(lambda f: f'"{f.time_ns // 1000 + 990_000:,}",{f.can_id:X},{spaced(f)}', "time (us),id,data"),
            rows_of(lambda f: f"{clock(f, '{m:02}:{s:02},{us:06}')};{f.can_id:X};{spaced(f)}", "Zeit;Kennung;Daten"),
            rows_of(lambda f: f"{clock(f, '{h}{m:02}{s:02}.{us:06}')};{f.can_id:X};{spaced(f)}"),
            rows_of(lambda f: f"{secs(f)};{f.can_id:X};{' '.join(f'{byte:08b}' for byte in f.data)}", "time;id;data"),
            rows_of(lambda f: f"{secs(f)};{f.can_id:#x};{len(f.data)};{cells(f, '{:08b}')}",
                    "t;id;dlc;b0;b1;b2;b3;b4;b5;b6;b7"),
            rows_of(lambda f: f"INSERT INTO `log` VALUES ({f.time_ns // 1000},'a',{f.can_id},{len(f.data)},"  # noqa: S608
                    f"X'{f.data.hex()}');",
                    "CREATE TABLE `log` (`at` bigint, `id` int);"),
            "INSERT INTO log (t, id, data) VALUES\n" + ",\n".join(
                f"({secs(f)}, 0x{f.can_id:X}, '\\x{f.data.hex()}')" for f in FRAMES) + ";\n",
            "COPY log (at, arbitration_id, remark, payload) FROM stdin;\n" + rows_of(
                lambda f: f"{secs(f)}\t{f.can_id}\t\\N\t\\\\x{f.data.hex()}"),
            json.dumps([[f.time_ns // 1000, hex(f.can_id), f.data.hex()] for f in FRAMES]),
            rows_of(lambda f: f"{secs(f)},car/7,\"{{\"\"id\"\":{f.can_id},\"\"data\"\":\"\"{f.data.hex()}\"\"}}\"",
                    "time,topic,payload"),
            rows_of(lambda f: f"{secs(f)} id={f.can_id:#x} \"" + "".join(f"\\x{b:02x}" for b in f.data) + '"'),
            rows_of(lambda f: f"{secs(f)}, {f.can_id:X} (std), {len(f.data)}, {spaced(f)}"),
            rows_of(lambda f: "\n".join(re.findall(".{1,40}", f"{secs(f):>12}  {f.can_id:03X}   [{len(f.data)}]  "
                                                   f"{spaced(f)}   noted"))),
            rows_of(lambda f: f"{secs(f)}\n Got a frame of id 0x{f.can_id:X} and length {len(f.data)}\n{spaced(f)}\n"),
            rows_of(lambda f: f"{clock(f, '{h:02}:{m:02}:{s:02}')};{(f.time_ns // 1000 + 500_000) % 10**6};"
                    f"{f.can_id:X};{spaced(f)}"),
            rows_of(lambda f: f"{clock(f, '{h:02}:{m:02}:{s:02}')};{f.time_ns // 1000};{f.can_id:X};{spaced(f)}"),
            rows_of(lambda f: f"{fine_clock(f)};{f.can_id:X};{spaced(f)}"),
            rows_of(lambda f: f"{secs(f)},{['face', 'add', 'door', 'bad'][f.can_id % 4]},{f.can_id:X},{f.data.hex()}"),
            rows_of(lambda f: f"{f'{4000 + f.time_ns / 1e6:,.3f}'.replace(',', ' ').replace('.', ',')};{f.can_id:X};"
                    f"{spaced(f)}".replace(" ", "\u202f", 1), "Temps (ms);Identifiant;Octets"),
            rows_of(lambda f: f"[frame]\ntime={secs(f)}\nid=0x{f.can_id:X}\ndlc={len(f.data)}\ndata={spaced(f)}"),
            rows_of(lambda f: f"{(f.time_ns // 1000 + 99_500_000) % 10**8} {f.can_id:03X} {len(f.data)} {spaced(f)}"),
            rows_of(lambda f: f"{secs(f)}  {f.can_id:03X}  {len(f.data)}  {f.data[:4].hex(' ')}  -  "
                    f"{f.data[4:].hex(' ')}"),
            rows_of(lambda f: f"{secs(f)};{f.can_id:X};{f.data[:4].hex()} {f.data[4:].hex()}"),
            rows_of(lambda f: f"{secs(f)};{f.can_id:X};\"{[(b + 128) % 256 - 128 for b in f.data]}\"", "t;id;data"),
            rows_of(lambda f: f"{f.time_ns / 3600e9:.12f};{f.can_id:X};{spaced(f)}", "Elapsed (h);ID;Data"),
            rows_of(lambda f: f"{clock(f, '14/03/2026 {h:02}.{m:02}.{s:02}')}.{micros(f)};"
                    f"{f.can_id:X};{spaced(f)}", "Ora;ID;Dati"),
            rows_of(lambda f: f"{clock(f, '20260314{h:02}{m:02}{s:02}')}{micros(f)};"
                    f"{f.can_id:X};{spaced(f)}", "Time;ID;Data"),
            rows_of(lambda f: json.dumps({"t": f.time_ns // 1000, "id": hex(f.can_id),
                                          "data": {str(k): byte for k, byte in enumerate(f.data)}})),
            rows_of(lambda f: f"stamp:\n  secs: 0\n  nsecs: {f.time_ns}\nname: ''\nid: {f.can_id}\nis_rtr: False\n"
                    f"dlc: {len(f.data)}\ndata: [{', '.join(map(str, f.data.ljust(8, bytes(1))))}]\n---"),
            rows_of(lambda f: " ".join(f"{x:.18e}" for x in (f.time_ns / 1e9, f.can_id, len(f.data),
                                                           *f.data.ljust(8, bytes(1))))),
            rows_of(lambda f: f"{secs(f)},'{f.can_id:X},{len(f.data)},'{spaced(f)}", "time,id,dlc,data"),
            rows_of(lambda f: f"{secs(f)},{f.can_id:#x},0,{b64encode(f.data).decode()}", "time,id,remote,data"),
            rows_of(lambda f: json.dumps({"time": secs(f), "id": f.can_id, "raw": b64encode(f.data).decode()})),
            rows_of(lambda f: f"{f.time_ns // 1000 + 5_000_000:,};".replace(",", " ") + f"{f.can_id:X};{spaced(f)}",
                    "Temps (us);Id;Octets"),
            rows_of(lambda f: (f"{f.time_ns / 1e6:.3f} ms" if f.time_ns < 4e8 else f"{secs(f)} s")
                    + f";{f.can_id:X};{spaced(f)}", "Time;ID;Data"),
            rows_of(lambda f: f'{secs(f)},{f.can_id},"' + repr(bytearray(f.data)).replace('"', '""') + '"',
                    "time,id,data"),
            rows_of(lambda f: f"{secs(f)} {f.can_id:#x} {len(f.data)} {f.data!r}"),
            rows_of(lambda f: f"{f.time_ns // 1000} ID:{f.can_id:X} DATA:" + " ".join(
                f"{b:02X}" if b < 128 else f"FFFFFF{b:02X}" for b in f.data)),
            rows_of(lambda f: clock(f, "{h}h{m:02}m{s:02}s") + f"{micros(f)[:3]}ms{micros(f)[3:]}us;{f.can_id:X};"
                    f"{spaced(f)}"),
            rows_of(lambda f: f"{secs(f)},{f.can_id:#o},{spaced(f)}", "time,id,data"),
            rows_of(lambda f: f'{secs(f)},"","Id: {f.can_id} (0x{f.can_id:x}), Length: {len(f.data)}",{f.data.hex()}',
                    "Time,Source,Info,Data"),
            rows_of(lambda f: f"{secs(f)},{f.can_id}.0,{len(f.data)}.0," + ",".join(
                [*(f"{b}.0" for b in f.data), *[""] * (8 - len(f.data))]), "time,id,dlc,a,b,c,d,e,f,g,h"),
            rows_of(lambda f: f"{f.time_ns % 50 + 950:4}| {secs(f)} 0x{f.can_id:X} [{len(f.data)}] {spaced(f)}"),
            rows_of(lambda f: f"- stamp:\n    sec: 0\n    nanosec: {f.time_ns}\n  id: {f.can_id}\n  is_error: false\n"
                    f"  dlc: {len(f.data)}\n  data:\n" + "\n".join(f"  - {b}" for b in f.data.ljust(8, bytes(1))),
                    "---"),
            rows_of(lambda f: clock(f, "Mar 14 {h:02}:{m:02}:{s:02}") + f" pi seen[8]: ({1.7e9 + f.time_ns / 1e9:.6f})"
                    f" can0 {f.can_id:X}#{f.data.hex()}"),
            rows_of(lambda f: f"{grouped(f.time_ns)};{f.can_id:X};{len(f.data)};{spaced(f)}", "Time (ms);ID;DLC;Data"),
            rows_of(lambda f: f"{grouped(f.time_ns).translate(str.maketrans(',.', '.,'))};{f.can_id:X};{spaced(f)}",
                    "Zeit [ms];ID;Daten"),
            rows_of(lambda f: f"{secs(f):>10}\u00a0{f.can_id:03X}\u00a0{spaced(f)}".replace(" ", "\u00a0")),
            rows_of(lambda f: json.dumps({"at": {"$date": f"{clock(f, '2026-03-14T{h}:{m:02}:{s:02}')}.{micros(f)}Z"},
                                          "id": {"$numberInt": str(f.can_id)}, "data": {"$binary": {
                                              "base64": b64encode(f.data).decode(), "subType": "00"}}})),
            rows_of(lambda f: f" {secs(f)}  {f.can_id:03X}  {len(f.data)}  {spaced(f)}\n      Speed = {f.data[0]} rpm\n"
                    f"      Door  = {f.data[-1] & 1}"),
            rows_of(lambda f: f"{639 * 10**15 + f.time_ns // 100},{f.can_id:X},{f.data.hex()}", "ticks,id,data"),
            rows_of(lambda f: f"{secs(f)},{f.can_id.to_bytes(2, 'big').hex(' ')},{spaced(f)}", "Time,ID,Data"),
            rows_of(lambda f: f"{secs(f)},{f.can_id:011b},{spaced(f)}", "Time,ID,Data"),
            rows_of(lambda f: f"{secs(f)};0x{f.can_id:X} ({f.can_id});{spaced(f)}", "Time;ID;Data"),
            rows_of(lambda f: f"{secs(f)};Door Status {f.can_id % 7} (0x{f.can_id:X});{len(f.data)};{spaced(f)}"),
            rows_of(lambda f: f"{secs(f)} t{f.can_id:03X}{len(f.data)}{f.data.hex()}"),
            rows_of(lambda f: f"{secs(f)} {f.can_id:03X} {len(f.data)}\n   00: {f.data[:4].hex(' ')}\n   08: "
                    f"{f.data[4:].hex(' ')}" if len(f.data) > 4 else
                    f"{secs(f)} {f.can_id:03X} {len(f.data)}\n   00: {spaced(f)}"),
            rows_of(lambda f: clock(f, '"Mar 14, 2026 @ {h}:{m:02}:{s:02}') + f'.{micros(f)}",{f.can_id:x},{spaced(f)}',
                    "at,id,data"),
            rows_of(lambda f: f"seen: {{id={f.can_id:#x}, data={{{', '.join(f'{b:#04x}' for b in f.data)}}}, "
                    f"us={f.time_ns // 1000}}}"),
            rows_of(lambda f: f"{f.time_ns / 1e6:12.4f} Rx {f.can_id:04X} {len(f.data)} {spaced(f)}", "Rate: 500 k"),
            rows_of(lambda f: f"Seen message with ID 0x{f.can_id:X} at {secs(f)} s: {len(f.data)} bytes: {spaced(f)}"),
            rows_of(lambda f: f"'{secs(f)}' '{f.can_id:X}' '{len(f.data)}' '{spaced(f)}'"),
            rows_of(lambda f: f"T#{f.time_ns // 1000}us 16#{f.can_id:X} {len(f.data)} "
                    + " ".join(f"16#{b:02X}" for b in f.data)),
            rows_of(lambda f: f"{secs(f)};&H{f.can_id:X};{len(f.data)};{' '.join(f'&H{b:X}' for b in f.data)}",
                    "Zeit;Id;Anz;Daten"),
            rows_of(lambda f: f"{f.time_ns // 1000:010} ${f.can_id:X} {' '.join(f'${b:02X}' for b in f.data)}"),
            rows_of(lambda f: f"    {{ {f.time_ns // 1000}UL, 0x{f.can_id:X}, {len(f.data)}, "
                    f"{{ {', '.join(f'0x{b:02X}' for b in f.data)} }} }},", "static const struct rec log[] = {"),
            rows_of(lambda f: str((f.time_ns / 1e9, f.can_id, f.time_ns % 3 == 0, list(f.data)))),
            json.dumps({"columns": ["t", "id", "data"], "data": [[f.time_ns / 1e9, f.can_id, list(f.data)]
                                                                 for f in FRAMES]}),
            rows_of(lambda f: f"PT{secs(f)}S,{f.can_id:X},{spaced(f)}", "offset,id,data"),
            rows_of(lambda f: f"{secs(f)} {f.can_id:X} {len(f.data)} {f.data.hex(' ', -2)}"),
            rows_of(lambda f: f"{f.time_ns // 1000} {f.can_id:08X}{len(f.data):02X}{f.data.ljust(8, bytes(1)).hex()}"),
            rows_of(lambda f: f"{f.time_ns // 1000}|{f.can_id % 2}|{f.can_id}|{f.time_ns % 2}|{f.data.hex()}",
                    "t_us|bus|id|ext|data"),
            rows_of(lambda f: f"{secs(f)},0x{f.can_id:03x},x| {spaced(f)} ", "t,id,data"),
            rows_of(lambda f: f"({1.7e9 + f.time_ns / 1e9:.6f}) can0 {f.can_id:03X}#{f.data.hex()} :: "
                    f"DOOR(open: {f.data[0] & 1}, speed: {f.data[-1] / 2:.1f} km/h)"),
            rows_of(lambda f: f"{secs(f)} {f.can_id} [{' '.join(f'{b:3}' for b in f.data)}]"),
            rows_of(lambda f: f"{secs(f)},{f.can_id.to_bytes(4).hex(':')},{f.data.hex(':')}", "t,id,data"),
            rows_of(lambda f: "[" + clock(f, "{h:02}:{m:02}:{s:02}") + f".{micros(f)[:3]},{micros(f)[3:]}] <inf> can: "
                    f"rx id 0x{f.can_id:X} dlc {len(f.data)}: {spaced(f)}"),
            rows_of(lambda f: clock(f, "{h:02}:{m:02}:{s:02}") + f".{micros(f)}\n0000  {f.can_id.to_bytes(4).hex(' ')} "
                    f"{len(f.data):02x} 00 00 00 {spaced(f)}\n"),
            rows_of(lambda f: f'"{f.time_ns // 1000 + 600_000:,}","{f.can_id:X}","{spaced(f)}"', "Time (us),ID,Data"),
            rows_of(lambda f: "\t".join(f"{x:.6E}".replace(".", ",") for x in (f.time_ns / 1e9, f.can_id, len(f.data)))
                    + f"\t{spaced(f)}", "t [s]\tID\tDLC\tData"),
            rows_of(lambda f: f"{f.time_ns // 1000} -> {'EXT' if f.time_ns < 0 else 'STD'} ID: 0x{f.can_id:X}  "
                    f"DLC: {len(f.data)}  Data: {spaced(f)}", "12 -> Entering configuration"),
            rows_of(lambda f: clock(f, "{h:02}:{m:02}:{s:02}") + f".{int(micros(f))};{f.can_id:X};{spaced(f)}"),
            rows_of(lambda f: f"{17 * 10**8 + f.time_ns // 10**9}.{f.time_ns // 1000 % 10**6} can0 "
                    f"{f.can_id:x}: {spaced(f)}"),
            rows_of(lambda f: f"({17 * 10**8 + f.time_ns // 10**9}.{f.time_ns // 1000 % 10**6}) can0 "
                    f"{f.can_id:03X}#{f.data.hex()}"),
            rows_of(lambda f: f"{45678.5 + f.time_ns / 86_400e9:.12f};{f.can_id:X};{spaced(f)}", "Date;ID;Data"),
            "<table>" + rows_of(lambda f: f"<tr><td>{secs(f)}</td><td>{f.can_id:X}</td><td>{spaced(f)}</td></tr>"),
            "".join(f"{k}:{secs(f)},{f.can_id:X},{len(f.data)},{spaced(f)}\n" for k, f in enumerate(FRAMES, 1)),
            "".join(f"GPS,{f.time_ns},{k},8,47\nCAN,{f.time_ns // 1000},{f.can_id:X},{len(f.data)},{f.data.hex()}\n"
                    for k, f in enumerate(FRAMES)),
            rows_of(lambda f: json.dumps([f.time_ns / 1e9, f"{f.can_id:X}", 0, len(f.data),
                                          [f"{b:02X}" for b in f.data]])),
            rows_of(lambda f: f"<f time='{secs(f)}' id='{f.can_id:X}' kind='std' data='{f.data.hex()}' />"),
            "".join(f"[Frame{k}]\nTime={f.time_ns // 1000}\nID={f.can_id:X}\nData={spaced(f)}\n\n"
                    for k, f in enumerate(FRAMES)),
            rows_of(lambda f: f"{secs(f)} can0 {f.can_id:03X}  {spaced(f):<24} |{f.data.translate(AS_TEXT).decode()}|"),
            rows_of(lambda f: f"At {secs(f)} seconds channel 1 got id {f.can_id:X}, {len(f.data)} bytes: {spaced(f)}."),
            rows_of(lambda f: f"{secs(f)};{f.can_id:X};" + ";".join(cells(f).split(";")[::-1]),
                    "time;id;D7;D6;D5;D4;D3;D2;D1;D0"),
            rows_of(lambda f: f"{secs(f)},{f.can_id:X}," + ",".join(cells(f, filler="00").split(";")[::-1])
                    + f",{len(f.data)}", "time,id,B8,B7,B6,B5,B4,B3,B2,B1,len"),
            rows_of(lambda f: f"{clock(f, '{h}:{m:02}:{s:02}')}.{micros(f).rstrip('0')};{f.can_id:X};{spaced(f)}"),
            rows_of(lambda f: f"{secs(f)}|CAN{'AB'[f.can_id % 2]}|{f.can_id:X}|{len(f.data)}|{spaced(f)}"),
            rows_of(lambda f: f"{f.time_ns // 1000 + 10**6:_};{f.can_id:X};{spaced(f)}", "us;ID;Data"),
            rows_of(lambda f: (f"D heap 200000 {f.can_id} 190000\n" if f.time_ns % 3 else "")
                    + f"[{secs(f)}] can0: got {f.can_id:03x} [{len(f.data)}] {spaced(f)}"),
        ],
    )  # fmt: skip
    def test_frames(self, tmp_path: Path, text: str) -> None:
        path = tmp_path / "rows.csv"
        path.write_text(text)
        assert is_capture(path)
        table = read_frames(path)
        assert table["can_id"].tolist() == [frame.can_id for frame in FRAMES]
        assert table["data"].tolist() == [frame.data for frame in FRAMES]
        expected = [(frame.time_ns - FRAMES[0].time_ns) / 1e9 for frame in FRAMES]
        assert (table["time"] - table["time"][0]).tolist() == pytest.approx(expected, abs=2e-6)

    def test_identifiers_in_parts(self, tmp_path: Path) -> None:
        """Priority, parameter group number and addresses make an identifier (SAE J1939-21)."""
        long = [f._replace(can_id=6 << 26 | (0xFE00 + f.can_id % 256) << 8 | f.can_id >> 6) for f in FRAMES]
        to_one = [f._replace(can_id=3 << 26 | 0xEA00 << 8 | f.can_id % 200 << 8 | 0x21) for f in FRAMES[::3]]
        frames = sorted([*long, *to_one])
        path = tmp_path / "rows.csv"

        def group(f: Sent) -> int:
            return f.can_id >> 8 & (0x3FFFF if f.can_id >> 16 & 255 >= 240 else 0x3FF00)

        for base in ("X", "d"):
            rows = [
                f"{secs(f)};{f.can_id >> 26};{group(f):{base}};{f.can_id & 255:{base}};"
                f"{f.can_id >> 8 & 255:{base}};{spaced(f)}"
                for f in frames
            ]
            path.write_text("\n".join(["Time;Prio;PGN;SA;DA;Data", *rows]))
            table = read_frames(path)
            assert table["can_id"].tolist() == [f.can_id for f in frames]
            assert table["is_extended"].all()

    @pytest.mark.parametrize("name", ["is_tx", "dir (0=rx, 1=tx)", "rx_tx (1: sent)", "dir (0=sent 1=recv)", "dir"])
    def test_direction_in_numbers(self, tmp_path: Path, name: str) -> None:
        """One that does not say which number means sent is told, and how to say it."""
        path = tmp_path / "rows.csv"
        is_turned = "1=recv" in name
        rows = [f"{secs(f)},{f.can_id:X},{f.data.hex()},{int((f.time_ns % 7 < 3) != is_turned)}" for f in FRAMES]
        path.write_text("\n".join([f'time,id,data,"{name}"', *rows, ""]))
        table = read_frames(path)
        is_told = name == "dir"
        assert table["is_rx"].tolist() == [is_told or f.time_ns % 7 >= 3 for f in FRAMES]
        assert is_told == any("direction = 4 takes 1 for sent" in note for note in table.attrs["tally"].notes)

    @pytest.mark.parametrize("length", ["{n}  ", ""])
    def test_direction_behind_bytes(self, tmp_path: Path, length: str) -> None:
        """Where blanks part the cells, it stands in another column for each number of bytes."""
        path = tmp_path / "rows.txt"
        path.write_text(
            rows_of(lambda f: f"{secs(f)}  {f.can_id:X}  {length.format(n=len(f.data))}{spaced(f)}  {'RT'[f.is_sent]}x")
        )
        table = read_frames(path)
        assert table["is_rx"].tolist() == [not f.is_sent for f in FRAMES]
        assert table["data"].tolist() == [f.data for f in FRAMES]

    def test_small_identifiers_of_29_bits(self, tmp_path: Path) -> None:
        """Eight digits say 29 bits where others have three, unless a spreadsheet has left zeros away."""
        frames = [f._replace(is_extended=f.can_id % 3 == 0) for f in FRAMES]
        path = tmp_path / "rows.csv"

        def write(f: Sent) -> str:
            return f"{secs(f)};{f.can_id:0{8 if f.is_extended else 3}X};{spaced(f)}"

        path.write_text(rows_of(write, "Time;ID;Data", frames))
        assert read_frames(path)["is_extended"].tolist() == [f.is_extended for f in frames]
        spoilt = [f._replace(is_extended=not f"{f.can_id:X}".isdigit()) for f in FRAMES]
        path.write_text(rows_of(write, "Time;ID;Data", spoilt))
        assert not read_frames(path)["is_extended"].any()

    def test_rows_cut_behind_their_stamp_are_broken(self, tmp_path: Path) -> None:
        lines = rows_of(lambda f: f"{secs(f)};{f.can_id:X};{spaced(f)}", "Time;ID;Data").split("\n")
        lines[40] = lines[40].split(";")[0]
        lines[50] = lines[50].split(";")[0] + ";;"
        lines[60] = "-- a door"
        path = tmp_path / "rows.csv"
        path.write_text("\n".join(lines))
        stats = read_frames(path).attrs["tally"]
        assert [(line.line, line.reason.split(",")[0]) for line in stats.skipped] == [
            (41, "nothing stands behind the time stamp"),
            (51, "nothing stands behind the time stamp"),
        ]

    def test_no_length_in_a_byte_of_small_values(self, tmp_path: Path) -> None:
        """A byte whose values are never above the number of those behind it is still a byte."""
        frames = [f._replace(data=bytes([f.data[0] % 8]) + f.data[1:]) for f in FRAMES if len(f.data) == 8]
        path = tmp_path / "rows.txt"
        for separator in " ;":
            path.write_text(
                rows_of(lambda f, s=separator: s.join([secs(f), f"{f.can_id:X}", f.data.hex(s)]), frames=frames)
            )
            assert read_frames(path)["data"].tolist() == [f.data for f in frames]

    def test_parts_of_identifiers_behind_words(self, tmp_path: Path) -> None:
        frames = [f._replace(can_id=6 << 26 | (0xFE00 + f.can_id % 256) << 8 | f.can_id >> 6) for f in FRAMES]
        path = tmp_path / "rows.csv"
        rows = [
            f"{secs(f)} PGN={f.can_id >> 8 & 0x3FFFF:05X} PRI=6 SA={f.can_id & 255:02X} DA=FF {len(f.data)} {spaced(f)}"
            for f in frames
        ]
        path.write_text("\n".join([*rows, ""]))
        assert read_frames(path)["can_id"].tolist() == [f.can_id for f in frames]

    def test_remote_requests_in_place_of_data(self, tmp_path: Path) -> None:
        asked = FRAMES[::30]
        path = tmp_path / "rows.txt"
        path.write_text(
            rows_of(lambda f: f"Standard ID: 0x{f.can_id:03X}       DLC: {len(f.data)}  Data:" + (
                    " REMOTE REQUEST FRAME" if f in asked else "".join(f" 0x{b:02X}" for b in f.data)), "Ready")
        )  # fmt: skip
        table = read_frames(path)
        assert table["is_remote"].tolist() == [f in asked for f in FRAMES]
        assert table["data"].tolist() == [b"" if f in asked else f.data for f in FRAMES]
        assert table["dlc"].tolist() == [len(f.data) for f in FRAMES]

    def test_letter_before_parts_that_run_together(self, tmp_path: Path) -> None:
        """A letter says how long the identifier is; behind the data the time runs to a minute, in ms."""
        frames = [f._replace(can_id=f.can_id << 12, is_extended=True) if f.is_sent else f for f in FRAMES]
        path = tmp_path / "rows.txt"
        path.write_text(
            rows_of(lambda f: ("T{:08X}" if f.is_extended else "t{:03X}").format(f.can_id)
                    + f"{len(f.data)}{f.data.hex()}{(f.time_ns // 10**6 + 59_800) % 60_000:04X}", frames=frames)
        )  # fmt: skip
        table = read_frames(path)
        assert table["can_id"].tolist() == [f.can_id for f in frames]
        assert table["is_extended"].tolist() == [f.is_extended for f in frames]
        assert table["data"].tolist() == [f.data for f in frames]
        expected = [f.time_ns // 10**6 * 10**6 - frames[0].time_ns // 10**6 * 10**6 for f in frames]
        assert (table["time_ns"] - table["time_ns"][0]).tolist() == expected

    def test_lengths_as_hexadecimal_codes(self, tmp_path: Path) -> None:
        """Most of them have no letter; those of long frames do."""
        frames = [f._replace(data=f.data * 8) if f.is_sent and len(f.data) == 8 else f for f in FRAMES]
        frames[::20] = [f._replace(data=bytes(range(64))) for f in frames[::20]]
        path = tmp_path / "rows.csv"
        path.write_text(rows_of(lambda f: f"{secs(f)},{f.can_id:X},{min(len(f.data), 15):X},{f.data.hex()}",
                                "Time,ID,DLC,Data", frames))  # fmt: skip
        assert read_frames(path)["data"].tolist() == [f.data for f in frames]

    def test_clock_on_lines_between(self, tmp_path: Path) -> None:
        """Few bytes make rows that are unlike the others, but nothing stands before their identifiers."""
        short = [f._replace(data=f.data[: f.can_id % 3 + 1]) if f.can_id % 2 else f for f in FRAMES]
        rows = [f"{f.can_id:03X} {len(f.data)} {spaced(f)}" for f in short]
        path = tmp_path / "rows.txt"
        path.write_text("\n".join(["--- 12:00:01 ---", *rows[:150], "--- 12:00:02 ---", *rows[150:], ""]))
        table = read_frames(path)
        assert table["can_id"].tolist() == [f.can_id for f in short]
        assert table["data"].tolist() == [f.data for f in short]

    @pytest.mark.parametrize(
        "row", ["{} CAN_{} {:03X} {} {}", "{} CAN {}: {:03X} {} {}", "{} CAN{} {:03X} {} {}", "{} {} {:03X} {} {}"]
    )
    def test_number_of_a_bus(self, tmp_path: Path, row: str) -> None:
        path = tmp_path / "rows.txt"
        path.write_text(rows_of(lambda f: row.format(secs(f), f.can_id % 2 + 1, f.can_id, len(f.data), spaced(f))))
        table = read_frames(path)
        assert [label[-1] for label in table["channel"]] == [str(f.can_id % 2 + 1) for f in FRAMES]

    def test_stamps_where_they_change(self, tmp_path: Path) -> None:
        """As a spreadsheet leaves cells that were merged: the row above says the time."""
        ticks = [f.time_ns // 5_000_000 for f in FRAMES]
        shown = dict(zip(FRAMES, (str(5 * b) if b != a else "" for a, b in zip([-1, *ticks], ticks)), strict=True))  # noqa: B905
        path = tmp_path / "rows.csv"
        path.write_text(rows_of(lambda f: f"{shown[f]};{f.can_id:X};{spaced(f)}", "Time [ms];ID;Data"))
        assert read_frames(path)["time_ns"].tolist() == [5_000_000 * tick for tick in ticks]

    def test_steps_too_fine_for_two_frames(self, tmp_path: Path) -> None:
        """Of stamps in ms some would be alike; of finer ones none can be."""
        frames = traffic(5, n_ids=12, n=500, long_ids=False)
        frames = [f._replace(time_ns=f.time_ns + k * 110_000) for k, f in enumerate(frames)]
        path = tmp_path / "rows.csv"
        path.write_text(rows_of(lambda f: f"{f.time_ns // 100_000};{f.can_id:X};{spaced(f)}", "Time;ID;Data", frames))
        assert read_frames(path)["time_ns"].tolist() == [f.time_ns // 100_000 * 100_000 for f in frames]

    @pytest.mark.parametrize("encoding", ["utf-8", "cp1252"])
    def test_words_of_other_languages(self, tmp_path: Path, encoding: str) -> None:
        path = tmp_path / "rows.csv"
        yes, way = ("FALSCH", "WAHR"), ("empfangen", "gesendet")
        text = rows_of(lambda f: f"{secs(f)};{way[f.is_sent]};{yes[f.is_extended]};{f.can_id:X};{spaced(f)};T\u00fcr",
                       "Zeit;Richtung;Erweitert;Kennung;Daten;Bemerkung")  # fmt: skip
        path.write_bytes(text.encode(encoding))
        table = read_frames(path)
        assert table["is_rx"].tolist() == [not f.is_sent for f in FRAMES]
        assert not table["is_extended"].any()
        path.write_bytes(text.replace("empfangen", "\u63a5\u6536").replace("gesendet", "\u53d1\u9001")
                         .replace("\u00fc", "u").encode("gbk"))  # fmt: skip
        assert read_frames(path)["is_rx"].equals(table["is_rx"])

    @pytest.mark.parametrize("header", ["Delta time (s);ID;DLC;Data", ""])
    def test_time_since_the_row_before(self, tmp_path: Path, header: str) -> None:
        before = [FRAMES[0], *FRAMES]
        steps = dict(zip(FRAMES, (b.time_ns // 1000 - a.time_ns // 1000 for a, b in zip(before, FRAMES)), strict=True))  # noqa: B905
        path = tmp_path / "rows.csv"
        path.write_text(rows_of(lambda f: f"{steps[f] / 1e6:.6f};{f.can_id:X};{len(f.data)};{spaced(f)}", header))
        table = read_frames(path)
        expected = [(frame.time_ns - FRAMES[0].time_ns) / 1e9 for frame in FRAMES]
        assert (table["time"] - table["time"][0]).tolist() == pytest.approx(expected, abs=2e-6)

    def test_first_row_with_fewer_bytes(self, tmp_path: Path) -> None:
        first = FRAMES[0]._replace(data=b"\x05")
        path = tmp_path / "rows.csv"
        path.write_text(
            rows_of(lambda f: f"{f.can_id:X},{len(f.data)},{','.join(map(str, f.data))}", "id,dlc,a,b,c,d,e,f,g,h",
                    [first, *FRAMES])
        )  # fmt: skip
        assert read_frames(path)["data"].tolist() == [first.data, *(frame.data for frame in FRAMES)]

    def test_cells_that_a_spreadsheet_spoilt_are_broken(self, tmp_path: Path) -> None:
        spoilt = FRAMES[3].can_id
        path = tmp_path / "rows.csv"
        path.write_text(
            rows_of(
                lambda f: f"{secs(f)};{'3,00E+05' if f.can_id == spoilt else f'{f.can_id:X}'};"
                f"{len(f.data)};{spaced(f)}", "time;id;dlc;data",
            )
        )  # fmt: skip
        table = read_frames(path)
        whole = [frame for frame in FRAMES if frame.can_id != spoilt]
        assert table["data"].tolist() == [frame.data for frame in whole]
        assert table.attrs["tally"].broken == len(FRAMES) - len(whole)

    def test_a_count_of_rows_is_no_channel(self, tmp_path: Path) -> None:
        """Lines as of an ASC file, with two more columns in front of the channel."""
        path = tmp_path / "rows.asc"
        rows = (
            f"{secs(f):>11} {k:7} 0 1  {f.can_id:<15X} Rx   d {len(f.data)} {spaced(f)}" for k, f in enumerate(FRAMES)
        )
        path.write_text("\n".join(["date Mon Jan 5 10:20:30 am 2026", "base hex  timestamps absolute", *rows, ""]))
        table = read_frames(path)
        assert table["can_id"].tolist() == [frame.can_id for frame in FRAMES]
        assert set(table["channel"]) == {"1"}

    def test_names_from_the_statement_that_makes_the_table(self, tmp_path: Path) -> None:
        """The first column rises as a time does, but is called a number of the row."""
        path = tmp_path / "rows.sql"
        rows = [f"({k * 700 + k % 3},{f.time_ns // 1000},{f.can_id},X'{f.data.hex()}')" for k, f in enumerate(FRAMES)]
        path.write_text(
            "CREATE TABLE `rx` (\n `row` int(11),\n `time_us` bigint,\n `id` decimal(10,0),\n `data` blob\n);\n"
            "INSERT INTO `rx` VALUES\n" + ",\n".join([*rows, ""])
        )
        table = read_frames(path)
        assert table["data"].tolist() == [frame.data for frame in FRAMES]
        assert table["time_ns"].tolist() == [frame.time_ns // 1000 * 1000 for frame in FRAMES]

    def test_rows_run_together_are_broken(self, tmp_path: Path) -> None:
        rows = rows_of(
            lambda f: f"{f.time_ns // 1000 + 1_000_000},{f.can_id:03X},8,{f.data.ljust(8, b'0').hex()}"
        ).split("\n")
        rows[100] += rows.pop(101)
        path = tmp_path / "rows.csv"
        path.write_text("\n".join(rows))
        table = read_frames(path)
        assert len(table) == len(FRAMES) - 2
        assert table["channel"].nunique() == 1
        assert table.attrs["tally"].broken == 1
