"""``buslens compare`` on the samples, with nothing stood in for."""

from __future__ import annotations

import gzip
import json
import shutil
from pathlib import Path

import pytest

from buslens.cli import main

SAMPLES = Path(__file__).parents[2] / "sample_logs"
BEFORE = str(SAMPLES / "car03_load_fuse_blown.log")
AFTER = str(SAMPLES / "car03_after_repair.log")
GOOD = str(SAMPLES / "car01_healthy.log")
RULES = str(SAMPLES.parent / "signal_defs" / "steering_lock.toml")


class TestCompare:
    """The report goes to standard output, the status is that of the captures after the repair."""

    def test_text(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["compare", BEFORE, AFTER]) == 0
        out = capsys.readouterr().out
        assert "unlock handshake, wire feedback: before did not happen, 2 of 2; after OK, 238 to 283 ms (limit" in out
        assert out.startswith("Repair not yet confirmed: ")

    def test_document(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["compare", BEFORE, AFTER, GOOD, "--json"]) == 0
        written = json.loads(capsys.readouterr().out)
        assert len(written["captures"]) == 2
        (proof,) = [it for it in written["comparison"]["proofs"] if it["clean_needed"]]
        assert (proof["clean_needed"], proof["clean_missing"]) == (5, 3)

    def test_several_before(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["compare", "--before", BEFORE, "--before", GOOD, AFTER, "--json"]) == 0
        assert len(json.loads(capsys.readouterr().out)["before"]) == 2

    @pytest.mark.parametrize(("after", "status"), [(BEFORE, 1), (str(SAMPLES / "car12_cut_short.log"), 3)])
    def test_status(self, after: str, status: int, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["compare", GOOD, after]) == status
        assert capsys.readouterr().out

    def test_no_handshake_anywhere(self, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
        nobody = SAMPLES / "car12_nobody_comes.log"
        lines = nobody.read_text("ascii").splitlines(keepends=True)
        (tmp_path / "half.log").write_text("".join(lines[: len(lines) // 2]), "ascii")
        words = ["compare", str(nobody), str(tmp_path / "half.log"), "--failed", "1/10", "--expectations", RULES]
        assert main(words) == 3
        first = capsys.readouterr().out.splitlines()[0]
        assert "no capture holds a handshake that could be counted" in first
        assert "--failed" not in first

    def test_how_often_it_failed(self, capsys: pytest.CaptureFixture[str]) -> None:
        main(["compare", BEFORE, AFTER, "--failed", "1/10"])
        assert "nothing wrong in 1 handshake since; 189 more would prove it" in capsys.readouterr().out

    def test_known_rate(self, capsys: pytest.CaptureFixture[str]) -> None:
        main(["compare", BEFORE, AFTER, "--known-rate", "1 in 10"])
        assert "28 more would prove it, if it really failed in 1 of 10 handshakes as stated" in capsys.readouterr().out


class TestRefused:
    """What makes no sense is said, with what would."""

    @pytest.mark.parametrize(
        ("words", "said"),
        [
            ([BEFORE], "compared with what"),
            ([BEFORE, BEFORE], "would count twice"),
            ([BEFORE, AFTER, AFTER], "would count twice"),
            (["--before", AFTER, BEFORE, AFTER], "would count twice"),
            (["-", "-"], "only once"),
            ([BEFORE, AFTER, "--failed", "11/10"], "such as 3/30"),
            ([BEFORE, AFTER, "--failed", "often"], "such as 3/30"),
            ([BEFORE, AFTER, "--failed", f"1/1{'0' * 400}"], "such as 3/30"),
            ([BEFORE, AFTER, "--known-rate", "10 in 10"], "is counted: 5/5"),
            ([BEFORE, AFTER, "--known-rate", "0 in 10"], 'no rate such as "1 in 10"'),
            ([BEFORE, AFTER, "--known-rate", "1 in 10", "--failed", "1/10"], "not allowed with"),
            ([BEFORE, "no such.log"], "no such file"),
        ],
        ids=lambda value: value if isinstance(value, str) else "",
    )
    def test_words(self, words: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
        assert main(["compare", *words]) == 2
        out, err = capsys.readouterr()
        assert out == ""
        assert said in err

    @pytest.mark.parametrize("name", ["again.log.gz", "again.log", "crlf.log"])
    def test_the_same_frames_in_other_bytes(
        self, name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        text = Path(AFTER).read_bytes()
        others = {"again.log.gz": gzip.compress(text), "again.log": b"# copied\n" + text, "crlf.log": text + b"\r\n"}
        (tmp_path / name).write_bytes(others[name])
        assert main(["compare", BEFORE, AFTER, str(tmp_path / name), "--expectations", RULES]) == 2
        assert "hold the same frames: one recording, which would count twice" in capsys.readouterr().err

    def test_copy(self, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
        copy = shutil.copy(AFTER, tmp_path / "again.log")
        assert main(["compare", BEFORE, AFTER, str(copy)]) == 2
        assert "one and the same capture" in capsys.readouterr().err
