"""Tables of frames in layouts of their own devising, written from frames that are known."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Final, NamedTuple

NS_PER_MS: Final = 1_000_000
NS_PER_S: Final = 1_000_000_000


class Sent(NamedTuple):
    """One frame that is written into a table."""

    time_ns: int
    bus: int
    can_id: int
    is_extended: bool
    is_sent: bool
    data: bytes


def traffic(seed: int, *, n_ids: int = 10, n: int = 400, buses: int = 1, long_ids: bool = True) -> list[Sent]:
    """Return what messages of usual periods look like on a bus: mostly the same bytes, a counter, a value."""
    dice = random.Random(seed)
    messages = []
    for k in range(n_ids):
        is_extended = long_ids and dice.random() < 0.3
        can_id = dice.randrange(0x800, 0x1FFFFFFF) if is_extended else dice.randrange(0x0A0, 0x7FF)
        if k == 0:
            can_id, is_extended = 0x2CF, False
        period = 10 if k == 0 else dice.choice([10, 20, 20, 50, 100, 100])
        size = dice.choice([8, 8, 8, 8, 4, 2, 6]) if k else 8
        messages.append((can_id, is_extended, period * NS_PER_MS, bytes(dice.randrange(256) for _ in range(size)), k))
    frames = []
    for can_id, is_extended, period, base, k in messages:
        time = dice.randrange(period)
        for count in range(n):
            data = bytearray(base)
            if data:
                data[-1] = count % 256
                data[0] = base[0] if count % 8 else dice.randrange(256)
            frames.append(Sent(time, k % buses, can_id, is_extended, k == 3, bytes(data)))
            time += period + dice.randrange(-period // 50, period // 50)
    frames.sort()
    return frames[:n]


@dataclass(kw_only=True)
class Written:
    """A layout: how each part of a frame is written; a part that is empty is not there."""

    separator: str = ","
    columns: list[str] = field(default_factory=lambda: ["time", "id", "length", "data"])
    header: bool = True
    time: str = "us"
    header_unit: bool = False
    id_form: str = "{:X}"
    data_form: str = "cells"
    filled: bool = False
    digits: str = "{:02X}"
    preamble: int = 0
    trailing: str = ""
    line_end: str = "\n"
    encoding: str = "latin-1"
    mark: bytes = b""
    quotes: bool = False

    @property
    def resolution_ns(self) -> int:
        """How finely the stamps are written."""
        return {
            "us": 1_000, "ms": NS_PER_MS, "ms.1": 100_000, "s.6": 1_000, "s.4": 100_000, "s,6": 1_000, "ns": 1,
            "10us": 10_000, "epoch.6": 1_000, "epoch ms": NS_PER_MS, "hex ms": NS_PER_MS, "clock": 1_000,
            "clock ms": NS_PER_MS,
            "date": 1_000, "two": 1_000, "wrap16": NS_PER_MS, "datetime": 1_000, "minus": 1_000,
        }[self.time]  # fmt: skip

    def stamp(self, ns: int) -> list[str]:  # noqa: PLR0912
        """Return a stamp as the cells that it is written in."""
        epoch = 1_764_000_000 * NS_PER_S + ns
        day_ns = 13 * 3600 * NS_PER_S + ns
        seconds, rest = divmod(day_ns, NS_PER_S)
        clock = f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
        match self.time:
            case "us":
                return [str(ns // 1_000 + 77_000)]
            case "ns":
                return [str(ns + 5_000_000)]
            case "10us":
                return [str(ns // 10_000)]
            case "ms":
                return [str(ns // NS_PER_MS)]
            case "ms.1":
                return [f"{ns // 100_000 / 10:.1f}"]
            case "s.6":
                return [f"{ns // 1_000 / 1e6:.6f}"]
            case "s.4":
                return [f"{ns // 100_000 / 1e4:.4f}"]
            case "s,6":
                return [f"{ns // 1_000 / 1e6:.6f}".replace(".", ",")]
            case "epoch.6":
                return [f"{epoch // NS_PER_S}.{epoch % NS_PER_S // 1000:06d}"]
            case "epoch ms":
                return [str(epoch // NS_PER_MS)]
            case "hex ms":
                return [f"{ns // NS_PER_MS + 0xA00:X}"]
            case "clock":
                return [f"{clock}.{rest // 1000:06d}"]
            case "clock ms":
                return [f"{clock}:{rest // NS_PER_MS}"]
            case "date":
                return ["2026-03-14", f"{clock}.{rest // 1000:06d}"]
            case "datetime":
                return [f"2026-03-14 {clock}.{rest // 1000:06d}"]
            case "two":
                return [str(epoch // NS_PER_S), str(epoch % NS_PER_S // 1000)]
            case "wrap16":
                return [str((ns // NS_PER_MS + 65_000) % 65_536)]
            case "minus":
                return [str(ns // 1000 - 1_700_000_000_000_000)]
        raise AssertionError(self.time)

    def row(self, frame: Sent, index: int) -> str:  # noqa: PLR0912
        """Return a frame as a row."""
        cells: list[str] = []
        for column in self.columns:
            match column:
                case "time":
                    cells += self.stamp(frame.time_ns)
                case "id":
                    cells.append(self.id_form.format(frame.can_id) + "x" * (frame.is_extended and "x" in self.columns))
                case "length":
                    cells.append(str(len(frame.data)))
                case "[length]":
                    cells.append(f"[{len(frame.data)}]")
                case "data":
                    cells += self.payload(frame.data)
                case "bus":
                    cells.append(f"can{frame.bus}")
                case "bus number":
                    cells.append(str(frame.bus + 1))
                case "direction":
                    cells.append("Tx" if frame.is_sent else "Rx")
                case "extended":
                    cells.append("true" if frame.is_extended else "false")
                case "number":
                    cells.append(str(index + 1))
                case "remark":
                    cells.append('"door, left"' if self.quotes else "noted")
                case "x":
                    pass
                case word:
                    cells.append(word)
        return self.separator.join(cells) + self.trailing

    def payload(self, data: bytes) -> list[str]:
        """Return a payload as the cells that it is written in."""
        each = [self.digits.format(byte) for byte in data]
        match self.data_form:
            case "cells":
                return each + ["00" if self.filled else ""] * (8 - len(data)) * (bool(self.separator.strip()))
            case "together":
                return ["".join(f"{byte:02X}" for byte in data)]
            case "0x":
                return ["0x" + "".join(f"{byte:02x}" for byte in data) if data else ""]
            case mark:
                return [mark.join(each)]

    def text(self, frames: list[Sent]) -> bytes:
        """Return a whole table."""
        lines = [f"Recorder of the club, line {k}: all is well" for k in range(self.preamble)]
        if self.header:
            lines.append(self.separator.join(self._names()))
        lines += [self.row(frame, k) for k, frame in enumerate(frames)]
        return self.mark + self.line_end.join([*lines, ""]).encode(self.encoding)

    def _names(self) -> list[str]:
        names: list[str] = []
        unit = {"us": " (us)", "ms": " [ms]", "ms.1": "_ms", "10us": " (10 us)", "ns": " ns"}.get(self.time, "")
        for column in self.columns:
            match column:
                case "time":
                    names += (
                        ["Time" + unit * self.header_unit] if self.time not in {"date", "two"} else ["Date", "Clock"]
                    )
                case "id":
                    names.append("ID")
                case "length" | "[length]":
                    names.append("DLC")
                case "data":
                    names += [f"D{k}" for k in range(8)] if self.data_form == "cells" else ["Data"]
                case "bus number":
                    names.append("Bus")
                case "x":
                    pass
                case word:
                    names.append(word.title())
        return names
