from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.examples import examples
from support.layouts import Layout, multiplexed_layouts, plain_layouts

from buslens.definitions import cache, dbc
from buslens.definitions.dbc import parse_dbc
from buslens.definitions.load import load_definitions
from buslens.definitions.model import Message

if TYPE_CHECKING:
    from pathlib import Path

TEXT = """BO_ 520 M: 8 X
 SG_ P M : 0|8@1+ (1,0) [0|0] "" X
 SG_ S m1 : 8|32@1- (0.5,1e-9) [-1.5|7] "V" X
CM_ SG_ 520 S "a \N{DEGREE SIGN} word";
VAL_ 520 P -1 "x" 1 "y" ;
SIG_VALTYPE_ 520 S : 1;
"""

PROBLEMATIC = TEXT + 'BO_ 1 N: 8 X\n SG_ T : nowhere\nVAL_ 2 S 0 "x";\n'


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "m.dbc"
    path.write_text(TEXT, encoding="utf-8")
    return path


def entry_of(folder: Path) -> Path:
    (entry,) = folder.iterdir()
    return entry


def sealed(content: bytes) -> bytes:
    return hashlib.sha256(content).hexdigest().encode() + b"\n" + content


def places(message: Message) -> list[object]:
    return [message.source, *(signal.source for signal in message.signals)]


