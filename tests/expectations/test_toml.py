"""The places of keys and values, against tomllib as the reference for what they say."""

from __future__ import annotations

import tomllib
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buslens.errors import ExpectationError
from buslens.expectations._toml import locate, parse_document, string_places

if TYPE_CHECKING:
    from buslens.expectations._toml import Node

TEXTS = st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\r"), max_size=12)
BARE = st.from_regex(r"[A-Za-z0-9_-]{1,8}", fullmatch=True)
SCALARS = st.one_of(
    st.integers(-(2**63), 2**63 - 1),
    st.floats(allow_nan=False),
    st.booleans(),
    st.datetimes().map(lambda moment: moment.replace(microsecond=0)),
    st.dates(),
)
DATA = st.recursive(
    st.one_of(TEXTS, SCALARS),
    lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(st.one_of(BARE, TEXTS), inner, max_size=4)),
    max_leaves=12,
)
FRAGMENTS = [
    *("a", "b.c", "=", " = ", "1", "[a]", "[[a]]", "[a.b]", "\n", "\n", ",", "{", "}", "[", "]", "#x\n", ".", "\t"),
    *("''", '"x"', '"""', "'''", "\\", "true", "1979-05-27 07:32:00", '""""', "'"),
]
TABLES = st.dictionaries(st.one_of(BARE, TEXTS), DATA, max_size=5)


def escaped(char: str) -> str:
    """Return the escape of a character that a basic string cannot hold, or of any."""
    return f"\\u{ord(char):04X}" if ord(char) < 0x10000 else f"\\U{ord(char):08X}"


class Writer:
    """Writes a document in a way that hypothesis chooses."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw

    def one_of(self, *ways: str) -> str:
        return self.draw(st.sampled_from(ways))

    def gap(self) -> str:
        return self.one_of("", " ", "\t", "  ")

    def line_gap(self) -> str:
        return self.one_of("", " ", "\n", ' # a [comment] = "so", it\'s\n', "\n\n\t")

    def basic(self, text: str, *, lines: bool) -> str:
        out = []
        for char in text:
            if lines and char == "\n":
                out.append(self.one_of("\n", "\\n", "\\\n   \\n"))
            elif char in '"\\':
                out.append("\\" + char)
            elif ord(char) < 0x20 or ord(char) == 0x7F or self.draw(st.integers(0, 9)) == 0:
                out.append(escaped(char))
            else:
                out.append(char + (self.one_of("", "\\\n \n\t") if lines and not char.isspace() else ""))
        return "".join(out)

    def text(self, text: str, *, lines: bool = True) -> str:
        plain = all(char in "\t\n" or (ord(char) >= 0x20 and ord(char) != 0x7F) for char in text)
        ways = ["basic"]
        if plain and "\n" not in text and "'" not in text:
            ways.append("literal")
        if lines:
            ways.append("long basic")
            if "'''" not in text and not text.endswith("'") and plain:
                ways.append("long literal")
        match self.one_of(*ways):
            case "literal":
                return f"'{text}'"
            case "long literal":
                return f"'''\n{text}'''"
            case "long basic":
                return f'"""{self.one_of(chr(10), chr(92) + chr(10))}{self.basic(text, lines=True)}"""'
            case _:
                return f'"{self.basic(text, lines=False)}"'

    def key(self, name: str) -> str:
        bare = name.isascii() and name != "" and all(char.isalnum() or char in "_-" for char in name)
        return name if bare and self.one_of("bare", "quoted") == "bare" else self.text(name, lines=False)

    def value(self, data: Any) -> str:
        match data:
            case str():
                return self.text(data)
            case bool():
                return str(data).lower()
            case datetime():
                return data.isoformat(self.one_of("T", " "))
            case date() | int():
                return str(data)
            case float():
                return repr(data)
            case list():
                inside = "".join(
                    f"{self.line_gap()}{self.value(item)}{self.line_gap()}{',' if more else self.one_of('', ',')}"
                    for item, more in zip(data, [True] * (len(data) - 1) + [False], strict=False)
                )
                return f"[{inside}{self.line_gap()}]"
            case _:
                pairs = (f"{self.gap()}{self.pair(name, item)}{self.gap()}" for name, item in data.items())
                return "{" + ",".join(pairs) + "}"

    def pair(self, name: str, data: Any) -> str:
        if isinstance(data, dict) and len(data) == 1 and self.one_of("dotted", "inline") == "dotted":
            ((inner, value),) = data.items()
            return f"{self.key(name)}{self.gap()}.{self.gap()}{self.pair(inner, value)}"
        return f"{self.key(name)}{self.gap()}={self.gap()}{self.value(data)}"

    def table(self, data: dict[str, Any], path: str = "") -> str:
        """Write a table line by line, what can have a header of its own behind the rest."""
        later = []
        lines = []
        for name, item in data.items():
            key = self.key(name)
            header = f"{path}{self.gap()}.{self.gap()}{key}" if path else key
            if isinstance(item, dict) and self.draw(st.booleans()):
                later.append(f"[{self.gap()}{header}{self.gap()}]{self.line_end()}{self.table(item, header)}")
            elif isinstance(item, list) and item and all(isinstance(inner, dict) for inner in item):
                later += [f"[[{header}]]{self.line_end()}{self.table(inner, header)}" for inner in item]
            else:
                lines.append(f"{self.gap()}{self.pair(name, item)}{self.gap()}{self.line_end()}")
        return "".join(lines + later)

    def line_end(self) -> str:
        return self.one_of("\n", " # comment\n", "\n\n   \n")


@st.composite
def documents(draw: st.DrawFn) -> str:
    """Any data in any mixture of TOML's ways to write it."""
    return Writer(draw).table(draw(TABLES))


