"""Cars drawn from a seed, of many ways in which makers write a lock down: each has words, layouts and beats of its own.

What differs: languages and abbreviations of names and of value names (or neither), Intel and Motorola, pages behind a
selector, bits turned round, states of four values, values on the way, frames sent on change, periods from 20 ms to 1 s,
a key state in place of an ignition bit, a start button that only counts how often it was pressed.
"""

from __future__ import annotations

import random
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from support.invented_cars import Car, Cyclic, Field

if TYPE_CHECKING:
    from collections.abc import Mapping

_WORDS: Final[Mapping[str, Mapping[str, str]]] = {
    "french": {
        "door": "PORTE_CONDUCTEUR_OUV", "other door": "PORTE_PASSAGER_OUV", "central": "VERR_CENTRALISE",
        "button": "BOUTON_DEMARRAGE", "brake": "PEDALE_FREIN", "key": "CLE_RECONNUE", "ignition": "ETAT_CONTACT",
        "enable": "CDE_ANTIVOL", "first": "ANTIVOL_DEVERR_FIL", "second": "ANTIVOL_DEVERR_LIGNE",
        "lamp": "TEMOIN_ANTIVOL", "speed": "VITESSE_VEH", "request": "DEMANDE_ANTIVOL",
    },
    "italian": {
        "door": "PortaGuidaAperta", "other door": "PortaPasseggeroAperta", "central": "BloccoPorte",
        "button": "PulsanteAvviamento", "brake": "PedaleFreno", "key": "ChiaveValida", "ignition": "StatoChiave",
        "enable": "ComandoBloccasterzo", "first": "BloccasterzoContatto", "second": "BloccasterzoLinea",
        "lamp": "SpiaBloccasterzo", "speed": "VelocitaVeicolo", "request": "RichiestaBloccasterzo",
    },
    "spanish": {
        "door": "PUERTA_COND_ABIERTA", "other door": "PUERTA_ACOMP_ABIERTA", "central": "CIERRE_CENTRAL",
        "button": "PULSADOR_ARRANQUE", "brake": "PEDAL_FRENO", "key": "LLAVE_VALIDA", "ignition": "ESTADO_CONTACTO",
        "enable": "HAB_BLOQUEO_DIR", "first": "BLOQ_DIR_SENS_A", "second": "BLOQ_DIR_SENS_B",
        "lamp": "TESTIGO_BLOQ_DIR", "speed": "VELOCIDAD_VEH", "request": "SOL_BLOQUEO_DIR",
    },
    "swedish": {
        "door": "ForarDorrSts", "other door": "PassDorrSts", "central": "CentrLasSts", "button": "StartKnappSts",
        "brake": "BromsPedSts", "key": "NyckelGodk", "ignition": "TandSts", "enable": "RattlasAktv",
        "first": "RattlasLage1", "second": "RattlasLage2", "lamp": "RattlasVarnLamp", "speed": "FordHast",
        "request": "RattlasBegar",
    },
    "polish": {
        "door": "DrzwiKierowcyOtw", "other door": "DrzwiPasazeraOtw", "central": "ZamekCentr",
        "button": "PrzyciskStart", "brake": "PedalHamulca", "key": "KluczOk", "ignition": "Zaplon",
        "enable": "BlokKierZezw", "first": "BlokKierStyk", "second": "BlokKierLinia", "lamp": "KontrolkaBlokKier",
        "speed": "PredkoscPoj", "request": "BlokKierZad",
    },
    "short": {
        "door": "D_SW_DR", "other door": "D_SW_AS", "central": "D_LK_ST", "button": "ENG_SW", "brake": "STOP_SW",
        "key": "ID_OK", "ignition": "IG_ST", "enable": "SLP_EN", "first": "L_UNLK_DT", "second": "L_POS_RX",
        "lamp": "SL_WNG", "speed": "SP1", "request": "SL_REQ",
    },
    "long": {
        "door": "FrontLeftDoorLatchPosition", "other door": "FrontRightDoorLatchPosition",
        "central": "CentralLockingState", "button": "PowertrainStartSwitchActive", "brake": "BrakePedalApplied",
        "key": "AuthenticatedDeviceInside", "ignition": "SystemPowerModeState",
        "enable": "SteeringColumnLockActuatorEnable", "first": "SteeringColumnLockHardwiredPosition",
        "second": "SteeringColumnLockSerialPosition", "lamp": "SteeringColumnLockTelltale",
        "speed": "VehicleSpeedAverageDriven", "request": "SteeringColumnLockRequest",
    },
    "none": {},
}  # fmt: skip
_VALUES: Final[Mapping[str, Mapping[str, tuple[str, ...]]]] = {
    "french": {
        "door": ("fermee", "ouverte"), "button": ("relache", "appuye"), "ignition": ("coupe", "contact"),
        "enable": ("arret", "marche"), "first": ("verrouille", "deverrouille", "en mouvement"),
    },
    "italian": {
        "door": ("chiusa", "aperta"), "button": ("rilasciato", "premuto"), "ignition": ("spento", "marcia"),
        "enable": ("disattivo", "attivo"), "first": ("bloccato", "sbloccato", "intermedio"),
    },
    "spanish": {
        "door": ("cerrada", "abierta"), "button": ("libre", "pulsado"), "ignition": ("apagado", "contacto"),
        "enable": ("inactivo", "activo"), "first": ("bloqueado", "desbloqueado", "intermedio"),
    },
    "swedish": {
        "door": ("Stangd", "Oppen"), "button": ("EjTryckt", "Tryckt"), "ignition": ("Av", "Pa"),
        "enable": ("Av", "Pa"), "first": ("Last", "Olast", "Mellan"),
    },
    "long": {
        "door": ("Closed", "Ajar"), "button": ("NotActive", "Active"), "ignition": ("Off", "Run"),
        "enable": ("Disable", "Enable"), "first": ("Engaged", "Disengaged", "Travelling"),
    },
}  # fmt: skip
STYLES: Final = tuple(_WORDS)


