from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.dialogues import fd_frames, scapy_frames

from buslens.dialogue.model import Address, MessageEnd, TransportCounts, TransportMessage
from buslens.dialogue.transport import TransportFrame, assemble

if TYPE_CHECKING:
    from collections.abc import Sequence

UNIT = Address("can0", 0x7E8, False)
MS = 1_000_000


def received(
    frames: Sequence[bytes], *, step_ns: int = MS, controls: Sequence[TransportFrame] = ()
) -> tuple[list[TransportMessage], TransportCounts]:
    rows = [TransportFrame(k * step_ns, data) for k, data in enumerate(frames)]
    return assemble(UNIT, rows, [controls])


def hexed(text: str) -> list[bytes]:
    return [bytes.fromhex(line) for line in text.split("|")]


class TestWhole:
    """What an encoder cuts up is put together again, to the byte."""

    @given(st.lists(st.binary(min_size=1, max_size=300), min_size=1, max_size=4))
    def test_messages_of_scapy(self, messages: list[bytes]) -> None:
        found, counts = received([frame for data in messages for frame in scapy_frames(data)])
        assert [it.data for it in found] == messages
        assert all(it.is_complete and it.is_end_seen for it in found)
        assert (counts.lost, counts.repeated, counts.unexpected, counts.invalid) == (0, 0, 0, 0)

    def test_longer_than_4095(self) -> None:
        data = bytes(k * 7 & 0xFF for k in range(5000))
        found, _ = received(scapy_frames(data))
        assert [it.data for it in found] == [data]

    @given(st.binary(min_size=1, max_size=400), st.sampled_from([8, 12, 16, 20, 24, 32, 48, 64]))
    def test_can_fd(self, data: bytes, size: int) -> None:
        if size == 8 and len(data) < 8:
            size = 12
        found, counts = received(fd_frames(data, max(size, 12)))
        assert [it.data for it in found] == [data]
        assert counts.invalid == 0

    @given(st.binary(min_size=1, max_size=60), st.integers(0, 255))
    def test_padding_is_no_data(self, data: bytes, filler: int) -> None:
        found, _ = received([frame.ljust(8, bytes([filler])) for frame in scapy_frames(data)])
        assert [it.data for it in found] == [data]

    def test_vin_of_the_encyclopedia(self) -> None:
        """The form of the worked example in the article "ISO 15765-2" of the English Wikipedia; bytes from memory."""
        found, _ = received(hexed("10 14 49 02 01 57 50 30|21 5A 5A 5A 39 39 5A 54|22 53 33 39 32 31 32 34"))
        assert found[0].data == b"\x49\x02\x01WP0ZZZ99ZTS392124"

    def test_time_is_that_of_first_and_last_frame(self) -> None:
        found, _ = received(scapy_frames(bytes(30)))
        assert (found[0].first_ns, found[0].last_ns) == (0, 4 * MS)


