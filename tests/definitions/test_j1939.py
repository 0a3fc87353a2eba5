"""SAE J1939 identifiers and values, from the definitions to the verdict's timelines.

Sources: Linux kernel, Documentation/networking/j1939.rst (identifiers); SAE J1939-71, from secondary sources (layout of
engine speed, SPN 190, and of wheel-based speed, SPN 84; table of special values). The frames are made from that layout.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.layouts import frame_table

from buslens import check
from buslens.definitions.dbc import parse_dbc
from buslens.definitions.decode import MessageIndex, decode
from buslens.definitions.j1939 import group_mask, group_number
from buslens.definitions.load import load_definitions
from buslens.definitions.model import EVERY_BIT, Definitions
from buslens.errors import DefinitionError

if TYPE_CHECKING:
    from pathlib import Path

MARKED = (
    'BA_DEF_ BO_ "VFrameFormat" ENUM "StandardCAN","ExtendedCAN","reserved","J1939PG";\n'
    'BA_DEF_DEF_ "VFrameFormat" "{default}";\n'
)
GROUPS = """BO_ 2364540158 EEC1: 8 X
 SG_ ENGINE_SPEED : 24|16@1+ (0.125,0) [0|8031.875] "rpm" X
 SG_ STARTER : 48|2@1+ (1,0) [0|3] "" X
BO_ 2566844926 CCVS: 8 X
 SG_ WHEEL_SPEED : 8|16@1+ (0.00390625,0) [0|250.996] "km/h" X
 SG_ GEAR : 24|8@1+ (1,-125) [-125|125] "" X
BO_ 2565537790 REQUEST: 3 X
 SG_ GROUP : 0|24@1+ (1,0) [0|0] "" X
