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
            (1000, ["enable"]),
            (1074, ["enable"]),
            (1075, ["release ends", "enable ends"]),
            (1224, ["release ends", "enable ends"]),
            (1225, ["second path follows", "enable ends"]),
            (1424, ["enable ends"]),
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
        assert it.step.name == "release ends"
        assert it.is_overdue
        assert it.left.latest_ns == ms(1075 + 600 - 1800)
        assert [it.step.name for it in awaiting(never, ms(1075 + 3 * 600))] == ["release ends"]
        assert awaiting(never, ms(1075 + 3 * 600) + 1) == ()
