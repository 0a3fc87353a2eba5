"""The words by which people name signals and their values, in several wordings: common practice, no source."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

_TOKEN: Final = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[^\W\d_A-Za-z]+|\d+")
_ACCENTS: Final = str.maketrans({"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "Ä": "Ae", "Ö": "Oe", "Ü": "Ue", "é": "e"})

MEANINGS: Final[Mapping[str, frozenset[str]]] = {
    meaning: frozenset(words.split())
    for meaning, words in {
        "door": "door doors dr tuer tuere fahrertuer porte ajar",
        "driver": "driver drivers drv drvr fahrer fahrertuer fl lf front dd",
        "other door": "passenger pass psgr rear rl rr fr rf tail tailgate trunk boot hatch hood bonnet beifahrer hinten"
        " heck",
        "lock": "lock lck lk esl escl scl column col colm clm steering steer strg lenkung lenkrad bolt verriegelung"
        " lenkradschloss schloss riegel",
        "enable": "enable enabled enbl enab en freigabe activate activation actuate ansteuerung drive driver motor",
        "feedback": "feedback fb fbk fdbk sense sns switch sw contact state status sts stat position pos rueckmeldung"
        " rm kontakt",
        "release": "unlock unlocked ulk ulck unlck release released rls entriegelt entriegelung",
        "data": "data serial lin line second secondary redundant redundancy telegram digital datenleitung zweite",
        "wire": "wire wired hardwired hw contact switch sw pin leitung hardware",
        "ignition": "ignition ign kl15 klemme15 t15 zuendung igni",
        "power": "power mode stage terminal key klemme kl",
        "supply": "supply voltage volt volts u ubat vbat batt battery kl30 vsup spannung versorgung",
        "battery": "battery batt ubat vbat batterie",
        "lamp": "lamp light warn warning wrn indicator led lampe warnleuchte telltale chime",
        "other": "central child window handle cover counter cnt count checksum crc request req command cmd clearance"
        " running valid fault error err dtc temperature temp current try tries learn zentral",
    }.items()
}
"""What a word in a name may mean."""

_STATES: Final[Mapping[str, frozenset[str]]] = {
    state: frozenset(words.split())
    for state, words in {
        "open": "open opened ajar offen auf geoeffnet ouvert",
        "closed": "closed close shut zu geschlossen latched ferme",
        "locked": "locked lock lckd verriegelt gesperrt engaged extended",
        "unlocked": "unlocked unlock unlckd released release free entriegelt frei disengaged retracted",
        "on": "on active activated enabled enable ein an yes true high driven pressed",
        "off": "off inactive deactivated disabled aus no false low idle none rest",
    }.items()
}
_OPPOSITES: Final = {"open": "closed", "locked": "unlocked", "on": "off"}
_IGNITION_ON: Final = frozenset(
    {"active", "run", "on", "crank", "cranking", "start", "starting", "running", "ein", "ignition", "drive"}
)
_IGNITION_OFF: Final = frozenset(
    {
        "inactive",
        "off",
        "acc",
        "accessory",
        "accessories",
        "aus",
        "lock",
        "locked",
        "sleep",
        "standby",
        "parked",
        "radio",
    }
)
_INVALID: Final = frozenset(
    {
        "invalid",
        "error",
        "err",
        "sna",
        "na",
        "fault",
        "reserved",
        "undefined",
        "unknown",
        "ungueltig",
        "fehler",
        "signal",
        "nosignal",
        "available",
        "data",
    }
)


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


def meanings(words: Iterable[str]) -> frozenset[str]:
    """Return what words may mean."""
    listed = list(words)
    return frozenset(meaning for meaning, known in MEANINGS.items() if any(word in known for word in listed))


def state_of(label: str, first: str) -> str | None:
    """Return which of two opposite states a label means; None if neither, or both.

    Parameters
    ----------
    label : str
        Name of a value.
    first : {"open", "locked", "on"}
        One of the states.

    Examples
    --------
    >>> state_of("Not_Locked", "locked"), state_of("ajar", "open"), state_of("no data", "locked")
    ('unlocked', 'open', None)
    """
    words = tokens(label)
    second = _OPPOSITES[first]
    if first != "on" and any(word in _INVALID for word in words):
        return None
    is_first = any(word in _STATES[first] for word in words)
    is_second = any(word in _STATES[second] for word in words)
    if is_first == is_second:
        return None
    if words and words[0] in {"not", "nicht"}:
        is_first = not is_first
    return first if is_first else second


def ignition_state_of(label: str) -> str | None:
    """Return whether a label means that the ignition is on or off; None if neither.

    >>> ignition_state_of("IGN_ON"), ignition_state_of("Accessory"), ignition_state_of("invalid")
    ('on', 'off', None)
    """
    words = tokens(label)
    if any(word in _INVALID for word in words):
        return None
    if any(word in _IGNITION_OFF for word in words):
        return "off"
    return "on" if any(word in _IGNITION_ON for word in words) else None
