from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from buslens.definitions.load import load_definitions
from buslens.errors import DefinitionError

if TYPE_CHECKING:
    from pathlib import Path

ldfparser = pytest.importorskip("ldfparser")

LDF = """
/* The lock of a car of the Pinewick Community Car Club. */
LIN_description_file;
LIN_protocol_version = "2.1";
LIN_language_version = "2.1";
LIN_speed = 19.2 kbps;
Nodes { Master: COLUMN, 5 ms, 0.1 ms; Slaves: LOCK; }
Signals {
  DataFeedback: 2, 0, LOCK, COLUMN;
  BoltTravel: 10, 0, LOCK, COLUMN;
  Wanted: 1, 0, COLUMN, LOCK;
}
Frames {
  LOCK_STATE: 19, LOCK, 3 { DataFeedback, 0; BoltTravel, 6; }
  LOCK_WANTED: 20, COLUMN, 1 { Wanted, 0; }
}
Node_attributes {
  LOCK {
    LIN_protocol = "2.1"; configured_NAD = 0x01; initial_NAD = 0x01; product_id = 0x1, 0x1;
    response_error = DataFeedback;
    configurable_frames { LOCK_STATE; LOCK_WANTED; }
  }
}
Schedule_tables { USUAL { LOCK_STATE delay 10 ms; LOCK_WANTED delay 10 ms; } }
Signal_encoding_types {
  FEEDBACK { logical_value, 1, "locked"; logical_value, 2, "unlocked"; }
  TRAVEL { physical_value, 0, 1000, 0.02, -1, "mm"; }
}
Signal_representation { FEEDBACK: DataFeedback; TRAVEL: BoltTravel; }
"""


class TestLdf:
    def test_messages(self, tmp_path: Path) -> None:
        path = tmp_path / "lock.ldf"
        path.write_text(LDF)
        state, wanted = load_definitions(path).messages
        assert [(it.name, it.can_id, it.length, it.senders) for it in (state, wanted)] == [
            ("LOCK_STATE", 19, 3, ("LOCK",)), ("LOCK_WANTED", 20, 1, ("COLUMN",))
        ]  # fmt: skip
        feedback, travel = state.signals
        assert (feedback.start, feedback.length, dict(feedback.labels)) == (0, 2, {1: "locked", 2: "unlocked"})
        assert (travel.scale, travel.offset, travel.unit) == (0.02, -1, "mm")
        assert state.source is not None
        assert LDF.splitlines()[(state.source.line or 0) - 1].strip().startswith("LOCK_STATE")

    def test_bits_as_the_library_packs_them(self, tmp_path: Path) -> None:
        """A frame that ldfparser encodes is decoded to the same raw values."""
        path = tmp_path / "lock.ldf"
        path.write_text(LDF)
        frame = ldfparser.parse_ldf(path).get_unconditional_frame("LOCK_STATE")
        message = load_definitions(path).messages[0]
        for raw in ({"DataFeedback": 2, "BoltTravel": 0}, {"DataFeedback": 1, "BoltTravel": 0x2A5}):
            word = int.from_bytes(frame.encode_raw(raw), "little")
            assert {it.name: word >> it.start & (1 << it.length) - 1 for it in message.signals} == raw

    def test_refused_with_its_line(self, tmp_path: Path) -> None:
        path = tmp_path / "lock.ldf"
        path.write_text(LDF.replace("Frames {", "Frames ["))
        with pytest.raises(DefinitionError, match=r"lock.ldf:13.*from here on"):
            load_definitions(path)
