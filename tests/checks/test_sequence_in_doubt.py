from __future__ import annotations

import pytest
from support.handshakes import (
    DOOR,
    ENABLED,
    RELEASE_LIMIT,
    handshake,
    in_full,
    of_step,
    run,
)
from support.in_full import after, seen
from support.stage import holds, outcomes, sampled, step

from buslens.checks.findings import Outcome, Verdict
from buslens.units import NS_PER_MS

LATE = [("enable", "met"), ("release ends", "late")]


class TestDoubt:
    def test_a_silence_that_could_hide_the_change(self) -> None:
        """A role that is unknown while its change is awaited leaves the step undecided, and is named."""
        feedback = sampled([(0, "free"), (1300, "locked")], every=25, until=4000)
        feedback = [sample for sample in feedback if not 1200 < sample[0] < 1600]
        finding = of_step(run(handshake(), feedback=feedback, timeouts={"feedback": 75}), "release ends")
        assert finding.outcome.value == "undecided"
        assert "feedback is unknown (message timeout)" in finding.reason

    def test_a_silence_elsewhere_does_not_matter(self) -> None:
        """A role that is unknown before the handshake is judged in it all the same."""
        feedback = sampled([(0, "free"), (1400, "locked")], every=25, until=4000)
        feedback = [sample for sample in feedback if not 200 < sample[0] < 600]
        assert outcomes(run(handshake(), feedback=feedback, timeouts={"feedback": 75}))[-1][1] == "met"

    @pytest.mark.parametrize(("until", "outcome"), [(1650, "undecided"), (1675, "undecided"), (1700, "missing")])
    def test_capture_ends_before_the_limit(self, until: float, outcome: str) -> None:
        """Missing needs a frame at or behind the last moment of the limit: 600 ms after 1100 ms."""
        feedback = sampled([(0, "free")], every=25, until=until)
        assert of_step(run(handshake(), feedback=feedback, until=until), "release ends").outcome.value == outcome

    @pytest.mark.parametrize("last", [1075, 1100])
    def test_capture_ends_at_once(self, last: float) -> None:
        """A role last seen before the step that its change follows has been shown for no time behind it."""
        result = run(handshake(), feedback=sampled([(0, "free")], every=25, until=last))
        assert of_step(result, "release ends").reason.endswith(
            "the capture ends 0 ms after enable (limit 50 to 600 ms); record longer"
        )

    def test_discontinuity_inside(self) -> None:
        """A clock that ran back while a step was awaited leaves it undecided."""
        result = run(handshake(), discontinuities=[1250.5])
        finding = of_step(result, "release ends")
        assert finding.outcome.value == "undecided"
        assert "clock jumped back" in finding.reason
        assert result.verdict is Verdict.UNDECIDED

    def test_unnamed_value(self) -> None:
        """A value that the expectations do not name is unknown, and can hide the change."""
        feedback = sampled([(0, "free"), (1200, "odd"), (1300, "locked")], every=25, until=4000)
        finding = of_step(run(handshake(), feedback=feedback, unnamed={"feedback": {"odd"}}), "release ends")
        assert finding.outcome.value == "undecided"
        assert "not assigned to a state" in finding.reason

    def test_abandon_may_be_hidden(self) -> None:
        """Who cannot see whether the door was shut again cannot say that the lock failed."""
        door = [sample for sample in DOOR if sample[0] < 1200]
        result = run(
            handshake(), door=door, feedback=sampled([(0, "free")], every=25, until=4000), timeouts={"door": 60}
        )
        finding = of_step(result, "release ends")
        assert finding.outcome.value == "undecided"
        assert "may have been cancelled: door is unknown" in finding.reason


