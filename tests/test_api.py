from __future__ import annotations

import ast
import inspect
from pathlib import Path

import pytest

import buslens

FRONT = Path(buslens.__file__).read_text("utf-8")


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
        for_checkers = {
            name.asname or name.name: (node.module, name.name)
            for node in ast.walk(ast.parse(FRONT))
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("buslens.")
            for name in node.names
        }
        for_users = {
            name: (home.partition(":")[0], home.partition(":")[2] or name) for name, home in buslens._HOMES.items()
        }
        assert for_checkers == for_users
        assert set(for_users) == set(buslens.__all__)

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
