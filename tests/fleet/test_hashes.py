"""The same content and the same ground give the same hash, and anything that a judgement depends on another."""

from __future__ import annotations

import hashlib
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from buslens.fleet import hashes
from buslens.fleet.hashes import content_hash, setup_hash
from buslens.fleet.model import Group


class TestContent:
    """SHA-256 of the bytes as they lie."""

    @pytest.mark.parametrize("size", [0, 1, 5_000_000])
    def test_hash(self, size: int, tmp_path: Path) -> None:
        data = bytes(range(256)) * (size // 256 + 1)
        (tmp_path / "car.log").write_bytes(data[:size])
        assert content_hash(tmp_path / "car.log") == hashlib.sha256(data[:size]).hexdigest()

    def test_published_value(self, tmp_path: Path) -> None:
        """The one-block message "abc": NIST, example values for SHA-256 of FIPS 180-4 (from memory)."""
        (tmp_path / "abc").write_bytes(b"abc")
        assert content_hash(tmp_path / "abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


class TestProgram:
    def test_what_counts(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """A word in how findings are told counts, and nothing in how they are shown."""
        home = Path(hashes.__file__).parents[1]
        for folder in ("checks", "report", "fleet"):
            shutil.copytree(home / folder, tmp_path / folder, ignore=shutil.ignore_patterns("__pycache__"))
        monkeypatch.setattr(hashes, "__file__", str(tmp_path / "fleet" / "hashes.py"))
        seen = []
        for changed in ("report/text.py", "checks/phrases.py", "fleet/page/page.py", "fleet/check_job.py"):
            with (tmp_path / changed).open("a") as file:
                file.write("#")
            seen.append(hashes.program_hash.__wrapped__())
        assert [seen.index(it) for it in seen] == [0, 1, 1, 3]


class TestGround:
    @pytest.fixture
    def group(self, tmp_path: Path) -> Group:
        for name, text in {"a.toml": "a", "b.toml": "b", "one.dbc": "1", "two.dbc": "2"}.items():
            (tmp_path / name).write_text(text)
        return Group(name="cars", vehicles=("*",), expectations=str(tmp_path / "a.toml"))

    def test_what_counts(self, group: Group, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        one, two = (str(tmp_path / name) for name in ("one.dbc", "two.dbc"))
        renamed = replace(group, channels=(("1", "can0"),))
        grounds = [
            setup_hash(group, [one]),
            setup_hash(group, [two]),
            setup_hash(group, [one, two]),
            setup_hash(group, [two, one]),
            setup_hash(replace(group, expectations=str(tmp_path / "b.toml")), [one]),
            setup_hash(renamed, [one]),
        ]
        monkeypatch.setattr(hashes, "program_hash", lambda: "another")
        grounds.append(setup_hash(group, [one]))
        assert len(set(grounds)) == len(grounds)

    def test_what_does_not(self, group: Group, tmp_path: Path) -> None:
        """Names of the group, of its vehicles and of files say nothing of what a capture is judged on."""
        one = tmp_path / "one.dbc"
        copy = tmp_path / "copy.dbc"
        copy.write_bytes(one.read_bytes())
        other = replace(group, name="others", vehicles=("car1",))
        assert setup_hash(group, [str(one)]) == setup_hash(other, [str(copy)])
