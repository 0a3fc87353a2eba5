from __future__ import annotations

import struct
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from cantools.database import DecodeError
from cantools.database.can import Database
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.layouts import frame_table, multiplexed_layouts, payloads, plain_layouts

from buslens.definitions.dbc import parse_dbc
from buslens.definitions.decode import decode
from buslens.definitions.model import Definitions
from buslens.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd


def definitions(text: str, channel: str | None = None) -> Definitions:
    messages = parse_dbc(text.encode(), "test.dbc").messages
    return Definitions(messages=tuple(replace(message, channel=channel) for message in messages))


def _bits(number: float, length: int) -> int:
    code = {16: "<e", 32: "<f", 64: "<d"}[length]
    return int.from_bytes(struct.pack(code, number), "little")


def rows(table: pd.DataFrame) -> list[tuple[Any, ...]]:
    label = table["label"].astype(object).where(table["label"].notna(), None)
    return list(zip(table["message"], table["signal"], table["value"].tolist(), label, strict=True))


COLUMNS = ["time", "time_ns", "message", "signal", "raw", "value", "label"]

TWO = """BO_ 1 A: 2 X
 SG_ FIRST : 8|8@1+ (1,0) [0|0] "" X
 SG_ SECOND : 0|8@1+ (10,0) [0|0] "" X

BO_ 2147483650 B: 1 X
 SG_ ONLY : 0|8@1- (1,0) [0|0] "" X

VAL_ 1 FIRST 1 "one" 2 "two" ;
VAL_ 2147483650 ONLY -1 "minus one" ;
"""


class TestRows:
    """There is one row for each signal of each frame, in the order of the frames, then of the signals."""

    def test_order_values_and_labels(self) -> None:
        frames = frame_table([("can0", 1, b"\x05\x01"), ("can0", 0x802, b"\xff"), ("can0", 1, b"\x06\x03")])
        frames["is_extended"] = [False, True, False]
        frames["can_id"] = [1, 2, 1]
        table = decode(frames, definitions(TWO))
        assert list(table.columns) == COLUMNS
        assert rows(table) == [
            ("A", "FIRST", 1, "one"),
            ("A", "SECOND", 50, None),
            ("B", "ONLY", -1, "minus one"),
            ("A", "FIRST", 3, None),
            ("A", "SECOND", 60, None),
        ]
        assert table["time"].tolist() == [0.0, 0.0, 0.01, 0.02, 0.02]
        assert table["raw"].tolist() == [1, 5, -1, 3, 6]
        assert table["time_ns"].tolist() == [0, 0, 10_000_000, 20_000_000, 20_000_000]
        assert (table["raw"].dtype, table["value"].dtype, table["time_ns"].dtype) == (np.int64, np.float64, np.int64)
        assert table["label"].isna().tolist() == [False, True, False, True, True]

    @given(st.data())
    @settings(max_examples=examples(25), deadline=None)
    def test_is_what_cantools_decodes_frame_by_frame(self, data: st.DataObject) -> None:
        layouts = [data.draw(plain_layouts()), data.draw(multiplexed_layouts(extended=data.draw(st.booleans())))]
        database = Database(strict=False, sort_signals=None)
        messages = []
        for number, layout in enumerate(layouts):
            layout.number = 0x100 + number
            text = layout.dbc().replace("MESSAGE", f"M{number}")
            database.add_dbc_string(text)
            messages += parse_dbc(text.encode(), "drawn.dbc").messages
        contents, expected = [], []
        for _ in range(data.draw(st.integers(0, 6))):
            number = data.draw(st.integers(0, 1))
            content = data.draw(payloads(layouts[number]))
            reference = database.get_message_by_frame_id(0x100 + number)
            try:
                found = reference.decode(content, decode_choices=False, allow_truncated=True)
                counts = reference.decode(content, decode_choices=False, allow_truncated=True, scaling=False)
            except DecodeError:  # no signal for this selector; what we do then has a test of its own
                continue
            contents.append(("can0", 0x100 + number, content))
            for one in reference.signals:
                if one.name in found:
                    raw = _bits(counts[one.name], one.length) if one.is_float else counts[one.name]
                    expected.append((reference.name, one.name, found[one.name], raw))
        table = decode(frame_table(contents), Definitions(messages=tuple(messages)))
        assert list(zip(table["message"], table["signal"], strict=True)) == [row[:2] for row in expected]
        np.testing.assert_array_equal(table["value"].to_numpy(float), [float(row[2]) for row in expected])
        numbers = zip(table["raw"].tolist(), expected, strict=True)
        # The reference takes what is no number through a float, which may change its bits.
        assert all(raw == row[3] or np.isnan(row[2]) for raw, row in numbers)

    def test_no_frames(self) -> None:
        table = decode(frame_table([]), definitions(TWO))
        assert list(table.columns) == COLUMNS
        assert (len(table), table.attrs) == (0, {"short_frames": 0, "unknown_frames": 0})


