"""Elements of a page: text becomes text, whatever is in it."""

from collections.abc import Iterable
from html import escape
from typing import Final

from buslens.report.formatting import clean, unparted

_VOID: Final = frozenset({"br", "col", "hr", "input", "meta"})


class Markup(str):
    """Text that is markup already; only this module, templates and the diagram make it."""

    __slots__ = ()

    def __html__(self) -> str:
        return self


def text(value: str) -> Markup:
    r"""Return a user's text as markup that shows it, on one line, control characters spelt out.

    >>> text("<b>car\x1b 03</b>")
    '&lt;b&gt;car\\x1b 03&lt;/b&gt;'
    """
    shown = escape(unparted(clean(value)))
    # A space at either end keeps this text apart from what stands beside it.
    return Markup(" " * value.startswith(" ") + shown + " " * value.endswith(" ")) if shown else Markup("")


def tag(name: str, /, *children: str, **attributes: str | None) -> Markup:
    """Return an element; plain strings among the children are escaped, as are the attributes' values.

    An attribute that is None is left out. In a name an underscore stands for a hyphen (``data_path``), at its end for
    nothing (``class_``, which would be a word of Python's without it).

    >>> tag("p", "1 < 2", class_="note")
    '<p class="note">1 &lt; 2</p>'
    """
    written = "".join(
        f' {key.rstrip("_").replace("_", "-")}="{escape(clean(value))}"'
        for key, value in attributes.items()
        if value is not None
    )
    if name in _VOID:
        return Markup(f"<{name}{written}>")
    return Markup(f"<{name}{written}>{join(children)}</{name}>")


def join(parts: Iterable[str]) -> Markup:
    """Return parts one after the other; plain strings among them are escaped."""
    return Markup("".join(part if isinstance(part, Markup) else text(part) for part in parts))


def table(head: Iterable[str], rows: Iterable[Iterable[str]], *, kind: str) -> Markup:
    """Return a table whose first column names its rows; its head is repeated on every printed page."""
    cells = [tag("th", name, scope="col") for name in head]
    body = []
    for row in rows:
        first, *others = row
        body.append(tag("tr", tag("th", first, scope="row"), *(tag("td", cell) for cell in others)))
    return tag("table", tag("thead", tag("tr", *cells)), tag("tbody", *body), class_=kind)
