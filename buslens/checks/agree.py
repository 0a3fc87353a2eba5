"""Two conditions that must say the same, save while they settle."""

from buslens.checks.context import EvaluationContext, roles_of
from buslens.checks.episodes import ForbiddenCondition, evaluate_episodes
from buslens.checks.findings import Finding
from buslens.checks.outcome import Limit
from buslens.checks.phrases import past_tense, was_not
from buslens.expectations.model import Agree, And
from buslens.timeline.ternary import TRUE, Episode


def evaluate(rule: Agree, context: EvaluationContext) -> list[Finding]:
    """Return what the rule found, in order of time, and last what sums up the rest.

    =====================================================  ====================================================
    they surely differ for longer than ``settle``          violated
    they differ for at most ``settle``                     met: the length counts as tolerated
    the length of the difference lies on both sides        undecided: too close to call
    a role is unknown so that they may differ for longer   undecided; the text names the role
    they still differ, not yet too long, at the end        undecided
    they differ already, and not too long, at the start    undecided; not checked if that is over within ``settle``
                                                           of the capture's begin
    =====================================================  ====================================================
    """
    first = context.ternary(rule.first.condition)

    def words(run: Episode) -> str:
        true, other = rule.first, rule.second
        if run.is_certain and first.at(run.certain_from_ns) != TRUE:
            true, other = other, true
        return f"{past_tense(true)}, but {was_not(other, like=true)}"

    both = And(parts=(rule.first.condition, rule.second.condition))
    offence = ForbiddenCondition(
        rule=rule,
        condition=both,
        truth_in=lambda context: context.ternary(rule.first.condition).differs_from(
            context.ternary(rule.second.condition)
        ),
        tolerated_ns=rule.settle_ns,
        words=words,
        limit=Limit(most=rule.settle_ns),
        allowed="may differ up to",
        role=roles_of(both)[0],
    )
    return evaluate_episodes(offence, context)
