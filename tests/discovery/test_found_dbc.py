from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.sent import frames_of

from buslens.definitions.load import load_definitions
from buslens.definitions.model import ByteOrder
from buslens.definitions.unpack import raw_values
from buslens.discovery.candidates import BitField, Candidate, Response
from buslens.discovery.changes import FrameKey
from buslens.discovery.coincidence import ToggleDirection
from buslens.discovery.found_dbc import found_dbc
from buslens.discovery.marks import MarkedAction
from buslens.discovery.seek import SeekResult
from buslens.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.definitions.model import Definitions


def candidate(field: BitField, before: int = 0, after: int = 1, action: int = 0) -> Candidate:
    response = Response(
        action=action, way=ToggleDirection.UP, hits=4, marks=4, before=before, after=after, lag_ns=(0, 1, 2)
    )
    return Candidate(field=field, responses=(response,), other_changes=1, p=1e-9, corrected=1e-6, period_ns=100_200_000)


def bit(can_id: int, number: int, *, is_extended: bool = False, channel: str = "can0") -> BitField:
    return BitField(origin=FrameKey(channel, can_id, is_extended), bits=(number,), order=ByteOrder.INTEL)


def found(candidates: list[Candidate], words: str = "door opens", tried: tuple[int, ...] = ()) -> SeekResult:
    return SeekResult(
        path="x.log",
        actions=(MarkedAction(words=words, times_ns=(1, 2, 3, 4)),),
        candidates=(tuple(candidates),),
        tolerance_ns=300_000_000,
        delay_ns=0,
        n_tried=7,
        n_busy=0,
        origins={it.field.origin: (100_200_000, 8) for it in candidates} | {bit(3, 0).origin: (0, 8)},
        tried=tuple(bit(can_id, number) for can_id in tried for number in (0, 5)),
        first_ns=0,
        end_ns=10,
    )


def loaded(folder: Path, candidates: list[Candidate], words: str = "door opens") -> Definitions:
    file = folder / "found.dbc"
    file.write_bytes(found_dbc(found(candidates, words), candidates))
    return load_definitions(str(file))


class TestText:
    """What is written loads without a problem, and says where the bits are and how they were found."""

    def test_names_and_values(self, tmp_path: Path) -> None:
        definitions = loaded(
            tmp_path, [candidate(bit(0x202, 17)), candidate(bit(0x18FF50A1, 3, is_extended=True), 1, 0)]
        )
        assert definitions.problems == ()
        assert [(it.name, it.can_id, it.is_extended, it.cycle_ns) for it in definitions] == [
            ("SEEK_202", 0x202, False, 100_000_000),
            ("SEEK_18FF50A1X", 0x18FF50A1, True, 100_000_000),
        ]
        assert definitions.message("SEEK_202").signal("DOOR").labels == {0: "closed", 1: "open"}
        assert definitions.message("SEEK_18FF50A1X").signal("DOOR_2").labels == {1: "closed", 0: "open"}
        comment = definitions.message("SEEK_202").signal("DOOR").comment
        assert "changed at 4 of 4 marks 'door opens'" in comment
        assert "1 other change that way" in comment

    def test_several_of_one_message(self, tmp_path: Path) -> None:
        definitions = loaded(
            tmp_path, [candidate(bit(1, 0)), candidate(bit(1, 9)), candidate(bit(1, 0, channel="can1"))]
        )
        assert [signal.name for signal in definitions.message("SEEK_001").signals] == ["DOOR", "DOOR_2"]

    @pytest.mark.parametrize("words", ['says "hello"', "back\\slash", "T\u00fcr auf \u2192", "a;b // c", "tab\there"])
    def test_words_of_any_kind(self, words: str, tmp_path: Path) -> None:
        definitions = loaded(tmp_path, [candidate(bit(1, 0))], words)
        assert definitions.problems == ()
        shown = words.replace('"', "'").replace("\\", "/").replace("\t", " ")
        assert shown in definitions.message("SEEK_001").signals[0].comment

    def test_what_else_changed(self, tmp_path: Path) -> None:
        """Each other bit is there by its place, so that what nobody marked can be told by what follows what."""
        chosen = [candidate(bit(1, 5))]
        (tmp_path / "found.dbc").write_bytes(found_dbc(found(chosen, "lock heard", tried=(1, 3)), chosen))
        definitions = load_definitions(str(tmp_path / "found.dbc"))
        assert definitions.problems == ()
        assert [[it.name for it in message.signals] for message in definitions] == [
            ["LOCK_HEARD", "BIT_0"],
            ["BIT_0", "BIT_5"],
        ]
        # Words that tell no state name no value.
        assert definitions.message("SEEK_001").signal("LOCK_HEARD").labels == {}

    def test_nothing(self) -> None:
        with pytest.raises(UsageError, match="nothing was found"):
            found_dbc(found([]), [])

    @settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=examples(15))
    @given(st.integers(0, 63), st.integers(1, 16), st.sampled_from(ByteOrder), st.binary(min_size=8, max_size=8))
    def test_the_bits_are_those_that_were_found(
        self, tmp_path: Path, first: int, length: int, order: ByteOrder, payload: bytes
    ) -> None:
        """The field as defined has the value that its bits, put together one by one, have."""
        bits = [first]
        while len(bits) < length:
            up = bits[-1] + 1 if order is ByteOrder.INTEL or bits[-1] % 8 < 7 else bits[-1] - 15
            if not 0 <= up < 64:
                break
            bits.append(up)
        field = BitField(origin=FrameKey("can0", 0x100, False), bits=tuple(bits), order=order)
        signal = loaded(tmp_path, [candidate(field)]).message("SEEK_100").signals[0]
        frames = frames_of([(1, 0, 0x100, 0, payload)])
        value = int(raw_values(frames, np.array([0]), signal)[0])
        assert value == sum((payload[n // 8] >> n % 8 & 1) << place for place, n in enumerate(bits))
