"""Bayes' rule over causes and pairs, against a published circuit, against counting, and on small files made by hand."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import combinations, product
from math import log
from typing import TYPE_CHECKING, NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.small_causes import cause, causes, measurement, observed

from buslens.causes.advice import entropy, expected_entropy
from buslens.causes.likelihood import likelihood, result_probabilities, sign_probability
from buslens.causes.model import CauseKind, Frequency
from buslens.causes.ranking import evidence_summary, normalised, rank
from buslens.causes.signs import SignStatus
from buslens.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterator

NAT = log(2)
"""One bit in nat."""


PARTS = ("M1", "M2", "M3", "A1", "A2")
VALUES = 16


class Circuit(NamedTuple):
    """What is known of the circuit when F = 10 and G = 12 have been seen."""

    #: Sets of broken parts.
    sets: list[frozenset[str]]
    posterior: list[float]
    #: Line -> for each set the probability of each value that it can have.
    tables: dict[str, list[dict[str, float]]]


def worlds(broken: frozenset[str]) -> Iterator[tuple[float, dict[str, int]]]:
    """Yield each way in which the multipliers can be, with the probability of it and of F = 10 and G = 12."""
    choices = [range(VALUES) if part in broken else (6,) for part in ("M1", "M2", "M3")]
    for x, y, z in product(*choices):
        chance = VALUES ** -len(broken & {"M1", "M2", "M3"})
        for adder, right in (("A1", (x + y) % VALUES == 10), ("A2", (y + z) % VALUES == 12)):
            chance *= 1 / VALUES if adder in broken else float(right)
        yield chance, {"X": x, "Y": y, "Z": z}


@cache
def circuit() -> Circuit:
    sets = [frozenset(them) for size in range(6) for them in combinations(PARTS, size)]
    weights: list[float] = []
    tables: dict[str, list[dict[str, float]]] = {line: [] for line in "XYZ"}
    for broken in sets:
        seen: dict[str, dict[str, float]] = {line: {} for line in "XYZ"}
        fit = 0.0
        for chance, line in worlds(broken):
            fit += chance
            for name in "XYZ":
                seen[name][str(line[name])] = seen[name].get(str(line[name]), 0.0) + chance
        weights.append(0.01 ** len(broken) * 0.99 ** (5 - len(broken)) * fit)
        for name in "XYZ":
            tables[name].append({value: chance / fit for value, chance in seen[name].items()} if fit else {})
    return Circuit(sets, normalised(weights), tables)


class TestCircuit:
    """Three multipliers feed two adders: J. de Kleer and B. C. Williams, Artificial Intelligence 32 (1987) 97-130.

    The numbers (prior 0.01 each, 16 values a line, F = 10 and G = 12 seen) are ours, recomputed from the formula.
    A line has 16 values, so sums are modulo 16. A part that is broken gives each value as often; every set of broken
    parts is one hypothesis.
    """

    def test_posterior(self) -> None:
        sets, posterior, _ = circuit()
        of = dict(zip(sets, posterior, strict=True))
        assert of[frozenset({"A1"})] == pytest.approx(0.496225, abs=1e-6)
        assert of[frozenset({"M1"})] == pytest.approx(0.496225, abs=1e-6)
        assert of[frozenset({"A1", "M1"})] == pytest.approx(0.005012, abs=1e-6)

    def test_entropy(self) -> None:
        assert entropy(circuit().posterior) * NAT == pytest.approx(0.742605, abs=1e-6)

    @pytest.mark.parametrize(("line", "left"), [("X", 0.026573), ("Y", 0.737195), ("Z", 0.739593)])
    def test_expected_entropy(self, line: str, left: float) -> None:
        _, posterior, tables = circuit()
        assert expected_entropy(posterior, tables[line]) * NAT == pytest.approx(left, abs=1e-6)

    @pytest.mark.parametrize(("value", "part", "left"), [("4", "M1", 0.997473), ("6", "A1", 0.996199)])
    def test_after_the_probe(self, value: str, part: str, left: float) -> None:
        sets, posterior, tables = circuit()
        after = normalised([p * table.get(value, 0.0) for p, table in zip(posterior, tables["X"], strict=True)])
        assert dict(zip(sets, after, strict=True))[frozenset({part})] == pytest.approx(left, abs=1e-6)


class TestEntropy:
    """Entropy is least where one thing is sure, greatest where all are alike, and no measurement adds to it."""

    @given(st.lists(st.floats(1e-6, 1.0), min_size=1, max_size=8))
    def test_bounds(self, weights: list[float]) -> None:
        found = entropy(normalised(weights))
        assert -1e-9 <= found <= log(len(weights), 2) + 1e-9

    @given(st.data())
    def test_measuring_never_adds(self, data: st.DataObject) -> None:
        size = data.draw(st.integers(1, 6))
        posterior = normalised(data.draw(st.lists(st.floats(1e-3, 1.0), min_size=size, max_size=size)))
        tables = []
        for _ in range(size):
            shares = normalised(data.draw(st.lists(st.floats(1e-3, 1.0), min_size=3, max_size=3)))
            tables.append(dict(zip("abc", shares, strict=True)))
        assert expected_entropy(posterior, tables) <= entropy(posterior) + 1e-9

    def test_what_tells_nothing_leaves_all(self) -> None:
        assert expected_entropy([0.25, 0.75], [{"a": 0.5, "b": 0.5}] * 2) == pytest.approx(entropy([0.25, 0.75]))

    def test_nothing_possible(self) -> None:
        with pytest.raises(ValueError, match="no hypothesis"):
            normalised([0.0, 0.0])


class TestLikelihood:
    """Signs multiply; two causes show a sign unless both fail to; undecided ones count for nothing."""

    FUSE = cause("fuse", usual=["dead"], cannot=["stalls"])
    BOLT = cause("bolt", kind=CauseKind.MECHANICAL, usual=["stalls"], sometimes=["late"])
    FILE = causes([FUSE, BOLT])

    def test_by_hand(self) -> None:
        # 0.95 for the sign that it usually shows, 1 - 0.02 for the one that it rarely does.
        seen = observed(self.FILE, dead=SignStatus.PRESENT, late=SignStatus.ABSENT)
        assert likelihood([self.FUSE], seen, {}, {}, self.FILE.numbers) == pytest.approx(0.95 * 0.98)

    def test_undecided_is_no_evidence(self) -> None:
        with_it = observed(self.FILE, dead=SignStatus.PRESENT, late=SignStatus.UNDECIDED)
        without = observed(self.FILE, dead=SignStatus.PRESENT)
        fits = [likelihood([self.FUSE], seen, {}, {}, self.FILE.numbers) for seen in (with_it, without)]
        assert fits[0] == fits[1]

    def test_either_of_two_shows_it(self) -> None:
        assert sign_probability([self.FUSE, self.BOLT], "late", self.FILE.numbers) == pytest.approx(1 - 0.98 * 0.5)

    def test_what_one_makes_impossible(self) -> None:
        assert sign_probability([self.FUSE, self.BOLT], "stalls", self.FILE.numbers) == 0.002

    @given(st.lists(st.sampled_from(["fuse", "wire", "both", "none"]), min_size=1, max_size=2))
    def test_results_add_up(self, shown: list[str]) -> None:
        ways = {"fuse": ["blown"], "wire": ["good"], "both": ["blown", "good"], "none": ["odd"]}
        them = [cause(f"c{index}", readings={"m": ways[way]}) for index, way in enumerate(shown)]
        table = result_probabilities(them, measurement("m", ["good", "blown", "odd"]), self.FILE.numbers)
        assert sum(table.values()) == pytest.approx(1.0)
        assert all(0.0 < chance < 1.0 for chance in table.values())

    def test_a_result_that_one_of_two_spoils(self) -> None:
        them = [cause("a", readings={"m": ["blown"]}), cause("b")]
        table = result_probabilities(them, measurement("m", ["good", "blown", "odd"]), self.FILE.numbers)
        assert table["blown"] > 0.9


class TestRank:
    """Most probable first; what fits equally well stands in one group; pairs only where one cause cannot explain."""

    def test_prior_decides_between_equals(self) -> None:
        file = causes([cause("a", weight=1, usual=["dead"]), cause("b", weight=3, usual=["dead"])])
        found = rank(file, observed(file, dead=SignStatus.PRESENT), {})
        assert [it.name for it in found.hypotheses] == ["b", "a"]
        assert found.hypotheses[0].posterior == pytest.approx(0.75)
        assert [len(group) for group in found.groups] == [2]

    def test_numbers_that_leave_no_room(self) -> None:
        file = causes([cause("a"), cause("b")])
        tiny = replace(file.numbers, often=dict.fromkeys(Frequency, 1e-200))
        with pytest.raises(UsageError, match=r"by its \[numbers\] no cause could have shown"):
            rank(replace(file, numbers=tiny), observed(file, dead=SignStatus.PRESENT, late=SignStatus.PRESENT), {})

    def test_reading_tells_them_apart(self) -> None:
        them = [cause("a", usual=["dead"], readings={"m": ["blown"]}), cause("b", usual=["dead"])]
        file = causes(them, [measurement("m", ["good", "blown"])])
        found = rank(file, observed(file, dead=SignStatus.PRESENT), {"m": "blown"})
        assert found.hypotheses[0].posterior == pytest.approx(0.97)
        assert [[it.name for it in group] for group in found.groups] == [["a"], ["b"]]

    def test_pair_where_one_is_not_enough(self) -> None:
        file = causes([cause("a", usual=["dead"]), cause("b", usual=["late"])])
        found = rank(file, observed(file, dead=SignStatus.PRESENT, late=SignStatus.PRESENT), {})
        assert found.hypotheses[0].name == "a + b"
        assert found.hypotheses[0].prior == pytest.approx(0.25)

    def test_no_pair_where_one_is_enough(self) -> None:
        file = causes([cause("a", usual=["dead"]), cause("b", usual=["late"])])
        found = rank(file, observed(file, dead=SignStatus.PRESENT, late=SignStatus.ABSENT), {})
        assert all(len(it.causes) == 1 for it in found.hypotheses)

    @pytest.mark.parametrize("kind", [CauseKind.NOTHING, CauseKind.OTHER])
    def test_what_never_pairs(self, kind: CauseKind) -> None:
        file = causes([cause("a", usual=["dead"]), cause("b", kind=kind, usual=["late"])])
        found = rank(file, observed(file, dead=SignStatus.PRESENT, late=SignStatus.PRESENT), {})
        assert all(len(it.causes) == 1 for it in found.hypotheses)

    def test_a_healthy_vehicle_is_rarely_judged_faulty(self) -> None:
        file = causes([cause("well", kind=CauseKind.NOTHING, weight=10), cause("a", usual=["late"])])
        seen = observed(file, dead=SignStatus.ABSENT)
        assert rank(file, seen, {}).hypotheses[0].name == "well"
        assert rank(file, seen, {}, is_faulty=True).hypotheses[0].name == "a"

    @given(st.lists(st.sampled_from(list(SignStatus)), min_size=3, max_size=3), st.integers(0, 2**9 - 1))
    def test_against_counting(self, shown: list[SignStatus], words: int) -> None:
        """The posterior is that of a table in which every combination of signs is written out."""
        names = ("dead", "late", "stalls")
        signs = [[name for bit, name in enumerate(names) if words >> (3 * index + bit) & 1] for index in range(3)]
        # Singles only, so that the table stays small.
        them = [cause(f"c{i}", kind=CauseKind.OTHER, weight=i + 1, usual=signs[i]) for i in range(3)]
        file = causes(them)
        joint = [0.0, 0.0, 0.0]
        for combination in product([True, False], repeat=3):
            fits = all(
                seen is SignStatus.UNDECIDED or (seen is SignStatus.PRESENT) is there
                for seen, there in zip(shown, combination, strict=True)
            )
            for index in range(3):
                chance = (index + 1) / 6
                for name, there in zip(names, combination, strict=True):
                    likely = file.numbers.often[Frequency.USUAL if name in signs[index] else Frequency.RARE]
                    chance *= likely if there else 1 - likely
                joint[index] += chance if fits else 0.0
        found = rank(file, observed(file, **dict(zip(names, shown, strict=True))), {})
        by_name = {it.name: it.posterior for it in found.hypotheses}
        assert [by_name[f"c{i}"] for i in range(3)] == pytest.approx([it / sum(joint) for it in joint])


class TestCase:
    """What speaks for a cause and what against."""

    def test_all_four(self) -> None:
        them = [cause("a", usual=["dead", "late"], readings={"m": ["blown"]}), cause("b")]
        file = causes(them, [measurement("m", ["good", "blown"]), measurement("n", ["good", "blown"])])
        seen = observed(file, dead=SignStatus.PRESENT, stalls=SignStatus.PRESENT, late=SignStatus.ABSENT)
        found = evidence_summary([them[0]], file, seen, {"m": "blown", "n": "blown"})
        assert [it.sign.name for it in found.signs_for] == ["dead"]
        assert [it.sign.name for it in found.unexplained] == ["stalls"]
        assert [it.sign.name for it in found.missed] == ["late"]
        assert (found.readings_for, found.readings_against) == (("m",), ("n",))
