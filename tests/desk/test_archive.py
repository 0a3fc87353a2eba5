from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from buslens.desk.archive import unpack
from buslens.errors import UsageError

LOGS = {
    f"day {n}/car.log": b"".join(b"(%d.%03d) can0 123#%02X00\n" % (n, ms, ms % 250) for ms in range(900))
    for n in (1, 2)
}


def packed(path: Path, **files: bytes) -> str:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return str(path)


def test_each_recording_is_a_file(tmp_path: Path) -> None:
    more = {
        "readme.txt": b"of Tuesday",
        "car.dbc": b"VERSION",
        "__MACOSX/._a.log": b"x",
        "list.csv": b"time;lock\n0;1\n",
    }
    made = unpack(packed(tmp_path / "a.zip", **LOGS, **more), ".part-", 10**9)
    assert [name for name, _ in made] == ["car.dbc", "day 1/car.log", "day 2/car.log", "list.csv", "readme.txt"]
    assert {name: Path(file).read_bytes() for name, file in made if file} == LOGS | {
        name: more[name] for name in ("car.dbc", "list.csv")
    }
    assert {it.name for it in tmp_path.iterdir()} == {"a.zip", *(Path(file).name for _, file in made if file)}
    assert all(Path(file).name.startswith(".part-") for _, file in made if file)


def test_what_is_read_as_one_file(tmp_path: Path) -> None:
    """One recording in an archive is read as it is, and so is told that a workbook is none."""
    assert unpack(packed(tmp_path / "a.zip", **{"a.log": b"x"}), ".part-", 10**9) == []
    assert unpack(packed(tmp_path / "b.zip", **{"[Content_Types].xml": b"x", "xl/a.xml": b"x"}), ".part-", 10**9) == []


@pytest.mark.parametrize(
    ("most", "more", "told"),
    [
        (1000, {}, "^this archive holds 2 files"),
        (10**9, {"[Content_Types].xml": b"x", "word/document.xml": b"x"}, "^this is an office document"),
        (10**9, None, "^this archive cannot be unpacked: "),
    ],
)
def test_nothing_is_left_of_what_is_refused(
    tmp_path: Path, most: int, more: dict[str, bytes] | None, told: str
) -> None:
    path = Path(packed(tmp_path / "a.zip", **LOGS, **(more or {})))
    if more is None:
        data = bytearray(path.read_bytes())
        data[60:70] = bytes(10)
        path.write_bytes(data)
    with pytest.raises(UsageError, match=told):
        unpack(str(path), ".part-", most)
    assert [it.name for it in tmp_path.iterdir()] == ["a.zip"]
