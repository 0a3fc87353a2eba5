"""Pages from templates: what is put into one is text, whatever is in it, unless it is markup already."""

from __future__ import annotations

from functools import cache
from html import escape
from typing import TYPE_CHECKING, Any

from buslens.report.formatting import clean
from buslens.report.record.markup import Markup, text

if TYPE_CHECKING:
    from jinja2 import Environment


def render(package: str, template: str, **values: Any) -> Markup:
    """Return a template that lies in a package, filled with values.

    ``{{ value }}`` shows a text on one line, ``{{ value | plain }}`` writes it as the value of an attribute, and
    ``{{ number | count }}`` parts the thousands of a whole number.
    """
    return Markup(_templates(package).get_template(template).render(values))


def part(package: str, template: str, name: str, *values: object, **words: object) -> Markup:
    """Return what a macro of a template makes of values; `words` are what the template asks for by name."""
    made = _templates(package).get_template(template).make_module(words)
    return Markup(getattr(made, name)(*values))


@cache
def _templates(package: str) -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader(package, "."),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=lambda value: text(value) if isinstance(value, str) and not hasattr(value, "__html__") else value,
    )
    made.filters["plain"] = lambda value: Markup(escape(clean(value)))
    made.filters["count"] = lambda number: f"{number:,}"
    return made
