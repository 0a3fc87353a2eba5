"""A result as a notebook shows it: the verdict, what is not met as a small table, and the picture."""

from base64 import b64encode
from html import escape
from typing import Final

from buslens.checks.findings import Finding, Result
from buslens.checks.verdict import worst_first
from buslens.report.figure import alternative, as_bytes, figure
from buslens.report.formatting import OUTCOME_WORDS, clean, counted, moment, place, verdict_sentence

_MOST: Final = 8
"""Findings in the table."""


def as_html(result: Result) -> str:
    """Return a result as HTML: a sentence, a table of what is not met, the worst first, and what `draw` draws."""
    worst = worst_first(result.findings.unmet)
    rows = "".join(_row(it, result) for it in worst[:_MOST])
    head = "".join(f"<th>{it}</th>" for it in ("rule", "when", "outcome", "what was seen"))
    table = f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>" if rows else ""
    more = f"<p>{counted(len(worst) - _MOST, 'more finding')}</p>" if len(worst) > _MOST else ""
    picture = b64encode(as_bytes(figure(result, width="page"), "svg")).decode()
    words, style = escape(alternative(result)), "max-width:100%"
    image = f'<img alt="{words}" src="data:image/svg+xml;base64,{picture}" style="{style}">'
    return f"<p>{escape(verdict_sentence(result))}</p>{table}{more}{image}"


def _row(finding: Finding, result: Result) -> str:
    when = "" if finding.time_ns is None else moment(finding.time_ns, result.origin_ns)
    cells = place(finding), when, OUTCOME_WORDS[finding.outcome], clean(finding.reason)
    return f"<tr>{''.join(f'<td>{escape(it)}</td>' for it in cells)}</tr>"
