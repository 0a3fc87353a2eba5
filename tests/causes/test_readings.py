"""What a person measured, with its unit, against the limits of the file."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.trials import causes

from buslens.causes.readings import classify, read_reading
from buslens.errors import UsageError


class TestRead:
    """A reading counts as the one result whose limits hold it."""

    @pytest.mark.parametrize(
        ("text", "result"),
        [
            ("supply_at_lock=11.9V", "good"),
            ("supply_at_lock = 11.9 V", "good"),
            ("supply_at_lock=11 V", "good"),
            ("supply_at_lock=10999 mV", "low"),
            ("supply_at_lock=1V", "low"),
            ("supply_at_lock=0.999V", "none"),
            ("supply_at_lock=-0.1V", "none"),
            ("supply_at_lock=low", "low"),
            ("load_fuse=blown", "blown"),
            ("load_fuse=Blown", "blown"),
            ("enable_wire=10 kohm", "open"),
            ("enable_wire=0.3 Ω", "good"),
            ("enable_wire=OL", "open"),
            ("enable_wire=O.L ohm", "open"),
        ],
    )
    def test_result(self, text: str, result: str) -> None:
        assert read_reading(text, causes()).result == result

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ("supply_at_lock", "is not NAME=RESULT"),
            ("supply_at_lock=", "is not NAME=RESULT"),
            ("suply_at_lock=12V", "did you mean 'supply_at_lock'?"),
            ("supply_at_lock=11.9", "11.9 has no unit; write '11.9 V'; or name its result: none, low, good"),
            ("supply_at_lock=11.9A", "this measurement is in V"),
            ("supply_at_lock=11,9V", "decimals stand behind a point"),
            ("load_fuse=burnt", "the results are whole, blown"),
        ],
    )
    def test_refused(self, text: str, told: str) -> None:
        with pytest.raises(UsageError) as caught:
            read_reading(text, causes())
        assert told in str(caught.value)

    @given(st.sampled_from(sorted(causes().measurements)), st.decimals(-1000, 1000, places=3))
    def test_every_reading_is_one_result(self, name: str, value: object) -> None:
        measurement = causes().measurements[name]
        if measurement.unit:
            window = classify(measurement, f"{value} {measurement.unit}")
            number = float(str(value))
            assert window.least is None or number >= window.least
            assert window.below is None or number < window.below
