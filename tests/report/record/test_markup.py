"""Text of a user's stays text."""

from __future__ import annotations

from html.parser import HTMLParser

from hypothesis import given
from hypothesis import strategies as st

from buslens.report.formatting import clean
from buslens.report.record.markup import Markup, join, table, tag, text


class Parsed(HTMLParser):
    """What a browser makes of markup."""

    def __init__(self, markup: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.shown = ""
        self.feed(markup)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.shown += data


anything = st.text() | st.sampled_from(["</style><script>alert(1)</script>", "'\"><img src=x>", "&lt;", "a\x1b[2Jb"])


class TestText:
    """Whatever a file says is shown, and does nothing."""

    @given(anything)
    def test_shown(self, value: str) -> None:
        parsed = Parsed(tag("p", value))
        assert [name for name, _ in parsed.tags] == ["p"]
        assert parsed.shown.strip() == clean(value).strip()

    @given(anything)
    def test_attribute(self, value: str) -> None:
        parsed = Parsed(tag("p", "x", data_path=value))
        assert parsed.tags == [("p", {"data-path": clean(value)})]
        assert parsed.shown == "x"

    @given(anything, anything)
    def test_table(self, one: str, other: str) -> None:
        parsed = Parsed(table([one, other], [[other, one]], kind="plain"))
        assert [name for name, _ in parsed.tags] == ["table", "thead", "tr", "th", "th", "tbody", "tr", "th", "td"]

    def test_markup_is_not_escaped_twice(self) -> None:
        assert join([tag("b", "1 < 2"), " & "]) == "<b>1 &lt; 2</b> &amp; "

    def test_what_text_returns_is_markup(self) -> None:
        assert isinstance(text("a"), Markup)

    def test_left_out(self) -> None:
        assert tag("p", "x", class_=None) == "<p>x</p>"

    def test_void(self) -> None:
        assert tag("label", "x", tag("input", type="search")) == '<label>x<input type="search"></label>'
