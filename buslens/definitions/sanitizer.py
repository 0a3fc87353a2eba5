"""Rewrite statements that the parser cannot accept.

Names that are no identifiers get another name for the parser's eyes, numbers without their extended flag get it, and
ranges that it would write out in memory are cut. What they really are is in the outline.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from typing import Final

from buslens.definitions.statements import KEYWORDS, Statement

_IDENTIFIER: Final = re.compile(r"[A-Za-z_]\w*", re.ASCII)
_RANGE: Final = re.compile(r"(\d{1,20}+)\s*-\s*(\d{1,20}+)", re.ASCII)


class Sanitizer:
    """Gives the statements of one file to the parser."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._names: dict[str, str] = {}
        self._taken: set[str] | None = None
        #: Statements that lack nothing but their semicolon, and get it, by where they start.
        self.unclosed: dict[int, Statement] = {}

    def name(self, name: str) -> str:
        """Return the name under which the parser knows a message or signal: as long as its own where that can be."""
        if _IDENTIFIER.fullmatch(name) and name not in KEYWORDS:
            return name
        if name not in self._names:
            if self._taken is None:
                self._taken = {*KEYWORDS, *re.findall(r"\w+", self._text, re.ASCII)}
            base = re.sub(r"\W", "_", name, flags=re.ASCII)
            tame = base if not base[0].isdigit() else f"_{base[1:]}"
            if tame in KEYWORDS:
                tame = f"_{tame[1:]}"
            count = 0
            while tame in self._taken:
                count += 1
                tame = f"_{count}{base[len(str(count)) + 1 :]}"
            self._taken.add(tame)
            self._names[name] = tame
        return self._names[name]

    def has_plain_names(self, statements: Iterable[Statement]) -> bool:
        """Return whether all messages and signals have names that the parser takes."""
        return all(
            self.name(statement.name) == statement.name
            for statement in statements
            if statement.keyword in {"BO_", "SG_"} and statement.head is not None
        )

    def rewrite(self, statement: Statement, *, numbers: Mapping[int, int] | None = None, small: bool = False) -> str:
        """Return the text of a statement for the parser.

        Parameters
        ----------
        numbers : mapping of int to int, optional
            Other numbers for messages.
        small : bool
            Whether sizes do not matter: for the parser to check the syntax. A signal of a billion bits would cost as
            many bytes.
        """
        if statement.keyword in {"NS_", "BS_"}:
            return ""  # say nothing, and the parser takes what follows for a part of NS_ where BS_ is missing
        if statement.start in self.unclosed:
            return f"{self._said(statement, numbers or {}, small=small)};"
        return self._said(statement, numbers or {}, small=small)

    def _said(self, statement: Statement, numbers: Mapping[int, int], *, small: bool) -> str:
        head = statement.head
        if head is None:
            return self._text[statement.start : statement.end]
        changes: dict[tuple[int, int], str] = {}
        groups = head.re.groupindex
        for name in ("name", "selector"):
            if name in groups and head[name]:
                changes[head.span(name)] = self.name(head[name])
        if "ranges" in groups:
            changes[head.span("ranges")] = _cut_ranges(head["ranges"])
        number = statement.number
        if number is not None and number in numbers:
            changes[statement.number_span] = str(numbers[number])
        if small:
            changes |= {
                head.span(name): size(head[name]) for name, size in _SMALL.items() if name in groups and head[name]
            }
        return self._changed(statement, changes)

    def _changed(self, statement: Statement, changes: Mapping[tuple[int, int], str]) -> str:
        parts: list[str] = []
        at = statement.start
        for (start, end), text in sorted(changes.items()):
            parts += self._text[at:start], text
            at = end
        return "".join([*parts, self._text[at : statement.end]])


_SMALL: Final[Mapping[str, Callable[[str], str]]] = {
    "length": lambda digits: "8".zfill(len(digits)),
    "start": lambda digits: "0".zfill(len(digits)),
    "bits": lambda digits: "1".zfill(len(digits)),
}
"""Sizes, for their own, of as many digits."""


def _cut_ranges(ranges: str) -> str:
    """Return ranges cut to their first values, in as many characters."""
    return _RANGE.sub(lambda pair: f"{int(pair[1])}-{int(pair[1])}".ljust(len(pair[0])), ranges)
