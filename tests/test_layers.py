"""The layers of the package: imports run one way, and nothing heavy is imported before it is needed."""

from __future__ import annotations

import ast
import subprocess
import sys
from functools import cache
from graphlib import TopologicalSorter
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import pytest
from support.patience import HANG_S

if TYPE_CHECKING:
    from collections.abc import Iterator

PACKAGE = Path(__file__).parents[1] / "buslens"

LAYERS = (
    "capture",
    "definitions",
    "dialogue",
    "timeline",
    "expectations",
    "checks",
    "live",
    "discovery",
    "rehearsal",
    "causes",
    "report",
    "fleet",
    "desk",
    "cli",
)
"""In order: a layer imports only from itself and from layers before it."""

GROUND = frozenset({"errors", "units", "files", "kernels", "defaults", "text_tables"})
"""Modules below all layers; they import only each other."""

APART = {"rehearsal": frozenset({"timeline", "expectations", "checks", "discovery"})}
"""Layers that a layer must not know although they come before it: the simulator must not share the mistakes of
what is tested by it."""

HEAVY = frozenset(
    {"can", "cantools", "distributed", "fsspec", "lark", "matplotlib", "numba", "pandas", "pebble", "pyarrow"}
    | {"rich", "scipy"}
)
"""Libraries that cost start-up time: imported where they are used, never when a module is imported."""

WITHOUT_NUMPY = frozenset({"", "errors", "units", "files", "defaults", "text_tables", "cli", "__main__"})
"""Modules that ``buslens --help`` and ``import buslens`` need, so that numpy has no place in them either."""


class Import(NamedTuple):
    """One import of one name."""

    module: str
    line: int
    column: int
    #: Whether it runs when the module is imported (not inside a function, not for the type checker alone).
    at_start: bool


@cache
def imports(source: str) -> tuple[Import, ...]:
    """Return every import of a module."""

    def walk(node: ast.AST, *, at_start: bool) -> Iterator[Import]:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.expr):
                continue  # no import stands in one
            later = isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef)
            if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test):
                later = True
            if isinstance(child, ast.Import):
                for name in child.names:
                    yield Import(name.name, child.lineno, child.col_offset, at_start)
            elif isinstance(child, ast.ImportFrom):
                assert child.level == 0, f"line {child.lineno}: relative import"
                for name in child.names:
                    yield Import(f"{child.module}.{name.name}", child.lineno, child.col_offset, at_start)
            yield from walk(child, at_start=at_start and not later)

    return tuple(walk(ast.parse(source), at_start=True))


def layer_of(module: str) -> str:
    """Return the layer, or the module of the ground, that a name of the package belongs to; empty for its front."""
    parts = module.split(".")
    name = parts[1] if len(parts) > 1 else ""
    return name if name in LAYERS or name in GROUND or name == "__main__" else ""


def wrong_imports(module: str, source: str) -> list[str]:
    """Return what a module imports against the order, as ``file:line:column: what is wrong``."""
    layer = layer_of(module)
    found = []
    for item in imports(source):
        target = item.module
        if target.partition(".")[0] == "buslens":
            to = layer_of(target)
            problem = "" if allowed(layer, to) else f"{layer or 'the front'} may not import {to or 'the front'}"
        elif item.at_start and target.partition(".")[0] in HEAVY:
            problem = f"{target} is imported when the module is; import it where it is used"
        elif item.at_start and target.partition(".")[0] == "numpy" and layer in WITHOUT_NUMPY:
            problem = f"{target} has no place in what the start-up needs"
        else:
            problem = ""
        if problem:
            found.append(f"{module.replace('.', '/')}.py:{item.line}:{item.column}: {problem}")
    return found


def allowed(layer: str, to: str) -> bool:
    """Whether a layer may import from another; the front and the command line may from everywhere."""
    if layer in {"", "cli", "__main__"}:
        return True
    if to in GROUND:
        return True
    if layer in GROUND or to not in LAYERS:
        return False
    return LAYERS.index(to) <= LAYERS.index(layer) and to not in APART.get(layer, ())


def modules() -> list[tuple[str, Path]]:
    files = sorted(PACKAGE.rglob("*.py"))
    return [(".".join(file.relative_to(PACKAGE.parent).with_suffix("").parts), file) for file in files]


class TestLayers:
    """Imports run one way."""

    def test_modules(self) -> None:
        wrong = [
            line
            for module, file in modules()
            for line in wrong_imports(module.removesuffix(".__init__"), file.read_text("utf-8"))
        ]
        assert not wrong, "\n".join(wrong)

    def test_every_folder_is_a_layer(self) -> None:
        folders = {file.parent.name for file in PACKAGE.glob("*/__init__.py")}
        assert folders <= set(LAYERS)
        assert {file.stem for file in PACKAGE.glob("*.py")} <= GROUND | {"__init__", "__main__"}