class _Bits:
    """Room in a message."""

    def __init__(self, dice: random.Random, *, is_motorola: bool, taken: int) -> None:
        self._dice, self._is_motorola = dice, is_motorola
        self._taken = set(range(taken))

    def place(self, length: int) -> int:
        """Return where a signal of some bits begins, by the definitions' way of counting."""
        while True:
            start = self._dice.randrange(64)
            bits = [start + bit for bit in range(length)]
            if self._is_motorola:
                bits = [start]
                while len(bits) < length:
                    bits.append(bits[-1] - 1 if bits[-1] % 8 else bits[-1] + 15)
            if max(bits) < 64 and self._taken.isdisjoint(bits):
                self._taken |= set(bits)
                return start


def drawn(seed: int) -> Car:
    """Return a car: the style goes by the seed, all else is drawn."""
    dice = random.Random(f"drawn car {seed}")
    style = STYLES[seed % len(STYLES)]
    words, values = _WORDS[style], _VALUES.get(style, {}) if dice.random() < 0.7 else {}
    between = dice.random() < 0.4
    pair = dice.choice([(0, 1), (1, 0)])
    four = dice.choice([(1, 3, 2), (2, 1, 3), (3, 0, 1), (1, 2, 0)])
    first = (2, four) if between else (1, pair)
    second = (2, four) if between or dice.random() < 0.5 else (1, dice.choice([(0, 1), (1, 0)]))
    counts = dice.random() < 0.2
    has_key_state = dice.random() < 0.35
    raws: dict[str, tuple[int, tuple[int, ...]]] = {
        "door": (1, dice.choice([(0, 1), (1, 0)])),
        "central": (1, (0, 1)),
        "button": dice.choice([(1, (0, 1)), (2, (1, 2)), (1, (1, 0))]),
        "brake": (1, (0, 1)),
        "key": (1, (0, 1)),
        "ignition": dice.choice([(1, (0, 1)), (3, (0, 4)), (2, (1, 2))]),
        "enable": dice.choice([(1, (0, 1)), (1, (1, 0)), (2, (1, 2))]),
        "request": (1, (0, 1)),
        "first": first,
        "second": second,
        "lamp": (1, (0, 1)),
    }
    raws["other door"] = raws["door"]
    groups = [["door", "other door", "central"], ["button", "brake", "key"], ["ignition"], ["enable", "request"]]
    groups += [["first", "second"], ["lamp", "speed"]]
    if dice.random() < 0.4:
        groups[4:5] = [["first"], ["second"]]
    if dice.random() < 0.3:
        groups[1:3] = [["button", "brake", "key", "ignition"]]
    periods = {"door": (100, 200, 500, 1000), "button": (20, 50, 100), "ignition": (50, 100, 200)}
    periods |= {"enable": (20, 40, 50), "first": (20, 50, 100, 200), "second": (50, 100, 200, 500), "lamp": (200, 500)}
    paged = dice.choice([None, None, "first", "door", "second"])
    ids = dice.sample(range(0x90, 0x7B0), len(groups))
    messages = []
    for index, group in enumerate(groups):
        is_motorola = dice.random() < 0.5
        pages = 2 if group[0] == paged else 0
        bits = _Bits(dice, is_motorola=is_motorola, taken=8)
        fields = []
        if pages:
            start = 7 if is_motorola else 0
            fields.append(Field(part="selector", name=f"PAGE_{index}", start=start, length=8, is_motorola=is_motorola))
        for place, part in enumerate(group):
            length, raw = raws.get(part, (16, ()))
            used = part
            if part == "ignition" and has_key_state:
                used, length, raw = "key state", 3, (0, 1, 2 if dice.random() < 0.5 else 4)
            if part == "button" and counts:
                used, length, raw = "presses", 4, ()
            names = values.get("first" if part == "second" else "door" if part == "other door" else part, ())
            labels = tuple(sorted(zip(raw, names, strict=False))) if used == part and length > 1 else ()
            field = Field(
                part=used,  # type: ignore[arg-type]  # one of them
                name=words.get(part, f"S{index}_{place:02}"),
                start=bits.place(length),
                length=length,
                is_motorola=is_motorola,
                page=place % pages if pages else None,
            )
            if part == "speed":
                field = replace(field, scale=0.01, unit="km/h")
            fields.append(replace(field, raw=raw, labels=labels) if raw else field)
        fields.append(
            Field(part="counter", name=f"CNT_{index}", start=bits.place(4), length=4, is_motorola=is_motorola)
        )
        period = dice.choice(periods[group[0]])
        messages.append(
            Cyclic(
                name=f"{'FRAME' if style == 'none' else style.upper()}_{ids[index]:X}",
                can_id=ids[index],
                period_ms=min(period, 100) if pages else period,
                fields=tuple(fields),
                has_cycle=dice.random() < 0.5,
                on_change=period >= 500 or dice.random() < 0.3,
            )
        )
    return Car(
        messages=tuple(messages),
        answer=dice.uniform(40, 250),
        travel=(travel := dice.uniform(120, 600)),
        second=(later := dice.uniform(20, 200)),
        pulse=travel + later + dice.uniform(100, 250),
        ignition=dice.uniform(100, 600),
        spread=dice.choice([0.03, 0.06]),
        passes_between=between,
    )