"""
"""Identifiers 0x0CF004FE (group 61444), 0x18FEF1FE (65265) and 0x18EAFFFE (59904, to one destination)."""
TEXT = (
    GROUPS + MARKED.format(default="J1939PG") + 'VAL_ 2566844926 GEAR 251 "park" ;\nVAL_ 2364540158 STARTER 1 "on" ;\n'
)


def definitions(text: str) -> Definitions:
    return Definitions(messages=parse_dbc(text.encode(), "truck.dbc").messages)


def decoded(can_id: int, data: str) -> dict[str, tuple[float, object]]:
    frames = frame_table([("can0", can_id, bytes.fromhex(data))])
    table = decode(frames, definitions(TEXT))
    label = table["label"].astype(object).where(table["label"].notna(), None)
    return dict(zip(table["signal"], zip(table["value"], label, strict=True), strict=True))


class TestMarks:
    """A message is one of J1939 if it, the file's default or the file's protocol says so, and its id has 29 bits."""

    @pytest.mark.parametrize(
        ("marks", "is_j1939"),
        [
            ("", False),
            (MARKED.format(default="ExtendedCAN"), False),
            (MARKED.format(default="J1939PG"), True),
            (MARKED.format(default="ExtendedCAN") + 'BA_ "VFrameFormat" BO_ 2364540158 3;\n', True),
            (MARKED.format(default="J1939PG") + 'BA_ "VFrameFormat" BO_ 2364540158 1;\n', False),
            ('BA_DEF_ "ProtocolType" STRING ;\nBA_DEF_DEF_ "ProtocolType" "";\nBA_ "ProtocolType" "J1939";\n', True),
            ('BA_DEF_ "ProtocolType" STRING ;\nBA_DEF_DEF_ "ProtocolType" "J1939";\n', True),
            ('BA_DEF_ "ProtocolType" STRING ;\nBA_DEF_DEF_ "ProtocolType" "CAN";\n', False),
        ],
    )
    def test_of_29_bits(self, marks: str, is_j1939: bool) -> None:
        message = definitions(GROUPS + marks).message("EEC1")
        assert message.is_j1939 is is_j1939
        assert message.id_mask == (0x03FFFF00 if is_j1939 else EVERY_BIT)

    def test_of_11_bits(self) -> None:
        assert not definitions("BO_ 1 A: 8 X\n" + MARKED.format(default="J1939PG")).message("A").is_j1939


class TestIdentifiers:
    """A definition stands for its group: any priority, any source, in PDU1 any destination."""

    def test_worked_identifiers(self) -> None:
        # 0x0CF00400: priority 3, group 61444, source 0; 0x18EAFF03: priority 6, group 59904, destination 255, source 3.
        assert (group_number(0x0CF00400), group_number(0x18EAFF03)) == (61444, 59904)

    @pytest.mark.parametrize(
        ("can_id", "name"),
        [
            (0x0CF00400, "EEC1"),
            (0x18F00411, "EEC1"),
            (0x0CF00500, None),
            (0x0DF00400, None),  # another data page
            (0x18FEF100, "CCVS"),
            (0x18EAFF03, "REQUEST"),
            (0x0CEA0021, "REQUEST"),
            (0x18EB0021, None),
        ],
    )
    def test_index(self, can_id: int, name: str | None) -> None:
        index = MessageIndex(definitions(TEXT))
        found = index.find("can0", can_id, is_extended=True)
        assert (found.name if found else None) == name
        assert index.find("can0", can_id & 0x7FF, is_extended=False) is None

    @given(st.integers(0, 7), st.integers(0, 3), st.integers(0, 255), st.integers(0, 255), st.integers(0, 255))
    def test_mask_is_what_the_fields_say(self, priority: int, page: int, pf: int, ps: int, source: int) -> None:
        can_id = priority << 26 | page << 24 | pf << 16 | ps << 8 | source
        group = page << 16 | pf << 8 | (ps if pf >= 240 else 0)
        assert group_number(can_id) == group
        assert can_id & group_mask(can_id) == group << 8

    def test_a_file_that_tells_sources_apart(self) -> None:
        text = TEXT + "BO_ 2364539904 EEC1_ENGINE: 8 X\n"  # 0x0CF00400
        index = MessageIndex(definitions(text))
        names = [index.find("can0", can_id, is_extended=True) for can_id in (0x0CF00400, 0x18F00400, 0x18F004FE)]
        assert [found and found.name for found in names] == ["EEC1_ENGINE", "EEC1_ENGINE", "EEC1"]

    def test_one_group_in_two_files(self, tmp_path: Path) -> None:
        one, two = tmp_path / "one.dbc", tmp_path / "two.dbc"
        one.write_text(TEXT, encoding="utf-8")
        two.write_text("BO_ 2364539904 ENGINE: 8 X\n" + MARKED.format(default="J1939PG"), encoding="utf-8")
        with pytest.raises(DefinitionError, match=r"0xCF00400 of ENGINE is already that of EEC1 \(0xCF004FE, the same"):
            load_definitions(one, two)


class TestValues:
    """A value that says that there is none is not a number."""

    @pytest.mark.parametrize(
        ("data", "speed"),
        [("00 11 22 10 1D 55 66 77", 930), ("00 11 22 C8 1F 55 66 77", 1017)],
    )
    def test_engine_speed(self, data: str, speed: float) -> None:
        assert decoded(0x0CF00400, data)["ENGINE_SPEED"] == (speed, None)

    def test_wheel_based_speed(self) -> None:
        assert decoded(0x18FEF100, "00 80 06 33 44 55 66 77")["WHEEL_SPEED"] == (6.5, None)

    @pytest.mark.parametrize(
        ("low", "high", "label"),
        [
            ("FF", "FA", None),
            ("00", "FB", "reserved"),
            ("FF", "FD", "reserved"),
            ("00", "FE", "error"),
            ("00", "FF", "not available"),
            ("FF", "FF", "not available"),
        ],
    )
    def test_two_bytes(self, low: str, high: str, label: str | None) -> None:
        value, found = decoded(0x0CF00400, f"00 00 00 {low} {high} 00 00 00")["ENGINE_SPEED"]
        assert found == label
        assert value == 8031.875 if label is None else np.isnan(value)

    @pytest.mark.parametrize(("bits", "label"), [(0, None), (1, "on"), (2, "error"), (3, "not available")])
    def test_two_bits(self, bits: int, label: str | None) -> None:
        value, found = decoded(0x0CF00400, f"00 00 00 00 00 00 {bits:02X} 00")["STARTER"]
        assert found == label
        assert np.isnan(value) == (bits > 1)

    def test_a_name_in_the_definitions_counts(self) -> None:
        assert decoded(0x18FEF100, "00 00 00 FB 00 00 00 00")["GEAR"][1] == "park"

    def test_other_files_have_no_such_values(self) -> None:
        frames = frame_table([("can0", 0x0CF004FE, bytes.fromhex("00 00 00 FF FF 00 03 00"))])
        table = decode(frames, definitions(GROUPS))
        assert table["value"].tolist() == [8191.875, 3]
        assert isinstance(table, pd.DataFrame)


class TestVerdict:
    """A capture is judged by its groups, whoever sent them, in every format."""

    EXPECTED = """format = 1
