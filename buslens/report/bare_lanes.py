"""Bare lanes: those of one moment and their scale, for a place where everything else stands in words beside it."""

from buslens.checks.findings import Result
from buslens.expectations.model import Sequence
from buslens.report.decorations import Decorations
from buslens.report.diagram import DiagramLayout
from buslens.report.finding_layout import FindingLayout, rule_roles, trigger_roles
from buslens.report.view import View


class Bare(DiagramLayout):
    """Lanes and scale alone: what else the figure says stands in words beside it."""

    def head(self, around: Decorations) -> float:
        """Set nothing above the lanes but when other handshakes ran."""
        return around.strips(self.fmt.margin)

    def foot(self, around: Decorations, y: float) -> float:  # noqa: ARG002  # the signs are explained once on the page
        """Set nothing below the scale."""
        return y


def lanes(
    result: Result, placed: list[FindingLayout], view: View, about: FindingLayout | None, *, most: int
) -> tuple[str, ...]:
    """Return the roles that the handshake is made of, and those that something is wrong with here, in that order."""
    wrong = [
        place
        for place in placed
        if place.finding.outcome.is_fault
        and place.extent is not None
        and place.extent[1] >= view.start_ns
        and place.extent[0] <= view.end_ns
    ]
    order: list[str] = []
    shown = None if view.handshake is None else view.handshake.rule
    for rule in result.expectations.rules:
        if about is not None and rule.name == about.finding.rule and not isinstance(rule, Sequence):
            order += rule_roles(rule, result.expectations)
        if rule.name == shown and isinstance(rule, Sequence):
            order += trigger_roles(rule.start)
            order += [role for step in rule.steps for role in trigger_roles(step.await_)]
    order += [place.role for place in wrong]
    if shown is None:
        names = {place.finding.rule for place in wrong}
        order += [
            role for rule in result.expectations.rules if rule.name in names
            for role in rule_roles(rule, result.expectations)
        ]  # fmt: skip
    roles = [role for role in dict.fromkeys(order) if role in result.timelines]
    return tuple(roles[:most]) or view.roles[:most]
