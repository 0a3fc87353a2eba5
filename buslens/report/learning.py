"""How common causes are by one's own confirmed jobs, as text, old and new side by side, with weights to copy."""

from collections.abc import Sequence

from buslens.causes.learn import LearnedShare
from buslens.causes.model import Causes
from buslens.report.formatting import clean, counted


def text(causes: Causes, shares: Sequence[LearnedShare], unconfirmed: int) -> str:
    """Return the report on what jobs teach; `unconfirmed` jobs named no cause."""
    jobs = sum(it.count for it in shares)
    lines = [
        f"{counted(jobs, 'job')} with a confirmed cause"
        + (f"; {counted(unconfirmed, 'job')} without one, not counted" if unconfirmed else ""),
        f"prior: weights of {clean(causes.path)}, worth {causes.numbers.worth:g} jobs; {clean(causes.numbers.basis)}",
        "",
        f"{'cause':32} {'jobs':>5} {'old':>7} {'new':>7}   95 % of it",
    ]
    lines += [
        f"{it.cause.name:32} {it.count:5} {it.old:7.1%} {it.new:7.1%}   {it.low:.1%} to {it.high:.1%}"
        for it in shares
        if it.count or it.new >= 0.01
    ]
    if jobs:
        lines += ["", "Copy into your causes file, in place of its [weights]:", "", "[weights]"]
        lines += [f"{it.cause.name} = {100 * it.new:.3g}" for it in shares]
    return "\n".join(lines) + "\n"
