from __future__ import annotations

from support.handshakes import handshake, run
from support.stage import sampled, step


def test_a_later_step_that_waits_does_not_lead() -> None:
    """An enable that stays on because the bolt is late runs out of time first; the bolt is what to read of."""
    rule = handshake(
        steps=(
            step("enable", "enable", "on", within=400),
            step("release ends", "feedback", "locked", within=1500),
            step("enable ends", "enable", "off", within=600, from_="enable"),
        )
    )
    result = run(
        rule,
        enable=sampled([(0, "off"), (1100, "on"), (3800, "off")], every=10, until=6000),
        feedback=sampled([(0, "free"), (3700, "locked")], every=25, until=6000),
    )
    assert [it.step for it in result.findings if it.outcome.is_fault] == ["enable ends", "release ends"]
    assert result.summary.startswith("feedback became locked")
