from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from buslens.errors import ExpectationError
from buslens.fleet.groups import GROUP, group_of, load_groups
from buslens.fleet.model import Group

if TYPE_CHECKING:
    from buslens.expectations.schema import KeySpec

GOOD = """\
format = 1

[[groups]]
name = "estates"
vehicles = ["car0*", "van?"]
expectations = "lock.toml"
definitions = ["a.dbc"]
channels = { "1" = "can0" }

[[groups]]
name = "the rest"
vehicles = ["*"]
expectations = "lock.toml"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("lock.toml", "a.dbc"):
        (tmp_path / name).write_text("")
    return tmp_path


def written(folder: Path, text: str) -> str:
    path = folder / "fleet.toml"
    path.write_text(text, encoding="utf-8")
    return str(path)


class TestLoad:
    """The file says which vehicles are checked against which files; everything wrong in it is told at once."""

    def test_all_that_it_says(self, folder: Path) -> None:
        first, second = load_groups(written(folder, GOOD))
        assert first == Group(
            name="estates",
            vehicles=("car0*", "van?"),
            expectations=str(folder / "lock.toml"),
            definitions=(str(folder / "a.dbc"),),
            channels=(("1", "can0"),),
        )
        assert (second.name, second.definitions, second.channels) == ("the rest", (), ())

    @pytest.mark.parametrize(
        ("old", "new", "place", "words"),
        [
            ("format = 1", "format = 2", ":1:10", "format 2 is not known"),
            ("format = 1", "", ":1:1", "has no 'format'"),
            ("[[groups]]", "[[group]]", ":3:3", "did you mean 'groups'"),
            ("vehicles = [", "vehicels = [", ":5:1", "did you mean 'vehicles'"),
            ('["car0*", "van?"]', '"car0*"', ":5:12", "must be a list of texts, and this is a text"),
            ('["car0*", "van?"]', '["car0*", 7]', ":5:22", "this is a number"),
            ('["car0*", "van?"]', "[]", ":5:12", "is empty"),
            ('"lock.toml"\ndef', '"lokc.toml"\ndef', ":6:16", "did you mean"),
            ('"a.dbc"', '"b.dbc"', ":7:16", "looked up beside this file"),
            ('{ "1" = "can0" }', '{ "1" = 0 }', ":8:20", "this is a number"),
            ('"the rest"', '"estates"', ":11:8", "there is a group 'estates' in line 4 already"),
            ('name = "estates"', "name = estates", ":4:8", "not valid TOML"),
        ],
    )
    def test_what_is_wrong(self, folder: Path, old: str, new: str, place: str, words: str) -> None:
        text = GOOD.replace(old, new, 2 if old == "[[groups]]" else 1)
        path = written(folder, text)
        with pytest.raises(ExpectationError) as caught:
            load_groups(path)
        assert any(line.startswith(f"{path}{place}: ") and words in line for line in str(caught.value).splitlines())

    def test_layout_of_tables(self, folder: Path) -> None:
        (folder / "recorder.toml").write_text('[table]\nid_base = "decimal"\n')
        told = GOOD.replace('{ "1" = "can0" }', '{ "1" = "can0" }\ntable = "recorder.toml"')
        assert [group.table.id_base for group in load_groups(written(folder, told))] == [10, None]
        (folder / "recorder.toml").write_text('[table]\nid_base = "octal"\n')
        with pytest.raises(ExpectationError, match=r"fleet.toml:9:9: .*octal"):
            load_groups(written(folder, told))

    def test_several_at_once(self, folder: Path) -> None:
        path = written(folder, GOOD.replace('"a.dbc"', '"b.dbc"').replace('name = "the rest"', ""))
        with pytest.raises(ExpectationError) as caught:
            load_groups(path)
        assert len(str(caught.value).splitlines()) == 2

    def test_one_bracket_too_few(self, folder: Path) -> None:
        path = written(folder, 'format = 1\n[groups]\nname = "x"\n')
        with pytest.raises(ExpectationError, match=r"write \[\[groups\]\]"):
            load_groups(path)

    def test_no_file(self, tmp_path: Path) -> None:
        with pytest.raises(ExpectationError, match="no such file"):
            load_groups(str(tmp_path / "fleet.toml"))


class TestGroupOf:
    """A vehicle belongs to the first group that it fits."""

    @pytest.mark.parametrize(
        ("vehicle", "name"), [("car01", "estates"), ("van3", "estates"), ("van33", "the rest"), ("Car01", "the rest")]
    )
    def test_first(self, folder: Path, vehicle: str, name: str) -> None:
        group = group_of(vehicle, load_groups(written(folder, GOOD)))
        assert group is not None
        assert group.name == name

    def test_none(self, folder: Path) -> None:
        assert group_of("bus", load_groups(written(folder, GOOD))[:1]) is None


class TestReference:
    """Every key is told of where users look, and what is shown there can be read."""

    REFERENCE = (Path(__file__).parents[2] / "signal_defs" / "README.md").read_text(encoding="utf-8")

    @pytest.mark.parametrize("key", GROUP.values(), ids=lambda key: key.name)
    def test_every_key(self, key: KeySpec) -> None:
        away = "required" if key.required else key.default
        assert f"| `{key.name}` | {key.type.value} | {away} | {key.meaning} | `{key.example}` |" in self.REFERENCE

    def test_the_example(self, tmp_path: Path) -> None:
        example = self.REFERENCE.partition("## The fleet file")[2].partition("```toml\n")[2].partition("```")[0]
        for name in ("steering_lock.toml", "pinewick.dbc"):
            (tmp_path / name).touch()
        assert [group.name for group in load_groups(written(tmp_path, example))] == ["estates", "all others"]
