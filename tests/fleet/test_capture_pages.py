"""Pages of faulty captures: made by workers, found again by later runs, and no reason to lose a run."""

from __future__ import annotations

import pytest

from buslens.errors import CaptureError
from buslens.fleet.capture_pages import PageTask, make_page
from buslens.fleet.model import Group


class TestMakePage:
    """Whatever goes wrong with one page is told of that page."""

    @pytest.mark.parametrize(
        ("error", "words"),
        [
            (CaptureError("is no log"), "is no log"),
            (OSError(5, "Input/output error"), "the device failed"),
            (KeyError("a defect"), "internal error"),
        ],
    )
    def test_told(self, error: Exception, words: str, monkeypatch: pytest.MonkeyPatch) -> None:
        def fail(_group: Group) -> None:
            raise error

        monkeypatch.setattr("buslens.fleet.capture_pages.load", fail)
        task = PageTask(address="a.log", group=Group(name="g", vehicles=("*",), expectations="e.toml"), name="p.html")
        told = make_page(task)
        assert isinstance(told, str)
        assert words in told

    def test_want_of_memory_is_the_workers(self, monkeypatch: pytest.MonkeyPatch) -> None:
        def fail(_group: Group) -> None:
            raise MemoryError

        monkeypatch.setattr("buslens.fleet.capture_pages.load", fail)
        task = PageTask(address="a.log", group=Group(name="g", vehicles=("*",), expectations="e.toml"), name="p.html")
        with pytest.raises(MemoryError):
            make_page(task)
