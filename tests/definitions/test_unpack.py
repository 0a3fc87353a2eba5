"""Unpacking against cantools (the oracle that the product names) and against bits moved one by one."""

from __future__ import annotations

import math
import struct
from typing import Any

import numpy as np
import pytest
from cantools.database import DecodeError
from cantools.database.can import Database
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.layouts import Field, Layout, fields, frames_of, multiplexed_layouts, payloads, plain_layouts

from buslens.definitions.dbc import parse_dbc
from buslens.definitions.model import ByteOrder, Message, MuxCondition, Signal, ValueType
from buslens.definitions.unpack import carries, label_codes, labels, physical, raw_of, raw_values
from buslens.errors import DefinitionError


def loaded_by_both(layout: Layout) -> tuple[Message, Any]:
    text = layout.dbc()
    database = Database(strict=False)
    database.add_dbc_string(text)
    (message,) = parse_dbc(text.encode(), "drawn.dbc").messages
    return message, database.messages[0]


def same(ours: float, theirs: float, signal: Signal) -> bool:
    """Whether two numbers are of one type and equal to the last bit."""
    if isinstance(theirs, int) and isinstance(ours, float):
        # The one documented difference: whole numbers beyond 64 bits are rounded to float64.
        ends = [end * int(signal.scale) + int(signal.offset) for end in (-(1 << 63), (1 << 64) - 1)]
        return max(map(abs, ends)) >= 1 << 63 and signal.length > 32 and ours == float(theirs)
    if type(ours) is not type(theirs):
        return False
    if isinstance(ours, float):
        if signal.length == 16 and math.isnan(theirs):
            return math.isnan(ours)  # Python itself drops the payload of a NaN of 16 bits
        return struct.pack(">d", ours) == struct.pack(">d", theirs)
    return ours == theirs


def decoded(message: Message, payload: bytes) -> dict[str, tuple[float, float, str | None]]:
    """Return raw value, physical value and label of each signal that a payload carries."""
    frames, rows = frames_of([payload]), np.array([0])
    found = {}
    for signal in message.signals:
        if carries(frames, rows, signal, message)[0]:
            raw = raw_values(frames, rows, signal)
            found[signal.name] = (
                raw.tolist()[0],
                physical(raw, signal).tolist()[0],
                labels(raw, signal).tolist()[0],
            )
    return found


def assert_as_cantools(layout: Layout, payload: bytes) -> None:
    message, reference = loaded_by_both(layout)
    ours = decoded(message, payload)
    assert ours.keys() == layout.carried(payload)
    try:
        raw, scaled = (
            reference.decode(payload, decode_choices=False, scaling=scaling, allow_truncated=True)
            for scaling in (False, True)
        )
    except DecodeError:
        # It refuses a frame whose selector selects nothing; we decode what does not depend on that.
        assert any(one.mark for one in layout.fields)
        return
    assert ours.keys() == raw.keys()
    for name, (our_raw, our_physical, label) in ours.items():
        signal = message.signal(name)
        assert same(our_raw, raw[name], signal), (name, our_raw, raw[name])
        assert same(our_physical, scaled[name], signal), (name, our_physical, scaled[name])
        choices = reference.get_signal_by_name(name).choices or {}
        assert label == (str(choices[our_raw]) if our_raw in choices else None)


class TestAgainstCantools:
    """Every signal has the raw value, the physical value and the label that cantools gives it."""

    @given(st.data())
    @settings(max_examples=examples(100), deadline=None)
    def test_plain_layouts(self, data: st.DataObject) -> None:
        layout = data.draw(plain_layouts())
        assert_as_cantools(layout, data.draw(payloads(layout)))

    @given(st.data())
    @settings(max_examples=examples(50), deadline=None)
    def test_simple_multiplexing(self, data: st.DataObject) -> None:
        layout = data.draw(multiplexed_layouts(extended=False))
        assert_as_cantools(layout, data.draw(payloads(layout)))

    @given(st.data())
    @settings(max_examples=examples(50), deadline=None)
    def test_extended_and_nested_multiplexing(self, data: st.DataObject) -> None:
        layout = data.draw(multiplexed_layouts(extended=True))
        assert_as_cantools(layout, data.draw(payloads(layout)))

    @pytest.mark.parametrize(
        ("bits", "pattern"),
        [
            (32, 0x7FC00001),  # quiet, with a payload
            (32, 0xFFC12345),
            (32, 0x7F800001),  # signalling
            (32, 0x80000000),  # minus zero
            (32, 0x00000001),  # least subnormal
            (32, 0xFF800000),  # minus infinity
            (64, 0x7FF8000000000001),
            (64, 0x7FF0000000000001),
            (64, 0xFFF8DEADBEEF0001),
            (64, 0x8000000000000000),
            (64, 0x0000000000000001),
            (16, 0x7C00),
            (16, 0x0001),
            (16, 0x7BFF),
            (16, 0x7E01),
        ],
    )
    @pytest.mark.parametrize("intel", [True, False])
    def test_special_floats(self, bits: int, pattern: int, *, intel: bool) -> None:
        one = Field("F", 0 if intel else 7, bits, intel, floating=True)
        payload = bytearray(8)
        one.put(payload, pattern)
        assert_as_cantools(Layout(8, [one]), bytes(payload))