def says_key(text: str, name: str) -> bool:
    """Return whether a text begins with a key, by letting tomllib read more and more of it."""
    for length in range(1, min(len(text), 200) + 1):
        try:
            if tomllib.loads(f"{text[:length]} = 0") == {name: 0}:
                return True
        except tomllib.TOMLDecodeError:
            continue
    return False


def same(text: str, node: Node, data: object) -> None:
    """Assert that a node stands where the data was written, by letting tomllib read that place alone."""
    if isinstance(data, dict):
        assert node.table is not None
        assert list(node.table) == list(data)
        for name, inner in node.table.items():
            assert text[inner.key] == "[" or says_key(text[inner.key :], name)
            same(text, inner, data[name])
    elif isinstance(data, list):
        assert node.array is not None
        assert len(node.array) == len(data)
        for inner, item in zip(node.array, data, strict=True):
            same(text, inner, item)
    else:
        assert node.table is None
        assert node.array is None
        assert tomllib.loads(f"value = {text[node.start : node.end]}") == {"value": data}
        if isinstance(data, str):
            value, places = string_places(text, node)
            assert value == data
            assert len(places) == len(value) + 1
            assert places == sorted(set(places))
            assert all(text[at] in {char, "\\"} for at, char in zip(places, value, strict=False))


class TestLocate:
    """Every key and value of a valid document is found where tomllib read it."""

    @given(documents())
    def test_any_document(self, text: str) -> None:
        same(text, locate(text), tomllib.loads(text))

    @given(
        st.lists(
            st.sampled_from(FRAGMENTS),
            max_size=12,
        ).map("".join)
    )
    def test_whatever_tomllib_accepts(self, text: str) -> None:
        try:
            data = tomllib.loads(text)
        except tomllib.TOMLDecodeError:
            with pytest.raises(ExpectationError) as caught:
                parse_document(text.encode(), "x.toml")
            source = caught.value.source
            assert source is not None
            lines = text.split("\n")
            assert 1 <= (source.line or 0) <= len(lines)
            assert 1 <= (source.column or 0) <= len(lines[(source.line or 0) - 1]) + 1
        else:
            same(text, locate(text), data)

    @pytest.mark.parametrize(
        "text",
        [
            "[[r]]\n[r.a]\nx = 1\n[[r.c]]\n[[r]]\n[r.b]\ny = 2\n[[r.c]]\n[[r.c]]\nz = 1\n",
            'a = """x"""""\nb = """"x"" """\nc = """"""\nd = ""\n',
            "a = '''x'''''\nb = ''''x'' '''\nc = ''''''\nd = ''\n",
            "[a.b]\nx = 1\n[a]\ny = 2\n[a.c.d]\n",
            "a.b.c = 1\na.b.d = [1,]\na.e = { f.g = 1, f.h = [{ i = 1 }, {}] }\n",
            "a = [ # one\n 1, # two\n 2 # three\n]#four",
        ],
    )
    def test_ways_to_write(self, text: str) -> None:
        same(text, locate(text), tomllib.loads(text))

    def test_keys_point_at_their_name(self) -> None:
        text = 'a = 1\n[t]\n"q k".in = { x = 2 }\n[[r]]\nn = 1\n[[r]]\n'
        root = locate(text).table or {}
        assert text[root["a"].key :].startswith("a = 1")
        assert text[root["t"].key :].startswith("[t]")
        quoted = (root["t"].table or {})["q k"]
        assert text[quoted.key :].startswith('"q k"')
        inner = (quoted.table or {})["in"]
        assert text[inner.key :].startswith("in = ")
        assert text[(inner.table or {})["x"].key :].startswith("x = 2")
        first, second = root["r"].array or []
        assert text[first.start :].startswith("[[r]]\nn")
        assert text[second.start :] == "[[r]]\n"


