"""What is handed to others: a wheel and a source archive that hold all they need, and an installation that runs."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parent.parent
FOLDERS = ("buslens", "signal_defs", "sample_logs", "tests", ".ci")
FILES = ("README.md", "DEVELOPERS.md", "LICENSE", "MANIFEST.in", "pyproject.toml", "setup.py")
UNPACKAGED = {"__pycache__"}


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the source archive from a copy of the checkout, and return it unpacked."""
    place = tmp_path_factory.mktemp("source")
    checkout = place / "checkout"
    for folder in FOLDERS:
        shutil.copytree(ROOT / folder, checkout / folder, ignore=shutil.ignore_patterns(*UNPACKAGED))
    for name in FILES:
        shutil.copyfile(ROOT / name, checkout / name)
    backend("build_sdist", place, checkout)
    (archive,) = place.glob("*.tar.gz")
    with tarfile.open(archive) as packed:
        packed.extractall(place / "unpacked", filter="data")
    (top,) = (place / "unpacked").iterdir()
    return top


@pytest.fixture(scope="module")
def wheel(source: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel from the source archive, as an installer would."""
    place = tmp_path_factory.mktemp("wheel")
    backend("build_wheel", place, source)
    (built,) = place.glob("*.whl")
    return built


def backend(hook: str, place: Path, tree: Path) -> None:
    """Call a hook of the build backend (PEP 517) as installers do, in a process of its own."""
    pytest.importorskip("setuptools", minversion="77", reason="needs the build backend: pip install 'setuptools>=77'")
    code = f"import setuptools.build_meta as backend; backend.{hook}({str(place)!r})"
    done = subprocess.run([sys.executable, "-c", code], cwd=tree, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


def contents(top: Path, folder: str) -> set[str]:
    """Return the files of a folder that a commit could hold."""
    return {
        path.relative_to(top).as_posix()
        for path in (top / folder).rglob("*")
        if path.is_file() and not UNPACKAGED & set(path.parts)
    }


class TestSource:
    """Whoever has the source archive has the program, its demonstration and its tests."""

    def test_contents(self, source: Path) -> None:
        for folder in FOLDERS:
            wanted = contents(source.parents[1] / "checkout", folder)
            assert wanted
            assert wanted <= contents(source, folder)
        for name in FILES:
            assert (source / name).is_file()


class TestWheel:
    """Whoever has only the wheel can rehearse a capture and have it judged."""

    def test_contents(self, wheel: Path, source: Path) -> None:
        with zipfile.ZipFile(wheel) as packed:
            names = set(packed.namelist())
        assert contents(source, "buslens") <= names
        assert {f"buslens/{name}" for name in contents(source, "signal_defs")} <= names
        assert "buslens/py.typed" in names
        assert not any(name.startswith(("tests/", "sample_logs/")) for name in names)

    def test_installed(self, wheel: Path, tmp_path: Path) -> None:
        """Installed beside nothing but its dependencies, far from any checkout."""
        site = tmp_path / "site"
        pip = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--no-index", "--target", str(site)]
        done = subprocess.run([*pip, str(wheel)], capture_output=True, text=True, check=False)
        if "No module named pip" in done.stderr:
            pytest.skip("needs an environment with pip")
        assert done.returncode == 0, done.stderr
        folder = tmp_path / "elsewhere"
        folder.mkdir()
        assert self.run(site, folder, "rehearse", "healthy", "-o", "healthy.log", "--signal-defs") == 0
        assert (folder / "signal_defs" / "steering_lock.toml").is_file()
        assert self.run(site, folder, "check", "healthy.log") == 0

    @staticmethod
    def run(site: Path, folder: Path, *words: str) -> int:
        code = (
            f"import sys; sys.path.insert(0, {str(site)!r})\n"
            "import buslens, buslens.cli\n"
            f"assert buslens.__file__.startswith({str(site)!r}), buslens.__file__\n"
            "sys.exit(buslens.cli.main(sys.argv[1:]))"
        )
        done = subprocess.run(
            [sys.executable, "-c", code, *words], cwd=folder, capture_output=True, text=True, check=False
        )
        assert "Traceback" not in done.stderr, done.stderr
        return done.returncode