class TestRawValues:
    """Raw values are the bits of the field, whatever its place, size and direction."""

    @given(st.data())
    @settings(max_examples=examples(80), deadline=None)
    def test_equals_bits_moved_one_by_one(self, data: st.DataObject) -> None:
        length = data.draw(st.sampled_from([1, 2, 3, 7, 8, 12, 20, 64]))
        one = data.draw(fields("S", length))
        contents = data.draw(st.lists(st.binary(min_size=length, max_size=length), max_size=5))
        signal = Signal(
            name="S",
            start=one.start,
            length=one.bits,
            order=ByteOrder.INTEL if one.intel else ByteOrder.MOTOROLA,
            kind=ValueType.SIGNED if one.signed else ValueType.UNSIGNED,
        )
        expected = [one.bits_of(content) for content in contents]
        if one.signed:
            expected = [value - (1 << one.bits) if value >> one.bits - 1 else value for value in expected]
        found = raw_values(frames_of(contents), np.arange(len(contents)), signal)
        assert found.dtype == (np.int64 if one.signed else np.uint64)
        assert found.tolist() == expected
        assert signal.last_byte == one.reach() - 1
        assert [raw_of(content, signal) for content in contents] == expected
        assert not any(raw_of(content[: signal.last_byte], signal) for content in contents)

    @pytest.mark.parametrize("intel", [True, False])
    @pytest.mark.parametrize("byte", range(1, 8))
    def test_64_bits_across_two_words(self, byte: int, *, intel: bool) -> None:
        payload = bytes(range(0x10, 0x20))
        expected = int.from_bytes(payload[byte : byte + 8], "little" if intel else "big")
        start = 8 * byte if intel else 8 * byte + 7
        order = ByteOrder.INTEL if intel else ByteOrder.MOTOROLA
        signal = Signal(name="S", start=start, length=64, order=order)
        assert raw_values(frames_of([payload]), np.array([0]), signal).tolist() == [expected]

    def test_only_the_asked_rows_in_the_asked_order(self) -> None:
        frames = frames_of([b"\x01", b"", b"\x02", b"\x03" * 9])
        signal = Signal(name="S", start=0, length=8)
        assert raw_values(frames, np.array([3, 0, 3]), signal).tolist() == [3, 1, 3]

    def test_a_float_of_another_length_is_refused(self) -> None:
        signal = Signal(name="S", start=0, length=24, kind=ValueType.FLOAT)
        with pytest.raises(DefinitionError, match="float of 24 bits"):
            raw_values(frames_of([bytes(8)]), np.array([0]), signal)


