"""All keys of a causes file, from ``keys.txt``: what a file is read by, and what its reference names."""

from collections.abc import Mapping
from typing import Final

from buslens.causes.model import CauseKind
from buslens.expectations.schema import KINDS, KeySpec, keys_of
from buslens.text_tables import tables_beside

TABLES: Final[Mapping[str, Mapping[str, KeySpec]]] = keys_of(
    tables_beside(__file__, "keys.txt"),
    {"causes.NAME.kind": [kind.value for kind in CauseKind], "signs.NAME, findings.kind": KINDS},
)
"""Every table of the file, for the reference."""

FILE: Final = TABLES["file"]
NUMBERS: Final = TABLES["numbers"]
SIGN: Final = TABLES["signs.NAME"]
PATTERN: Final = TABLES["signs.NAME, findings"]
CAUSE: Final = TABLES["causes.NAME"]
MEASUREMENT: Final = TABLES["measurements.NAME"]
TRACE: Final = TABLES["measurements.NAME, trace"]
RESULT: Final = TABLES["measurements.NAME, results"]