class TestDamage:
    """What is lost or repeated is counted, and no byte behind a gap is told."""

    @given(st.binary(min_size=20, max_size=120), st.data())
    def test_any_lost_frame(self, data: bytes, draw: st.DataObject) -> None:
        frames = scapy_frames(data)
        lost = draw.draw(st.integers(1, len(frames) - 1))
        found, counts = received(frames[:lost] + frames[lost + 1 :])
        assert len(found) == 1
        assert not found[0].is_complete
        assert data.startswith(found[0].data)
        assert found[0].length == len(data)
        if lost < len(frames) - 1:
            assert counts.lost == 1
            assert found[0].end is MessageEnd.LOST
            assert found[0].is_end_seen
        else:
            assert found[0].end is MessageEnd.CUT
            assert not found[0].is_end_seen

    @given(st.binary(min_size=20, max_size=120), st.data())
    def test_any_repeated_frame(self, data: bytes, draw: st.DataObject) -> None:
        frames = scapy_frames(data)
        k = draw.draw(st.integers(0, len(frames) - 1))
        found, counts = received([*frames[: k + 1], *frames[k:]])
        assert [it.data for it in found] == [data]
        assert counts.repeated == 1
        assert counts.frames == len(frames) + 1

    @given(st.binary(min_size=20, max_size=200), st.data())
    def test_any_exchanged_frames(self, data: bytes, draw: st.DataObject) -> None:
        """Two frames in each other's place are out of order, and none is lost; one that is lost behind them is."""
        frames = scapy_frames(data)
        k = draw.draw(st.integers(1, len(frames) - 2))
        frames[k : k + 2] = frames[k + 1], frames[k]
        found, counts = received(frames)
        assert [it.data for it in found] == [data]
        assert (counts.out_of_order, counts.lost, counts.frames) == (1, 0, len(frames))
        found, counts = received(frames[: k + 2] + frames[k + 3 :])
        assert found[0].is_complete == (k + 2 == len(frames))
        assert (counts.out_of_order, counts.lost) == (1, int(k + 3 < len(frames)))

    @given(st.lists(st.binary(min_size=1, max_size=60), min_size=1, max_size=4), st.data())
    def test_no_message_is_made_up(self, messages: list[bytes], draw: st.DataObject) -> None:
        """However many frames of the sender are lost, a message that is said to be whole was sent."""
        frames: list[TransportFrame] = []
        controls: list[TransportFrame] = []
        for data in messages:
            first, *more = scapy_frames(data)
            at_ns = 10 * MS * (len(frames) + len(controls))
            frames.append(TransportFrame(at_ns, first))
            if more:
                controls.append(TransportFrame(at_ns + MS, b"\x30\x00\x00"))
            frames += [TransportFrame(at_ns + (2 + k) * MS, one) for k, one in enumerate(more)]
        kept = draw.draw(st.lists(st.booleans(), min_size=len(frames), max_size=len(frames)))
        rows = [frame for frame, is_kept in zip(frames, kept, strict=True) if is_kept]
        found, counts = assemble(UNIT, rows, [controls])
        assert counts.frames == len(rows)
        whole = [it.data for it in found if it.is_complete]
        left = iter(messages)
        assert all(data in left for data in whole), "each was sent, in this order"

    def test_end_and_beginning_lost(self) -> None:
        """The numbers fit by chance; the flow control of the second message gives it away."""
        first, last = scapy_frames(bytes(9))
        controls = [TransportFrame(1, b"\x30\x00\x00"), TransportFrame(3 * MS, b"\x30\x00\x00")]
        rows = [TransportFrame(0, first), TransportFrame(4 * MS, last)]
        assert [it.end.name for it in assemble(UNIT, rows, [controls])[0]] == ["INTERRUPTED"]
        assert [it.end.name for it in assemble(UNIT, rows, [controls[:1]])[0]] == ["COMPLETE"]

    @pytest.mark.parametrize("block", [1, 2, 3])
    def test_blocks(self, block: int) -> None:
        """A receiver that allows few frames at a time sends its flow control again and again."""
        frames = scapy_frames(bytes(range(60)))
        rows = [TransportFrame(10 * MS * k, data) for k, data in enumerate(frames)]
        controls = [TransportFrame(10 * MS * k + MS, bytes([0x30, block, 0])) for k in range(0, len(frames), block)]
        found, _ = assemble(UNIT, rows, [controls])
        assert [it.data for it in found] == [bytes(range(60))]

    def test_everything_recorded_twice(self) -> None:
        rows = [TransportFrame(10 * MS * k, data) for k, data in enumerate(scapy_frames(bytes(30)))]
        controls = [TransportFrame(MS, b"\x30\x00\x00"), TransportFrame(MS + 100_000, b"\x30\x00\x00")]
        found, counts = assemble(UNIT, [row for row in rows for _ in range(2)], [controls])
        assert [it.data for it in found] == [bytes(30)]
        assert counts.repeated == len(rows)

    @pytest.mark.parametrize(("later_ns", "messages"), [(20_000, 1), (200_000, 1), (5 * MS, 2)])
    def test_a_single_frame_recorded_twice(self, later_ns: int, messages: int) -> None:
        """As it was sent and as it was received, it is one message; the same asked again later is another."""
        rows = [TransportFrame(at_ns, b"\x03\x22\xd0\x10") for at_ns in (MS, MS + later_ns)]
        found, counts = assemble(UNIT, rows)
        assert len(found) == messages
        assert counts.repeated == 2 - messages

    def test_sixteen_lost_are_noticed_by_the_length(self) -> None:
        frames = scapy_frames(bytes(range(200)))
        found, _ = received(frames[:3] + frames[19:])
        assert [it.end for it in found] == [MessageEnd.CUT]

    @pytest.mark.parametrize(
        ("frames", "ends", "counted"),
        [
            ("21 01 02|22 03 04", [], {"unexpected": 2}),
            ("10 0A 62 F1 90 01 02 03|02 3E 00|21 04 05 06 07", ["INTERRUPTED", "COMPLETE"], {"unexpected": 1}),
            ("10 0A 62 F1 90 01 02 03|10 0A 62 F1 91 01 02 03|21 04 05 06 07", ["INTERRUPTED", "COMPLETE"], {}),
            ("10 0A 62 F1 90 01 02 03|22 04 05 06 07", ["LOST"], {"lost": 1}),
            ("00 00|08 01 02|0F|40 01 02|10 07 01 02 03 04 05 06|33 00 00", [], {"invalid": 6}),
            ("30 00 00|31 00 00", [], {"flow_control": 2}),
        ],
    )
    def test_cases(self, frames: str, ends: list[str], counted: dict[str, int]) -> None:
        found, counts = received(hexed(frames))
        assert [it.end.name for it in found] == ends
        for name in ("unexpected", "lost", "invalid", "flow_control", "repeated"):
            assert getattr(counts, name) == counted.get(name, 0), name


class TestTime:
    """A message that nobody goes on with is given up after 1 s; flow control keeps it open, or refuses it."""

    def test_given_up(self) -> None:
        found, counts = received(scapy_frames(bytes(9)), step_ns=1001 * MS)
        assert [it.end for it in found] == [MessageEnd.TIMED_OUT]
        assert counts.unexpected == 1

    def test_exactly_in_time(self) -> None:
        found, _ = received(scapy_frames(bytes(9)), step_ns=1000 * MS)
        assert [it.end for it in found] == [MessageEnd.COMPLETE]

    def test_wait_keeps_it_open(self) -> None:
        wait = [TransportFrame(900 * MS, b"\x31\x00\x00"), TransportFrame(1500 * MS, b"\x30\x00\x00")]
        found, _ = received(scapy_frames(bytes(9)), step_ns=2400 * MS, controls=wait)
        assert [it.end for it in found] == [MessageEnd.COMPLETE]

    def test_no_room(self) -> None:
        found, _ = received(scapy_frames(bytes(9))[:1], controls=[TransportFrame(MS, b"\x32\x00\x00")])
        assert [it.end for it in found] == [MessageEnd.REFUSED]

    def test_clock_discontinuity(self) -> None:
        first, second = scapy_frames(bytes(9))
        found, _ = assemble(UNIT, [TransportFrame(0, first, 0), TransportFrame(MS, second, 1)])
        assert [it.end for it in found] == [MessageEnd.DISCONTINUITY]
