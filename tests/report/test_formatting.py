from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.handmade import pulse_finding, result, step_finding

from buslens.checks.findings import Limit, Outcome, Verdict
from buslens.report.formatting import (
    DOUBT_SIGN,
    IDLE_SIGN,
    MET_SIGN,
    OUTCOME_WORDS,
    VERDICT_WORDS,
    WRONG_SIGN,
    clean,
    limit_text,
    moment,
    place,
    seconds,
    sign,
    verdict_sentence,
)


class TestVocabulary:
    """Every outcome and every verdict has words of its own, and the signs need no more than ASCII."""

    def test_outcomes(self) -> None:
        assert set(OUTCOME_WORDS) == set(Outcome)
        assert len(set(OUTCOME_WORDS.values())) == len(Outcome)

    def test_verdicts(self) -> None:
        assert set(VERDICT_WORDS) == set(Verdict)

    def test_signs(self) -> None:
        signs = {WRONG_SIGN, DOUBT_SIGN, MET_SIGN, IDLE_SIGN}
        assert len(signs) == 4
        assert all(one.isascii() for one in signs)

    @pytest.mark.parametrize("outcome", Outcome)
    def test_sign_says_the_same_as_the_outcome(self, outcome: Outcome) -> None:
        assert (sign(outcome) == WRONG_SIGN) == outcome.is_fault
        assert (sign(outcome) == DOUBT_SIGN) == (outcome is Outcome.UNDECIDED)


class TestClean:
    """Text of the user's cannot drive the terminal, break the line or turn the direction of writing."""

    @given(st.text())
    def test_any_text(self, text: str) -> None:
        shown = clean(text)
        assert len(shown.splitlines()) <= 1
        assert not set(shown) & set("\x1b\x9b\u202e\u2066\x00\x7f")
        shown.encode()

    @given(st.text(st.characters(categories=["L", "N", "P", "S"])))
    def test_ordinary_text_stays(self, text: str) -> None:
        assert clean(text) == text

    def test_file_name_that_is_no_unicode(self) -> None:
        assert clean(b"car\xff.log".decode("utf-8", "surrogateescape")) == r"car\udcff.log"


class TestSeconds:
    """A time is rounded to the nearest millisecond, and has no minus where it shows as zero."""

    @given(st.integers(-(10**18), 10**18))
    def test_any_time(self, time_ns: int) -> None:
        shown = Fraction(seconds(time_ns).removesuffix(" s"))
        assert abs(shown - Fraction(time_ns, 10**9)) <= Fraction(1, 2000)

    @pytest.mark.parametrize(
        ("time_ns", "words"), [(0, "0.000 s"), (-499_999, "0.000 s"), (-500_000, "-0.001 s"), (999_500_000, "1.000 s")]
    )
    def test_edges(self, time_ns: int, words: str) -> None:
        assert seconds(time_ns) == words

    def test_moment_counts_from_the_first_frame(self) -> None:
        assert moment(7_000_000_000, 4_000_000_000) == "at 3.000 s"


class TestLimitWords:
    """What is allowed is said with its unit, once."""

    @pytest.mark.parametrize(
        ("limit", "words"),
        [
            (Limit(), "no limit"),
            (Limit(most=450e6), "limit 450 ms"),
            (Limit(least=0, most=450e6), "limit 450 ms"),
            (Limit(least=50e6), "limit at least 50 ms"),
            (Limit(least=50e6, most=600e6), "limit 50 to 600 ms"),
            (Limit(least=50e6, most=2e9), "limit 50 ms to 2 s"),
            (Limit(least=2.5e6, most=2.5e6), "limit exactly 2.5 ms"),
            (Limit(least=9.5, most=16.0, unit="V"), "limit 9.5 to 16 V"),
            (Limit(most=16.0, unit="V"), "limit at most 16 V"),
            (Limit(least=9.5, unit="V"), "limit at least 9.5 V"),
            (Limit(least=1.0, most=3.0, unit=""), "limit 1 to 3"),
        ],
        ids=lambda value: value if isinstance(value, str) else "",
    )
    def test_limits(self, limit: Limit, words: str) -> None:
        assert limit_text(limit) == words


class TestPlace:
    """A finding is named by its rule, handshake and step, as far as it has them."""

    def test_step_of_a_handshake(self) -> None:
        assert place(step_finding(handshake=2)) == "lock handshake 2, wire feedback"

    def test_rule_alone(self) -> None:
        assert place(pulse_finding()) == "enable pulse"


class TestVerdictSentence:
    """The last line begins with the verdict in words."""

    @pytest.mark.parametrize("verdict", Verdict)
    def test_begins_with_the_verdict(self, verdict: Verdict) -> None:
        sentence = verdict_sentence(result(verdict=verdict, summary="because of this"))
        assert sentence.lower() == f"{VERDICT_WORDS[verdict]}: because of this"
        assert sentence[0].isupper()

    @pytest.mark.parametrize("verdict", Verdict)
    def test_is_never_empty(self, verdict: Verdict) -> None:
        assert verdict_sentence(result(verdict=verdict, summary="")).lower().startswith(VERDICT_WORDS[verdict])
