from __future__ import annotations

import pytest

from buslens.discovery.traces import silent_cycles


@pytest.mark.parametrize("lost", [0.0005, 0.002, 0.012, 0.03, 0.08])
def test_silence_that_lost_frames_do_not_make(lost: float) -> None:
    """So many frames in a row are lost once in a hundred million times, if each is lost by itself."""
    in_a_row = silent_cycles(lost) - 1
    assert lost**in_a_row <= 1e-8
    assert lost ** (in_a_row - 1) > 1e-8 or in_a_row == 2


def test_silence_where_none_is_lost() -> None:
    """Three cycle times: common practice, no source."""
    assert silent_cycles(0) == 3
    assert silent_cycles(0.5) == silent_cycles(0.1)
