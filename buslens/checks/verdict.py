"""What the findings of a capture add up to."""

from collections.abc import Iterable, Mapping
from collections.abc import Sequence as Sequenced
from types import MappingProxyType
from typing import Final, Protocol, TypeVar

from buslens.checks.findings import Finding, Findings, Handshake, Handshakes
from buslens.checks.headline import headline
from buslens.checks.outcome import Outcome, Verdict
from buslens.expectations.model import AnyRule, Sequence
from buslens.timeline.model import Timeline

WORST_FIRST: Final = (
    Outcome.MISSING,
    Outcome.VIOLATED,
    Outcome.OUT_OF_ORDER,
    Outcome.LATE,
    Outcome.EARLY,
    Outcome.UNDECIDED,
    Outcome.MET,
)
"""The order in which a person wants to read outcomes; not a judgement on danger."""


class _Found(Protocol):
    """What findings have, and the rows that are kept of them."""

    @property
    def outcome(self) -> Outcome: ...
    @property
    def time_ns(self) -> int | None: ...


_NO_SEQUENCE: Final = (
    "the expectations have no rule of kind sequence, so nothing shows that the lock did anything; add one for each"
    " handshake, or write 'handshake = false' at their top if they are not about a handshake"
)

_F = TypeVar("_F", bound=_Found)


def worst_first(findings: Iterable[_F]) -> list[_F]:
    """Return findings as a person wants to read them: faults, then doubts, then the rest, each in order of time."""
    return sorted(findings, key=lambda it: (WORST_FIRST.index(it.outcome), it.time_ns or 0))


def decide_verdict(
    findings: Sequenced[Finding],
    handshakes: Iterable[Handshake],
    rules: Iterable[AnyRule],
    *,
    handshake: bool = True,
    to_decide: Sequenced[str] = (),
    timelines: Mapping[str, Timeline] = MappingProxyType({}),
) -> tuple[Verdict, str]:
    """Return the verdict and the sentence that gives its reason.

    Faulty if any finding is neither met nor undecided; else undecided if any is undecided, if nothing was checked,
    or if no sequence was completed, unless `handshake` says that none needs to be, or if something is still to
    be decided in the expectations; else as expected. With `timelines`, by role, doubts that all come from where nothing
    was recorded are told as that.
    """
    every = Findings.of(findings)
    ordered, rules = worst_first(every.unmet), tuple(rules)
    faults = [finding for finding in ordered if finding.outcome.is_fault]
    if faults:
        return Verdict.FAULTY, headline(faults, rules, every)
    doubts = [finding for finding in ordered if finding.outcome is Outcome.UNDECIDED]
    sequences = [rule for rule in rules if isinstance(rule, Sequence)]
    whole = Handshakes.of(handshakes).completed
    if doubts:
        # The order of outcomes alone needs no numpy.
        from buslens.checks.unrecorded import unrecorded_text

        is_told = bool(whole) or not handshake
        why = unrecorded_text(doubts, {rule.name: rule for rule in rules}, timelines) if is_told else None
        return Verdict.UNDECIDED, why or headline(doubts, rules, every)
    if handshake and not sequences:
        return Verdict.UNDECIDED, _NO_SEQUENCE
    if handshake and not whole:
        return Verdict.UNDECIDED, _how_to_get_one(sequences)
    if not findings:
        return Verdict.UNDECIDED, "no rule was tested in this capture"
    if to_decide:
        more = f" (and {len(to_decide) - 1} more)" if len(to_decide) > 1 else ""
        lacking = f"all tested rules OK, but the expectations are not complete: {to_decide[0]}{more}"
        return Verdict.UNDECIDED, f"{lacking}; complete them, and delete 'to_decide' from the file"
    if not whole:
        return Verdict.AS_EXPECTED, "all tested rules OK"
    carried = f"{whole} complete handshake{'s' if whole > 1 else ''}"
    return Verdict.AS_EXPECTED, f"{carried}; all tested rules OK"


def _how_to_get_one(sequences: list[Sequence]) -> str:
    from buslens.checks.occasion import what_to_do

    asked = dict.fromkeys(map(what_to_do, sequences))
    return f"no complete handshake in this capture; record again: {'; or '.join(asked)}"