class TestAbsent:
    """What a frame does not carry has no row."""

    def test_short_frames(self) -> None:
        frames = frame_table([("can0", 1, data) for data in (b"", b"\x05", b"\x05\x01", b"\x05\x01\x00")])
        table = decode(frames, definitions(TWO))
        assert [row[1] for row in rows(table)] == ["SECOND", "FIRST", "SECOND", "FIRST", "SECOND"]
        assert table.attrs["short_frames"] == 2

    def test_unknown_identifiers(self) -> None:
        frames = frame_table([("can0", 3, b"\x00"), ("can0", 1, b"\x05\x01")])
        table = decode(frames, definitions(TWO))
        assert (len(table), table.attrs["unknown_frames"]) == (2, 1)

    @pytest.mark.parametrize("kind", ["is_remote", "is_error"])
    def test_remote_and_error_frames(self, kind: str) -> None:
        frames = frame_table([("can0", 1, b"\x05\x01")] * 2, **{kind: [True, False]})
        table = decode(frames, definitions(TWO))
        assert table["time"].tolist() == [0.01, 0.01]
        assert table.attrs["unknown_frames"] == 0

    def test_another_channel(self) -> None:
        frames = frame_table([("can0", 1, b"\x05\x01"), ("can1", 1, b"\x05\x02")])
        table = decode(frames, definitions(TWO, channel="can1"))
        assert [row[2] for row in rows(table)] == [2, 50]

    def test_the_other_width(self) -> None:
        frames = frame_table([("can0", 1, b"\x05\x01")], is_extended=True)
        assert len(decode(frames, definitions(TWO))) == 0

    def test_a_selector_that_selects_nothing(self) -> None:
        text = 'BO_ 1 A: 2 X\n SG_ P M : 0|8@1+ (1,0) [0|0] "" X\n SG_ S m1 : 8|8@1+ (1,0) [0|0] "" X\n'
        frames = frame_table([("can0", 1, b"\x01\x07"), ("can0", 1, b"\x02\x07")])
        assert [row[1:3] for row in rows(decode(frames, definitions(text)))] == [("P", 1), ("S", 7), ("P", 2)]


class TestTypes:
    """What type a column has follows from the definitions, never from what a capture holds."""

    TEXT = 'BO_ 1 A: 8 X\n SG_ WIDE : 0|64@1+ (1,0) [0|0] "" X\n\nBO_ 2 B: 1 X\n SG_ HALF : 0|8@1+ (0.5,0) [0|0] "" X\n'
    LARGE = TEXT.replace("64@1+", "64@1-")

    @pytest.mark.parametrize(
        ("text", "frames", "dtype", "raw"),
        [
            (TEXT, [(1, b"\xff" * 7 + b"\x7f")], object, [2**63 - 1]),
            (TEXT, [(1, b"\xff" * 8)], object, [2**64 - 1]),
            (TEXT, [(2, b"\x04")], object, [4]),
            (TEXT, [], object, []),
            (LARGE, [(2, b"\x03"), (1, b"\x01" + bytes(5) + b"\x20\x00")], np.int64, [3, 2**53 + 1]),
            (LARGE, [(1, b"\xff" * 8)], np.int64, [-1]),
            (LARGE, [], np.int64, []),
        ],
    )
    def test_raw_is_exact(self, text: str, frames: list[tuple[int, bytes]], dtype: type, raw: list[int]) -> None:
        table = decode(frame_table([("can0", *frame) for frame in frames]), definitions(text))
        assert (table["raw"].dtype, table["value"].dtype) == (dtype, np.float64)
        assert table["raw"].tolist() == raw
        assert table["value"].tolist() == [
            float(it) / (2 if signal == "HALF" else 1) for it, signal in zip(raw, table["signal"], strict=True)
        ]

    def test_the_raw_value_of_a_float_is_its_bits(self) -> None:
        text = 'BO_ 1 A: 4 X\n SG_ F : 0|32@1- (2,0) [0|0] "" X\nSIG_VALTYPE_ 1 F : 1;\n'
        table = decode(frame_table([("can0", 1, struct.pack("<f", 12.6))]), definitions(text))
        assert table["raw"].tolist() == [0x4149999A]
        assert table["value"].tolist() == [2 * float(np.float32(12.6))]


