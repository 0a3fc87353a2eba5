"""Bits that change together as fields, and the fields that explain each action best."""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from buslens.definitions.model import ByteOrder
from buslens.discovery.changes import BITS, BitToggles, FrameKey
from buslens.discovery.coincidence import BitTests, MatchWindow, Term, ToggleDirection, Trial
from buslens.discovery.marks import MarkedAction

TOGETHER: Final = 0.8
"""Neighbouring bits are one field if so much of all their changes comes in the same frames (rule of thumb)."""
SURPRISING: Final = 0.05
"""Corrected p-values below are called more than chance."""
_TRIED_PER_ACTION: Final = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class BitField:
    """Neighbouring bits of one identifier."""

    origin: FrameKey
    #: Bit numbers as in a DBC, the least significant first.
    bits: tuple[int, ...]
    order: ByteOrder

    @property
    def is_order_certain(self) -> bool:
        """Whether the byte order can be told; within one byte both are the same."""
        return self.bits[0] // 8 != self.bits[-1] // 8

    @property
    def start(self) -> int:
        """The start bit as a DBC counts it."""
        return self.bits[0] if self.order is ByteOrder.INTEL else self.bits[-1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Response:
    """What a field does at one action."""

    #: Index among the actions.
    action: int
    way: ToggleDirection
    #: Marks that a change explains, of so many.
    hits: int
    marks: int
    #: Values of the field before and after, most often; None if it never changed at a mark.
    before: int | None
    after: int | None
    #: From the mark to the frame that first shows the change, ns: least, median, greatest; None without hits.
    lag_ns: tuple[int, int, int] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """A field that may be what an action changes."""

    field: BitField
    #: One, or two if the second action undoes the first.
    responses: tuple[Response, ...]
    #: Changes of the leading bit, of the ways that count, that no mark explains.
    other_changes: int
    #: Chance that this bit alone would explain as many marks by luck.
    p: float
    #: Chance that anything tried would come out as surprising by luck.
    corrected: float
    #: Usual time between frames, ns.
    period_ns: int

    @property
    def is_surprising(self) -> bool:
        """Whether it is more than chance."""
        return self.corrected < SURPRISING

    def is_alone(self, action: int) -> bool:
        """Whether it surely changes at every mark of an action, and never that way at anything else."""
        mine = [it for it in self.responses if it.action == action]
        return self.is_surprising and not self.other_changes and bool(mine) and all(it.hits == it.marks for it in mine)

    def moves_ns(self, action: int) -> int:
        """Return when it usually changes after the marks of an action: half a frame before it is seen, ns."""
        lags = [it.lag_ns[1] for it in self.responses if it.action == action and it.lag_ns is not None]
        return (lags[0] if lags else 0) - self.period_ns // 2

    def explains(self, action: int) -> bool:
        """Whether an action is among what it responds to."""
        return any(response.action == action for response in self.responses)


def rank(
    changes: BitToggles, trials: BitTests, actions: Sequence[MarkedAction], *, window: MatchWindow, most: int
) -> list[list[Candidate]]:
    """Return for each action the fields that explain it best, the best first, at most so many."""
    found: dict[tuple[int, tuple[Term, ...]], Candidate] = {}
    return [
        _ranked(changes, trials, actions, index, window=window, most=most, found=found) for index in range(len(actions))
    ]


def first_movers_first(ranked: Sequence[Candidate], action: int) -> list[Candidate]:
    """Return candidates so that one that changes at every mark and at nothing else, and surely moves first, leads.

    What a person acts on moves first and alone; what a control unit then does follows it, and may also follow something
    else. What frames cannot tell apart keeps its order.
    """
    alone = [it for it in ranked if it.is_alone(action)]
    if not alone:
        return list(ranked)
    first = min(alone, key=lambda it: it.moves_ns(action))
    leader = ranked[0]
    is_sooner = leader.moves_ns(action) - first.moves_ns(action) > (leader.period_ns + first.period_ns) // 2
    if first is leader or (leader.is_alone(action) and not is_sooner):
        return list(ranked)
    return [first, *(it for it in ranked if it is not first)]


def _ranked(
    changes: BitToggles,
    trials: BitTests,
    actions: Sequence[MarkedAction],
    action: int,
    *,
    window: MatchWindow,
    most: int,
    found: dict[tuple[int, tuple[Term, ...]], Candidate],
) -> list[Candidate]:
    best = np.full(len(trials.code), np.inf)
    which = np.full(len(trials.code), -1)
    for index, trial in enumerate(trials.trials):
        if any(term.action == action for term in trial.terms):
            p = np.where(trial.eligible, trial.p, np.inf)
            better = p < best
            best[better], which[better] = p[better], index
    ranked: list[Candidate] = []
    taken: set[int] = set()
    # Of two as surprising, the one that is sent more often dates its changes more sharply (rule of thumb).
    period = changes.period_ns[trials.code // BITS]
    for place in np.lexsort((trials.code, period, best))[:_TRIED_PER_ACTION].tolist():
        code = int(trials.code[place])
        if not np.isfinite(best[place]) or len(ranked) == most:
            break
        if code in taken:
            continue
        trial = trials.trials[int(which[place])]
        key = code, trial.terms
        if key not in found:
            found[key] = _candidate(changes, trial, place, code, trials.corrected(float(best[place])), actions, window)
        candidate = found[key]
        taken |= {code - code % BITS + bit for bit in candidate.field.bits}
        ranked.append(candidate)
    return ranked


def _candidate(
    changes: BitToggles,
    trial: Trial,
    place: int,
    code: int,
    corrected: float,
    actions: Sequence[MarkedAction],
    window: MatchWindow,
) -> Candidate:
    field = _field(changes, code)
    rows = changes.of(code)
    since_ns, seen_ns, rising = changes.since_ns[rows], changes.seen_ns[rows], changes.rising[rows]
    used = np.zeros(len(seen_ns), np.bool_)
    counted = np.zeros(len(seen_ns), np.bool_)
    responses = []
    for term in trial.terms:
        way = term.way
        mine = (
            np.ones(len(rising), np.bool_) if way is ToggleDirection.EITHER else rising == (way is ToggleDirection.UP)
        )
        counted |= mine
        pairs: list[tuple[int, int]] = []
        for mark_ns in (window.first_ns + time_ns for time_ns in actions[term.action].times_ns):
            near = (since_ns - window.before_ns <= mark_ns) & (mark_ns <= seen_ns + window.after_ns) & mine
            used |= near
            if near.any():
                nearest = np.flatnonzero(near)[np.argmin(np.abs(seen_ns[near] - mark_ns))]
                pairs.append((mark_ns, int(seen_ns[nearest])))
        responses.append(_response(changes, field, term, pairs, len(actions[term.action].times_ns)))
    return Candidate(
        field=field,
        responses=tuple(responses),
        other_changes=int((counted & ~used).sum()),
        p=float(trial.p[place]),
        corrected=corrected,
        period_ns=int(changes.period_ns[code // BITS]),
    )


def _response(
    changes: BitToggles, field: BitField, term: Term, pairs: Sequence[tuple[int, int]], marks: int
) -> Response:
    values = Counter((_value(changes, field, seen_ns - 1), _value(changes, field, seen_ns)) for _, seen_ns in pairs)
    (before, after), _ = values.most_common(1)[0] if values else ((None, None), 0)
    lags = sorted(seen_ns - mark_ns for mark_ns, seen_ns in pairs)
    return Response(
        action=term.action,
        way=term.way,
        hits=len(pairs),
        marks=marks,
        before=before,
        after=after,
        lag_ns=(lags[0], int(np.median(lags)), lags[-1]) if lags else None,
    )


def _value(changes: BitToggles, field: BitField, time_ns: int) -> int:
    """Return the value of a field as the last frame up to a time shows it."""
    base = changes.origins.index(field.origin) * BITS
    value = 0
    for place, bit in enumerate(field.bits):
        rows = changes.of(base + bit)
        before = int(np.searchsorted(changes.seen_ns[rows], time_ns, side="right"))
        rising = changes.rising[rows]
        is_set = bool(rising[before - 1]) if before else not bool(rising[0])
        value |= is_set << place
    return value


# --- fields ---------------------------------------------------------------------------------------------


def _field(changes: BitToggles, code: int) -> BitField:
    """Return the neighbours of a bit that change together with it, in the byte order that takes in more of them."""
    base, bit = code - code % BITS, code % BITS
    seen_ns = changes.seen_ns[changes.of(code)]

    def together(other: int) -> bool:
        theirs = changes.seen_ns[changes.of(base + other)]
        common = len(np.intersect1d(seen_ns, theirs, assume_unique=True))
        return len(theirs) > 0 and common >= TOGETHER * (len(seen_ns) + len(theirs) - common)

    intel = [*reversed(list(_run(bit, lambda it: it - 1, together))), bit, *_run(bit, lambda it: it + 1, together)]
    motorola = [*reversed(list(_run(bit, _motorola_down, together))), bit, *_run(bit, _motorola_up, together)]
    origin = changes.origins[code // BITS]
    if len(motorola) > len(intel):
        return BitField(origin=origin, bits=tuple(motorola), order=ByteOrder.MOTOROLA)
    return BitField(origin=origin, bits=tuple(intel[:64]), order=ByteOrder.INTEL)


def _run(bit: int, following: Callable[[int], int], belongs: Callable[[int], bool]) -> Iterator[int]:
    """Yield the bits that follow one, as long as they belong to it; a signal has at most 64."""
    for _ in range(31):
        bit = following(bit)
        if not 0 <= bit < BITS or not belongs(bit):
            return
        yield bit


def _motorola_up(bit: int) -> int:
    """Return the next more significant bit of a field that runs from its most significant byte on."""
    return bit + 1 if bit % 8 < 7 else bit - 15


def _motorola_down(bit: int) -> int:
    return bit - 1 if bit % 8 else bit + 15