class TestCarries:
    """A frame carries a signal if it is long enough and its selectors select it."""

    MESSAGE = Message(
        name="M",
        can_id=1,
        length=8,
        signals=(
            Signal(name="PAGE", start=0, length=4),
            Signal(name="SUB", start=4, length=4, selection=MuxCondition(selector="PAGE", ranges=((1, 1),))),
            Signal(
                name="DEEP",
                start=8,
                length=12,
                selection=MuxCondition(selector="SUB", ranges=((2, 4), (9, 1 << 70))),
            ),
        ),
    )

    @pytest.mark.parametrize(
        ("payload", "expected"),
        [
            (b"", []),
            (b"\x00", ["PAGE"]),
            (b"\x21", ["PAGE", "SUB"]),  # DEEP is selected, and the frame ends before it
            (b"\x21\xff", ["PAGE", "SUB"]),  # ends within it
            (b"\x21\xff\xff", ["PAGE", "SUB", "DEEP"]),
            (b"\x11\xff\xff", ["PAGE", "SUB"]),
            (b"\x41\xff\xff", ["PAGE", "SUB", "DEEP"]),
            (b"\x51\xff\xff", ["PAGE", "SUB"]),
            (b"\xf1\xff\xff", ["PAGE", "SUB", "DEEP"]),  # in the second range, which no selector can exhaust
            (b"\x22\xff\xff", ["PAGE"]),  # the lower selector is not in the frame itself
        ],
    )
    def test_length_and_chain_of_selectors(self, payload: bytes, expected: list[str]) -> None:
        frames = frames_of([payload])
        found = [one.name for one in self.MESSAGE.signals if carries(frames, np.array([0]), one, self.MESSAGE)]
        assert found == expected

    def test_a_selector_that_is_not_there_is_named(self) -> None:
        signal = Signal(name="S", start=0, length=1, selection=MuxCondition(selector="PAEG", ranges=((1, 1),)))
        with pytest.raises(DefinitionError, match="no signal 'PAEG'; did you mean 'PAGE'"):
            carries(frames_of([b"\x00"]), np.array([0]), signal, self.MESSAGE)

    def test_negative_selectors(self) -> None:
        selector = Signal(name="PAGE", start=0, length=8, kind=ValueType.SIGNED)
        signal = Signal(name="S", start=8, length=8, selection=MuxCondition(selector="PAGE", ranges=((-2, -1),)))
        message = Message(name="M", can_id=1, length=2, signals=(selector, signal))
        frames = frames_of([b"\xff\x00", b"\xfe\x00", b"\xfd\x00", b"\x01\x00"])
        assert carries(frames, np.arange(4), signal, message).tolist() == [True, True, False, False]


class TestPhysical:
    """Whole numbers stay whole and exact as long as 64 bits hold them."""

    @pytest.mark.parametrize(
        ("signal", "raw", "expected", "dtype"),
        [
            (Signal(name="S", start=0, length=64), 2**64 - 1, 2**64 - 1, np.uint64),
            (Signal(name="S", start=0, length=64, offset=-(2**63)), 2**64 - 1, 2**63 - 1, np.int64),
            (Signal(name="S", start=0, length=63, scale=2, offset=1), 2**63 - 1, 2**64 - 1, np.uint64),
            (Signal(name="S", start=0, length=64, scale=3), 2**64 - 1, float(3 * (2**64 - 1)), np.float64),
            (Signal(name="S", start=0, length=8, scale=-1, kind=ValueType.SIGNED), -128, 128, np.int64),
            (Signal(name="S", start=0, length=8, scale=0.5), 3, 1.5, np.float64),
            (Signal(name="S", start=0, length=8, scale=2.0, offset=0.0), 3, 6, np.int64),
            (Signal(name="S", start=0, length=64, scale=3, offset=0.5), 2**64 - 1, 3.0 * 2**64, np.float64),
            # The product is rounded once; had the raw value been rounded first, it would be 4 less.
            (
                Signal(name="S", start=0, length=54, scale=3, offset=0.5),
                2**53 + 1,
                float(3 * 2**53 + 3),
                np.float64,
            ),
        ],
    )
    def test_rows(self, signal: Signal, raw: int, expected: float, dtype: type) -> None:
        values = physical(np.array([raw], np.int64 if signal.kind is ValueType.SIGNED else np.uint64), signal)
        assert values.dtype == dtype
        assert values.tolist() == [expected]

    def test_infinite_results_do_not_warn(self) -> None:
        signal = Signal(name="S", start=0, length=64, kind=ValueType.FLOAT, scale=1e300)
        assert physical(np.array([1e300, -np.inf]), signal).tolist() == [np.inf, -np.inf]


class TestLabels:
    """A label names a raw value, before scaling."""

    def test_names_of_raw_values(self) -> None:
        signal = Signal(name="S", start=0, length=8, scale=10, labels={3: "three", 0: "none", 300: "never"})
        raw = np.array([0, 1, 3, 44, 255], np.uint64)
        assert labels(raw, signal).tolist() == ["none", None, "three", None, None]
        codes, names = label_codes(raw, signal)
        assert [names[code] if code >= 0 else None for code in codes] == labels(raw, signal).tolist()

    def test_a_negative_label_of_an_unsigned_signal_names_nothing(self) -> None:
        signal = Signal(name="S", start=0, length=64, labels={-1: "minus one"})
        assert labels(np.array([2**64 - 1, 0], np.uint64), signal).tolist() == [None, None]

    def test_a_float_is_named_only_if_it_is_the_number(self) -> None:
        signal = Signal(name="S", start=0, length=32, kind=ValueType.FLOAT, labels={1: "one"})
        assert labels(np.array([1.0, 1.5, np.nan]), signal).tolist() == ["one", None, None]
