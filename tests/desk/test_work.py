from __future__ import annotations

from typing import TYPE_CHECKING, cast

from buslens.desk import work

if TYPE_CHECKING:
    import pytest

    from buslens.checks.findings import Result


def test_few_long_results_are_held(monkeypatch: pytest.MonkeyPatch) -> None:
    """What a worker holds is bounded by its size, but the latest is there whatever its size."""
    monkeypatch.setattr(work, "_results", type(work._results)())
    monkeypatch.setattr(work, "_MOST_KEPT_BYTES", 100)
    result = cast("Result", object())
    for name, size, held in (("a", 40, "a"), ("b", 60, "ab"), ("c", 1, "bc"), ("d", 500, "d"), ("e", 1, "e")):
        work._hold(("job", name), result, size)
        assert [key for _, key in work._results] == list(held)
