from __future__ import annotations

from pathlib import Path

import pytest

from buslens.defaults import EXPECTATIONS_NAME, FOLDER_NAME, find_expectations
from buslens.errors import UsageError

#: Where the file may lie, seen from the folder `there`, nearest first.
PLACES = [
    f"a/b/{EXPECTATIONS_NAME}",
    f"a/b/{FOLDER_NAME}/{EXPECTATIONS_NAME}",
    f"a/{FOLDER_NAME}/{EXPECTATIONS_NAME}",
    f"{FOLDER_NAME}/{EXPECTATIONS_NAME}",
    f"here/{EXPECTATIONS_NAME}",
    f"here/{FOLDER_NAME}/{EXPECTATIONS_NAME}",
]


@pytest.fixture
def there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    (tmp_path / "a" / "b").mkdir(parents=True)
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    return tmp_path


def put(path: Path) -> Path:
    path.parent.mkdir(exist_ok=True)
    path.touch()
    return path


class TestFindExpectations:
    """The nearest steering_lock.toml counts: beside the capture first, in the current folder last."""

    @pytest.mark.parametrize("place", range(len(PLACES)))
    def test_nearest(self, there: Path, place: int) -> None:
        for further in PLACES[place:]:
            put(there / further)
        assert find_expectations(there / "a" / "b" / "car.log").samefile(there / PLACES[place])

    def test_capture_named_without_a_folder(self, there: Path) -> None:
        put(there / FOLDER_NAME / EXPECTATIONS_NAME)
        assert find_expectations("car.log").samefile(there / FOLDER_NAME / EXPECTATIONS_NAME)

    def test_standard_input_has_no_folder(self, there: Path) -> None:
        put(there / FOLDER_NAME / EXPECTATIONS_NAME)
        with pytest.raises(UsageError):
            find_expectations("-")
        expected = put(there / "here" / FOLDER_NAME / EXPECTATIONS_NAME)
        assert find_expectations("-").samefile(expected)

    def test_path_is_short_to_read(self, there: Path) -> None:
        put(there / "here" / FOLDER_NAME / EXPECTATIONS_NAME)
        (there / "here" / "logs").mkdir()
        assert find_expectations("logs/car.log") == Path(FOLDER_NAME) / EXPECTATIONS_NAME

    def test_a_folder_of_that_name_does_not_count(self, there: Path) -> None:
        (there / "a" / "b" / EXPECTATIONS_NAME).mkdir()
        with pytest.raises(UsageError):
            find_expectations(there / "a" / "b" / "car.log")

    def test_none_says_what_to_give(self, there: Path) -> None:
        with pytest.raises(UsageError, match=r"no expectations for '.*car\.log'.*--expectations FILE\.toml"):
            find_expectations(there / "a" / "b" / "car.log")
