from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from support.desks import RunningDesk, running_desk

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).parents[2]


@pytest.fixture(autouse=True)
def same_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    """Go back to the folder of the tests: what a worker process does here goes to that of its job."""
    monkeypatch.chdir(Path.cwd())


@pytest.fixture(scope="session")
def sample() -> Path:
    """Return the folder of the bundled samples."""
    return ROOT / "sample_logs"


@pytest.fixture(scope="session")
def desk_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("desk") / "jobs"


@pytest.fixture(scope="session")
def desk(desk_folder: Path) -> Iterator[RunningDesk]:
    """Run one desk for all tests that only add jobs to it."""
    with running_desk(desk_folder) as running:
        yield running


@pytest.fixture(scope="session")
def let_in(desk: RunningDesk) -> dict[str, str]:
    """Return the headers of a browser that was let in."""
    return desk.enter()


@pytest.fixture
def car(tmp_path: Path) -> Path:
    """Return a folder with the files of the demonstration's car."""
    folder = tmp_path / "car"
    folder.mkdir()
    for file in (ROOT / "signal_defs").glob("*"):
        if file.suffix in {".toml", ".dbc"}:
            shutil.copy(file, folder)
    return folder
