"""The worst moment of a vehicle as a small timing diagram: the lanes of one handshake, and nothing around them."""

from dataclasses import replace
from typing import Final

from buslens.checks.findings import Finding, Result
from buslens.expectations.model import Sequence
from buslens.fleet.model import Anomaly, FindingRow
from buslens.report.decorations import Decorations
from buslens.report.diagram import DiagramLayout
from buslens.report.finding_layout import FindingLayout, places, rule_roles, trigger_roles
from buslens.report.formatting import verdict_sentence
from buslens.report.inline_svg import drawn
from buslens.report.record.markup import Markup
from buslens.report.style import Format
from buslens.report.text_metrics import Lettering
from buslens.report.view import View, choose
from buslens.units import NS_PER_MS, NS_PER_US

SMALL: Final = Format(width=350.0, dpi=300, text=6.4, title=7.0, small=6.0, lane=11.0, wave=0.9, thin=0.45, margin=3.0)
"""Beside the words of a vehicle on A4: 123 mm."""

MOST_LANES: Final = 6
"""A small diagram with more lanes than this is none."""


class _BareLanes(DiagramLayout):
    """Lanes and scale alone: what else the figure says stands in words beside it."""

    def head(self, around: Decorations) -> float:
        """Set nothing above the lanes but when other handshakes ran."""
        return around.strips(self.fmt.margin)

    def foot(self, around: Decorations, y: float) -> float:  # noqa: ARG002  # the signs are explained once on the page
        """Set nothing below the scale."""
        return y


def small_diagram(result: Result, about: FindingRow | Anomaly | None = None) -> Markup:
    """Return one moment of a capture as a picture for the page.

    Parameters
    ----------
    about : FindingRow, Anomaly or None
        What to show, as the ledger knows it; None, or one that is not found again: what the figure would show.
    """
    # What stands out may be met; all else that the ledger holds is not.
    findings = result.findings if isinstance(about, Anomaly) else result.findings.unmet
    shown = None if about is None else next((it for it in findings if _is_of(it, about, result.origin_ns)), None)
    found = None if shown is None else places(result, [shown])[0]
    view = choose(result, places(result, result.findings.unmet), about=found)
    placed = places(result, result.findings.during(view.start_ns, view.end_ns))
    view = replace(view, roles=_lanes(result, placed, view, found, most=MOST_LANES), left_out=())
    small = _BareLanes(result, placed, view, SMALL, Lettering())
    # No notes stand below, so that no number leads anywhere.
    small.numbers = {}
    label = f"Timing diagram. {view.caption}. {verdict_sentence(result)}"
    return drawn(small.draw()).markup(label, kind="moment")


def _is_of(finding: Finding, about: FindingRow | Anomaly, origin_ns: int) -> bool:
    """Whether a finding is the one that the ledger holds, or the delay that stands out."""
    if isinstance(about, Anomaly):
        earliest_ms = about.numbers.get("earliest_ms")
        if (finding.rule, finding.step) != (about.rule, about.step) or finding.delay is None or earliest_ms is None:
            return False
        return abs(finding.delay.earliest_ns - earliest_ms * NS_PER_MS) < NS_PER_US
    time_ns = None if finding.time_ns is None else finding.time_ns - origin_ns
    mine = (finding.rule, finding.step, finding.handshake, finding.outcome, time_ns)
    return mine == (about.rule, about.step, about.handshake, about.outcome, about.time_ns)


def _lanes(
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
