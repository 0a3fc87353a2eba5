"""Writing the page: a template, the text that needs no script, and everything that the browser needs inside.

The policy of the page lets nothing in from outside: the one script and the one style sheet are named by their hashes.
"""

import base64
import os
from itertools import chain, islice
from pathlib import Path
from typing import Final

from buslens.causes.diagnosis import Diagnosis
from buslens.checks.check import Checkable, results_of
from buslens.checks.findings import Result
from buslens.errors import UsageError
from buslens.files import write_atomically
from buslens.report.finding_kinds import answer, kinds
from buslens.report.finding_layout import places
from buslens.report.formatting import clean, file_name
from buslens.report.page.columns import pack
from buslens.report.page.first_screen import evidence_html, likely_html, side_html
from buslens.report.page.overlay_drawing import overlays_html
from buslens.report.page.page_text import KEYS, MOST_DRAWN, bases, facts, findings_html, numbers_of, sources
from buslens.report.page_style import policy_hash, resource
from buslens.report.page_style import style as style_sheet
from buslens.report.record.markup import Markup
from buslens.report.templates import render
from buslens.report.versions import version_of
from buslens.report.view import choose

SCRIPTS: Final = (
    "columns.js",
    "layout.js",
    "pen.js",
    "lanes.js",
    "marks.js",
    "painter.js",
    "keeping.js",
    "table.js",
    "view.js",
    "navigation.js",
    "hand.js",
    "measuring.js",
    "replay.js",
    "page.js",
)
"""Files that make up the page's script, in order."""

_LANES_BESIDE: Final = 3
_OPEN_BESIDE: Final = 3
"""Lanes and kinds of findings that are shown where a capture is one step of several."""

SUFFIXES: Final = (".html", ".htm")
"""What a page is called."""


def write_page(capture: Checkable, path: str | os.PathLike[str], *, diagnosis: Diagnosis | None = None) -> Path:
    """Write a checked capture as one HTML file that needs nothing else.

    Parameters
    ----------
    capture : Result or path
        What `buslens.check` returned, or a log, which is checked as by it.
    path : str or path
        Ends in .html or .htm. A file of that name is replaced, but only once the page is complete.
    diagnosis : Diagnosis or None
        What explains this capture, and what to do next; None where there is no causes file.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    UsageError
        If the name does not end in .html or .htm.
    OSError
        If the folder does not take the file.
    """
    target = Path(path)
    if target.suffix.lower() not in SUFFIXES:
        found = f"'{target.suffix}'" if target.suffix else "no suffix"
        raise UsageError(f"{target.name} has {found}; a page is an .html file")
    (result,) = results_of([capture])
    return write_atomically(target, page(result, diagnosis).encode("utf-8"))


def page(result: Result, diagnosis: Diagnosis | None = None) -> str:
    """Return the page as text."""
    groups = kinds(result, result.findings)
    numbers = numbers_of(groups)
    placed = places(result, islice(chain.from_iterable(groups), MOST_DRAWN))
    view = choose(result, places(result, result.findings.unmet))
    script = _script()
    style = style_sheet()
    name = clean(file_name(result.path))
    return render(
        __package__,
        "page.html",
        policy=_policy(script, style),
        version=version_of(),
        title=f"{name}: {result.verdict.value.replace('_', ' ')}",
        style=Markup(style),
        name=name,
        verdict=result.verdict.value,
        sentence=answer(result, groups),
        likely=likely_html(diagnosis),
        facts=facts(result),
        side=side_html(result, diagnosis),
        evidence=evidence_html(result, diagnosis, numbers),
        overlays=Markup(overlays_html(result)),
        findings=findings_html(result, groups),
        keys=KEYS,
        has_clocks=any(timeline.clock_ns for timeline in result.timelines.values()),
        source=sources(result, version_of()),
        bases=bases(result),
        capture=Markup(base64.b64encode(pack(result, placed, view, numbers)).decode("ascii")),
        script=Markup(script),
    )


def first_screen(result: Result, diagnosis: Diagnosis | None = None) -> tuple[str, str]:
    """Return the evidence and the findings of a capture as they stand on its page, for a page that shows more.

    There they are a step among others, so only the gravest stand open, beside a picture of fewer lanes.
    What leads to a moment is a button with the number of the finding as the page's own script counts, ``data-finding``.
    """
    groups = kinds(result, result.findings)
    evidence = evidence_html(result, diagnosis, numbers_of(groups), most=_LANES_BESIDE)
    return evidence, findings_html(result, groups, _OPEN_BESIDE)


def _policy(script: str, style: str) -> str:
    rules = (
        "default-src 'none'",
        f"script-src '{policy_hash(script)}'",
        f"style-src '{policy_hash(style)}'",
        "style-src-attr 'none'",
        "img-src data: blob:",
        "connect-src 'none'",
        "base-uri 'none'",
        "form-action 'none'",
    )
    return "; ".join(rules)


def _script() -> str:
    """Return the page's own script; its first word alone makes it strict."""
    return "\n".join(resource(__package__, name) for name in SCRIPTS)