class TestManyLabels:
    """A signal may have more names than a byte can count, and J1939 adds its own."""

    @pytest.mark.parametrize("names", [3, 125, 126, 200, 251])
    def test_each_value_has_its_own(self, names: int) -> None:
        text = 'BO_ 2566844672 CCVS: 8 X\n SG_ S : 0|8@1+ (1,0) [0|0] "" X\n SG_ T : 8|8@1+ (1,0) [0|0] "" X\n'
        text += 'BA_DEF_ "ProtocolType" STRING ;\nBA_DEF_DEF_ "ProtocolType" "J1939";\n'
        text += "VAL_ 2566844672 S " + " ".join(f'{value} "name {value}"' for value in range(names)) + " ;\n"
        text += "VAL_ 2566844672 T " + " ".join(f'{value} "other {value}"' for value in range(names)) + " ;\n"
        frames = frame_table(
            [("can0", 0x18FEF100, bytes([value, 255 - value, 0, 0, 0, 0, 0, 0])) for value in range(256)]
        )
        table = decode(frames, definitions(text))
        special = {0xFF: "not available", 0xFE: "error"} | dict.fromkeys(range(0xFB, 0xFE), "reserved")
        for raw, signal, label in zip(table["raw"], table["signal"], table["label"], strict=True):
            word = {"S": "name", "T": "other"}[signal]
            expected = f"{word} {raw}" if raw < names else special.get(raw)
            assert (label == expected) if expected else isinstance(label, float | type(None))


class TestWide:
    """Each signal can have a column of its own, with a row for each frame that carried any."""

    FRAMES = frame_table(
        [("can0", 1, b"\x05\x01"), ("can0", 3, b""), ("can0", 2, b"\xff"), ("can0", 1, b"\x06")],
        is_extended=[False, False, True, False],
    )

    def test_columns_and_rows(self) -> None:
        table = decode(self.FRAMES, definitions(TWO), wide=True)
        assert list(table.columns) == ["time", "time_ns", "A.FIRST", "A.SECOND", "B.ONLY"]
        assert table["time_ns"].tolist() == [0, 20_000_000, 30_000_000]
        nan = float("nan")
        np.testing.assert_array_equal(
            table[["A.FIRST", "A.SECOND", "B.ONLY"]], [[1, 50, nan], [nan, nan, -1], [nan, 60, nan]]
        )
        assert (table.dtypes.iloc[2:] == np.float64).all()

    def test_what_did_not_come_has_a_column_only_if_asked_for(self) -> None:
        frames = self.FRAMES.iloc[:1]
        assert list(decode(frames, definitions(TWO), wide=True).columns)[2:] == ["A.FIRST", "A.SECOND"]
        table = decode(frames, definitions(TWO), only=["B", "A.FIRST"], wide=True)
        assert list(table.columns)[2:] == ["A.FIRST", "B.ONLY"]
        assert table["B.ONLY"].isna().all()

    @given(st.data())
    @settings(max_examples=examples(30), deadline=None)
    def test_holds_what_the_long_form_holds(self, data: st.DataObject) -> None:
        layout = data.draw(multiplexed_layouts(extended=data.draw(st.booleans())))
        layout.number = 0x100
        defined = definitions(layout.dbc())
        frames = frame_table(
            [("can0", 0x100, data.draw(payloads(layout))) for _ in range(data.draw(st.integers(0, 5)))]
        )
        long, wide = decode(frames, defined), decode(frames, defined, wide=True)
        values = {(row.time_ns, f"{row.message}.{row.signal}"): row.value for row in long.itertuples()}
        for row in wide.to_dict("records"):
            for name, value in row.items():
                if not str(name).startswith("time"):
                    np.testing.assert_equal(value, values.get((row["time_ns"], name), np.nan))
        assert set(wide["time_ns"]) == set(long["time_ns"])


class TestOnly:
    """Messages and signals can be picked before anything is decoded."""

    @pytest.mark.parametrize(
        ("only", "expected"),
        [(["A"], ["FIRST", "SECOND"]), (["A.SECOND"], ["SECOND"]), ("A.FIRST", ["FIRST"]), ([], [])],
    )
    def test_picked(self, only: list[str] | str, expected: list[str]) -> None:
        table = decode(frame_table([("can0", 1, b"\x05\x01")]), definitions(TWO), only=only)
        assert table["signal"].tolist() == expected

    def test_an_unknown_name(self) -> None:
        with pytest.raises(UsageError, match=r"'A\.FIRTS'; did you mean 'A\.FIRST'"):
            decode(frame_table([]), definitions(TWO), only=["A.FIRTS"])


