"""The log formats, in the order in which they are tried."""

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Final

from buslens.capture._scan_kernel import FORMAT_REASON
from buslens.capture.asc import ASC
from buslens.capture.candump import CANDUMP
from buslens.capture.candump_screen import SCREEN
from buslens.capture.candump_untimed import CANDUMP_UNTIMED
from buslens.capture.log_format import LogFormat


def registered(formats: Iterable[LogFormat]) -> Mapping[str, LogFormat]:
    """Return formats by name.

    Raises ValueError if two have the same name, or one uses a code for a reason that belongs to the engine.
    """
    by_name: dict[str, LogFormat] = {}
    for entry in formats:
        if entry.name in by_name:
            raise ValueError(f"log format '{entry.name}' is already registered")
        if low := [code for code in entry.reasons if code < FORMAT_REASON]:
            raise ValueError(f"log format '{entry.name}' uses reason codes of the engine: {low}")
        by_name[entry.name] = entry
    return MappingProxyType(by_name)


FORMATS: Final = registered([CANDUMP, CANDUMP_UNTIMED, SCREEN, ASC])
"""A log is of the first format that recognises its beginning."""
