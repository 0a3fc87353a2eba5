from __future__ import annotations

import pytest

from buslens.capture.error_frames import (
    BUS_OFF_LEVEL,
    CLASSES,
    CONTROLLER_STATES,
    PASSIVE_LEVEL,
    WARNING_LEVEL,
    BusError,
    class_names,
    explain_error_frame,
)


class TestConstants:
    """The numbers are those of the Linux kernel's include/uapi/linux/can/error.h."""

    def test_classes(self) -> None:
        # CAN_ERR_TX_TIMEOUT, LOSTARB, CRTL, PROT, TRX, ACK, BUSOFF, BUSERROR, RESTARTED, CNT
        assert list(CLASSES) == [0x1, 0x2, 0x4, 0x8, 0x10, 0x20, 0x40, 0x80, 0x100, 0x200]

    def test_controller_states(self) -> None:
        # CAN_ERR_CRTL_RX_WARNING, TX_WARNING, RX_PASSIVE, TX_PASSIVE, ACTIVE
        states = {bit: CONTROLLER_STATES[bit] for bit in (0x04, 0x08, 0x10, 0x20, 0x40)}
        assert list(states.values()) == [
            "receive warning",
            "transmit warning",
            "receive passive",
            "transmit passive",
            "error active again",
        ]
        # CAN_ERROR_WARNING_THRESHOLD, CAN_ERROR_PASSIVE_THRESHOLD, CAN_BUS_OFF_THRESHOLD
        assert (WARNING_LEVEL, PASSIVE_LEVEL, BUS_OFF_LEVEL) == (96, 128, 256)


class TestExplained:
    """An error frame says its classes, and of each class what the data bytes hold."""

    @pytest.mark.parametrize(
        ("can_id", "data", "expected"),
        [
            # Examples composed from the constants of include/uapi/linux/can/error.h.
            (0x20000040, b"", BusError(classes=("bus off",))),
            (
                0x20000204,
                bytes.fromhex("0008000000006000"),
                BusError(
                    classes=("controller problem", "error counters"),
                    states=("transmit warning",),
                    transmit_errors=96,
                    receive_errors=0,
                ),
            ),
            (
                0x20000088,
                bytes.fromhex("0000040A00000000"),
                BusError(classes=("protocol violation", "bus error"), violations=("stuff error",), place="data field"),
            ),
            (0x2, b"\x07", BusError(classes=("lost arbitration",), lost_at_bit=7)),
            (0x2, b"\x00", BusError(classes=("lost arbitration",))),
            (0x20, b"\xff" * 8, BusError(classes=("no acknowledge",))),
            (0x400, b"", BusError(classes=("class 0x400",))),
            (0, b"", BusError(classes=())),
        ],
    )
    def test_explained(self, can_id: int, data: bytes, expected: BusError) -> None:
        assert explain_error_frame(can_id, data) == expected

    def test_flag_is_no_class(self) -> None:
        assert class_names(0x20000001) == class_names(0x1) == ("transmit timeout",)
