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

# No library: what comes before the program can answer Ctrl-C must take no time.
with open(f"{__file__.removesuffix('c')}i", encoding="utf-8") as _stub:  # noqa: PTH123
    _HOMES = {line.split()[3]: line.split()[1] for line in _stub if line.startswith("from ")}
"""Where each public name lives, as the stub beside this file says."""

__all__ = sorted(_HOMES)  # noqa: PLE0605 - of texts


def __getattr__(name: str) -> object:
    if name == "__version__":
        from importlib.metadata import version

        value: object = version("buslens")
    elif name in _HOMES:
        from importlib import import_module

        value = getattr(import_module(_HOMES[name]), name)
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
