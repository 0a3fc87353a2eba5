"""Words of several languages and arrows for what a column of labels says, and the English words that stand for them."""

import re
from collections.abc import Sequence
from functools import cache
from typing import Final

_WORDS: Final = {
    "Rx": "empfangen empf empfang re\u00e7u recu re\u00e7ue r\u00e9ception recibido recibida ricevuto ricevuta "
    "odebrano odebrane ontvangen mottagen recebido p\u0159ijato \u043f\u0440\u0438\u043d\u044f\u0442\u043e "
    "\u043f\u0440\u0438\u0435\u043c \u043f\u0440\u0438\u0451\u043c \u63a5\u6536 \u53d7\u4fe1 \uc218\uc2e0",
    "Tx": "gesendet senden sendung envoy\u00e9 envoy\u00e9e \u00e9mis \u00e9mise \u00e9mission enviado enviada "
    "transmitido inviato inviata trasmesso wys\u0142ano wys\u0142ane nadano verzonden skickat odesl\u00e1no "
    "\u043f\u0435\u0440\u0435\u0434\u0430\u043d\u043e \u043f\u0435\u0440\u0435\u0434\u0430\u0447\u0430 "
    "\u53d1\u9001 \u767c\u9001 \u9001\u4fe1 \uc1a1\uc2e0",
    "true": "wahr ja vrai oui s\u00ed verdadero vero s\u00ec prawda tak sant waar verdadeiro sim "
    "\u0434\u0430 \u0438\u0441\u0442\u0438\u043d\u0430 \u662f",
    "false": "falsch nein faux non falso nie fa\u0142sz falskt nej onwaar nee n\u00e3o \u043d\u0435\u0442 "
    "\u043b\u043e\u0436\u044c \u5426",
    "std": "\u6807\u51c6\u5e27 \u6a19\u6e96\u5e40 \u6807\u51c6 \u6a19\u6e96 \u6807\u51c6\u6570\u636e\u5e27 "
    "est\u00e1ndar \u0441\u0442\u0430\u043d\u0434\u0430\u0440\u0442",
    "ext": "\u6269\u5c55\u5e27 \u64f4\u5c55\u5e40 \u6269\u5c55 \u62e1\u5f35 erweitert \u00e9tendu \u00e9tendue "
    "extendido extendida esteso estesa rozszerzony rozszerzona uitgebreid estendido "
    "\u0440\u0430\u0441\u0448\u0438\u0440\u0435\u043d\u043d\u044b\u0439",
    "data": "\u6570\u636e\u5e27 \u8cc7\u6599\u5e40 \u6570\u636e daten datenrahmen donn\u00e9es datos dati dane dados",
    "remote": "\u8fdc\u7a0b\u5e27 \u9060\u7aef\u5e40 anforderung fernanforderung requ\u00eate remota remoto",
    "error": "\u9519\u8bef\u5e27 fehler fehlerrahmen erreur b\u0142\u0105d errore erro fout fel "
    "\u043e\u0448\u0438\u0431\u043a\u0430",
}
_ENCODINGS: Final = ("utf-8", "cp1252", "cp1250", "cp1251", "gbk", "big5", "cp932", "cp949")
WORD: Final = re.compile(
    rb"(?<![^\s,;|\"'])[^\W\d_][^\s,;|\"']+(?![^\s,;|\"'])|(?<![^\s,;|\"'])[\x80-\xff][^\s,;|\"']+"
)
"""A cell that begins with a letter."""
ARROW: Final = re.compile(
    rb"(?<![^\s,;|\"'])(?:[-=~]{0,4}(?:(<)|>)[-=~<>]{0,4}|\xe2[\x86\x87](?:([\x90\x93])|[\x91\x92])"
    rb"|\xf0\x9f\x93(?:(\xa5)|\xa4))(?![^\s,;|\"'])|(?<![^\s,;|\"'])(?:(<)|>)(?=(?:0[xX])?[0-9A-Fa-f]{3,8}(?![^\s,;|]))"
)
"""An arrow as a cell or at an identifier, in ASCII or UTF-8, or the sign of a tray.

A group of one that points to the recorder, to the left or down, is found.
"""


@cache
def _known() -> dict[bytes, bytes]:
    """Return what stands for each word, however it is written; letters of ASCII are small ones."""
    found: dict[bytes, bytes] = {}
    for english, words in _WORDS.items():
        for word in words.split():
            for form in (word, word.capitalize()):
                for encoding in _ENCODINGS:
                    try:
                        found[form.encode(encoding).lower()] = english.encode()
                    except UnicodeEncodeError:
                        continue
    return found


def has_foreign_words(lines: Sequence[bytes]) -> bool:
    """Return whether a cell of most lines is one of the words."""
    known = _known()
    return 2 * sum(any(word.lower() in known for word in WORD.findall(line)) for line in lines) > len(lines)


def in_english(match: re.Match[bytes]) -> bytes:
    """Return the English word that stands for one that was found."""
    return _known().get(match[0].lower(), match[0])


def has_arrows(lines: Sequence[bytes]) -> bool:
    """Return whether most lines have one arrow, and not all of them point to the same side."""
    found = [arrows[0] for line in lines if len(arrows := ARROW.findall(line)) == 1]
    return 2 * len(found) > len(lines) and len({any(to_recorder) for to_recorder in found}) > 1


def of_arrow(match: re.Match[bytes]) -> bytes:
    """Return the word that stands for an arrow: what points to the recorder was received."""
    return b"Rx " if any(match.groups()) else b"Tx "
