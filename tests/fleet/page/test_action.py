"""The verb of a vehicle: from its captures and what stands out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from support.ledgers import DAY_NS, START_NS
from support.sheets import anomaly, capture, drift, fault, found, row_of

from buslens.causes.repair_statistics import clean_trials_needed
from buslens.checks.findings import Outcome, Verdict
from buslens.fleet.model import AnomalyKind
from buslens.fleet.page.action import VisitAction, VisitAdvice, advice, gravest, seen_text
from buslens.fleet.page.urgency import vehicle_status

if TYPE_CHECKING:
    from collections.abc import Sequence

    from buslens.fleet.model import Anomaly, FindingRow

SIGNS = {"=": Verdict.AS_EXPECTED, "x": Verdict.FAULTY, "?": Verdict.UNDECIDED, "-": None}


def said(
    signs: str, *, of: FindingRow | None = None, news: Sequence[Anomaly] = (), today: int | None = None
) -> VisitAdvice:
    """Return what is advised for a vehicle with one capture a day."""
    captures = [capture(number, SIGNS[sign]) for number, sign in enumerate(signs)]
    faults = [found(one, of or fault()) for one in captures if one.verdict is Verdict.FAULTY]
    now_ns = START_NS + (len(signs) - 1 if today is None else today) * DAY_NS
    return advice(vehicle_status(row_of(captures), captures, faults, news), captures, now_ns)


class TestVerb:
    @pytest.mark.parametrize(
        ("signs", "action"),
        [
            ("====", VisitAction.NOTHING),
            ("=xxx", VisitAction.CALL_IN_NOW),
            ("=x==", VisitAction.CALL_IN),
            ("x=x=", VisitAction.CALL_IN),
            ("=xx=", VisitAction.PROVE),
            ("xx?=", VisitAction.PROVE),
            ("==??", VisitAction.RECORD),
            ("==?=", VisitAction.NOTHING),
            ("?", VisitAction.RECORD),
        ],
    )
    def test_of_captures(self, signs: str, action: VisitAction) -> None:
        assert said(signs).action is action

    def test_ignition(self) -> None:
        forbidden = fault(Outcome.VIOLATED, rule="no_ignition", kind="never", roles=("ignition",))
        one = said("x===", of=forbidden)
        assert (one.verb, one.what) == ("Take off the road", forbidden.reason)

    @pytest.mark.parametrize(
        ("today", "until", "verb"),
        [
            (21, 90, "Call in before 6 Mar"),
            (70, 90, "Call in by 5 Apr"),
            (21, None, "Call in before 6 Mar"),
            (70, None, "Call in"),
            (95, 90, "Call in"),
        ],
    )
    def test_by_is_the_latest_and_before_the_earliest_day(self, today: int, until: int | None, verb: str) -> None:
        assert said("=====", news=[drift("car1", until_day=until)], today=today).verb == verb

    @pytest.mark.parametrize(
        ("kind", "action"),
        [
            (AnomalyKind.MESSAGES, VisitAction.ASK),
            (AnomalyKind.CYCLE, VisitAction.ASK),
            (AnomalyKind.OUTLIER, VisitAction.RECORD),
        ],
    )
    def test_what_stands_out(self, kind: AnomalyKind, action: VisitAction) -> None:
        assert said("====", news=[anomaly(kind=kind)]).action is action


class TestWords:
    def test_how_long(self) -> None:
        one = said("==xxx", today=9)
        assert (one.how_long, one.rests_on) == ("faulty for 8 days", "3 of 3 since 7 Jan")

    def test_at_times(self) -> None:
        one = said("=x==")
        assert (one.how_long, one.rests_on) == ("once, on 6 Jan", "1 of the last 4 faulty")

    def test_as_many_as_prove_it(self) -> None:
        """By the count that comparing before and after asks for."""
        assert said("xxx=").what == f"{clean_trials_needed(3, 3) - 1} more OK handshakes needed"
        assert said("xxx==").what == "1 more OK handshake needed"
        assert said("xxx===").what == "enough OK handshakes; confirm what was done"

    def test_what_and_what_is_behind_it(self) -> None:
        """A step is told in a few words, with its sentence behind; of other rules the sentence, with the rule."""
        late = fault()
        assert seen_text(late) == ("wire feedback too late in lock handshake", late.reason)
        silent = fault(Outcome.VIOLATED, rule="column_message", kind="alive")
        assert seen_text(silent) == (silent.reason, "column message")

    def test_the_last_capture_leads_and_in_it_the_first_step(self) -> None:
        old, new = capture(0, Verdict.FAULTY), capture(1, Verdict.FAULTY)
        late, never = fault(), fault(Outcome.VIOLATED, rule="lamp", kind="never", roles=("lamp",))
        worst = gravest((found(old, fault(Outcome.MISSING)), found(new, never), found(new, late)))
        assert worst is not None
        assert (worst.capture, worst.finding) == (1, late)
        assert gravest(()) is None
