from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from buslens.definitions import cache

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(autouse=True)
def own_cache(tmp_path_factory: pytest.TempPathFactory, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Keep parsed definitions in a folder of the test's own."""
    folder: Path = tmp_path_factory.mktemp("cache")
    monkeypatch.setattr(cache, "cache_folder", lambda: folder)
    return folder
