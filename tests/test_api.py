from __future__ import annotations

import ast
import inspect
from importlib import import_module
from pathlib import Path

import pytest

import buslens
from buslens.fleet.ledger import Ledger

STUB = Path(buslens.__file__).with_suffix(".pyi").read_text("utf-8")


class TestFront:
    """The public API is one page: every public name is there, documented, and found where the page says."""

    def test_names_are_sorted(self) -> None:
        assert buslens.__all__ == sorted(buslens.__all__)

    def test_dir_shows_the_names(self) -> None:
        assert set(buslens.__all__) | {"__version__"} == set(dir(buslens))

    @pytest.mark.parametrize("name", buslens.__all__)
    def test_name(self, name: str) -> None:
        value = getattr(buslens, name)
        assert inspect.getdoc(value)
        assert value.__module__.startswith("buslens.")

    def test_type_checkers_and_users_get_the_same(self) -> None:
        stub = [node for node in ast.parse(STUB).body if isinstance(node, ast.ImportFrom)]
        for node in stub:
            for name in node.names:
                assert name.asname == name.name  # else a strict checker takes it for private
                assert getattr(buslens, name.name) is getattr(import_module(str(node.module)), name.name)
        assert [name.name for node in stub for name in node.names] == sorted(buslens.__all__, key=buslens._HOMES.get)

    def test_star(self) -> None:
        here: dict[str, object] = {}
        exec("from buslens import *", here)  # noqa: S102 - as a user may
        assert set(buslens.__all__) <= set(here)

    def test_functions_stand_in_the_index(self) -> None:
        functions = {name for name in buslens.__all__ if inspect.isfunction(getattr(buslens, name))}
        index = {line.split()[0] for line in (buslens.__doc__ or "").splitlines() if line.startswith("    ")}
        assert index == functions

    def test_unknown_name(self) -> None:
        with pytest.raises(AttributeError, match="module 'buslens' has no attribute 'chek'"):
            getattr(buslens, "chek")  # noqa: B009 - the checker would refuse the plain form

    def test_version_is_that_of_the_package(self) -> None:
        from importlib.metadata import version

        assert buslens.__version__ == version("buslens")


class TestCaptures:
    """What takes captures takes results and paths, one or several."""

    DBC = Path(buslens.__file__).parents[1] / "signal_defs" / "pinewick.dbc"
    LOG = Path(buslens.__file__).parents[1] / "sample_logs" / "car04_ground_open.log"

    def test_either(self, tmp_path: Path) -> None:
        result = buslens.check(self.LOG)
        found = [buslens.diagnose(it).ranking for it in (result, [result], self.LOG, str(self.LOG), (self.LOG,))]
        assert all(it == found[0] for it in found)
        assert found[0].hypotheses
        compared = [buslens.compare(*sides) for sides in ((result, self.LOG), ([self.LOG], (result,)))]
        assert compared[0].compared == compared[1].compared
        pictures = [buslens.draw(it, tmp_path / "a.svg").read_bytes() for it in (result, self.LOG)]
        assert pictures[0] == pictures[1]
        shown = [buslens.diagnose(result), *compared, result.expectations, buslens.load_definitions(self.DBC)]
        shown += [result.timelines, *result.timelines.values(), buslens.rehearse(), buslens.read_dialogue(self.LOG)]
        with Ledger.writing(tmp_path) as ledger:
            shown.append(ledger)
        assert [it for it in map(repr, shown) if len(it) > 120 or not it.startswith("<")] == []

    def test_readings_are_texts(self) -> None:
        result = buslens.check(self.LOG)
        assert buslens.diagnose(result, readings=["supply_at_lock=0.1V"]).readings[0].text == "0.1V"

    @pytest.mark.parametrize("wrong", [3, [b"a.log"], {"a": 1}.items()], ids=repr)
    def test_neither(self, wrong: object) -> None:
        with pytest.raises(buslens.UsageError, match=r"a capture is a result of check.* for several, give a list"):
            buslens.diagnose(wrong)  # type: ignore[arg-type]
