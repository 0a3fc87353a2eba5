"""What makes a database a ledger; its tables stand in ``ledger.sql``."""

from pathlib import Path
from typing import Final

APPLICATION_ID: Final = 0x62_75_73_6C
"""Mark in the header of the file that makes a database a ledger of buslens (the letters "busl")."""

SCHEMA_VERSION: Final = 3
"""Counted up with every change of the tables; a ledger of another version is refused."""

SCHEMA: Final = Path(__file__).with_name("ledger.sql").read_text("utf-8")
"""The statements that make the tables, and what each table is for."""

PARTS: Final = ("handshake", "delay", "finding", "traffic")
"""Tables whose rows belong to a judgement."""
