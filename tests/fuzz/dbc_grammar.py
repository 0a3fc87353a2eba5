"""Bytes become the text of a DBC file: statements of the grammar, about few names, with some of their words changed.

Bytes that are mutated blindly hardly ever make two statements that are about the same message, and what happens when
they disagree is what a reader of definitions gets wrong. Here each byte decides one thing, so that a mutation changes
one thing: which statement comes next, which name or number stands in it, which word is left out, doubled or exchanged.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

NAMES: Final = ("A", "B", "sel", "x", "Vector__XXX", "SG_", "m0", "9lives", "VECTOR__INDEPENDENT_SIG_MSG", "a.b", "é")
NUMBERS: Final = (
    "1",
    "2",
    "2047",
    "2048",
    "2147483649",
    "2566834709",
    "3221225472",
    "4294967296",
    "0",
    "99999999999999999999",
)
LENGTHS: Final = ("8", "0", "1", "64", "4095", "4096", "7", "20")
PLACES: Final = ("0", "7", "8", "15", "16", "56", "63", "64", "511", "4294967295")
BITS: Final = ("8", "1", "4", "16", "32", "64", "0", "65", "12")
MARKS: Final = ("", "", "M", "m0", "m1", "m0M", "m99999999999999999999", "m", "mx")
FLOATS: Final = (
    "1",
    "0",
    "0.5",
    "-1",
    "1e300",
    "1e400",
    "1E-320",
    ".5",
    "-0",
    "nan",
    "340282346638528859811704183484516925440",
)
STRINGS: Final = (
    '""',
    '"V"',
    '"says; so"',
    '"a\\"b"',
    '"//"',
    '"BO_ 1 A: 8 X"',
    '"\n SG_ x : 0|8@1+"',
    '"é"',
    '"\0"',
    "'",
    '"',
)
ATTRIBUTES: Final = (
    '"GenMsgCycleTime"',
    '"VFrameFormat"',
    '"SPN"',
    '"ProtocolType"',
    '"SystemSignalLongSymbol"',
    '"none"',
)
TYPES: Final = (
    "INT 0 65535", "FLOAT 0 1", "STRING", 'ENUM "StandardCAN","J1939PG"', "HEX 0 255", "INT", 'ENUM ""',
    "FLOAT 0 1e400",
)  # fmt: skip
RANGES: Final = ("0-3, 7-7", "0-0", "3-1", "", "1-99999999999")
VALUES: Final = ("100", "-1", '"J1939"', '"x"', "1", "0.5", "3", '""', "1e9")
PUNCTUATION: Final = (";", ":", ",", "|", "@", "+", "-", "(", ")", "[", "]", '"', "\n", "\0", "/*", "//", " ")
WORD: Final = re.compile(r'"(?:\\"|[^"\n])*"|[\w.+-]+|[^\w\s]|\n')


class _Choices:
    """Takes bytes one by one; when there are none left, the first of everything."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._next = 0

    @property
    def is_empty(self) -> bool:
        return self._next >= len(self._data)

    def below(self, n: int) -> int:
        byte = self._data[self._next] if self._next < len(self._data) else 0
        self._next += 1
        return byte % n

    def of(self, words: Sequence[str]) -> str:
        """Take one of some words, the first ones more often, so that statements are about the same thing."""
        byte = self.below(256)
        return words[byte * byte * len(words) >> 16]


def written(data: bytes) -> bytes:
    """Return the text of a DBC file that some bytes stand for."""
    choices = _Choices(data)
    n_changes = choices.below(6)
    changes = [(choices.below(256), choices.below(256), choices.below(256)) for _ in range(n_changes)]
    lines = ['VERSION ""'] if choices.below(2) else []
    while not choices.is_empty and len(lines) < 120:
        lines.append(_STATEMENTS[choices.below(len(_STATEMENTS))](choices))
    words = WORD.findall("\n".join(lines))
    for place, way, other in changes:
        at = (place * 256 + other) % (len(words) + 1)
        match way % 6:
            case 0:
                del words[at : at + 1 + way % 3]
            case 1:
                words[at:at] = words[at : at + 1 + other % 40]
            case 2:
                words[at : at + 1] = [PUNCTUATION[other % len(PUNCTUATION)]]
            case 3:
                words[at:at] = [PUNCTUATION[other % len(PUNCTUATION)]]
            case 4:
                words[at : at + 1] = [words[(at * 7 + other) % len(words)]] if words else []
            case _:
                words[at : at + 1] = [(*NUMBERS, *NAMES, *FLOATS)[other % 32]]
    return " ".join(words).replace("\n ", "\n").encode("utf-8" if n_changes < 5 else "cp1252", "replace")


