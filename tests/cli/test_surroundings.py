"""Commands where a developer never runs them: no home, no cache, odd names, other encodings, no current folder.

Each runs in a process of its own, since what is tested is what a process finds around it.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from support.patience import HANG_S

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_logs" / "car07_slow_motor.log"
RULES = ROOT / "signal_defs" / "steering_lock.toml"
posix = pytest.mark.skipif(
    os.name == "nt", reason="names that are no text, and folders removed while in use, are POSIX's"
)
NOWHERE = "/dev/null/nowhere"
"""No folder can be made there, by whomever."""

pytestmark = pytest.mark.slow


def run(
    *words: str | bytes | Path, folder: Path, wrapped: tuple[str, ...] = (), **environment: str | None
) -> subprocess.CompletedProcess[bytes]:
    """Run the program; None takes a name out of its environment."""
    surroundings = {**os.environ, "PYTHONPATH": str(ROOT)}
    for name, value in environment.items():
        surroundings.pop(name, None)
        if value is not None:
            surroundings[name] = value
    return subprocess.run(
        [*wrapped, sys.executable, "-m", "buslens", *words],
        cwd=folder,
        env=surroundings,
        capture_output=True,
        stdin=subprocess.DEVNULL,
        check=False,
        timeout=HANG_S,
    )


def verdict_line(done: subprocess.CompletedProcess[bytes]) -> bytes:
    return done.stdout.splitlines()[-1]


class TestHome:
    """Without a place to remember anything, everything works, and nothing is said of it."""

    def test_none(self, tmp_path: Path) -> None:
        done = run("check", SAMPLE, "--expectations", RULES, folder=tmp_path, HOME=None, XDG_CACHE_HOME=None)
        assert (done.returncode, done.stderr) == (1, b"")

    def test_not_writable(self, tmp_path: Path) -> None:
        home = {"HOME": NOWHERE, "XDG_CACHE_HOME": NOWHERE, "XDG_CONFIG_HOME": NOWHERE, "MPLCONFIGDIR": None}
        done = run("plot", SAMPLE, "-o", "picture.svg", "--expectations", RULES, folder=tmp_path, **home)
        assert (done.returncode, done.stderr) == (1, b"")
        assert (tmp_path / "picture.svg").stat().st_size > 0


class TestNames:
    """A file may be called whatever the system allows."""

    @posix
    def test_captures(self, tmp_path: Path) -> None:
        names = [
            b"-x.log",
            b"two  words.log",
            "Prüfstand Ω 🔒.log".encode(),
            b"\xff\xfe no text \x80.log",
            b"n" * 240 + b".log",
        ]
        for name in names:
            capture = os.path.join(os.fsencode(tmp_path), name)  # noqa: PTH118 - paths of bytes
            try:
                shutil.copy(os.fsencode(SAMPLE), capture)
            except OSError as exc:
                pytest.skip(f"this file system does not take the name: {exc}")
        words = ("--json", "--junit", "report.xml", "--expectations", RULES, "--")
        done = run("check", *words, *names, folder=tmp_path)
        assert (done.returncode, done.stderr) == (1, b"")
        assert len(json.loads(done.stdout)["captures"]) == len(names)
        assert len(ET.parse(tmp_path / "report.xml").getroot()) == len(names)  # noqa: S314 - our own output


class TestEncoding:
    """What a locale cannot say is written in another way; files that are written are UTF-8 all the same."""

    @pytest.mark.parametrize(
        "environment",
        [
            {"LC_ALL": "C", "PYTHONUTF8": "0", "PYTHONCOERCECLOCALE": "0", "PYTHONIOENCODING": None},
            {"PYTHONUTF8": "0", "PYTHONIOENCODING": "cp1252"},
        ],
        ids=["C", "cp1252"],
    )
    def test_page(self, environment: dict[str, str | None], tmp_path: Path) -> None:
        shutil.copy(SAMPLE, tmp_path / "Prüfstand Ω.log")
        done = run(
            "page", "Prüfstand Ω.log", "-o", "page.html", "--expectations", RULES, folder=tmp_path, **environment
        )
        assert (done.returncode, done.stderr) == (1, b"")
        assert "Ω.log" in (tmp_path / "page.html").read_text(encoding="utf-8") or environment.get("LC_ALL") == "C"


class TestNetwork:
    """Nothing asks for a network."""

    def test_every_socket_refused(self, tmp_path: Path) -> None:
        (tmp_path / "sitecustomize.py").write_text(
            "import sys\n"
            "def refuse(event, given):\n"
            "    if event in {'socket.connect', 'socket.bind', 'socket.getaddrinfo', 'socket.sendto'}:\n"
            "        raise RuntimeError(event)\n"
            "sys.addaudithook(refuse)\n"
        )
        path = os.pathsep.join([str(tmp_path), str(ROOT)])
        done = run("page", SAMPLE, "-o", "page.html", "--expectations", RULES, folder=tmp_path, PYTHONPATH=path)
        assert (done.returncode, done.stderr) == (1, b"")


@posix
class TestCurrentFolderRemoved:
    """Named in full, files can be had; what would have to lie in the current folder is refused in words."""

    @pytest.mark.parametrize(
        ("words", "status", "said"),
        [
            (["check", str(SAMPLE)], 1, b""),
            (["rehearse", "healthy", "-o", "new.log"], 2, b"buslens: the current folder has been removed"),
            (["check", "gone.log"], 2, b"buslens: gone.log: no such file"),
        ],
        ids=["full name", "written here", "read here"],
    )
    def test_command(self, words: list[str], status: int, said: bytes, tmp_path: Path) -> None:
        folder = tmp_path / "removed"
        folder.mkdir()
        wrapped = ("sh", "-c", f"rmdir '{folder}' && exec \"$@\"", "sh")
        done = run(*words, folder=folder, wrapped=wrapped)
        assert done.returncode == status, done.stderr
        assert done.stderr.startswith(said)
        assert b"Traceback" not in done.stderr
