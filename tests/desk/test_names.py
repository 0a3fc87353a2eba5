"""Names that a browser sends never become paths."""

from __future__ import annotations

import re
from pathlib import PurePosixPath, PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buslens.desk.names import file_name, plain_name

HOSTILE = [
    "../../etc/passwd", "..\\..\\windows\\system.ini", "/etc/passwd", "C:\\x.log", "a\x00b.log", ".", "..", "", "...",
    ".ssh", "con.log", "NUL", "aux.log.gz", "x" * 5000, "a/b/c.log", "file.log\n.exe", "Ünïcode ß.log", "\u202egol.exe",
    "a.b.c.d.log", "-rf.log", "~root", "$(reboot).log", "x.log:stream", "trailing. ", "COM1.asc",
]  # fmt: skip


def is_harmless(name: str) -> bool:
    """Whether a name is one file in one folder on every system, and neither hidden nor an option."""
    device = name.partition(".")[0].lower() in {"con", "prn", "aux", "nul", "com1", "lpt1"}
    return (
        PurePosixPath(name).parts == (name,)
        and PureWindowsPath(name).parts == (name,)
        and re.fullmatch(r"[A-Za-z0-9_-]+(\.[a-z0-9]{1,8}){0,2}", name) is not None
        and not name.startswith((".", "-"))
        and len(name) <= 120
        and not device
    )


class TestFileName:
    """One file in the folder that was meant, under a name that is free."""

    @pytest.mark.parametrize("text", HOSTILE)
    def test_hostile(self, text: str) -> None:
        assert is_harmless(file_name(text, set(), "capture"))

    @given(st.text(max_size=300))
    def test_any_text(self, text: str) -> None:
        assert is_harmless(file_name(text, set(), "capture"))

    @given(st.lists(st.sampled_from(["a.log", "A.LOG", "a.log.gz", "../a.log", "a", ".log"]), max_size=12))
    def test_never_taken(self, sent: list[str]) -> None:
        taken: set[str] = set()
        for text in sent:
            name = file_name(text, taken, "capture")
            assert name.lower() not in taken
            taken.add(name.lower())

    @pytest.mark.parametrize(
        ("text", "name"),
        [
            ("car04_ground_open.log", "car04_ground_open.log"),
            ("Club car 4.log.gz", "Club-car-4.log.gz"),
            ("C:\\logs\\monday.asc", "monday.asc"),
            ("noname", "noname"),
        ],
    )
    def test_what_people_call_files(self, text: str, name: str) -> None:
        assert file_name(text, set(), "capture") == name


class TestPlainName:
    """A folder is called as the job is numbered."""

    @given(st.text(max_size=300))
    def test_any_text(self, text: str) -> None:
        assert is_harmless(plain_name(text, "job"))
        assert "." not in plain_name(text, "job")

    def test_number(self) -> None:
        assert plain_name("2026-034", "job") == "2026-034"
