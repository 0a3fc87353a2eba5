"""What a worker does for a new car: drafts its expectations from definitions and healthy captures."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from buslens.checks.phrases import plain
from buslens.defaults import EXPECTATIONS_NAME
from buslens.desk.car_view import CandidateView, DraftView, RoleView, RuleView
from buslens.desk.folder import GOOD
from buslens.desk.plain_words import without_options
from buslens.desk.seek_state import load_state
from buslens.errors import BuslensError, UsageError
from buslens.files import os_error_text, write_atomically
from buslens.report.formatting import VERDICT_WORDS, clean

if TYPE_CHECKING:
    from buslens.discovery.roles import Proposal
    from buslens.discovery.start import StartResult


def draft(folder: str, chosen: Mapping[str, str]) -> DraftView:
    """Return the draft of a car's expectations, with its roles and their candidates.

    Parameters
    ----------
    folder : str
        Of the car.
    chosen : mapping of str to str
        Role -> signal that a person has chosen for it.
    """
    from buslens.desk.layouts import car_layout, layout_view, unclear_layout
    from buslens.discovery.marks import parse_mark
    from buslens.discovery.start import start

    os.chdir(folder)
    layout = car_layout()
    try:
        files = [str(file) for file in sorted(Path().glob("*.dbc"))]
        captures = _good()
        state = load_state(Path())
        marks = [parse_mark(line) for line in state.marks]
        # Marks are of the first capture.
        captures.sort(key=lambda it: Path(it).name != state.capture)
        made = start(files, captures, output=EXPECTATIONS_NAME, chosen=chosen, marks=marks, table=layout)
        return DraftView(
            text=made.text,
            roles=tuple(_roles(made)),
            rules=tuple(_rules(made)),
            tried=tuple((Path(it.path).name, VERDICT_WORDS[it.verdict], clean(it.summary)) for it in made.tried),
            missing=tuple(_in_the_desk(clean(it)) for it in (*made.missing, *made.outliers)),
            picture=_picture(made, layout),
            layout=layout_view(Path(captures[0]), layout) if layout is not None else None,
        )
    except BuslensError as error:
        return DraftView(problem=without_options(clean(str(error))), layout=unclear_layout(error, layout))
    except OSError as error:
        return DraftView(problem=os_error_text(error))


def _good() -> list[str]:
    """Return the healthy captures of the car whose folder is the current one."""
    files = sorted(Path(GOOD).iterdir()) if Path(GOOD).is_dir() else []
    return [str(it) for it in files if it.is_file() and not it.is_symlink() and not it.name.startswith(".")]


def _in_the_desk(text: str) -> str:
    """Return what is missing for a person who presses a button where the file's reader takes a '#' away."""
    role, colon, rest = text.partition(":")
    return f"{plain(role)}{colon}{rest}".replace(": then take the '#' away)", ")")


def save(folder: str, text: str) -> str:
    """Write the expectations of a car, and a first causes file where there is none; return why that cannot be."""
    from buslens.causes.draft import draft_causes
    from buslens.causes.load import find_causes
    from buslens.checks.check import check
    from buslens.desk.layouts import car_layout
    from buslens.expectations.load import parse_expectations

    os.chdir(folder)
    try:
        expected = parse_expectations(text.encode(), EXPECTATIONS_NAME)
        causes = find_causes(EXPECTATIONS_NAME)
        if not causes.exists():
            healthy = [check(file, expected, table=car_layout()) for file in _good()]
            write_atomically(causes, draft_causes(expected, "a first draft", healthy).encode())
        write_atomically(EXPECTATIONS_NAME, text.encode())
    except BuslensError as error:
        return str(error)
    except OSError as error:
        return os_error_text(error)
    return ""


def _roles(made: StartResult) -> Iterator[RoleView]:
    from buslens.discovery.roles import HANDSHAKE

    for role, proposal in made.proposals.items():
        if proposal.best is None and role not in HANDSHAKE:
            continue
        yield RoleView(
            role=role,
            title=plain(role),
            is_certain=proposal.is_certain,
            doubt=clean(proposal.doubt),
            candidates=tuple(_candidates(proposal)),
        )


def _candidates(proposal: Proposal) -> Iterator[CandidateView]:
    for fit in () if proposal.best is None else (proposal.best, *proposal.others):
        yield CandidateView(
            name=fit.name, reasons=tuple(clean(it) for it in fit.reasons), is_taken=fit is proposal.best
        )


def _rules(made: StartResult) -> Iterator[RuleView]:
    for rule in made.drafts:
        counts = [len(spans) for spans in rule.seen.values()]
        measured = f"measured {max(counts)} time{'' if max(counts) == 1 else 's'}" if counts else ""
        lines = [*(f"# {it}" for it in rule.remarks), *rule.lines]
        yield RuleView(
            name=clean(rule.name), measured=measured, problem=clean(rule.problem), text="\n".join(map(clean, lines))
        )


def _picture(made: StartResult, layout: Path | None) -> bytes:
    from buslens.capture.table_settings import settings_of
    from buslens.report.candidates import draw_candidates

    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "candidates.svg"
        try:
            draw_candidates(made, str(file), settings_of(layout))
        except UsageError:
            return b""
        return file.read_bytes()
