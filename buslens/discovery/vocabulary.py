"""The words by which people name signals and their values, in several wordings: common practice, no source."""

from __future__ import annotations

import re
import tomllib
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

_TOKEN: Final = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[^\W\d_A-Za-z]+|\d+")
_ACCENTS: Final = str.maketrans(
    {"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "Ä": "Ae", "Ö": "Oe", "Ü": "Ue"}
    | dict(zip("éèêëáàâãíîóôúûçñåøÉÈÊÁÀÍÓÚÇÑ", "eeeeaaaaiioouucnaoEEEAAIOUCN", strict=True))
)


_FILE: Final[Mapping[str, Mapping[str, str]]] = tomllib.loads(Path(__file__).with_suffix(".toml").read_text("utf-8"))
_WORDS: Final = {
    table: {name: frozenset(words.split()) for name, words in lists.items()} for table, lists in _FILE.items()
}
WEIGHTS: Final[Mapping[str, Mapping[str, float]]] = {
    role: {meaning.strip(): float(points) for meaning, points in (it.rsplit(" ", 1) for it in text.split(","))}
    for role, text in _FILE["weights"].items()
}
"""Role -> meaning of a word -> points."""
MEANINGS: Final = _WORDS["meanings"]
"""What a word in a name may mean."""
_STATES: Final = _WORDS["states"]
OF_GATEWAYS: Final = _WORDS["lists"]["gateways"]
"""Words by which a repeated signal differs from its original."""
_NOT: Final = _WORDS["lists"]["not"]
_INVALID: Final = _WORDS["lists"]["invalid"]
#: What a word may be run together from.
_PARTS: Final = frozenset().union(*MEANINGS.values(), _WORDS["lists"]["neutral"])
_LEAST_PART: Final = 2
_LEAST_STEM: Final = 5
OPPOSITES: Final = {
    "open": "closed",
    "locked": "unlocked",
    "on": "off",
    "pressed": "released",
    "present": "absent",
    "paired": "not_paired",
}
"""Pairs of states: each label means one of the two, or neither."""


def tokens(name: str) -> tuple[str, ...]:
    """Return the words that a name is made of, in lower case, without accents.

    >>> tokens("DrvDoorAjar"), tokens("UNLOCK_FEEDBACK2"), tokens("KL15_Ein")
    (('drv', 'door', 'ajar'), ('unlock', 'feedback', '2'), ('kl15', 'ein'))
    """
    found: list[str] = []
    for part in _TOKEN.findall(name.translate(_ACCENTS)):
        word = part.lower()
        if found and word.isdecimal() and found[-1] in {"kl", "t", "klemme"}:
            found[-1] += word
        else:
            found.append(word)
    return tuple(found)


@cache
def parts(word: str) -> tuple[str, ...]:
    """Return the known words that a word is run together from; else the known ones that stand out in it, else itself.

    >>> parts("ignsts"), parts("lenkradschlossxy"), parts("qqq")
    (('ign', 'sts'), ('lenkradschloss',), ('qqq',))
    """
    if word in _PARTS or word.isdecimal():
        return (word,)
    best: list[tuple[str, ...] | None] = [()] + [None] * len(word)
    for stop in range(_LEAST_PART, len(word) + 1):
        for start in range(max(stop - 24, 0), stop - _LEAST_PART + 1):
            before, part = best[start], word[start:stop]
            if before is not None and part in _PARTS:
                found = (*before, part)
                current = best[stop]
                if current is None or len(found) < len(current):
                    best[stop] = found
    whole = best[-1]
    if whole is not None:
        return whole
    stems = [it for it in sorted(_PARTS, key=len, reverse=True) if len(it) >= _LEAST_STEM and it in word]
    kept = [it for index, it in enumerate(stems) if not any(it in longer for longer in stems[:index])]
    return tuple(kept) or (word,)


def meanings(words: Iterable[str]) -> frozenset[str]:
    """Return what words may mean."""
    listed = {part for word in words for part in parts(word)}
    return frozenset(meaning for meaning, known in MEANINGS.items() if not known.isdisjoint(listed))


def state_of(label: str, first: str) -> str | None:
    """Return which of two opposite states a label means; None if neither, or both.

    Parameters
    ----------
    label : str
        Name of a value.
    first : str
        One of the keys of `OPPOSITES`.

    Examples
    --------
    >>> state_of("Not_Locked", "locked"), state_of("ajar", "open"), state_of("no data", "locked")
    ('unlocked', 'open', None)
    """
    words = tokens(label)
    second = OPPOSITES[first]
    is_not = any(word in _NOT for word in words) or (len(words) > 1 and words[0] == "no")
    said = [word for word in words if word not in _NOT and not (is_not and word == "no")]
    if first != "on" and any(word in _INVALID for word in said):
        return None
    if first == "on" and not is_not and any(word in _INVALID - {"data", "signal"} for word in said):
        return None
    is_first = any(word in _STATES[first] for word in said)
    is_second = any(word in _STATES[second] for word in said)
    if is_first and is_second and first in {"pressed", "on"}:
        return None
    if is_not and first == "present" and not is_first and not is_second and said:
        return second  # 'no key', in whatever words
    if is_first == is_second:
        return None
    if is_not:
        is_first = not is_first
    return first if is_first else second


def is_moving(label: str) -> bool:
    """Return whether a label means that something is on its way from one state to the other.

    >>> is_moving("In_between"), is_moving("Zwischenstellung"), is_moving("error")
    (True, True, False)
    """
    return any(word in _STATES["moving"] for word in tokens(label))


def is_invalid(label: str) -> bool:
    """Return whether a label means that there is no value."""
    return any(word in _INVALID for word in tokens(label))


def ignition_state_of(label: str) -> str | None:
    """Return whether a label means that the ignition is on or off; None if neither.

    >>> ignition_state_of("IGN_ON"), ignition_state_of("Accessory"), ignition_state_of("invalid")
    ('on', 'off', None)
    """
    words = (*tokens(label), "".join(tokens(label)))  # 'KlR' is one word
    if any(word in _INVALID for word in words):
        return None
    if any(word in _WORDS["lists"]["ignition_off"] for word in words):
        return "off"
    is_on = any(word in _WORDS["lists"]["ignition_on"] for word in words)
    if is_on and any(word in _NOT for word in words):
        return "off"
    return "on" if is_on else None
