from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from support.dialogues import Recording

from buslens.cli import main

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def log(tmp_path: Path) -> Path:
    car = Recording()
    car.ask("1003", "5003003201f4")
    for _ in range(3):
        car.ask("3e80")
    car.ask("2701", "6701cafe")
    car.ask("22f190", "62f190" + b"PINEWICK CAR 0007".hex())
    car.ask("2ed01001", "7f2e33")
    car.ask("1902ff", "5902ff0a9b1724")
    car.ask("310102ff", "7f3178", "710102ff00")
    return car.write(tmp_path / "tester.log")


class TestText:
    """One line for a request, one for each answer, the count last."""

    def test_dialogue(self, log: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["dialogue", str(log)]) == 0
        shown = capsys.readouterr()
        assert shown.err == ""
        lines = shown.out.splitlines()
        assert lines[1] == "    7E0 asks, 7E8 answers on can0; found by flow control and matching answers"
        at = lines.index(" =  0.000 s  7E0 10 DiagnosticSessionControl 03 extendedDiagnosticSession")
        assert lines[at + 1] == "        7E8 answered 03 extendedDiagnosticSession: 00 32 01 F4, after 10.0 ms"
        assert " -  0.070 s  7E0 3E TesterPresent 00 zeroSubFunction, 3 times until 0.190 s" in lines
        assert "        7E8 refused: 33 securityAccessDenied, after 10.0 ms" in lines
        assert any("0A9B17 (P0A9B-17 by SAE J2012) status 24 pendingDTC testFailedSinceLastClear" in it for it in lines)
        assert any(it.endswith("after 20.0 ms, 1 time pending before") for it in lines)
        assert lines[-1] == "9 requests: 5 answered, 1 refused, 3 no answer wanted."

    def test_secrets_are_not_shown(self, log: Path, capsys: pytest.CaptureFixture[str]) -> None:
        for words in ([], ["--json"], ["--all"]):
            assert main(["dialogue", str(log), *words]) == 0
            shown = capsys.readouterr().out.lower()
            assert "cafe" not in shown
            assert "ca fe" not in shown

    def test_nothing_there(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        car = Recording()
        car.put(0x100, b"\x01\x02")
        assert main(["dialogue", str(car.write(tmp_path / "a.log"))]) == 3
        assert "name who asks and who answers: --ids 7E0:7E8" in capsys.readouterr().out

    def test_what_is_no_pair(self, log: Path, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["dialogue", str(log), "--ids", "7E0"]) == 2
        assert "'7E0' is not who asks and who answers: write two different identifiers" in capsys.readouterr().err


class TestJson:
    """One document over all captures."""

    def test_document(self, log: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        (tmp_path / "bad.log").write_text("what\n")
        assert main(["dialogue", str(log), str(tmp_path / "bad.log"), "--json", "--ids", "7E0:7E8"]) == 2
        document = json.loads(capsys.readouterr().out)
        assert document["schema"] == 1
        good, bad = document["dialogues"]
        assert bad["error"]
        assert good["pairs"] == [{"channel": "can0", "request": "7E0", "answer": "7E8", "found": "given"}]
        read = next(it for it in good["exchanges"] if it["request"]["identifiers"] == ["F190"])
        assert bytes.fromhex(read["answers"][0]["data"]) == b"PINEWICK CAR 0007"
        low, high = read["answers"][0]["delay_s"]
        assert low <= 0.010 <= high
        assert good["fault_codes"][0]["readings"][0]["bits"] == ["pendingDTC", "testFailedSinceLastClear"]