class TestInside:
    """An offset in what a string says leads to the line and column where it was written."""

    @pytest.mark.parametrize(
        ("written", "offset", "line", "column"),
        [
            ('a = "xyz"', 2, 1, 8),
            (r'a = "x\ty"', 2, 1, 9),
            (r'a = "\u0041b"', 1, 1, 12),
            ("a = 'xyz'", 1, 1, 7),
            ('a = """\nx\ny"""', 2, 3, 1),
            ('a = """x \\\n   y"""', 2, 2, 4),
            ("a = '''\nx\n  y'''", 4, 3, 3),
            ('a = "xy"', 2, 1, 8),
            ('a = "xy"', 9, 1, 8),
        ],
    )
    def test_place(self, written: str, offset: int, line: int, column: int) -> None:
        document = parse_document(written.encode(), "x.toml")
        source = document.inside((document.root.table or {})["a"], offset)
        assert (source.line, source.column) == (line, column)

    def test_crlf_counts_as_one_line_end(self) -> None:
        document = parse_document(b'\xef\xbb\xbfa = 1\r\nb = """x\r\ny"""\r\n', "x.toml")
        source = document.inside((document.root.table or {})["b"], 2)
        assert (source.line, source.column) == (3, 1)


class TestRefused:
    """What is no TOML is refused with its place, in words."""

    @pytest.mark.parametrize(
        ("raw", "start", "words"),
        [
            (b"a = \n", "x.toml:1:5: ", "invalid value"),
            (b"a = open\n", "x.toml:1:5: ", "stands in quotes"),
            (b'a = "open\n', "x.toml:1:10: ", "close the quote"),
            ("a = \u201copen\u201d\n".encode(), "x.toml:1:5: ", "quotes are straight"),
            ("a\u00a0= 1\n".encode(), "x.toml:1:2: ", "a special one"),
            (b"a = 9,5\n", "x.toml:1:6: ", 'in quotes: "9.5 V"'),
            (b"a = 200 ms\n", "x.toml:1:", 'in quotes: "200 ms"'),
            (b"a = True\n", "x.toml:1:5: ", "true or false, in small letters"),
            (b"a = [\n1,\n[b]\n", "x.toml:3:2: ", "end it with ']'"),
            (b"a = [\n1,\nb = 1\n", "x.toml:3:1: ", "end it with ']'"),
            (b"a = [\n{ b = 1,, }\n]", "x.toml:2:9: ", "is one line"),
            (b"longer than = 1\n", "x.toml:1:8: ", "a name is one word"),
            ("[roles.t\u00fcr]\n".encode(), "x.toml:1:9: ", "a name is one word"),
            (b"[roles.a]\n[roles.a]\n", "x.toml:2:", "[roles.a] twice"),
            (rb'a = "C:\Users"', "x.toml:1:", "write '/' in place of each"),
            (b"a = 1\rb = \r", "x.toml:2:5: ", "invalid value"),
            (b"a = 1\nb = [1,\n", "x.toml:3:1: ", "the end of the file"),
            (b"a = 1\na = 2\n", "x.toml:2:", "overwrite"),
            (b'a = 1\nbc = "\xff"', "x.toml:2:7: ", "0xff is not UTF-8"),
            ("a = 1".encode("utf-16"), "x.toml: ", "UTF-16"),
            (b"a = " + b"[" * 20_000, "x.toml: ", "nested too deeply"),
            (b"a = " + b"1" * 5_000, "x.toml: ", "digits"),
        ],
    )
    def test_text(self, raw: bytes, start: str, words: str) -> None:
        with pytest.raises(ExpectationError) as caught:
            parse_document(raw, "x.toml")
        assert str(caught.value).startswith(start)
        assert words in str(caught.value)

    @given(st.binary(max_size=40))
    def test_any_bytes(self, raw: bytes) -> None:
        try:
            document = parse_document(raw, "x.toml")
        except ExpectationError as error:
            text = str(error)
        else:
            text = "x.toml:"
            same(document.text, document.root, document.data)
        assert text.startswith("x.toml:")
