"""The words by which people name signals and their values, in several wordings: common practice, no source."""

from __future__ import annotations

import re
from functools import cache
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

_TOKEN: Final = re.compile(r"[A-Z]+(?![a-z])|[A-Z]?[a-z]+|[^\W\d_A-Za-z]+|\d+")
_ACCENTS: Final = str.maketrans(
    {"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss", "Ä": "Ae", "Ö": "Oe", "Ü": "Ue"}
    | dict(zip("éèêëáàâãíîóôúûçñåøÉÈÊÁÀÍÓÚÇÑ", "eeeeaaaaiioouucnaoEEEAAIOUCN", strict=True))
)


def _set(words: str) -> frozenset[str]:
    return frozenset(words.split())


MEANINGS: Final[Mapping[str, frozenset[str]]] = {
    meaning: frozenset(words.split())
    for meaning, words in {
        "door": "dcty cty courtesy ovi portiera"
        " door doors dor tuer tuere tuerkontakt fahrertuer porte portiere puerta porta drajar dr deur dorr"
        " drzwi dvere deuren kapi",
        "driver": "driver drivers drv drvr drvs dri fahrer fahrertuer fa fl lf vl dd conducteur conductor conducente"
        " conducator forar forare kierowcy kierowca ridic ridice motorista condutor bestuurder surucu",
        "ajar": "ajar ajr open opn offen geoeffnet oeffnung ouverte ouvert abierta aperta",
        "other door": "passenger passengers pass psgr psngr pas rear rl rr fr rf re rlh rrh tail tailgate liftgate"
        " trunk trnk"
        " boot hatch hood bonnet beifahrer bf hinten hl hr vr heck heckklappe haube motorhaube passager arriere coffre"
        " acompanante trasera maletero passeggero posteriore pasazera pasazer passageiro spolujezdce bijrijder"
        " yolcu tankklappe fuel flap sliding",
        "button": "ssw psw pbsw"
        " button btn btns knob push pb ssb esb taste taster druckknopf knopf bouton boton pulsador pulsante"
        " tast knapp przycisk tlacitko botao knop tus startknopf startstopp sst",
        "start": "start strt starten startstop startstopp stst ssb esb sst demarrage marche arranque avviamento anlass"
        " startknopf avviamento partida uruchamianie startovani arranque",
        "ignition": "ignition ign igni igsw ig kl15 klemme15 t15 zuendung zuendg contact encendido accensione contatto"
        " klemmenstatus kontaktslag tandning tandningslas zaplon stacyjka zapalovani ignicao ontsteking kontak",
        "power": "power pwr pwrmd pwrmode pm mode md stage terminal term klemme klemmen kl betriebsart usage",
        "lock": "verrous bloq sperrung"
        " lock lck lk lckd locked bolt blt verriegelung schloss riegel bolzen sperre verrou verrouillage"
        " bloqueo cerrojo"
        " blocco latch pawl blokada zamek trava slot kilit",
        "column": "esl escl esc escm scl sclm sl elv els eslm slu steer steering strg str strng strcol column clmn"
        " col colm clm"
        " lenkung lenk lenkrad lenksaeule lenksaeulen lenkradschloss lenksperre lenkschloss lenkradverriegelung colonne"
        " volant direction columna volante direccion colonna sterzo bloccasterzo antivol stuur stuurslot"
        " rattlas ratt kierownicy kierownica rizeni volantu direcao direksiyon",
        "enable": "activacion activar validation habilitar"
        " enable enabled enbl enbld enb enab enbale en ena freigabe freig"
        " activate activation actv actuate ansteuern betaetigen"
        " commander accionar"
        " actuation actuator ansteuerung anst autorisation habilitacion abilitazione permit trigger",
        "motor": "motor mot mtr drive drv driver actuator antrieb moteur relay rly relais hbridge",
        "command": "cmde kommando cmda accionamiento"
        " command cmd cmmd cmnd cde befehl steuerung ctrl control ctl commande comando mando order stell",
        "request": "dmde demanda pedido zahtev"
        " request req rq reqst rqst rqd anforderung anf wunsch demande dem dmd solicitud sol richiesta",
        "feedback": "feedback fb fbk fdbk fdb sense sns sensor switch sw contact position pos psn rueckmeldung rm rueck"
        " kontakt mikroschalter schalter retour retorno ritorno ack confirm confirmation actual ist stellung echo",
        "status": "status state sts st stat sta stt zustand etat estado stato",
        "release": "unlock unlocked ulk ulck unlck unlckd unlk ulkd release released rls rlsd entriegelt"
        " entriegelung entr"
        " deverrouille deverrouillage desbloqueado sbloccato frei free",
        "data": "data serial ser lin line second secondary sec redundant redundancy rdnt telegram telegramm digital"
        " datenleitung daten bus zweite donnees ligne datos dati",
        "wire": "wire wired hardwired hardwire hw hwired contact switch sw pin leitung draht hardware microswitch"
        " mikroschalter kontakt contatto contacto contato fil hilo filo direct discrete hrd first primary"
        " pri prim main",
        "second": "2 b ii",
        "first": "1 a i",
        "supply": "supply sply spply vsup vsupply feed versorgung alimentation alimentacion alimentazione ubat kl30"
        " vcc",
        "voltage": "voltage volt volts vlt vltg v u spannung tension tensione",
        "current": "current curr cur crnt strom courant corriente corrente amp amps i",
        "battery": "battery batt bat ubat vbat batterie bateria batteria kl30",
        "lamp": "lamp lmp light lght lgt mil led lampe leuchte warnleuchte kontrollleuchte kontrolllampe telltale tt"
        " temoin"
        " voyant testigo spia ind indicator indicators",
        "warn": "warn warning wrn wrng warnung warnleuchte warnmeldung avertissement aviso avviso alert malfunction"
        " fault flt",
        "speed": "speed spd spds vel velocity veh geschwindigkeit geschw gschw tempo vitesse velocidad velocita vspd"
        " kmh hastighet hast predkosc rychlost velocidade snelheid hiz",
        "vehicle": "vehicle veh vhcl fahrzeug fzg vehicule vehiculo veicolo car",
        "key": "key keys fob keyfob transponder schluessel ident cle llave chiave nyckel klucz kluczyk klic"
        " chave sleutel anahtar token immo immobilizer",
        "present": "present valid vld auth authenticated authorised authorized accepted found recognised erkannt"
        " gueltig"
        " inside in detected ok reconnue",
        "learn": "learn learned learnt lrn lrnd taught teach paired pairing registered registration angelernt anlern"
        " anlernstatus anlernzustand appris aprendido programmed coded adaptation matched",
        "central": "central cdl ctrl cl cls zv zentral zentralverriegelung central_locking centralised cierre vehlock",
        "brake": "stp bp bls brks stoplamp frenado"
        " brake brk brkpdl bremse bremspedal frein freno broms hamulec hamulca brzda freio rem pedal"
        " pdl clutch kupplung",
        "wheel": "wheel whl rad roue rueda ruota fl fr rl rr axle motor engine eng turbine wiper fan",
        "other": "child window wndw win fenster handle hndl cover seat sitz mirror spiegel sunroof roof cover"
        " temperature temp"
        " try tries clearance running ready laeuft rain alarm horn gear prnd park seatbelt belt airbag rpm torque angle"
        " diag sleep wake wakeup wakeupreason reason timer time handbrake trailer radio navigation climate",
        "counter": "counter cnt cntr count count rollcnt checksum chk chksum crc crc8 cs zaehler alv alive"
        " alivecounter msgcnt"
        " botschaftszaehler toggle rolling bz mux page reserved rsvd unused compteur contador",
        "fault": "fault flt error err dtc invalid defekt fehler failure fail diag plausibility implausible",
        "engine": "engine eng motor mot moteur motore",
        "dome": "dome interior courtesy chime buzzer innenlicht innenraum ambient",
    }.items()
}
"""What a word in a name may mean."""

