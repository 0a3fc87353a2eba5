from __future__ import annotations

import pytest

from buslens.rehearsal.harness import Harness, Wire


class TestResistance:
    """The wires have what a cable of a road vehicle may have, and at most a tenth more for terminals.

    24.7 milliohm per metre of 0.75 mm2 at 20 degC: ISO 6722 and ISO 19642, from memory. Copper rises by 0.393 % per
    kelvin (IEC 60028), so that 4 m lose 0.494 V at 5 A and 20 degC, 0.610 V at 80 degC.
    """

    @pytest.mark.parametrize(("temperature", "drop"), [(20.0, 0.494), (80.0, 0.610)])
    def test_one_way(self, temperature: float, drop: float) -> None:
        assert drop <= Harness().resistance(temperature) / 2 * 5 <= 1.1 * drop

    def test_a_bad_contact_comes_on_top(self) -> None:
        for harness in (Harness(contact_ohm=1.5), Harness(ground_contact_ohm=1.5)):
            assert harness.resistance(20.0) == pytest.approx(Harness().resistance(20.0) + 1.5)


class TestWires:
    """What each wire lets through."""

    @pytest.mark.parametrize(
        "broken",
        [
            Harness(supply=Wire.OPEN),
            Harness(ground=Wire.OPEN),
            Harness(load_fuse_whole=False),
            Harness(supply=Wire.TO_GROUND),
        ],
    )
    def test_current_needs_fuse_supply_and_ground(self, broken: Harness) -> None:
        assert Harness().feeds_lock(plugged=True)
        assert not Harness().feeds_lock(plugged=False)
        assert not broken.feeds_lock(plugged=True)

    @pytest.mark.parametrize(
        ("wire", "driven", "at_pin", "at_lock"),
        [
            (Wire.WHOLE, False, False, False),
            (Wire.WHOLE, True, True, True),
            (Wire.OPEN, True, True, False),
            (Wire.TO_SUPPLY, False, True, True),
            (Wire.TO_GROUND, True, False, False),
        ],
    )
    def test_enable(self, wire: Wire, driven: bool, at_pin: bool, at_lock: bool) -> None:
        harness = Harness(enable=wire)
        assert harness.enable_at_pin(driven=driven) is at_pin
        assert harness.enable_at_lock(driven=driven, plugged=True) is at_lock

    @pytest.mark.parametrize(
        ("wire", "contact_closed", "plugged", "unlocked"),
        [
            (Wire.WHOLE, True, True, True),
            (Wire.WHOLE, False, True, False),
            (Wire.WHOLE, True, False, False),
            (Wire.OPEN, True, True, False),
            (Wire.TO_GROUND, False, False, True),
        ],
    )
    def test_only_a_wire_to_ground_reads_unlocked(
        self, wire: Wire, contact_closed: bool, plugged: bool, unlocked: bool
    ) -> None:
        harness = Harness(unlock_feedback=wire)
        assert harness.reads_unlocked(contact_closed=contact_closed, plugged=plugged) is unlocked

    def test_the_feedback_contact_needs_the_ground_wire(self) -> None:
        assert not Harness(ground=Wire.OPEN).reads_unlocked(contact_closed=True, plugged=True)
