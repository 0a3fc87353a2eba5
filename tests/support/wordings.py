"""The club's definitions in other people's words: same bits, other names. All of them invented."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

PINEWICK: Final = Path(__file__).parents[2] / "signal_defs" / "pinewick.dbc"

#: Wording -> name or quoted label in pinewick.dbc -> what stands in its place.
WORDINGS: Final[dict[str, dict[str, str]]] = {
    "abbreviations": {
        "BODY_DOORS": "BdyInfo",
        "DRIVER_DOOR": "DrvDrAjarSts",
        "PASSENGER_DOOR": "PsgDrAjarSts",
        "REAR_LEFT_DOOR": "RLDrAjarSts",
        "REAR_RIGHT_DOOR": "RRDrAjarSts",
        "TAILGATE": "TrnkAjarSts",
        "CENTRAL_LOCKING": "CntrlLckSts",
        "POWER_MODE": "PwrInfo",
        "STAGE": "IgnSwPos",
        "ENGINE_RUNNING": "EngRunning",
        "COLUMN_CONTROL": "SCLCmd",
        "LOCK_ENABLE": "ESCLEnbl",
        "REQUEST": "ESCLReq",
        "START_CLEARANCE": "StrtClearance",
        "COLUMN_STATE": "SCLFbk",
        "UNLOCK_FEEDBACK": "BoltSwSts",
        "DATA_FEEDBACK": "BoltSerialSts",
        "SUPPLY": "ESCLVolt",
        "BATTERY_STATE": "BattInfo",
        "VOLTAGE": "BattVolt",
        '"shut"': '"Closed"',
        '"open"': '"Ajar"',
        '"off"': '"Inactive"',
        '"on"': '"Active"',
        '"accessory"': '"ACC"',
        '"run"': '"RUN"',
        '"crank"': '"START"',
        '"locked"': '"Engaged"',
        '"unlocked"': '"Released"',
        '"no data"': '"SNA"',
        '"error"': '"Fault"',
    },
    "german": {
        "BODY_DOORS": "TUEREN",
        "DRIVER_DOOR": "TUER_FAHRER",
        "PASSENGER_DOOR": "TUER_BEIFAHRER",
        "REAR_LEFT_DOOR": "TUER_HINTEN_LINKS",
        "REAR_RIGHT_DOOR": "TUER_HINTEN_RECHTS",
        "TAILGATE": "HECKKLAPPE",
        "CENTRAL_LOCKING": "ZENTRALVERRIEGELUNG",
        "POWER_MODE": "KLEMMENSTATUS",
        "STAGE": "ZUENDUNG",
        "ENGINE_RUNNING": "MOTOR_LAEUFT",
        "COLUMN_CONTROL": "LENKRADSCHLOSS_STEUERUNG",
        "LOCK_ENABLE": "FREIGABE",
        "REQUEST": "WUNSCH",
        "START_CLEARANCE": "STARTFREIGABE",
        "COLUMN_STATE": "LENKRADSCHLOSS_RUECKMELDUNG",
        "UNLOCK_FEEDBACK": "RIEGEL_KONTAKT",
        "DATA_FEEDBACK": "RIEGEL_DATENLEITUNG",
        "SUPPLY": "SPANNUNG_SCHLOSS",
        "BATTERY_STATE": "BATTERIE",
        "VOLTAGE": "SPANNUNG",
        '"shut"': '"zu"',
        '"open"': '"offen"',
        '"off"': '"aus"',
        '"on"': '"ein"',
        '"run"': '"Zuendung ein"',
        '"crank"': '"Start"',
        '"locked"': '"verriegelt"',
        '"unlocked"': '"entriegelt"',
        '"no data"': '"kein Signal"',
        '"error"': '"Fehler"',
    },
}


def reworded(wording: str, folder: Path) -> Path:
    """Write the club's definitions in other words; names in comments are changed like all others."""
    words = WORDINGS[wording]
    pattern = re.compile(
        "|".join(f'(?<![\\w"]){re.escape(word)}(?!\\w)' if word[0] != '"' else re.escape(word) for word in words)
    )
    file = folder / f"{wording}.dbc"
    file.write_text(pattern.sub(lambda found: words[found[0]], PINEWICK.read_text("utf-8")), "utf-8")
    return file


def in_words(wording: str, signal: str) -> str:
    """Return message and signal of pinewick.dbc as they are called in other words."""
    message, _, name = signal.partition(".")
    return f"{WORDINGS[wording].get(message, message)}.{WORDINGS[wording].get(name, name)}"
