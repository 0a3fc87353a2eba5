"""The fuzzing harness itself: its promises hold for what it starts from, and it sees a promise that is broken."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

import pytest
from fuzz import readings
from fuzz.run import mutated
from fuzz.seeds import CANDUMP_LINES, TOKENS, seeds
from fuzz.targets import TARGETS, attempt, by_zlib
from support import unparse

from buslens.capture import _pattern_scan
from buslens.capture.stream import GzipStream
from buslens.errors import BuslensError

if TYPE_CHECKING:
    from buslens.expectations.model import Condition

pytestmark = pytest.mark.slow

LOG = b"\n".join([*[CANDUMP_LINES[0]] * 3, b"(1700000009.000000) can0 202#11"]) + b"\n"


class TestSeeds:
    """Every target takes what it starts from, and that with a few things changed."""

    @pytest.mark.parametrize("target", TARGETS)
    def test_nothing_breaks(self, target: str) -> None:
        dice = random.Random(target)
        inputs = [data for data in seeds(target) if len(data) < 100_000]
        tokens = [word.encode() for word in TOKENS.get(target, [])]
        for data in [*inputs[:3], *(mutated(dice, inputs, tokens) for _ in range(6))]:
            attempt(target, data)


class TestAccepted:
    """What fuzzing starts from is right, so that mutations reach what is behind the first refusal."""

    @pytest.mark.parametrize(
        "target", ["dbc", "condition", "reading", "session", "marks", "groups", "vehicles", "naming"]
    )
    def test_by_its_target(self, target: str) -> None:
        for data in seeds(target):
            TARGETS[target](data)

    def test_nearly_all(self) -> None:
        """A step that counts from another rule's, a base without causes of its own: some are meant to be refused."""
        for target, most in (("expectations", 1), ("causes", 1)):
            refused = 0
            for data in seeds(target):
                try:
                    TARGETS[target](data)
                except BuslensError:
                    refused += 1
            assert refused <= most


class TestSight:
    """A promise that is broken is seen."""

    def test_engines_that_differ(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(_pattern_scan, "unhexlify", lambda data: b"\xff" * (len(data) // 2))
        with pytest.raises(AssertionError, match="reads otherwise than plain"):
            attempt("candump", LOG)

    def test_a_line_in_no_class(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(readings, "units", lambda log: log.count(b"\n") + 17)
        with pytest.raises(AssertionError, match="in no class"):
            attempt("asc", b"base hex timestamps absolute\n1.0 1 C8 Rx d 1 01\n")

    def test_an_axis_that_runs_back(self, monkeypatch: pytest.MonkeyPatch) -> None:
        read = readings.read

        def backwards(*given: object, **how: object) -> object:
            rows, *rest = read(*given, **how)  # type: ignore[arg-type]
            return rows[::-1], *rest

        monkeypatch.setattr(readings, "read", backwards)
        with pytest.raises(AssertionError, match="runs back"):
            attempt("candump", LOG)

    def test_damage_that_goes_unsaid(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(GzipStream, "_end", lambda self, _: setattr(self, "_ended", True))
        with pytest.raises(AssertionError, match="unsaid"):
            attempt("gunzip", b"\x1f\x8b\x08\x00")

    def test_a_condition_printed_wrongly(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def wrong(condition: Condition, roles: object) -> str:  # noqa: ARG001
            return "door_open is closed"

        monkeypatch.setattr("fuzz.targets.condition_text", wrong)
        with pytest.raises(AssertionError, match="printed as"):
            attempt("condition", b"door_open is open")
        assert unparse.condition_text is not wrong

    def test_an_error_that_is_no_sentence(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def trip(*_: object) -> None:
            raise KeyError("nothing")

        monkeypatch.setattr("fuzz.targets.load_marks", trip)
        with pytest.raises(KeyError):
            attempt("marks", b"12.3 door opens")


class TestByZlib:
    """What a gzip stream holds is known from elsewhere: zlib, one byte at a time."""

    def test_whole_and_cut(self) -> None:
        packed = next(data for data in seeds("gunzip") if data.startswith(b"\x1f\x8b"))
        whole, is_whole = by_zlib(packed)
        assert is_whole
        part, is_whole = by_zlib(packed[:-9])
        assert whole.startswith(part)
        assert not is_whole