class TestSecondLoad:
    """The second load gives the same definitions without the parser."""

    def test_equal_without_parsing(self, path: Path, own_cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        first = load_definitions(path)
        monkeypatch.setattr(dbc, "parse_dbc", None)
        second = load_definitions(path)
        assert second == first
        assert [places(m) for m in second] == [places(m) for m in first]
        assert len(list(own_cache.iterdir())) == 1

    def test_another_name_of_the_same_content(self, path: Path, tmp_path: Path) -> None:
        load_definitions(path)
        copy = tmp_path / "copy.dbc"
        copy.write_bytes(path.read_bytes())
        source = load_definitions(copy).messages[0].source
        assert source is not None
        assert source.path == str(copy)

    def test_changed_content_is_parsed_again(self, path: Path) -> None:
        load_definitions(path)
        path.write_text(TEXT.replace("(0.5,", "(0.25,"), encoding="utf-8")
        assert load_definitions(path).messages[0].signal("S").scale == 0.25

    def test_the_parser_is_not_imported(self, path: Path, tmp_path: Path) -> None:
        code = (
            "import pathlib, sys\n"
            "from buslens.definitions import cache, load\n"
            "cache.cache_folder = lambda: pathlib.Path(sys.argv[2])\n"
            "load.load_definitions(sys.argv[1])\n"
            "print(sorted({'cantools', 'pandas', 'numpy'} & set(sys.modules)))\n"
        )
        outputs = [
            subprocess.run(
                [sys.executable, "-c", code, str(path), str(tmp_path / "kept")],
                check=True,
                capture_output=True,
                text=True,
            ).stdout
            for _ in range(2)
        ]
        assert "cantools" in outputs[0]
        assert outputs[1].strip() == "[]"

    @given(st.one_of(plain_layouts(), multiplexed_layouts(extended=False), multiplexed_layouts(extended=True)))
    @settings(max_examples=examples(25), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    def test_any_layout_comes_back_equal(self, own_cache: Path, layout: Layout) -> None:
        content = parse_dbc(layout.dbc().encode(), "drawn.dbc")
        cache.save_entry(own_cache, "drawn.json", *content)
        assert cache.load_entry(own_cache, "drawn.json", "drawn.dbc") == content


class TestBadEntries:
    """An entry that this program has not written, or not completely, is as good as none."""

    @pytest.mark.parametrize(
        "content",
        [
            b"",
            b"\n",
            b"[]",
            sealed(b"{}"),
            sealed(b"null"),
            sealed(b"[1]"),
            sealed(b"[[], []]")[:-1],
            sealed(b"[[1], []]"),
            sealed(b"[[], [1]]"),
            sealed(b"[" * 100_000),
            sealed(b'[{"name": "M"}]'),
            sealed(b"\xff"),
        ],
    )
    def test_are_ignored_and_replaced(self, path: Path, own_cache: Path, content: bytes) -> None:
        first = load_definitions(path)
        entry = entry_of(own_cache)
        sound = entry.read_bytes()
        entry.write_bytes(content)
        assert load_definitions(path) == first
        assert entry.read_bytes() == sound

    def test_one_flipped_bit(self, path: Path, own_cache: Path) -> None:
        first = load_definitions(path)
        entry = entry_of(own_cache)
        content = entry.read_bytes()
        place = content.index(b'"start":8') + len(b'"start":')
        entry.write_bytes(content[:place] + b"9" + content[place + 1 :])
        assert load_definitions(path) == first

    @pytest.mark.parametrize(
        ("key", "value"),
        [
            ("length", "8"),
            ("order", "middle endian"),
            ("kind", ["signed"]),
            ("scale", "1"),
            ("scale", True),
            ("offset", None),
            ("name", 5),
            ("labels", [[1, "x"]]),
            ("labels", {"one": "x"}),
            ("labels", {"1": 2}),
            ("selection", {"selector": "P", "ranges": [[1.5, 2]]}),
            ("selection", 1),
            ("source", {"path": "", "line": "1"}),
        ],
    )
    def test_well_sealed_but_wrong(self, path: Path, own_cache: Path, key: str, value: Any) -> None:
        first = load_definitions(path)
        entry = entry_of(own_cache)
        rows = json.loads(entry.read_bytes().split(b"\n", 1)[1])
        rows[0][0]["signals"][1][key] = value
        entry.write_bytes(sealed(json.dumps(rows).encode()))
        assert cache.load_entry(own_cache, entry.name, "m.dbc") is None
        assert load_definitions(path) == first

    @given(st.recursive(st.none() | st.booleans() | st.integers() | st.text(), st.lists, max_leaves=5), st.data())
    @settings(max_examples=examples(40), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    def test_anything_anywhere(self, own_cache: Path, value: Any, data: st.DataObject) -> None:
        content = parse_dbc(PROBLEMATIC.encode(), "m.dbc")
        cache.save_entry(own_cache, "x.json", content.messages, content.problems)
        rows = json.loads((own_cache / "x.json").read_bytes().split(b"\n", 1)[1])
        row = data.draw(st.sampled_from([rows[0][0], *rows[0][0]["signals"], *rows[1]]))
        row[data.draw(st.sampled_from(sorted(row)))] = value
        (own_cache / "x.json").write_bytes(sealed(json.dumps(rows).encode()))
        loaded = cache.load_entry(own_cache, "x.json", "m.dbc")
        assert loaded is None or all(isinstance(message, Message) for message in loaded[0])


class TestSize:
    """The folder does not grow without end: the oldest entries go."""

    def test_oldest_go_first(self, own_cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(cache, "_MOST_ENTRIES", 3)
        for number in range(5):
            cache.save_entry(own_cache, f"{number}.json", [], [])
            os.utime(own_cache / f"{number}.json", (number, number))
        cache.save_entry(own_cache, "new.json", [], [])
        assert sorted(path.name for path in own_cache.iterdir()) == ["3.json", "4.json", "new.json"]


class TestNoPlace:
    """Without a place to keep entries there are none, and nobody is told."""

    def test_folder_cannot_be_made(self, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(cache, "cache_folder", lambda: path / "below a file")
        assert load_definitions(path) == load_definitions(path)

    def test_no_folder_at_all(self, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(cache, "cache_folder", lambda: None)
        assert load_definitions(path) == load_definitions(path)

    def test_bad_files_leave_no_entry(self, path: Path, own_cache: Path) -> None:
        path.write_text("BO_ 3758096384 M: 8 X\n", encoding="utf-8")
        with pytest.raises(ValueError, match="29 bits"):
            load_definitions(path)
        assert list(own_cache.iterdir()) == []
