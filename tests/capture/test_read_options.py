"""What is read by plain Python, and from when on compiled code is worth its making."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from support.tables import Written, traffic

from buslens import kernels
from buslens.capture import read_options
from buslens.capture.open import open_capture
from buslens.capture.read_options import read_options_for
from buslens.capture.table import TABLE

if TYPE_CHECKING:
    from pathlib import Path

    from buslens.capture.open import Capture


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> Capture:
    """Return a table too large for plain Python if its kernel is at hand, and small enough if it is not."""
    frames = traffic(1, n_ids=10, n=400)
    one = Written(time="s.6").text(frames)
    rows = [one, *([one.partition(b"\n")[2]] * (2_000_000 // len(one)))]
    path = tmp_path_factory.mktemp("table") / "rows.csv"
    path.write_bytes(b"".join(rows))
    assert TABLE.plain_bytes < path.stat().st_size < TABLE.unmade_bytes // 2
    return open_capture(path)


class TestKernelThatTakesLongToCompile:
    def plain_bytes(self, table: Capture) -> int:
        return read_options_for(table, wanted=None).plain_bytes

    def test_at_hand(self, table: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(read_options, "is_made", lambda _: True)
        assert self.plain_bytes(table) == 0

    def test_never_compiled(self, table: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
        """Small tables do without it, until all of them together would have been worth it."""
        monkeypatch.setattr(read_options, "is_made", lambda _: False)
        monkeypatch.setattr(read_options, "_PUT_OFF", {})
        size = table.size
        assert size is not None
        tried = [self.plain_bytes(table) >= size for _ in range(TABLE.unmade_bytes // size + 2)]
        assert tried[0]
        assert not tried[-1]
        assert tried == sorted(tried, reverse=True)

    def test_is_made(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(kernels, "_COMPILED", {})
        monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
        assert not kernels.is_made(TABLE.kernel)
        folder = kernels.cache_folder(kernels.version("numba"))
        assert folder is not None
        (folder / "_table_kernel.scan-1.py311.1.nbc").touch()
        assert kernels.is_made(TABLE.kernel)
