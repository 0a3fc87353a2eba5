"""Sentences for a person who types no commands."""

import re
from typing import Final

_TABLE: Final = ", and no role of the expectations is read from one"
_UNKNOWN: Final = "; expected for example "


def without_options(text: str) -> str:
    """Return a sentence without what only somebody can do who types commands.

    >>> without_options("no times; export them, or name them with --table FILE; give --x")
    'no times; export them'
    >>> without_options("hexadecimal or decimal ('1668' is 5736 or 1668): write --id-base hex or --id-base decimal")
    "hexadecimal or decimal ('1668' is 5736 or 1668)"
    >>> without_options("it is a table, and no role of the expectations is read from one: tie each to a column")
    'it is a table. Set up a car from tables of a healthy one under Cars, and choose it here.'
    >>> without_options("unknown log format; its first line is 'Good day'; expected for example candump: (1) can0 1#2")
    "unknown log format; its first line is 'Good day'. Save the recording as a log, or as a table, and add that."
    """
    if _UNKNOWN in text:
        return f"{text.partition(_UNKNOWN)[0]}. Save the recording as a log, or as a table, and add that."
    if _TABLE in text:
        return f"{text.partition(_TABLE)[0]}. Set up a car from tables of a healthy one under Cars, and choose it here."
    text = re.sub(r"(?:, or|:) (?:(?!, or )[^;:])*--\w[^;]*", "", text)
    return "; ".join(part for part in text.split("; ") if not re.search(r"(^| )--\w", part))
