"""What to do about a vehicle, in plain words: the verb that its row of the sheet begins with, and what was seen."""

from enum import Enum
from typing import Final, NamedTuple

from buslens.causes.repair_statistics import clean_trials_needed
from buslens.checks.findings import Outcome, Verdict
from buslens.checks.verdict import WORST_FIRST
from buslens.fleet.model import Anomaly, AnomalyKind, FindingRow
from buslens.fleet.page.dates import date_text, day_count
from buslens.fleet.page.urgency import Urgency, VehicleStatus
from buslens.fleet.views import CaptureRow, FoundRow
from buslens.report.formatting import OUTCOME_WORDS


class VisitAction(Enum):
    """Verbs, the most urgent first."""

    OFF_THE_ROAD = "Take off the road"
    CALL_IN_NOW = "Call in now"
    CALL_IN = "Call in"
    PROVE = "Prove the repair"
    CALL_IN_BY = "Call in by"
    ASK = "Ask what was changed"
    RECORD = "Record again"
    NOTHING = "Nothing to do"


_OF_ANOMALY: Final = {
    AnomalyKind.OUTLIER: "delay is unusual, though within its limit",
    AnomalyKind.DRIFT: "delay changes week by week",
    AnomalyKind.RETRIES: "needs a second try more and more often",
    AnomalyKind.MESSAGES: "messages came or went",
    AnomalyKind.CYCLE: "a message is sent at another rate",
    AnomalyKind.SKEW: "one feedback lags behind the other",
}
_CHANGED: Final = frozenset({AnomalyKind.MESSAGES, AnomalyKind.CYCLE})
"""What somebody's work on the vehicle commonly explains."""
_FEWEST_IN_A_ROW: Final = 2
"""Faulty captures one after the other, after which OK ones may be a repair."""
_LAST: Final = 2
"""Captures that say nothing, one after the other, after which an older one is no answer any more."""


class VisitAdvice(NamedTuple):
    """What the row of a vehicle says."""

    action: VisitAction
    #: What was seen, in a few words; empty where there is nothing to do.
    what: str
    #: The sentence behind it.
    why: str
    #: How long it has been so, or when a limit will be crossed.
    how_long: str = ""
    #: What that rests on.
    rests_on: str = ""
    #: The verb with its date; empty where it has none.
    dated_verb: str = ""
    #: Calendar time until which it is to be done; None where it is said otherwise.
    until_ns: int | None = None

    @property
    def verb(self) -> str:
        """The verb, with its date where it has one."""
        return self.dated_verb or self.action.value


def advice(one: VehicleStatus, captures: list[CaptureRow], now_ns: int | None) -> VisitAdvice:
    """Return what to do about a vehicle.

    Parameters
    ----------
    now_ns : int or None
        Calendar time of the last capture of the fleet, which stands for today: a ledger that is looked at again says
        the same. None if none is dated.
    """
    match one.urgency:
        case Urgency.IGNITION:
            return _faulty(one, captures, now_ns, VisitAction.OFF_THE_ROAD)
        case Urgency.FAULTY:
            return _faulty(one, captures, now_ns, VisitAction.CALL_IN_NOW)
        case Urgency.AT_TIMES:
            return _proving(one, now_ns) or _faulty(one, captures, now_ns, VisitAction.CALL_IN)
        case Urgency.CROSSING:
            return _crossing(one, now_ns)
        case Urgency.STANDS_OUT:
            return _standing_out(one, now_ns)
        case Urgency.NOT_KNOWN if one.is_called_in:
            return _unknown(one, captures, now_ns)
        case Urgency.NOT_KNOWN:
            return VisitAdvice(VisitAction.NOTHING, "", "its captures are of another kind of vehicle")
    last = one.lately[-_LAST:]
    if len(last) == _LAST and not any(_is_decided(row) for row in last):
        return _unknown(one, captures, now_ns)
    return VisitAdvice(VisitAction.NOTHING, "", "")


def seen_text(finding: FindingRow) -> tuple[str, str]:
    """Return what a fault is and what is behind it: of a step what became of it; of other rules the sentence."""
    rule = finding.rule.replace("_", " ")
    if finding.step is None:
        return finding.reason, rule
    became = "did not come" if finding.outcome is Outcome.MISSING else OUTCOME_WORDS[finding.outcome]
    return f"{finding.step.replace('_', ' ')} {became} in {rule}", finding.reason


def gravest(faults: tuple[FoundRow, ...]) -> FoundRow | None:
    """Return the fault that a vehicle is called in for: of the gravest sort, the last, and in it the first step."""
    if not faults:
        return None
    last = max(faults, key=lambda fault: (fault.is_about_ignition, fault.recorded_ns or 0, fault.capture))
    same = [fault for fault in faults if fault.capture == last.capture]
    return min(
        same,
        key=lambda fault: (
            not fault.is_about_ignition,
            fault.finding.step is None,
            fault.finding.handshake or 0,
            WORST_FIRST.index(fault.finding.outcome) if fault.finding.time_ns is None else 0,
            fault.finding.time_ns or 0,
        ),
    )


def _fault_text(one: VehicleStatus, faulty: CaptureRow) -> tuple[str, str]:
    """Return what is wrong, and what is behind it; a ledger may have lost the findings of a capture."""
    fault = gravest(one.faults)
    return ("faulty", faulty.summary) if fault is None else seen_text(fault.finding)