[roles.speed]
signal = "EEC1.ENGINE_SPEED"
unit = "rpm"
[roles.starter]
signal = "EEC1.STARTER"
states = { off = 0, on = "on", broken = 2 }
[[rules]]
name = "idle"
kind = "range"
of = "speed"
most = "1000 rpm"
"""

    def test_timelines(self, tmp_path: Path) -> None:
        (tmp_path / "truck.dbc").write_text(TEXT, encoding="utf-8")
        (tmp_path / "truck.toml").write_text(self.EXPECTED, encoding="utf-8")
        lines = [
            "(1.000000) can0 0CF00400#001122101D550077",  # 930 rpm
            "(1.010000) can0 0CF00411#001122101D550177",  # another sender
            "(1.015000) can0 0CF10411#0000000000000000",  # another group
            "(1.020000) can0 18F00400#001122C81F550277",  # 1017 rpm, another priority; the starter's error
            "(1.030000) can0 0CF00400#00112200FF550377",  # neither is available
            "(1.040000) can0 004#0000000000000000",
        ]
        log = tmp_path / "truck.log"
        log.write_text("\n".join(lines) + "\n", encoding="utf-8")
        result = check(log, tmp_path / "truck.toml", tmp_path / "truck.dbc")
        speed, starter = result.timelines["speed"], result.timelines["starter"]
        # What one sender has not available, the other still says, within its cycle.
        assert speed.value.tolist() == [930, 1017, 930]
        assert starter.state.tolist() == [0, 1]
        assert [finding.outcome.value for finding in result.findings] == ["violated", "met"]
        assert any("came with ids CF00400, CF00411, 18F00400" in note for note in result.notes)

    def test_each_sender_of_a_file_that_tells_them_apart(self, tmp_path: Path) -> None:
        text = TEXT + "BO_ 2364539904 OTHER: 8 X\n"  # 0x0CF00400
        (tmp_path / "truck.dbc").write_text(
            text.replace("EEC1:", "LATER:").replace("OTHER:", "EEC1:").replace("BO_ 2364539904 EEC1: 8 X\n", "")
            + 'BO_ 2364539904 EEC1: 8 X\n SG_ ENGINE_SPEED : 24|16@1+ (0.125,0) [0|0] "rpm" X\n',
            encoding="utf-8",
        )
        expected = self.EXPECTED.replace(
            '[roles.starter]\nsignal = "EEC1.STARTER"\nstates = { off = 0, on = "on", broken = 2 }\n', ""
        )
        (tmp_path / "truck.toml").write_text(expected, encoding="utf-8")
        log = tmp_path / "truck.log"
        log.write_text("(1.0) can0 0CF00400#001122101D550077\n(1.1) can0 0CF00411#001122C81F550077\n", encoding="utf-8")
        result = check(log, tmp_path / "truck.toml", tmp_path / "truck.dbc")
        assert result.timelines["speed"].value.tolist() == [930]