class TestUntellable:
    """Where the log cannot tell whether blame is due, there is none."""

    FREE = sampled([(0, "free")], every=25, until=4000)

    @pytest.mark.parametrize(("shut", "found"), [(1690, [("enable", "met")]), (1760, LATE)])
    def test_late_but_perhaps_abandoned_in_time(self, shut: float, found: list[tuple[str, str]]) -> None:
        """The door is shut around the limit's end and the change comes late: only a door shut surely later blames."""
        door = sampled([(0, "closed"), (1000, "open"), (shut, "closed")], every=100, until=4000, start=50)
        feedback = sampled([(0, "free"), (1705, "locked")], every=10, until=4000)
        steps = (step("enable", "enable", "on", within=400), step("release ends", "feedback", "locked", within=600))
        assert outcomes(run(handshake(steps=steps), door=door, feedback=feedback)) == found

    @pytest.mark.parametrize(
        ("shut", "found"),
        [(1690, [("enable", "met")]), (1760, [("enable", "met"), ("release ends", "missing")])],
    )
    def test_missing_but_perhaps_abandoned_in_time(self, shut: float, found: list[tuple[str, str]]) -> None:
        """The same where the change never comes."""
        door = sampled([(0, "closed"), (1000, "open"), (shut, "closed")], every=100, until=4000, start=50)
        assert outcomes(run(handshake(), door=door, feedback=self.FREE)) == found

    def test_late_but_the_abandoning_may_be_hidden(self) -> None:
        """Who cannot see whether the door was shut again cannot say that the lock was late."""
        door = [sample for sample in DOOR if not 1200 < sample[0] < 1600]
        feedback = sampled([(0, "free"), (2000, "locked")], every=25, until=4000)
        finding = of_step(run(handshake(), door=door, feedback=feedback, timeouts={"door": 60}), "release ends")
        assert finding == in_full(
            Outcome.UNDECIDED,
            "feedback did not become locked within 600 ms after enable, but the handshake may have been"
            " cancelled: door is unknown (message timeout)",
            time_ns=2000 * NS_PER_MS,
            limit=RELEASE_LIMIT,
            reference=after(1090, 1100),
            evidence=(ENABLED, seen("feedback became locked", "feedback", 1975, 2000)),
            step="release ends",
            handshake=1,
            basis="",
        )

    @pytest.mark.parametrize("locked", [1710, 5000])
    def test_abandoned_behind_the_last_moment_of_the_limit(self, locked: float) -> None:
        """The door was last seen open when the limit ran out at 1700 ms: whenever it was shut, it was too late."""
        door = sampled([(0, "closed"), (1000, "open"), (1720, "closed")], every=20, until=4000)
        result = run(handshake(), door=door, feedback=sampled([(0, "free"), (locked, "locked")], every=10, until=4000))
        assert outcomes(result)[1] == ("release ends", "late" if locked < 4000 else "missing")

    def test_silence_of_the_door_behind_the_limit_excuses_nothing(self) -> None:
        door = [sample for sample in DOOR if not 1800 < sample[0] < 2500]
        result = run(handshake(), door=door, feedback=self.FREE, timeouts={"door": 60})
        assert of_step(result, "release ends").outcome.value == "missing"

    def test_start_in_a_silence(self) -> None:
        """A door that was shut before a silence and is open behind it was opened: nobody knows when, but it is told."""
        door = [sample for sample in DOOR if not 900 < sample[0] < 1200]
        (finding,) = run(handshake(), door=door, timeouts={"door": 60}).findings
        why = "door became open at a moment that the log does not show: door is unknown (message timeout)"
        assert (finding.outcome.value, finding.reason) == ("undecided", why)
        assert finding.time_ns == 1200 * NS_PER_MS

    def test_start_in_a_silence_that_does_not_count(self) -> None:
        """Where `given` surely did not hold there was no handshake, whenever in the silence the door was opened."""
        door = [sample for sample in DOOR if not 900 < sample[0] < 1200]
        ignition = sampled([(0, "on")], every=100, until=4000)
        assert run(handshake(), door=door, ignition=ignition, timeouts={"door": 60}).findings == ()

    @pytest.mark.parametrize("ignition", [[(0, "on"), (1150, "off")], [(0, "off"), (950, "on")]])
    def test_start_in_a_silence_that_may_count(self, ignition: list[tuple[float, str]]) -> None:
        """`given` has to be false all that while: the door may have been opened while it held."""
        door = [sample for sample in DOOR if not 900 < sample[0] < 1200]
        result = run(handshake(), door=door, ignition=sampled(ignition, every=10, until=4000), timeouts={"door": 60})
        assert outcomes(result) == [("lock", "undecided")]

    def test_silence_without_a_start(self) -> None:
        door = [sample for sample in DOOR if not 300 < sample[0] < 600]
        assert outcomes(run(handshake(), door=door, timeouts={"door": 60})) == [
            ("enable", "met"),
            ("release ends", "met"),
        ]

    def test_given_changes_around_the_start(self) -> None:
        """Ignition last seen off long before the start and seen on after it: undecided, and said why."""
        ignition = sampled([(0, "off"), (1150, "on")], every=300, until=4000)
        (finding,) = run(handshake(), ignition=ignition).findings
        assert finding.outcome.value == "undecided"
        assert "ignition changed between two frames around it" in finding.reason

    def test_given_is_changed_by_what_follows(self) -> None:
        """The enable may have come on before the door was seen open: as if it had not, for then all is well."""
        rule = handshake(given=holds("enable", "off"))
        enable = sampled([(0, "off"), (1100, "on"), (1500, "off")], every=200, until=4000, start=100)
        door = sampled([(0, "closed"), (1000, "open")], every=200, until=4000, start=150)
        result = run(rule, door=door, enable=enable)
        assert [finding.outcome.value for finding in result.findings] == ["met", "met"]
        assert [it.completed for it in result.handshakes] == [True]

    def test_given_is_changed_by_what_follows_and_a_step_is_missing(self) -> None:
        """Then nobody knows whether there was a handshake at all."""
        rule = handshake(given=holds("enable", "off"))
        enable = sampled([(0, "off"), (1100, "on"), (1500, "off")], every=200, until=4000, start=100)
        door = sampled([(0, "closed"), (1000, "open")], every=200, until=4000, start=150)
        (finding,) = run(rule, door=door, enable=enable, feedback=self.FREE).findings
        assert "enable changed between two frames around it" in finding.reason

    def test_start_again_while_a_handshake_ends(self) -> None:
        """A door that opens again as the feedback becomes locked begins nothing: the lock is at its end."""
        rule = handshake(given=holds("feedback", "free"), abandon=None)
        door = sampled([(0, "closed"), (1000, "open"), (1200, "closed"), (1400, "open")], every=20, until=4000)
        feedback = sampled([(0, "free"), (1400, "locked")], every=150, until=4000)
        result = run(rule, door=door, feedback=feedback)
        assert [finding.outcome.value for finding in result.findings] == ["met", "met"]
        assert len(result.handshakes) == 1

    def test_given_was_last_seen_before(self) -> None:
        (finding,) = run(handshake(), ignition=sampled([(0, "off")], every=100, until=500)).findings
        assert finding.outcome.value == "undecided"
        assert "the last frame that shows ignition came before" in finding.reason
