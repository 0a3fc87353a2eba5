"""From a ledger to what stands out in its fleet."""

from collections.abc import Callable, Collection, Iterable, Sequence

import numpy as np

from buslens.definitions.model import Definitions
from buslens.fleet import queries
from buslens.fleet.anomalies.columns import CENSORED, UNDATED, StepDelays
from buslens.fleet.anomalies.compare import StatisticalTest, compare_delays, compare_traffic, compare_tries
from buslens.fleet.anomalies.discovery_rate import LEVEL, q_values
from buslens.fleet.ledger import Ledger
from buslens.fleet.model import Anomaly, AnomalyKind
from buslens.fleet.views import DelayColumns


def find_anomalies(
    ledger: Ledger, *, skews: Collection[tuple[str, str]] = (), definitions: Iterable[Definitions] = ()
) -> list[Anomaly]:
    """Return what stands out in a fleet, the most certain first; last, retries of which nothing is sure yet.

    Delays and tries are compared over the fleet and with the vehicle's own past, messages and cycle times with its own
    past. All tests are one family: on average, at most 5 % of the reported vehicles are false alarms
    (`discovery_rate`).

    Parameters
    ----------
    ledger : Ledger
        Open for reading or writing; one step or one vehicle at a time is in memory.
    skews : collection of (str, str)
        Rule and step of each step that is one feedback following the other, from `skew.skew_steps`.
    definitions : iterable of Definitions
        What the vehicles are checked against; messages are called by their names there.
    """
    messages = {2 * it.can_id + it.is_extended: it.name for one in definitions for it in one.messages}
    tested: list[StatisticalTest] = []
    with ledger.snapshot():
        names = [row.vehicle for row in queries.vehicles(ledger)]
        index = {name: place for place, name in enumerate(names)}
        for rule, step in dict.fromkeys((row.rule, row.step) for row in queries.steps(ledger)):
            for delays in split_by_limits(queries.delays_of_step(ledger, rule, step), index):
                tested += compare_delays(delays, is_skew=(rule, step) in skews)
        for tries in queries.tries_of(ledger, index):
            tested += compare_tries(tries)
        for name, place in index.items():
            tested += compare_traffic(place, queries.traffic_of(ledger, name), messages)
        return significant(tested, names, lambda capture: queries.address_of(ledger, capture))


def significant(
    tested: Iterable[StatisticalTest], names: Sequence[str], address_of: Callable[[int], str]
) -> list[Anomaly]:
    """Return what is told of a family of tests, the most certain first; last, retries of which nothing is sure yet."""
    family = list(tested)
    adjusted = q_values(np.array([test.p_value for test in family]), [(test.vehicle, test.kind) for test in family])
    found = []
    for test, q_value in zip(family, adjusted.tolist(), strict=True):
        # Retries that rise are told before they are sure, with a q-value above the level.
        if not test.sentence or (q_value > LEVEL and test.kind is not AnomalyKind.RETRIES):
            continue
        where = ", ".join(word for word in (test.rule, test.step) if word)
        found.append(
            Anomaly(
                kind=test.kind,
                vehicle=names[test.vehicle],
                sentence=f"{where}: {test.sentence}" if where else test.sentence,
                p_value=test.p_value,
                q_value=q_value,
                rule=test.rule,
                step=test.step,
                address="" if test.capture is None else address_of(test.capture),
                recorded_ns=test.recorded_ns,
                crossing_ns=test.crossing_ns,
                numbers=test.numbers,
            )
        )
    return sorted(found, key=lambda it: (it.q_value, it.p_value, it.vehicle, it.kind.value, it.rule, it.step))


def split_by_limits(delays: DelayColumns, index: dict[str, int]) -> list[StepDelays]:
    """Return the delays of a step apart for each pair of limits: who has other limits is another kind of vehicle."""
    limits = np.iinfo(np.int64)
    vehicle = _renumbered(delays.vehicle, delays.vehicles, index)
    recorded_ns = _dated(delays.recorded_ns)
    latest_ns = np.where(delays.censored, CENSORED, delays.latest_ns)
    pairs, which = np.unique(np.stack([delays.least_ns, delays.most_ns]), axis=1, return_inverse=True)
    parts = []
    for number, (least_ns, most_ns) in enumerate(pairs.T.tolist()):
        kept = which.ravel() == number
        parts.append(
            StepDelays(
                rule=delays.rule,
                step=delays.step,
                vehicle=vehicle[kept],
                recorded_ns=recorded_ns[kept],
                earliest_ns=delays.earliest_ns[kept],
                latest_ns=latest_ns[kept],
                capture=delays.capture[kept],
                least_ns=None if least_ns == limits.min else least_ns,
                most_ns=None if most_ns == limits.max else most_ns,
            )
        )
    return parts


def _renumbered(place: np.ndarray, names: Sequence[str], index: dict[str, int]) -> np.ndarray:
    """Return numbers of vehicles by the fleet's list for numbers by a list of one query."""
    table = np.array([index[name] for name in names], dtype=np.int64)
    return table[place] if len(table) else np.empty(0, dtype=np.int64)


def _dated(recorded_ns: np.ndarray) -> np.ndarray:
    return np.where(recorded_ns < 0, UNDATED, recorded_ns)
