"""What is awaited at a moment, of a capture that grows and of one that is whole."""

from __future__ import annotations

import pytest
from support.handmade import ms
from support.sketches import lock

from buslens.live.pending_steps import awaiting


class TestWhole:
    """The step is awaited from its reference until the frame that shows it; the door opens at 1 s."""

    @pytest.mark.parametrize(
        ("at_ms", "steps"),
        [
            (990, []),
            (1000, ["enable on"]),
            (1074, ["enable on"]),
            (1075, ["wire feedback", "enable off"]),
            (1224, ["wire feedback", "enable off"]),
            (1225, ["data feedback", "enable off"]),
            (1424, ["enable off"]),
            (1425, []),
        ],
    )
    def test_steps(self, at_ms: float, steps: list[str]) -> None:
        assert [it.step.name for it in awaiting(lock(), ms(at_ms))] == steps


class TestTimeLeft:
    """The clock began between two frames, so that what is left is an interval, negative when the limit has run out."""

    def test_left(self) -> None:
        (it,) = awaiting(lock(), ms(1050))
        # The door's frames come every 50 ms: it opened in (950, 1000].
        assert (it.elapsed.earliest_ns, it.elapsed.latest_ns) == (ms(50), ms(100) - 1)
        assert (it.left.earliest_ns, it.left.latest_ns) == (ms(300) + 1, ms(350))
        assert not it.is_overdue

    def test_overdue_until_it_would_be_no_answer_any_more(self) -> None:
        never = lock(locked=None, second=None, until=6000)
        (it, *_) = awaiting(never, ms(1800))
        assert it.step.name == "wire feedback"
        assert it.is_overdue
        assert it.left.latest_ns == ms(1075 + 600 - 1800)
        assert [it.step.name for it in awaiting(never, ms(1075 + 3 * 600))] == ["wire feedback"]
        assert awaiting(never, ms(1075 + 3 * 600) + 1) == ()