class TestInput:
    """What cannot be decoded is said in words."""

    def test_a_table_without_payloads(self) -> None:
        with pytest.raises(UsageError, match="no column data"):
            decode(frame_table([]).drop(columns="data"), definitions(TWO))

    def test_a_payload_longer_than_a_frame(self) -> None:
        with pytest.raises(UsageError, match="65 bytes"):
            decode(frame_table([("can0", 1, bytes(65))]), definitions(TWO))

    def test_paths(self, tmp_path: Path) -> None:
        pytest.importorskip("buslens.capture.read", reason="the readers are another layer")
        (tmp_path / "a.log").write_text("(1.000000) can0 001#0501\n", encoding="ascii")
        (tmp_path / "a.dbc").write_text(TWO, encoding="ascii")
        for as_given in (str, lambda path: path):
            table = decode(as_given(tmp_path / "a.log"), as_given(tmp_path / "a.dbc"))
            assert [row[:3] for row in rows(table)] == [("A", "FIRST", 1), ("A", "SECOND", 50)]
            assert table["time"].tolist() == [1.0, 1.0]


class TestWorkedValues:
    """Values of published formats, each worked out by hand from the layout."""

    #: SAE J1939-71 (read in secondary sources): SPN 190, bytes 4-5, little endian, 0.125 rpm; SPN 84, bytes 2-3,
    #: 1/256 km/h. The frames are made from this layout: 0x1D10 is 7440, an eighth of it 930; 0x0680 / 256 is 6.5.
    J1939 = (
        'BO_ 2364539904 EEC1: 8 X\n SG_ ENGINE_SPEED : 24|16@1+ (0.125,0) [0|8031.875] "rpm" X\n\n'
        'BO_ 2566844672 CCVS: 8 X\n SG_ WHEEL_BASED_SPEED : 8|16@1+ (0.00390625,0) [0|250.996] "km/h" X\n'
    )

    @pytest.mark.parametrize(
        ("can_id", "data", "value"),
        [
            (0x0CF00400, "00 11 22 10 1D 55 66 77", 930.0),
            (0x0CF00400, "00 11 22 C8 1F 55 66 77", 1017.0),
            (0x18FEF100, "00 80 06 33 44 55 66 77", 6.5),
        ],
    )
    def test_sae_j1939_71(self, can_id: int, data: str, value: float) -> None:
        table = decode(frame_table([("can0", can_id, bytes.fromhex(data))]), definitions(self.J1939))
        assert table["value"].tolist() == [value]

    #: ISO 15031-5 / SAE J1979 (secondary source: the formulas as in scapy): big endian; mode 1 answers as 0x41.
    #: The first byte on the bus is the length (single frame of ISO 15765-2).
    OBD = """BO_ 2024 REPLY: 8 X
 SG_ LENGTH : 7|8@0+ (1,0) [0|0] "" X
 SG_ SERVICE M : 15|8@0+ (1,0) [0|0] "" X
 SG_ PARAMETER m65M : 23|8@0+ (1,0) [0|0] "" X
 SG_ ENGINE_SPEED m12 : 31|16@0+ (0.25,0) [0|0] "rpm" X
 SG_ ROAD_SPEED m13 : 31|8@0+ (1,0) [0|0] "km/h" X
 SG_ COOLANT m5 : 31|8@0+ (1,-40) [0|0] "degC" X
SG_MUL_VAL_ 2024 PARAMETER SERVICE 65-65;
SG_MUL_VAL_ 2024 ENGINE_SPEED PARAMETER 12-12;
SG_MUL_VAL_ 2024 ROAD_SPEED PARAMETER 13-13;
SG_MUL_VAL_ 2024 COOLANT PARAMETER 5-5;
"""

    @pytest.mark.parametrize(
        ("data", "signal", "value"),
        [
            ("04 41 0C 1A F8", "ENGINE_SPEED", 1726),
            ("03 41 0D 32", "ROAD_SPEED", 50),
            ("03 41 05 7B", "COOLANT", 83),
        ],
    )
    def test_iso_15031_5(self, data: str, signal: str, value: float) -> None:
        frames = frame_table([("can0", 0x7E8, bytes.fromhex(data))])
        table = decode(frames, definitions(self.OBD))
        assert table["signal"].tolist() == ["LENGTH", "SERVICE", "PARAMETER", signal]
        assert table["value"].iloc[-1] == value
