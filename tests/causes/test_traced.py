"""A recording at the lock's plug beside a log: signs of the wires, readings, and what they single out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from support.trials import TRUTH, causes

from buslens.causes.advice import AdviceKind
from buslens.causes.diagnosis import Diagnosis, diagnose
from buslens.causes.readings import read_reading
from buslens.causes.signs import SignStatus
from buslens.checks.check import check
from buslens.rehearsal.oscilloscope import Probe, wire_trace
from buslens.rehearsal.rehearse import rehearse, write_rehearsal

if TYPE_CHECKING:
    from buslens.checks.findings import Result

ROOT = Path(__file__).parents[2]


def recorded(fault: str, seed: int, folder: Path, probe: Probe, wires: tuple[str, ...] | None = None) -> Result:
    """Check a rehearsed log with a recording at the lock's plug beside it, by the time of day for even seeds."""
    made = rehearse(fault, seed=seed, background_ids=0)
    log = write_rehearsal(made, folder / "car.log")
    trace = wire_trace(made, per_second=500, probe=probe, by_day=seed % 2 == 0, wires=wires)
    (folder / "wires.csv").write_text(trace, "ascii")
    return check(log, ROOT / "signal_defs" / "steering_lock.toml", beside=[folder / "wires.csv"])


def present(found: Diagnosis) -> set[str]:
    return {it.sign.name for it in found.observations if it.shown is SignStatus.PRESENT}


@pytest.fixture(scope="module")
def enable_open() -> Result:
    """Return the bundled log of the car whose enable wire is broken, with the recording at its lock."""
    samples = ROOT / "sample_logs"
    return check(samples / "car05_enable_open.log", beside=[samples / "wires_car05.csv.gz"])


class TestEnableOpen:
    def test_singled_out(self, enable_open: Result) -> None:
        """A wire that shows no event is brought to the log by the time of day, and tells all the same."""
        found = diagnose([enable_open], causes())
        assert "enable_not_at_lock" in present(found)
        assert found.advice.step is AdviceKind.REPAIR
        assert found.advice.hypotheses[0].name == "enable_open"
        assert any("uncertain by 1.001 s" in note for note in enable_open.notes)

    def test_a_sign_and_a_reading_that_say_the_same_count_once(self, enable_open: Result) -> None:
        """That no voltage comes to the pin is one thing, also where both say so; a meter says it anew."""
        known = causes()
        peak = known.measurements["enable_peak"]
        blind = replace(known, measurements={**known.measurements, "enable_peak": replace(peak, trace=None)})
        said, unsaid = diagnose([enable_open], known), diagnose([enable_open], blind)
        assert "enable_peak" in {it.measurement for it in said.readings} - {it.measurement for it in unsaid.readings}
        assert said.ranking == unsaid.ranking
        assert diagnose([enable_open], known, ["enable_peak=0.1 V"]).ranking != said.ranking

    def test_without_the_recording_it_is_not(self) -> None:
        alone = check(ROOT / "sample_logs" / "car05_enable_open.log")
        found = diagnose([alone], causes())
        assert found.advice.step is AdviceKind.MEASURE
        assert not found.readings

    def test_nothing_is_said_across_clocks_that_nothing_joins(self, enable_open: Result) -> None:
        """Without an offset between the two no sign of both shows."""
        assert enable_open.together is not None
        apart = [replace(it, doubt_ns=None) for it in enable_open.together.recordings]
        lost = replace(enable_open, together=replace(enable_open.together, recordings=tuple(apart)))
        found = diagnose([lost], causes())
        assert "enable_not_at_lock" not in present(found)


@pytest.mark.parametrize(
    ("fault", "seed", "wires"),
    [
        ("ground-contact-bad", 40, None),
        ("unlock-feedback-stuck", 41, None),
        ("supply-open", 42, None),
        ("supply-open", 45, ("Supply", "Enable")),
        # No clock of the day, and no event that the wires share with the bus.
        ("enable-open", 43, ("Enable",)),
        # Bits of some ms against a clock that is a second in doubt.
        ("data-line-open", 46, ("Data line",)),
        ("data-line-open", 47, None),
    ],
)
@pytest.mark.slow
def test_rehearsed(fault: str, seed: int, wires: tuple[str, ...] | None, tmp_path: Path) -> None:
    """With the broken wire in the recording no further measurement is asked for."""
    probe = Probe(slow_ms=2.0, gain=1.02, zero=-0.05)
    found = diagnose([recorded(fault, seed, tmp_path, probe, wires)], causes())
    assert found.advice.step is AdviceKind.REPAIR, [(it.name, it.posterior) for it in found.ranking.hypotheses[:3]]
    assert found.advice.hypotheses[0].name == TRUTH[fault]
    readings = {it.measurement: it for it in found.readings}
    assert all(it.is_traced and it.text.endswith("V in the recording") for it in found.readings)
    if wires is not None or fault == "data-line-open":
        return
    assert readings["supply_driven"].result == ("none" if fault == "supply-open" else "good")
    # A person's reading counts in place of the recording's.
    told = diagnose(found.results, causes(), [read_reading("supply_driven=6V", causes())])
    assert {it.measurement: it.result for it in told.readings}["supply_driven"] == "low"


def test_probe_factor(tmp_path: Path) -> None:
    """A recording that reads a tenth of the truth blames no wire."""
    found = diagnose([recorded("healthy", 44, tmp_path, Probe(gain=0.1))], causes())
    assert found.ranking.hypotheses[0].name == "probe_wrong"
