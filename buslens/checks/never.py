"""A condition that must not hold, or not for long."""

from buslens.checks.context import EvaluationContext
from buslens.checks.episodes import ForbiddenCondition, evaluate_episodes
from buslens.checks.findings import Finding
from buslens.checks.outcome import Limit
from buslens.checks.phrases import past_tense
from buslens.expectations.model import IsUnknown, Never
from buslens.expectations.subjects import roles_of
from buslens.timeline.ternary import Episode


def evaluate(rule: Never, context: EvaluationContext) -> list[Finding]:
    """Return what the rule found, in order of time, and last what sums up the rest.

    =====================================================  ====================================================
    condition surely holds, and no ``longer_than``         violated
    it surely holds for longer than ``longer_than``        violated
    it surely holds for no longer than that                met: the length counts as tolerated
    its length lies on both sides of ``longer_than``       undecided: too close to call
    a role is unknown so that it may hold for too long     undecided; the text names the role
    it holds if no role changed behind its last frame      undecided
    it still holds, not yet too long, at the end           undecided
    it holds already, and not too long, at the start       undecided; not checked if it is over within
                                                           ``longer_than`` of the capture's begin
    it may have held between two frames only               met without ``longer_than``, else by its length; for a
                                                           condition with ``for`` undecided
    =====================================================  ====================================================
    """
    condition = rule.when.condition

    def words(run: Episode) -> str:
        # A line that is open and a message that has stopped differ: that a role is unknown is told with the reason.
        if isinstance(condition, IsUnknown):
            return context.unknown_text(condition.role, run.from_ns).replace(" is unknown", " was unknown", 1)
        return past_tense(rule.when)

    offence = ForbiddenCondition(
        rule=rule,
        condition=condition,
        truth_in=lambda context: context.ternary(condition),
        tolerated_ns=rule.longer_than_ns,
        words=words,
        limit=Limit(most=rule.longer_than_ns or 0),
        role=roles_of(condition)[0],
    )
    return evaluate_episodes(offence, context)