class TestTheRule:
    """The check above sees what it is there to see."""

    @pytest.mark.parametrize(
        ("module", "source"),
        [
            ("buslens.checks.sequence", "from buslens.report import text"),
            ("buslens.checks.sequence", "from buslens.report.text import text"),
            ("buslens.checks.sequence", "def f():\n    import buslens.report"),
            ("buslens.checks.sequence", "if TYPE_CHECKING:\n    from buslens.report.text import text"),
            ("buslens.checks.sequence", "import buslens"),
            ("buslens.capture.candump", "from buslens import timeline"),
            ("buslens.rehearsal.bus", "from buslens.checks.findings import Outcome"),
            ("buslens.rehearsal.bus", "from buslens.expectations.model import Rule"),
            ("buslens.rehearsal.bus", "from buslens.discovery.changes import ChangeLog"),
            ("buslens.discovery.seek", "from buslens.rehearsal.rehearse import rehearse"),
            ("buslens.errors", "from buslens.capture.frames import Flag"),
            ("buslens.report.figure", "import matplotlib"),
            ("buslens.report.figure", "from matplotlib.figure import Figure"),
            ("buslens.report.figure", "class A:\n    import pandas as pd"),
            ("buslens.report.figure", "try:\n    import numba\nexcept ImportError:\n    pass"),
            ("buslens.cli.check", "import numpy as np"),
            ("buslens", "import numpy as np"),
        ],
    )
    def test_wrong(self, module: str, source: str) -> None:
        assert len(wrong_imports(module, source)) == 1

    @pytest.mark.parametrize(
        ("module", "source"),
        [
            ("buslens.report.text", "from buslens.checks.findings import Outcome"),
            ("buslens.report.text", "from buslens.report.formatting import clean"),
            ("buslens.capture.candump", "from buslens.errors import CaptureError"),
            ("buslens.rehearsal.bus", "from buslens.definitions.model import Message"),
            ("buslens.report.figure", "def draw():\n    import matplotlib"),
            ("buslens.report.figure", "if TYPE_CHECKING:\n    from matplotlib.figure import Figure"),
            ("buslens.timeline.build", "import numpy as np"),
            ("buslens.cli.check", "from buslens import check"),
        ],
    )
    def test_right(self, module: str, source: str) -> None:
        assert wrong_imports(module, source) == []

    def test_says_where(self) -> None:
        assert wrong_imports("buslens.checks.sequence", "\nfrom buslens.report import text") == [
            "buslens/checks/sequence.py:2:0: checks may not import report"
        ]


def loaded_after(code: str) -> set[str]:
    """Return the top-level modules that a fresh interpreter has loaded after some code."""
    listing = f"{code}\nimport sys; print('\\n'.join(sys.modules), file=sys.__stderr__)"
    done = subprocess.run([sys.executable, "-c", listing], capture_output=True, text=True, check=True, timeout=HANG_S)
    return {name.partition(".")[0] for name in done.stderr.splitlines()}


class TestStart:
    """Starting imports nothing that it does not need."""

    @pytest.mark.parametrize(
        "code",
        [
            "import buslens; dir(buslens); buslens.BuslensError",
            "from buslens.cli import main; main(['--help'])",
            "from buslens.cli import main; main(['check', '--help'])",
            "from buslens.cli import main; main(['plot', '--help'])",
            "from buslens.cli import main; main(['rehearse', '--help'])",
            "from buslens.cli import main; main(['seek', '--help'])",
            "from buslens.cli import main; main(['start', '--help'])",
            "from buslens.cli import main; main(['replay', '--help'])",
            "from buslens.cli import main; main(['listen', '--help'])",
            "from buslens.cli import main; main(['chek'])",
            "from buslens.cli import main; main(['check', 'no such file.log'])",
        ],
    )
    def test_light(self, code: str) -> None:
        loaded = loaded_after(code)
        assert "buslens" in loaded
        assert not loaded & (HEAVY | {"numpy", "platformdirs"})


@pytest.mark.parametrize("layer", ["capture", "timeline", "expectations", "checks"])
def test_no_module_imports_one_that_imports_it(layer: str) -> None:
    """Nor for the type checker alone: what two of them share stands in a module below both."""
    names = {f"buslens.{layer}.{path.stem}": path for path in (PACKAGE / layer).glob("*.py")}
    graph = {
        name: {
            known
            for item in imports(path.read_text("utf-8"))
            for known in names
            if f"{item.module}.".startswith(f"{known}.")
        }
        for name, path in names.items()
    }
    if layer == "capture":
        assert graph["buslens.capture.open"] > {"buslens.capture.stream", "buslens.capture.table"}
    assert len([*TopologicalSorter(graph).static_order()]) == len(names)
