"""Decoder of recorded vehicle-bus logs and checker of the steering-lock handshake.

    read_frames         every frame of a recorded log, as a table
    load_definitions    one or more DBC files
    decode              every signal of a log, as a table
    read_dialogue       what a tester asked and what the units answered in a log
    load_expectations   the rules of a healthy vehicle
    check               a log checked against expectations: verdict, findings, timelines
    draw                a checked log as a timing diagram
    write_page          the same as a page to look around in
    load_causes         what can be wrong, and what it shows
    diagnose            causes of what was found, ranked, and what to measure next
    compare             logs from before a repair against logs from after it
    run_fleet           many logs checked, and their vehicles compared
    open_ledger         what a run over a fleet has stored
    rehearse            a simulated log of a car with a fault
    write_rehearsal     the same as a file

Nothing is imported before it is asked for: ``import buslens`` is quick and imports no other library.
"""

from __future__ import annotations

# Not from typing: what comes before the program can answer Ctrl-C must take no time.
TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Final

    from buslens.capture.read import read_frames
    from buslens.causes.compare import compare
    from buslens.causes.diagnosis import diagnose
    from buslens.causes.load import load_causes
    from buslens.checks.check import check
    from buslens.checks.findings import Evidence, Finding, Handshake, Limit, Outcome, Result, TimeBounds, Verdict
    from buslens.checks.findings import TimeBounds as Span
    from buslens.definitions.decode import decode
    from buslens.definitions.load import load_definitions
    from buslens.definitions.model import Definitions
    from buslens.dialogue.read import Dialogue, read_dialogue
    from buslens.errors import BuslensError, CaptureError, DefinitionError, ExpectationError, UsageError
    from buslens.expectations.load import load_expectations
    from buslens.expectations.model import Expectations
    from buslens.fleet.ledger import open_ledger
    from buslens.fleet.run_fleet import FleetListener, FleetRun, run_fleet
    from buslens.rehearsal.rehearse import Rehearsal, rehearse
    from buslens.rehearsal.rehearse import write as write_rehearsal
    from buslens.report.figure import draw
    from buslens.report.page.page import write_page
    from buslens.timeline.model import Timeline

    __version__: str

__all__ = [
    "BuslensError",
    "CaptureError",
    "DefinitionError",
    "Definitions",
    "Dialogue",
    "Evidence",
    "ExpectationError",
    "Expectations",
    "Finding",
    "FleetListener",
    "FleetRun",
    "Handshake",
    "Limit",
    "Outcome",
    "Rehearsal",
    "Result",
    "Span",
    "TimeBounds",
    "Timeline",
    "UsageError",
    "Verdict",
    "check",
    "compare",
    "decode",
    "diagnose",
    "draw",
    "load_causes",
    "load_definitions",
    "load_expectations",
    "open_ledger",
    "read_dialogue",
    "read_frames",
    "rehearse",
    "run_fleet",
    "write_page",
    "write_rehearsal",
]

_HOMES: Final = {
    name: home
    for home, names in {
        "buslens.capture.read": "read_frames",
        "buslens.causes.compare": "compare",
        "buslens.causes.diagnosis": "diagnose",
        "buslens.causes.load": "load_causes",
        "buslens.checks.check": "check",
        "buslens.checks.findings": "Evidence Finding Handshake Limit Outcome Result TimeBounds Verdict",
        "buslens.checks.findings:TimeBounds": "Span",
        "buslens.definitions.decode": "decode",
        "buslens.definitions.load": "load_definitions",
        "buslens.definitions.model": "Definitions",
        "buslens.dialogue.read": "Dialogue read_dialogue",
        "buslens.errors": "BuslensError CaptureError DefinitionError ExpectationError UsageError",
        "buslens.expectations.load": "load_expectations",
        "buslens.expectations.model": "Expectations",
        "buslens.fleet.ledger": "open_ledger",
        "buslens.fleet.run_fleet": "FleetListener FleetRun run_fleet",
        "buslens.rehearsal.rehearse": "Rehearsal rehearse",
        "buslens.rehearsal.rehearse:write": "write_rehearsal",
        "buslens.report.figure": "draw",
        "buslens.report.page.page": "write_page",
        "buslens.timeline.model": "Timeline",
    }.items()
    for name in names.split()
}
"""Where each public name lives, with its name there after a colon if that is another."""


def __getattr__(name: str) -> object:
    if name == "__version__":
        from importlib.metadata import version

        value: object = version("buslens")
    elif name in _HOMES:
        from importlib import import_module

        home, _, there = _HOMES[name].partition(":")
        value = getattr(import_module(home), there or name)
        if name == "check":
            # What notebooks show belongs to a layer behind that of results; it is not loaded before one asks.
            import_module("buslens.checks.findings").show_by(
                lambda result: import_module("buslens.report.notebook").as_html(result)
            )
    else:
        raise AttributeError(f"module 'buslens' has no attribute '{name}'")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