def _faulty(one: VehicleStatus, captures: list[CaptureRow], now_ns: int | None, action: VisitAction) -> VisitAdvice:
    decided = [row for row in captures if _is_decided(row)]
    run: list[CaptureRow] = []
    for row in reversed(decided):
        if row.verdict is not Verdict.FAULTY:
            break
        run.insert(0, row)
    faulty = [row for row in one.lately if row.verdict is Verdict.FAULTY]
    what, why = _fault_text(one, faulty[-1])
    share = f"{len(faulty)} of the last {len(one.lately)}"
    if len(run) > 1:
        since_ns = run[0].recorded_ns
        long = "faulty" if since_ns is None or now_ns is None else f"faulty for {day_count(since_ns, now_ns)}"
        return VisitAdvice(action, what, why, long, _since(len(run), since_ns, now_ns))
    when = date_text(faulty[-1].recorded_ns, now_ns)
    often = f"once, on {when}" if len(faulty) == 1 else f"at times, last {when}"
    return VisitAdvice(action, what, why, often, f"{share} faulty")


def _since(count: int, since_ns: int | None, now_ns: int | None) -> str:
    return f"{count} of {count}" + ("" if since_ns is None else f" since {date_text(since_ns, now_ns)}")


def _proving(one: VehicleStatus, now_ns: int | None) -> VisitAdvice | None:
    """Return what a vehicle needs that failed without exception, and has been OK without exception since."""
    decided = [row.verdict for row in one.lately if _is_decided(row)]
    faulty = decided.count(Verdict.FAULTY)
    first = decided.index(Verdict.FAULTY)
    after = decided[first + faulty :]
    if faulty < _FEWEST_IN_A_ROW or Verdict.FAULTY in after or not after:
        return None
    rows = [row for row in one.lately if _is_decided(row)]
    failing, clean = rows[first : first + faulty], rows[first + faulty :]
    done = sum(row.handshakes for row in clean)
    trials = max(sum(row.handshakes for row in failing), faulty)
    named = {(it.capture, it.finding.rule, it.finding.handshake) for it in one.faults if it.finding.handshake}
    missing = clean_trials_needed(min(max(len(named), faulty), trials), trials) - done
    # As many OK handshakes are no chance any more: nothing is left to prove.
    what = f"{missing} more OK handshakes needed" if missing > 0 else "enough OK handshakes; confirm what was done"
    last = date_text(failing[-1].recorded_ns, now_ns)
    since_ns = clean[0].recorded_ns
    long = "OK" if since_ns is None or now_ns is None else f"OK for {day_count(since_ns, now_ns)}"
    return VisitAdvice(
        VisitAction.PROVE,
        what if missing != 1 else "1 more OK handshake needed",
        f"not repaired? then call it in; {_fault_text(one, failing[-1])[1]}",
        long,
        f"{faulty} faulty, until {last}",
    )


def _crossing(one: VehicleStatus, now_ns: int | None) -> VisitAdvice:
    drift = min(
        (it for it in one.anomalies if it.crossing_ns is not None), key=lambda it: (it.crossing_ns or (0, None))[0]
    )
    first, last = drift.crossing_ns or (0, None)
    has_begun = now_ns is not None and now_ns >= first
    what = f"{drift.step} nears its limit, {drift.rule}"
    rests = "range in which it crosses its limit"
    if last is None:
        long = f"{date_text(first, now_ns)} or later"
        if has_begun:
            return VisitAdvice(VisitAction.CALL_IN, what, drift.sentence, "may cross any day", "no latest day is known")
        return VisitAdvice(
            VisitAction.CALL_IN_BY,
            what,
            drift.sentence,
            long,
            rests,
            f"Call in before {date_text(first, now_ns)}",
            first,
        )
    if now_ns is not None and now_ns >= last:
        return VisitAdvice(
            VisitAction.CALL_IN, what, drift.sentence, f"foretold until {date_text(last, now_ns)}", "record it again"
        )
    verb = f"Call in by {date_text(last, now_ns)}" if has_begun else f"Call in before {date_text(first, now_ns)}"
    long = f"{date_text(first, now_ns)} to {date_text(last, now_ns)}"
    return VisitAdvice(VisitAction.CALL_IN_BY, what, drift.sentence, long, rests, verb, last if has_begun else first)


def _standing_out(one: VehicleStatus, now_ns: int | None) -> VisitAdvice:
    changed = [it for it in one.anomalies if it.kind in _CHANGED]
    leading = (changed or list(one.anomalies))[0]
    action = VisitAction.ASK if changed else VisitAction.RECORD
    since = "" if leading.recorded_ns is None else f"since {date_text(leading.recorded_ns, now_ns)}"
    return VisitAdvice(action, _anomaly_text(leading), leading.sentence, since, "no rule is broken")


def _anomaly_text(anomaly: Anomaly) -> str:
    where = ", ".join(part for part in (anomaly.step, anomaly.rule) if part)
    return f"{_OF_ANOMALY[anomaly.kind]}{f' ({where})' if where else ''}".replace("_", " ")


def _unknown(one: VehicleStatus, captures: list[CaptureRow], now_ns: int | None) -> VisitAdvice:
    silent = 0
    for row in reversed(captures):
        if _is_decided(row):
            break
        silent += 1
    what = "its only capture says nothing" if len(captures) == 1 else f"the last {silent} captures say nothing"
    decided = [row for row in captures if _is_decided(row)]
    last = f"last decided {date_text(decided[-1].recorded_ns, now_ns)}" if decided else "never decided"
    return VisitAdvice(VisitAction.RECORD, what, one.lately[-1].summary if one.lately else "", "no verdict", last)


def _is_decided(row: CaptureRow) -> bool:
    return row.verdict in {Verdict.FAULTY, Verdict.AS_EXPECTED}