OF_GATEWAYS: Final = _set("gw gtw gateway copy mirror rep")
"""Words by which a repeated signal differs from its original."""
_NEUTRAL: Final = _set(
    "sig signal val value flag bit info general data msg tx rx and of the der die das des von und body bcm "
    "gateway front left right links rechts electronic electric elec unit module mod ecu active actv on off is "
    "has not no prsd pressed prs dprsd psd"
)
#: What a word may be run together from.
_PARTS: Final = frozenset().union(*MEANINGS.values(), _NEUTRAL)
_LEAST_PART: Final = 2
_LEAST_STEM: Final = 5

_STATES: Final[Mapping[str, frozenset[str]]] = {
    state: frozenset(words.split())
    for state, words in {
        "open": "open opened opn ajar ajr offen auf geoeffnet ouvert ouverte abierta abierto aperta aperto"
        " otwarte otwarty"
        " oppen otevreno otevrene aberta acik",
        "closed": "clo"
        " closed close clsd cls shut zu geschlossen latched ferme fermee cerrada cerrado chiusa chiuso"
        " zamkniete zamkniety stangd stangt zavreno zavrene fechada dicht kapali",
        "locked": "bloqueada"
        " locked lock lckd lck lk verriegelt gesperrt zugesperrt engaged extended sperrt verrouille"
        " verrouillee"
        " bloqueado bloccato secured arretiert vergrendeld last zablokowany zablokowana zamceno zamknuto"
        " travado travada kilitli",
        "unlocked": "ulck desbloqueada liberado liberada"
        " unlocked unlock unlckd unlck unlk ulk released release rlsd free frei entriegelt entsperrt"
        " freigegeben"
        " disengaged retracted deverrouille deverrouillee libre desbloqueado sbloccato libero ontgrendeld"
        " upplast olast odblokowany odblokowana odemceno odemknuto destravado destravada",
        "on": "activado activada"
        " on active activated actv act enabled enable enbl enabling ein an aktiv yes ja oui si true high driven"
        " drive"
        " pressed freigegeben freigabe betaetigt actif marche activo attivo lit flashing blinking allume ansteuern"
        " angesteuert requested lock unlock lock_cmd set",
        "off": "desactivado desactivada"
        " off inactive inactv deactivated disabled disable aus inaktiv nein non false low idle none rest gesperrt"
        " arret inactif inactivo apagado spento dark unlit eteint ruhe standby nocmd",
        "pressed": "prs"
        " pressed prsd press psd pushed push depressed depr betaetigt gedrueckt appuye appuyee actionne"
        " pulsado"
        " presionado premuto active on ja yes true ein",
        "released": "rel"
        " released rlsd unpressed notpressed unbetaetigt losgelassen idle none relache suelto rilasciato"
        " inactive"
        " off nein no false aus ruhe",
        "present": "present valid vld found recognised recognized detected inside accepted auth authenticated ok"
        " erkannt"
        " vorhanden gueltig yes ja searching presente presentee reconnue",
        "absent": "absent none missing outside removed lost no nein abwesend fehlt kein notfound",
        "paired": "taught learned learnt learnd paired registered angelernt matched coded programmed adapted appris"
        " done",
        "not_paired": "new blank virgin factory unlearned untaught unpaired neutral neutralised neutralized"
        " unregistered"
        " nichtangelernt jungfraeulich vierge cleared",
        "moving": "mov"
        " moving move between inbetween intermediate transit transition zwischenstellung zwischen bewegt"
        " faehrt mid"
        " middle undefined intermediaire busy unlocking locking entriegelnd verriegelnd laeuft undef midway"
        " mouvement travelling mellan posredni mezipoloha intermedio moviendo movimiento tussen",
    }.items()
}
OPPOSITES: Final = {
    "open": "closed",
    "locked": "unlocked",
    "on": "off",
    "pressed": "released",
    "present": "absent",
    "paired": "not_paired",
}
"""Pairs of states: each label means one of the two, or neither."""
_IGNITION_ON: Final = _set(
    "active run on crank cranking start starting running ein ignition drive zuendung motorstart fahren ready "
    "marche contact demarrage encendido contacto acceso kl15 ign ign1 rn"
)
_IGNITION_OFF: Final = _set(
    "inactive off acc accessory accessories aus lock locked sleep standby parked radio arret coupe accessoire "
    "accessoires accesorios apagado accesorio accessori spento wohnen klr zubehoer"
)
_NOT: Final = frozenset({"not", "nicht", "non", "kein", "keine", "pas", "sin", "un"})
_INVALID: Final = _set(
    "invalid invld inv error err sna na fault flt reserved rsvd rsrvd undefined unknown unknwn unkwn ungueltig "
    "fehler signal nosignal available avail verfuegbar data default defekt init initial initialising initializing "
    "initialisierung initialisiert inicial iniciale invalido reserviert "
    "unbekannt erreur invalide inconnu defaut desconocido errore ignoto implausible failure"
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
    if any(word in _IGNITION_OFF for word in words):
        return "off"
    is_on = any(word in _IGNITION_ON for word in words)
    if is_on and any(word in _NOT for word in words):
        return "off"
    return "on" if is_on else None
