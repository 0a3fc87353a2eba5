"""The dates in an ASC log's header and trigger blocks, as the recording machine's language wrote them.

    date Sat Sep 30 15:06:13.191 2017
    date Sam Sep 30 15:06:13.191 2017
    Begin Triggerblock sam. sept. 30 03:06:13.191 pm 2017

The months come from a table of our own, because `strptime` asks the locale of the machine that reads, and
the log was written on another.
"""

import re
import unicodedata
from collections.abc import Mapping
from datetime import UTC, datetime
from types import MappingProxyType
from typing import Final

from buslens.units import NS_PER_S

# One line per month: English, German, French, each short and in full, without accents and dots. "sept" is
# both French and English; "maer" is how a machine without umlauts writes the German short form.
_MONTHS: Final[Mapping[str, int]] = MappingProxyType(
    {
        name: month
        for month, names in enumerate(
            (
                "jan january januar janv janvier jaenner",
                "feb february februar fev fevr fevrier",
                "mar march maerz marz mrz maer mars",
                "apr april avr avril",
                "may mai",
                "jun june juni juin",
                "jul july juli juil juillet",
                "aug august aou aout",
                "sep sept september septembre",
                "oct october okt oktober octobre",
                "nov november novembre",
                "dec december dez dezember decembre",
            ),
            start=1,
        )
        for name in names.split()
    }
)
_CLOCK: Final = re.compile(r"(\d{1,2}):(\d{2}):(\d{2})(?:[.,](\d{1,9}))?", re.ASCII)
_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)
_LAST_YEAR: Final = 2095
"""Later times do not fit the axis; a clock that says so is wrong anyway."""


def parse_date_ns(text: bytes) -> int | None:
    """Return the nanoseconds from 1970 to a written date, taken as it stands as if it were UTC.

    The words may come in any order; a weekday is ignored, in any language. Hours count to 12 with am or pm,
    or to 24; the hours 13 to 23 may carry a pm as well. The fraction of a second may have up to 9 digits.

    Returns
    -------
    int or None
        None where no date, or more than one, can be read from it, or one outside the years 1970 to 2095.

    Examples
    --------
    >>> parse_date_ns(b"Thu Jan 1 12:00:01.5 am 1970")
    1500000000
    """
    clock: re.Match[str] | None = None
    afternoon: bool | None = None
    month = day = year = 0
    for word in _plain(text).split():
        if match := _CLOCK.fullmatch(word):
            if clock is not None:
                return None
            clock = match
        elif word.isdigit():
            if len(word) == 4 and not year:
                year = int(word)
            elif len(word) <= 2 and not day:
                day = int(word)
            else:
                return None
        elif word in {"am", "pm"}:
            afternoon = word == "pm"
        else:
            # The last one counts: "mar. sept. 30" is a Tuesday in September.
            month = _MONTHS.get(word, month)
    if clock is None or not _EPOCH.year <= year <= _LAST_YEAR:
        return None
    hour = _hour(int(clock[1]), afternoon=afternoon)
    if hour is None:
        return None
    try:
        moment = datetime(year, month, day, hour, int(clock[2]), int(clock[3]), tzinfo=UTC)
    except ValueError:
        return None
    since = moment - _EPOCH
    return (since.days * 86_400 + since.seconds) * NS_PER_S + int((clock[4] or "").ljust(9, "0"))


def _plain(text: bytes) -> str:
    """Return the text in lower case without accents, and without the dots that end abbreviations."""
    try:
        decoded = text.decode("utf-8")
    except UnicodeDecodeError:
        decoded = text.decode("cp1252", errors="ignore")
    spread = unicodedata.normalize("NFKD", decoded.replace("\N{LATIN SMALL LETTER SHARP S}", "ss"))
    bare = "".join(letter for letter in spread if letter.isascii()).lower()
    bare = re.sub(r"\b([ap])\.?m\b\.?", r"\1m", bare)
    return re.sub(r"[.,](?=\s|$)", " ", bare)


def _hour(hour: int, *, afternoon: bool | None) -> int | None:
    """Return the hour of the day, 0 to 23; None for one that contradicts its am or pm."""
    if afternoon is None:
        return hour
    if hour > 12:
        return hour if afternoon else None
    return hour % 12 + 12 * afternoon
