from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buslens.dialogue.services import (
    RESPONSE_CODES,
    SERVICES,
    SUBFUNCTIONS,
    answered_service,
    answers,
    is_suppressed,
)


def uds() -> Any:
    import support.dialogues  # noqa: F401 - it keeps scapy quiet
    from scapy.contrib.automotive import uds as module

    return module


def bare(name: str) -> str:
    """Return a name without what differs between editions of the standard."""
    return re.sub(r"Ext(ended)?|Related|By(?=Periodic)|\(es\)|[^A-Za-z]", "", name).lower()


class TestNames:
    """Numbers and names are those of scapy's dissector."""

    def test_services(self) -> None:
        theirs = {number: name for number, name in uds().UDS.services.items() if number + 0x40 in uds().UDS.services}
        assert len(theirs) > 20
        mine = {number: bare(SERVICES[number].name) for number in theirs}
        assert mine == {number: bare(name) for number, name in theirs.items()}

    def test_response_codes(self) -> None:
        theirs = uds().UDS_NR.negativeResponseCodes
        kept = {number: name for number, name in theirs.items() if number and "Reserved" not in name}
        assert len(kept) > 40
        assert {number: bare(RESPONSE_CODES[number]) for number in kept} == {k: bare(it) for k, it in kept.items()}

    @pytest.mark.parametrize(
        ("service", "table"),
        [
            (0x10, "UDS_DSC.diagnosticSessionTypes"),
            (0x11, "UDS_ER.resetTypes"),
            (0x19, "UDS_RDTCI.reportTypes"),
            (0x31, "UDS_RC.routineControlTypes"),
            (0x85, "UDS_CDTCS.DTCSettingTypes"),
        ],
    )
    def test_subfunctions(self, service: int, table: str) -> None:
        owner, _, name = table.partition(".")
        theirs = getattr(getattr(uds(), owner), name)
        kept = {k: it for k, it in theirs.items() if "Reserved" not in it}
        # 05 was renamed in 2013; scapy gives power down to 41, which the standard leaves to manufacturers.
        kept = {k: it for k, it in kept.items() if (service, k) not in {(0x19, 5), (0x11, 65)}}
        assert {k: bare(SUBFUNCTIONS[service][k]) for k in kept} == {k: bare(it) for k, it in kept.items()}


class TestAnswers:
    """A message answers a request of its service if it repeats what it has to."""

    @pytest.mark.parametrize(
        ("request_", "answer", "is_one"),
        [
            ("22 F1 90", "62 F1 90 01", True),
            ("22 F1 90", "62 F1 91 01", False),
            ("22 F1 90 F1 91", "62 F1 91 01", True),
            ("22 F1 90", "7F 22 31", True),
            ("22 F1 90", "7F 2E 31", False),
            ("22 F1 90", "62", False),
            ("10 83", "50 03 00 32 01 F4", True),
            ("31 01 02 03", "71 01 02 03", True),
            ("31 01 02 03", "71 03 02 03", False),
            ("14 FF FF FF", "54", True),
            ("3E 00", "7E 00", True),
            ("01 05", "41 05 7B", True),
            ("01 05 0C", "41 0C 1A F8", True),
            ("FE", "3E", False),
        ],
    )
    def test_cases(self, request_: str, answer: str, is_one: bool) -> None:
        assert answers(bytes.fromhex(request_), bytes.fromhex(answer)) is is_one

    @given(st.binary(max_size=8), st.binary(max_size=8))
    def test_never_of_another_service(self, request: bytes, answer: bytes) -> None:
        if answers(request, answer):
            assert answered_service(answer) == request[0]

    def test_suppressed(self) -> None:
        assert is_suppressed(b"\x3e\x80")
        assert not is_suppressed(b"\x3e\x00")
        assert not is_suppressed(b"\x22\xf1\x90"), "no subfunction"