def _message(c: _Choices) -> str:
    lines = [f"BO_ {c.of(NUMBERS)} {c.of(NAMES)}: {c.of(LENGTHS)} {c.of(NAMES)}"]
    for _ in range(c.below(6)):
        lines.append(_signal(c))
    return "\n".join(lines)


def _signal(c: _Choices) -> str:
    return (
        f" SG_ {c.of(NAMES)} {c.of(MARKS)} : {c.of(PLACES)}|{c.of(BITS)}@{c.below(2)}{c.of('+-')} "
        f"({c.of(FLOATS)},{c.of(FLOATS)}) [{c.of(FLOATS)}|{c.of(FLOATS)}] {c.of(STRINGS)} {c.of(NAMES)}"
    )


def _about(c: _Choices) -> str:
    kinds = (
        "",
        f"BO_ {c.of(NUMBERS)}",
        f"SG_ {c.of(NUMBERS)} {c.of(NAMES)}",
        f"BU_ {c.of(NAMES)}",
        f"EV_ {c.of(NAMES)}",
    )
    return c.of(kinds)


def _labels(c: _Choices) -> str:
    return " ".join(f"{c.of((*NUMBERS, '-1', '1.5'))} {c.of(STRINGS)}" for _ in range(c.below(4)))


def _relation(c: _Choices) -> str:
    return c.of(
        (f"BU_SG_REL_ {c.of(NAMES)} SG_ {c.of(NUMBERS)} {c.of(NAMES)}", f"BU_BO_REL_ {c.of(NAMES)} {c.of(NUMBERS)}")
    )


_STATEMENTS: Final[Sequence[Callable[[_Choices], str]]] = (
    _message,
    _signal,
    _message,
    lambda c: f"SG_MUL_VAL_ {c.of(NUMBERS)} {c.of(NAMES)} {c.of(NAMES)} {c.of(RANGES)};",
    lambda c: f"SIG_VALTYPE_ {c.of(NUMBERS)} {c.of(NAMES)} : {c.of('120347')};",
    lambda c: f"VAL_ {c.of(NUMBERS)} {c.of(NAMES)} {_labels(c)} ;",
    lambda c: f"VAL_TABLE_ {c.of(NAMES)} {_labels(c)} ;",
    lambda c: f"CM_ {_about(c)} {c.of(STRINGS)};",
    lambda c: f"BA_DEF_ {c.of(('', 'BO_', 'SG_', 'BU_', 'EV_'))} {c.of(ATTRIBUTES)} {c.of(TYPES)};",
    lambda c: f"BA_DEF_DEF_ {c.of(ATTRIBUTES)} {c.of(VALUES)};",
    lambda c: f"BA_ {c.of(ATTRIBUTES)} {_about(c)} {c.of(VALUES)};",
    lambda c: f"BU_: {' '.join(c.of(NAMES) for _ in range(c.below(4)))}",
    lambda c: f"BO_TX_BU_ {c.of(NUMBERS)} : {c.of(NAMES)},{c.of(NAMES)};",
    lambda c: f"SIG_GROUP_ {c.of(NUMBERS)} {c.of(NAMES)} 1 : {c.of(NAMES)} {c.of(NAMES)};",
    lambda c: f"EV_ {c.of(NAMES)}: 0 [0|1] {c.of(STRINGS)} 0 1 DUMMY_NODE_VECTOR0 {c.of(NAMES)};",
    lambda c: f"ENVVAR_DATA_ {c.of(NAMES)}: {c.of(LENGTHS)};",
    lambda c: f"BA_DEF_REL_ {c.of(('BU_SG_REL_', 'BU_BO_REL_'))} {c.of(ATTRIBUTES)} {c.of(TYPES)};",
    lambda c: f"BA_DEF_DEF_REL_ {c.of(ATTRIBUTES)} {c.of(VALUES)};",
    lambda c: f"BA_REL_ {c.of(ATTRIBUTES)} {_relation(c)} {c.of(VALUES)};",
    lambda c: f"SIG_TYPE_REF_ {c.of(NUMBERS)} {c.of(NAMES)} : {c.of(NAMES)};",
    lambda c: f"NS_ :\n\tCM_\n\tBA_DEF_\n{c.of(('', 'BS_:', 'BS_: 500 : 1,2'))}",
)
