from __future__ import annotations

import json
import logging
from typing import TYPE_CHECKING

import pytest

from buslens.cli import main
from buslens.cli.status import Status
from buslens.definitions import cache

if TYPE_CHECKING:
    from pathlib import Path

SOUND = 'BO_ 7 SOUND: 8 X\n SG_ T : 0|8@1+ (1,0) [0|0] "" X\nCM_ SG_ 7 T "warmth";\n'
BROKEN = SOUND + ' SG_ Q : nowhere\nVAL_ 9 Q 0 "x" ;\n'


@pytest.fixture(autouse=True)
def _own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cache, "cache_folder", lambda: tmp_path / "cache")


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    for name, text in {
        "sound.dbc": SOUND,
        "broken.dbc": BROKEN,
        "other.dbc": SOUND.replace("SOUND", "OTHER"),
        "none.dbc": "BU_: X\n",
        "text.dbc": "nothing of the kind\n",
    }.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    return tmp_path


@pytest.mark.usefixtures("folder")
class TestDefs:
    """Files are shown with what of them is left out, and the status says whether any can be used."""

    def test_a_sound_file(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["defs", "sound.dbc"]) == Status.MET
        out, err = capsys.readouterr()
        assert out.splitlines()[-1] == "1 message, 1 signal."
        assert err == ""

    def test_the_parser_says_nothing_of_its_own(
        self, folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(logging.getLogger(), "handlers", [])  # those of the test runner
        (folder / "twice.dbc").write_text(SOUND + SOUND.replace("BO_ 7", "BO_ 8"), encoding="utf-8")
        assert main(["defs", "twice.dbc"]) == Status.MET
        assert capsys.readouterr().err == ""

    def test_a_broken_one_is_usable(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["defs", "broken.dbc"]) == Status.MET
        out = capsys.readouterr().out
        assert " x  broken.dbc:4:" in out
        assert " x  broken.dbc:5: VAL_ 9 Q: there is no such message" in out
        assert out.splitlines()[-1] == "1 message, 1 signal; 2 things left out."

    @pytest.mark.parametrize("name", ["none.dbc", "text.dbc", "missing.dbc"])
    def test_nothing_to_use(self, name: str) -> None:
        assert main(["defs", name]) == Status.UNUSABLE
        assert main(["defs", name, "sound.dbc"]) == Status.MET

    def test_refused_files_say_why(self, capsys: pytest.CaptureFixture[str]) -> None:
        main(["defs", "text.dbc"])
        out, err = capsys.readouterr()
        assert out == ""
        assert err.startswith("buslens: text.dbc:1:1: text: 'nothing of the kind' does not begin a statement")

    def test_find(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["defs", "sound.dbc", "--find", "WARM"]) == Status.MET
        assert "1 message, 1 signal with 'WARM'." in capsys.readouterr().out
        assert main(["defs", "sound.dbc", "--find", "cold"]) == Status.MET
        assert capsys.readouterr().out.endswith("Nothing in 1 message has to do with 'cold'.\n")
        assert main(["defs", "sound.dbc", "--find", " "]) == Status.UNUSABLE

    def test_files_that_contradict_each_other(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["defs", "sound.dbc", "other.dbc"]) == Status.MET
        assert "not to be used together: other.dbc:1: identifier 0x7 of OTHER is already" in capsys.readouterr().err

    def test_json(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["defs", "--json", "broken.dbc", "text.dbc", "other.dbc"]) == Status.MET
        data = json.loads(capsys.readouterr().out)
        assert [entry["path"] for entry in data["files"]] == ["broken.dbc", "text.dbc", "other.dbc"]
        assert [bool(entry["error"]) for entry in data["files"]] == [False, True, False]
        assert [problem["line"] for problem in data["files"][0]["problems"]] == [4, 5]
        assert data["together"].startswith("other.dbc:1:")
        assert main(["defs", "--json", "--find", "nobody", "sound.dbc"]) == Status.MET
        assert json.loads(capsys.readouterr().out)["files"][0]["messages"] == []


class TestCheckGoesOn:
    """What is left out of the definitions keeps no role from being judged that does not need it."""

    EXPECTED = (
        'format = 1\ndefinitions = ["broken.dbc"]\n'
        '[roles.r]\nsignal = "SOUND.{signal}"\nstates = {{ low = 0, high = 1 }}\n'
        '[[rules]]\nname = "low"\nkind = "never"\nwhen = "r is high"\n'
    )

    def test_beside_problems(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        (folder / "steering_lock.toml").write_text(self.EXPECTED.format(signal="T"), encoding="utf-8")
        (folder / "car.log").write_text("(1.0) can0 007#00\n(1.1) can0 007#0100000000000000\n", encoding="utf-8")
        assert main(["check", "car.log"]) == Status.VIOLATED
        assert capsys.readouterr().err == ""

    def test_a_role_that_was_left_out(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        (folder / "steering_lock.toml").write_text(self.EXPECTED.format(signal="Q"), encoding="utf-8")
        (folder / "broken.dbc").write_text(
            SOUND.replace("CM_", ' SG_ Q : 60|8@1+ (1,0) [0|0] "" X\nCM_'), encoding="utf-8"
        )
        (folder / "car.log").write_text("(1.0) can0 007#00\n", encoding="utf-8")
        assert main(["check", "car.log"]) == Status.UNUSABLE
        assert "signal SOUND.Q cannot be used: broken.dbc:3: SOUND.Q: it reaches into byte 9" in capsys.readouterr().err
