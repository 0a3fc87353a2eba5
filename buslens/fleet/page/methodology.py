"""How the numbers of the sheet are made, in sentences for who has to answer for them."""

from __future__ import annotations

from typing import Final

from buslens.fleet.anomalies.discovery_rate import LEVEL
from buslens.fleet.anomalies.outliers import FAR

_LEVEL: Final = f"{100 * LEVEL:g} %"

METHOD: Final = (
    (
        "Each capture counts once, however many copies of it there are, as checked against the expectations and "
        "definitions of its group of vehicles now. Captures that earlier runs into this folder checked count too, "
        "also those that are no longer there."
    ),
    (
        "A signal is known only when a frame carries it, so a delay is known to lie between two ends. It is met or a "
        "fault only if both ends say so; else it is undecided, and undecided is never counted as good."
    ),
    (
        "A step that never came has no upper end: the delay is at least as long as it was waited for. Medians and "
        "percentiles take it as longer than any that came."
    ),
    (
        "An unusual value need not break a rule. Delays and vehicles are scored by 0.6745 (x - median) / MAD with the "
        "fleet's own median and MAD, each vehicle with equal weight; an outlier lies beyond "
        f"{FAR:g} by the nearer end of its interval (Iglewicz and Hoaglin 1993)."
    ),
    (
        "Drifts are tested with Kendall's rank correlation on the medians of days, and measured by the slope of Theil "
        "and Sen (Sen 1968) with its 95 % interval, the season of the fleet taken off. A limit is said to be crossed "
        "only where that interval does not hold zero, and not further ahead than the days reach back. Where a delay "
        "was beyond the limit already, it is said since when and how often, and nothing is foretold."
    ),
    (
        "Messages and cycle times are compared with the vehicle's own past alone; days with a second try with its past "
        "and with the other vehicles. Retries are few: a vehicle that needs one on 7 of its last 35 days, after 1 of "
        "40, shows that by chance in about 5 of 100 cases. So it is told as not sure yet until months have shown it."
    ),
    (
        f"All these tests of all vehicles are one family, held to a false discovery rate of {_LEVEL} (Benjamini and "
        f"Hochberg 1995): of what is called unusual, about one in {1 / LEVEL:g} is expected to be chance."
    ),
    ("Broken rules are no matter of chance: they are not part of that, and the limits are those of the expectations."),
)
"""One sentence, or a few, for each thing that a number rests on."""
