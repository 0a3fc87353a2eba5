from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buslens.dialogue.contents import read_answer, read_request
from buslens.dialogue.fault_codes import STATUS_BITS, by_j2012, read_fault_codes, status_bits

CODES = st.lists(st.tuples(st.binary(min_size=3, max_size=3), st.integers(0, 255)), max_size=20)


def uds() -> Any:
    import support.dialogues  # noqa: F401 - it keeps scapy quiet
    from scapy.contrib.automotive import uds as module

    return module


class TestAgainstScapy:
    """What scapy's encoder writes is read back."""

    @given(st.sampled_from([0x02, 0x0A, 0x0B, 0x0C, 0x0D, 0x0E, 0x0F, 0x13, 0x15]), CODES, st.integers(0, 255))
    def test_lists(self, subfunction: int, codes: list[tuple[bytes, int]], mask: int) -> None:
        module = uds()
        records = [module.DTCAndStatusRecord(dtc=module.DTC(number), status=status) for number, status in codes]
        packet = module.UDS() / module.UDS_RDTCIPR(
            reportType=subfunction, DTCStatusAvailabilityMask=mask, DTCAndStatusRecord=records
        )
        found = read_fault_codes(bytes(packet))
        assert found is not None
        assert [(it.number, it.status, it.available) for it in found.codes] == [(*it, mask) for it in codes]
        assert found.left == b""

    @given(st.sampled_from([0x01, 0x07, 0x11, 0x12]), st.integers(0, 65535))
    def test_counts(self, subfunction: int, count: int) -> None:
        module = uds()
        packet = module.UDS() / module.UDS_RDTCIPR(reportType=subfunction, DTCCount=count)
        found = read_fault_codes(bytes(packet))
        assert found is not None
        assert (found.reported, found.codes) == (count, ())

    @given(st.integers(0, 255))
    def test_names_of_bits(self, status: int) -> None:
        theirs = uds().UDS_RDTCI.dtcStatus
        names = [theirs[1 << k] if isinstance(theirs, dict) else theirs[k] for k in range(8)]
        assert [it.lower() for it in STATUS_BITS] == [it.lower() for it in names]
        assert set(status_bits(status)) == {STATUS_BITS[k] for k in range(8) if status >> k & 1}


class TestLayouts:
    """Every layout of the table, by hand."""

    @pytest.mark.parametrize(
        ("answer", "codes"),
        [
            # ISO 14229-1, example of reportDTCByStatusMask, from memory.
            ("59 02 7F 0A 9B 17 24 08 05 11 2F", [("0A9B17", 0x24), ("080511", 0x2F)]),
            ("59 03 12 34 56 01 12 34 56 02", [("123456", None), ("123456", None)]),
            ("59 04 12 34 56 24 01 01 47 11 A6", [("123456", 0x24)]),
            ("59 06 12 34 56 24 05 17", [("123456", 0x24)]),
            ("59 08 FF 40 10 0A 9B 17 24", [("0A9B17", 0x24)]),
            ("59 14 08 05 11 60", [("080511", None)]),
            ("59 17 18 FF 0A 9B 17 24", [("0A9B17", 0x24)]),
            ("59 42 33 FF FF 04 20 25 22 1F 2F", [("25221F", 0x2F)]),
            ("59 55 33 FF 04 25 22 1F 2F", [("25221F", 0x2F)]),
            ("43 01 01 43", [("0143", None)]),
            ("4A 00", []),
        ],
    )
    def test_codes(self, answer: str, codes: list[tuple[str, int | None]]) -> None:
        found = read_fault_codes(bytes.fromhex(answer))
        assert found is not None
        assert [(it.number.hex().upper(), it.status) for it in found.codes] == codes

    @pytest.mark.parametrize("answer", ["62 F1 90", "59", "59 05 01", "7F 19 31", ""])
    def test_none(self, answer: str) -> None:
        assert read_fault_codes(bytes.fromhex(answer)) is None

    def test_bytes_that_are_no_whole_code(self) -> None:
        found = read_fault_codes(bytes.fromhex("59 02 FF 0A 9B 17 24 08 05"))
        assert found is not None
        assert len(found.codes) == 1
        assert found.left == b"\x08\x05"

    def test_unsupported_bits_mean_nothing(self) -> None:
        found = read_fault_codes(bytes.fromhex("59 02 09 0A 9B 17 2F"))
        assert found is not None
        assert found.codes[0].bits == ("testFailed", "confirmedDTC")

    @pytest.mark.parametrize(
        ("number", "text"),
        # 0143 is P0143: SAE J2012, as the article "OBD-II PIDs" of the English Wikipedia decodes it, from memory.
        [("0143", "P0143"), ("0A9B17", "P0A9B-17"), ("C10087", "U0100-87"), ("5234", "C1234"), ("9ABC", "B1ABC")],
    )
    def test_by_j2012(self, number: str, text: str) -> None:
        assert by_j2012(bytes.fromhex(number)) == text


class TestContents:
    """Numbers of a message's parts."""

    def test_several_identifiers(self) -> None:
        found = read_request(bytes.fromhex("22 F1 90 D0 10"))
        assert found.identifiers == (0xF190, 0xD010)

    def test_routine(self) -> None:
        found = read_request(bytes.fromhex("31 01 02 03 AA"))
        assert (found.subfunction, found.identifiers, found.data) == (1, (0x0203,), b"\xaa")

    @pytest.mark.parametrize("text", ["27 02 11 22 33", "67 01 11 22 33", "69 01 11"])
    def test_secrets_are_withheld(self, text: str) -> None:
        data = bytes.fromhex(text)
        found = read_request(data) if data[0] < 0x40 else read_answer(data)
        assert found.is_withheld
        assert found.data == b""

    def test_refusal(self) -> None:
        found = read_answer(bytes.fromhex("7F 22 31"))
        assert (found.service, found.refusal) == (0x22, 0x31)

    @given(st.binary(max_size=20))
    def test_anything_is_read(self, data: bytes) -> None:
        read_request(data)
        read_answer(data)
        read_fault_codes(data)
