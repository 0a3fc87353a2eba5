from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from support.logs import gather

from buslens.capture._lin_kernel import checksum, is_whole, protected

if TYPE_CHECKING:
    from pathlib import Path


def inverted_sum(data: bytes) -> int:
    """Return the checksum by another way: a sum with its carries added is the sum modulo 255, but for 0."""
    total = sum(data)
    return 255 - ((total - 1) % 255 + 1 if total else 0)


def words_of(data: bytes) -> list[int]:
    return [int.from_bytes(data[k : k + 8], "little") for k in range(0, len(data), 8)]


class TestParity:
    def test_known(self) -> None:
        """All 64 as application notes of LIN controllers print them (from memory; LIN specification 2.2A, 2.3.1.3)."""
        printed = bytes.fromhex(
            "80C14203C4850647 0849CA8B4C0D8ECF 501192D31455D697 D8991A5B9CDD5E1F"
            "2061E2A36425A6E7 A8E96A2BECAD2E6F F0B13273B4F57637 7839BAFB3C7DFEBF"
        )
        assert bytes(map(protected, range(64))) == printed


class TestChecksum:
    def test_of_the_specification(self) -> None:
        """4A 55 93 E5 have E6 (LIN specification 2.2A, 2.8.3; section from memory)."""
        assert checksum(words_of(bytes.fromhex("4A5593E5")), 0, 4, 0) == 0xE6

    @pytest.mark.parametrize("identifier", [0x13, 0x22, 0x3C])
    def test_against_a_sum_modulo_255(self, identifier: int) -> None:
        for seed in range(200):
            data = bytes((seed * 7 + k * k * 31) % 256 for k in range(1 + seed % 8))
            classic, enhanced = inverted_sum(data), inverted_sum(bytes([protected(identifier)]) + data)
            right = {found for found in range(256) if is_whole(identifier, words_of(data), 0, len(data), found)}
            assert right == ({classic} if identifier >= 0x3C else {classic, enhanced})


def table_of(form: str) -> tuple[str, list[tuple[int, bytes]]]:
    """Return a table of LIN frames in which one has a wrong checksum, and one header has no answer; and the frames."""
    rows, frames = [], []
    for k in range(120):
        identifier = (0x13, 0x14, 0x21, 0x2A, 0x05, 0x30, 0x3C)[k % 7]
        data = bytes([k, 0x5A ^ k, *([7, k % 5] if k % 7 > 2 else [])])
        found = inverted_sum(bytes([protected(identifier)] if identifier < 0x3C else []) + data)
        found ^= k == 60
        with_parity = protected(identifier)
        stamp, answer = f"{k * 0.01:.6f}", data if k != 80 else b""
        rows.append(
            {
                "column": f"{stamp};{with_parity:02X};{len(answer)};{answer.hex(' ')};{found:02X}",
                "behind": f"{stamp} {identifier:02X} {len(answer)} {answer.hex(' ')} {found:02X}",
                "parity": f"{stamp};{with_parity:02X};{answer.hex()}",
            }[form]
        )
        if form == "parity" or k != 60:
            frames.append((identifier, answer))
    head = {"column": "time;pid;len;data;checksum\n", "behind": "", "parity": "time;id;data\n"}[form]
    return head + "\n".join(rows) + "\n", frames


class TestTables:
    """Rows of a table are LIN frames where checksums or parity prove it."""

    @pytest.mark.parametrize("form", ["column", "behind", "parity"])
    def test_frames(self, tmp_path: Path, form: str) -> None:
        path = tmp_path / "lin.csv"
        text, frames = table_of(form)
        path.write_text(text)
        rows, stats = gather(path)
        assert [(it.can_id, it.data) for it in rows] == frames
        assert any("the rows are LIN frames" in note for note in stats.notes)
        assert any("1 LIN header was not answered" in note for note in stats.notes)
        assert [line.line for line in stats.skipped] == ([] if form == "parity" else [61 + (form == "column")])

    def test_frames_of_can(self, tmp_path: Path) -> None:
        """A sum of another kind behind the bytes makes no LIN frame."""
        path = tmp_path / "can.csv"
        path.write_text(
            "".join(f"{k * 0.01:.6f};{0x1A + k % 9:02X};2;{k:02X} 1F;{(k + 31) & 255:02X}\n" for k in range(90))
        )
        rows, stats = gather(path)
        assert {it.can_id for it in rows} == set(range(0x1A, 0x23))
        assert not any("LIN" in note for note in stats.notes)


def row(time: float, identifier: int, data: bytes, found: int | None, way: str = "Rx") -> str:
    said = "" if found is None else f"  checksum = {found:02X}   header time = 40, full time = 130"
    return f"   {time:.6f} Li  {identifier:02X}  {way}  {len(data)} {data.hex(' ').upper()}{said}"


class TestRows:
    """LIN rows of an ASC log, beside those of a CAN bus."""

    def test_frames(self, tmp_path: Path) -> None:
        data = bytes([5, 0x0C])
        enhanced, classic = inverted_sum(bytes([protected(0x13)]) + data), inverted_sum(data)
        lines = [
            "base hex  timestamps absolute",
            row(0.01, 0x13, data, enhanced),
            "   0.012000 1  013             Rx   d 2 05 0C",
            row(0.02, protected(0x13), data, classic, "Tx"),
            row(0.03, 0x13, data, None),
            "   0.035000 Li  13 TransmErr",
            "   0.036000 Li  SleepFrame 0",
            row(0.04, 0x13, data, enhanced ^ 1),
            row(0.05, protected(0x13) ^ 0x40, data, enhanced),
            row(0.06, 0x3C, bytes(8), inverted_sum(bytes([protected(0x3C), *bytes(8)]))),
            "   0.070000 Li  13 RcvError",
        ]
        path = tmp_path / "lin.asc"
        path.write_text("\n".join([*lines, ""]))
        for engine in ("plain", "kernel"):
            rows, stats = gather(path, engine=engine)
            assert [(it.channel, it.can_id, it.data) for it in rows] == [
                ("Li", 0x13, data), ("1", 0x13, data), ("Li", 0x13, data), ("Li", 0x13, data), ("Li", 0x13, b"")
            ]  # fmt: skip
            assert (stats.broken, stats.other_lines, stats.remote) == (4, 2, 1)
            assert [line.reason.split()[2] for line in stats.skipped] == ["of", "parity", "of", "says"]
            assert any("1 LIN header was not answered" in note for note in stats.notes)
