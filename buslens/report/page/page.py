"""Writing the page: a template, the text that needs no script, and everything that the browser needs inside.

The policy of the page lets nothing in from outside: scripts run only if their hash is named, and there are two of
them, Bokeh's and ours. Bokeh sets the style of its elements by style elements, so that styles cannot be held to a hash.
"""

from __future__ import annotations

import base64
import hashlib
import html
import json
from importlib.resources import files
from pathlib import Path
from string import Template
from typing import TYPE_CHECKING, Any, Final

from buslens.checks.verdict import worst_first
from buslens.errors import UsageError
from buslens.files import write_atomically
from buslens.report.page.columns import pack
from buslens.report.page.happenings import microseconds
from buslens.report.page.prose import facts, findings_html, footer_html, keys_html, light_ink
from buslens.report.places import places
from buslens.report.versions import version_of
from buslens.report.view import choose
from buslens.report.words import clean, file_name, verdict_sentence

if TYPE_CHECKING:
    import os

    from buslens.checks.findings import Result
    from buslens.report.view import View

SCRIPTS: Final = (
    "columns.js",
    "layout.js",
    "pen.js",
    "lanes.js",
    "marks.js",
    "painter.js",
    "keeping.js",
    "view.js",
    "navigation.js",
    "measuring.js",
    "replay.js",
    "page.js",
)
"""Files that make up the page's script, in order."""

SUFFIXES: Final = (".html", ".htm")
"""What a page is called."""

MOST_DRAWN: Final = 20_000
"""Findings beyond this are listed and counted, but have no place among the lanes."""

_CLOSEST_US: Final = 20
"""Least stretch of time that can be looked at."""


def write_page(result: Result, path: str | os.PathLike[str]) -> Path:
    """Write a judged capture as one HTML file that needs nothing else.

    Parameters
    ----------
    result : Result
        What `buslens.check` returned.
    path : str or path
        Ends in .html or .htm. A file of that name is replaced, but only once the page is complete.

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
    return write_atomically(target, page(result).encode("utf-8"))


def page(result: Result) -> str:
    """Return the page as text."""
    by_finding = {id(place.finding): place for place in places(result)}
    ordered = worst_first(result.findings)
    placed = [by_finding[id(finding)] for finding in ordered[:MOST_DRAWN]]
    view = choose(result, list(by_finding.values()))
    bokeh, script = _bokeh_script(), _script()
    name = clean(file_name(result.path))
    return _template("page.html").substitute(
        policy=_policy(bokeh, script),
        version=html.escape(version_of()),
        title=html.escape(f"{name}: {result.verdict.value.replace('_', ' ')}"),
        style=light_ink() + _template("page.css").substitute(light=light_ink(bare=True)),
        name=html.escape(name),
        verdict=result.verdict.value,
        sentence=html.escape(verdict_sentence(result)),
        facts=html.escape(facts(result)),
        findings=findings_html(result, ordered, placed),
        keys=keys_html(),
        footer=footer_html(result, version_of()),
        model=_as_data(_plot(result, view)),
        capture=base64.b64encode(pack(result, placed, view)).decode("ascii"),
        bokeh=bokeh,
        script=script,
    )


def _plot(result: Result, view: View) -> dict[str, Any]:
    """Return Bokeh's plot as it is handed to the browser: a range of time, wheel, mouse and fingers; nothing else."""
    from bokeh.core.validation import silence
    from bokeh.core.validation.warnings import MISSING_RENDERERS
    from bokeh.embed import json_item
    from bokeh.models import PanTool, Plot, Range1d, WheelZoomTool

    origin = result.origin_ns
    ends = [timeline.end_ns for timeline in result.timelines.values()]
    end = max(microseconds(max([result.tally.last_ns or origin, *ends]), origin), 1)
    room = max(end // 20, 100_000)
    pan, wheel = PanTool(dimensions="width"), WheelZoomTool(dimensions="width")
    plot = Plot(
        x_range=Range1d(
            start=float(microseconds(view.start_ns, origin)),
            end=float(microseconds(view.end_ns, origin)),
            bounds=(float(-room), float(end + room)),  # of a clock that jumped by centuries no whole number in JSON
            min_interval=_CLOSEST_US,
        ),
        y_range=Range1d(start=0, end=1),
        sizing_mode="stretch_width",
        height=400,
        min_border=2,
        min_border_right=12,
        outline_line_color=None,
        background_fill_color=None,
        border_fill_color=None,
        toolbar_location=None,
    )
    plot.add_tools(pan, wheel)
    plot.toolbar.active_drag = pan
    plot.toolbar.active_scroll = wheel
    plot.toolbar.logo = None
    # The lanes are added in the browser.
    silence(MISSING_RENDERERS, True)
    try:
        return dict(json_item(plot))
    finally:
        silence(MISSING_RENDERERS, False)


def _as_data(item: dict[str, Any]) -> str:
    """Return JSON that no parser of HTML takes for a tag."""
    return json.dumps(item, separators=(",", ":")).replace("<", "\\u003c")


def _policy(*scripts: str) -> str:
    hashes = " ".join(f"'sha256-{_digest(script)}'" for script in scripts)
    rules = (
        "default-src 'none'",
        f"script-src {hashes}",
        "style-src 'unsafe-inline'",
        "style-src-attr 'none'",
        "img-src data: blob:",
        "connect-src 'none'",
        "base-uri 'none'",
        "form-action 'none'",
    )
    return "; ".join(rules)


def _digest(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")


def _script() -> str:
    """Return the page's own script; its first word alone makes it strict."""
    return "\n".join(_resource(name) for name in SCRIPTS)


def _bokeh_script() -> str:
    import bokeh

    folder = Path(str(bokeh.__file__)).parent / "server" / "static" / "js"
    script = (folder / "bokeh.min.js").read_text("utf-8")
    if "</script" in script.lower() or "<!--" in script:
        # Browsers would end the script there; no release so far has such a text.
        raise UsageError("this release of Bokeh cannot be put into a page; install another one")
    # Browsers hash what they have parsed, in which every line end is a line feed.
    return script.replace("\r\n", "\n").replace("\r", "\n")


def _template(name: str) -> Template:
    return Template(_resource(name))


def _resource(name: str) -> str:
    return files("buslens.report.page").joinpath(name).read_text("utf-8").replace("\r\n", "\n")
