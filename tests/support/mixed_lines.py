"""Lines of logs in great variety: right ones of every kind, and such with a thing or two wrong, from one seed."""

from __future__ import annotations

from random import Random
from typing import Final

_STRANGE: Final = "0123456789abcdefABCDEFxXrRtTdD#()[]{}._-+ \t,:'/\\\x0b\x0c\x1c\x85\xa0\0\u0663é"
_FD_LENGTHS: Final = (0, 1, 2, 3, 4, 5, 6, 7, 8, 12, 16, 20, 24, 32, 48, 64)


def candump_lines(seed: int, count: int) -> list[str]:
    """Return lines as candump writes them, most of them with something changed."""
    dice = Random(seed)
    return [_mutated(dice, _candump(dice)) for _ in range(count)]


def asc_lines(seed: int, count: int) -> list[str]:
    """Return rows of an ASC log that are no header, most of them with something changed."""
    dice = Random(seed)
    return [line for line in (_mutated(dice, _asc(dice)) for _ in range(count)) if not _is_header(line)]


def _is_header(line: str) -> bool:
    """Whether a row might change how those behind it are read."""
    return line.lower().lstrip(" \t\r\0").startswith(("date", "base", "begin")) or "\0" in line


def _mutated(dice: Random, line: str) -> str:
    for _ in range(dice.choice((0, 0, 0, 1, 1, 1, 2, 3))):
        place = dice.randrange(len(line) + 1)
        match dice.randrange(6):
            case 0:
                line = line[:place] + dice.choice(_STRANGE) + line[place:]
            case 1:
                line = line[:place] + line[place + 1 :]
            case 2:
                line = line[:place] + dice.choice(_STRANGE) + line[place + 1 :]
            case 3:
                line = line[:place] + dice.choice(("  ", "\t", " 0", "00", "11", "F")) + line[place:]
            case 4:
                words = line.split(" ")
                words.insert(dice.randrange(len(words) + 1), dice.choice(words))
                line = " ".join(words)
            case _:
                words = line.split(" ")
                del words[dice.randrange(len(words))]
                line = " ".join(words)
    return line.replace("\n", " ")


def _pick(dice: Random, usual: tuple[str, ...], odd: tuple[str, ...]) -> str:
    """Return one of what is usual, and now and then something that no recorder writes."""
    return dice.choice(odd if dice.random() < 0.06 else usual)


def _stamp(dice: Random) -> str:
    whole = dice.choice((0, 1, dice.randrange(100), 1_700_000_000 + dice.randrange(10**6), 3_999_999_999))
    places = dice.choice((1, 3, 6, 6, 6, 9, 9))
    if dice.random() < 0.06:
        whole, places = dice.choice((whole, 4 * 10**9, 10**10)), dice.choice((0, 10, 12))
    return f"{whole}.{dice.randrange(10**places):0{places}d}" if places else dice.choice((f"{whole}", f"{whole}."))


def _hex(dice: Random, count: int) -> str:
    text = "".join(f"{dice.randrange(256):02X}" for _ in range(count))
    return text if dice.random() < 0.7 else text.lower()


def _candump(dice: Random) -> str:
    channel = _pick(dice, ("can0", "can1", "vcan12", "0", "007", "a-rather-long-name", "É"), ("n" * 31, "n" * 32))
    identifier = _pick(
        dice,
        (
            f"{dice.randrange(0x800):03X}",
            f"{dice.randrange(0x800):03x}",
            f"{dice.randrange(0x20000000):08X}",
            f"{0x20000000 | dice.choice((0x80, 0x40, 0x204, 0x88)):08X}",
        ),
        (f"{dice.randrange(2**32):08X}", f"{dice.randrange(2**16):X}"),
    )
    data = _pick(
        dice,
        (
            "#" + _hex(dice, dice.randrange(9)),
            "#" + _hex(dice, 8),
            f"##{dice.choice('0123456789abcdefABCDEF')}" + _hex(dice, dice.choice(_FD_LENGTHS)),
            dice.choice(("#R", "#r", "#R8", "#R0", "#R3", "#RA", "#R8_B")),
        ),
        (
            "#" + _hex(dice, dice.randrange(9, 70)),
            "##1" + _hex(dice, dice.randrange(70)),
            dice.choice(("#R12", "##1R", "#R+8", "#R8_8")),
            "#" + _hex(dice, 8) + "_" + dice.choice("89ABCDEFg"),
        ),
    )
    tail = _pick(dice, ("", "", "", " R", " T", " r", " t", "  ", "\r"), (" X", " R R"))
    return f"({_stamp(dice)}) {channel} {identifier}{data}{tail}"


def _asc(dice: Random) -> str:
    stamp = f"{dice.choice(('', '   '))}{_stamp(dice)}"
    channel = _pick(dice, ("1", "1", "2", "01", "32"), ("0", "65535", "70000"))
    identifier = _pick(
        dice,
        (f"{dice.randrange(0x800):X}", f"{dice.randrange(0x800):03x}", f"{dice.randrange(0x20000000):X}x"),
        (f"{dice.randrange(2**32):X}x", f"{dice.randrange(0x2000):X}", "Name_of_it"),
    )
    way = _pick(dice, ("Rx", "Rx", "Tx"), ("TxRq", "rx", "RX"))
    kind = dice.randrange(10)
    data = dice.randbytes(dice.randrange(9))
    written = " ".join(f"{byte:02X}" for byte in data)
    length = _pick(dice, (f"{len(data):x}",), ("9", "f", "0", "10", "8"))
    tail = dice.choice(("", "", "  Length = 240015 BitCount = 124 ID = 1785", " 0 0", " "))
    if kind < 4:
        return f"{stamp} {channel}  {identifier:<15} {way:<4} d {length} {written}{tail}"
    if kind == 4:
        return (
            f"{stamp} {channel}  {identifier:<15} {way:<4} r{_pick(dice, ('', ' 8', ' 0'), (' a', ' 15', ' 25'))}{tail}"
        )
    if kind == 5:
        return f"{stamp} {dice.choice(('', 'CANFD '))}{channel} {dice.choice(('', 'Rx ', 'Tx '))}ErrorFrame{tail}"
    if kind == 6:
        return dice.choice(
            (
                "// remark",
                "",
                f"{stamp} Start of measurement",
                f"{stamp} {channel}  Statistic: D 1 R 0 XD 0",
                f"{stamp} SV: 2 0 1 ::Supply = 12",
                f"{stamp} CAN {channel} Status:chip status error active",
                f"{stamp} {channel} J1939TP FEE3p 6 0 0 - Rx d 23 A0",
                "End TriggerBlock",
                "no internal events logged",
            )
        )
    dlc = dice.randrange(16)
    data = dice.randbytes(_FD_LENGTHS[dlc])
    written = " ".join(f"{byte:02x}" for byte in data)
    name = _pick(dice, ("", "", "ColumnState", "Body_1"), ("7", "1"))
    length = _pick(dice, (f"{len(data)}",), (str(dice.randrange(70)),))
    bits = f"{_pick(dice, ('0', '1'), ('2', ''))} {dice.choice('01')}"
    return (
        f"{stamp} CANFD {channel:>3} {way:<4} {identifier:>8}  {name:>32} {bits} {dlc:x} {length:>2}"
        f" {written}{dice.choice(('', '  130000  130 303000'))}"
    )
