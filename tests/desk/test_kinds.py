"""Files that are dropped by mistake."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from buslens.desk.kinds import HEAD_BYTES, wrong_kind

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize(
    ("head", "said"),
    [
        (b"\x89PNG\r\n\x1a\n\0\0", "a picture"),
        (b"RIFF\x10\0\0\0WEBPVP8 ", "a picture"),
        (b"\0\0\0\x18ftypheic", "a picture or a film"),
        (b"%PDF-1.7\n", "a PDF document"),
    ],
)
@pytest.mark.parametrize("is_for_job", [True, False])
def test_documents(head: bytes, said: str, is_for_job: bool) -> None:
    assert f"This is {said}, not a recording" in wrong_kind(head, is_for_job=is_for_job)


@pytest.mark.parametrize("name", ["pinewick.dbc", "steering_lock.toml", "steering_lock.causes.toml"])
def test_files_of_a_car(name: str, sample: Path) -> None:
    head = (sample.parent / "signal_defs" / name).read_bytes()[:HEAD_BYTES]
    assert "add it under Cars" in wrong_kind(head, is_for_job=True)
    assert wrong_kind(head, is_for_job=False) == ""


def test_every_sample_may_be_a_capture(sample: Path) -> None:
    logs = [
        it for it in sample.iterdir() if it.name.startswith(("car", "tester", "scope", "wires")) and it.suffix != ".png"
    ]
    assert len(logs) > 20
    for log in logs:
        with log.open("rb") as file:
            assert wrong_kind(file.read(HEAD_BYTES), is_for_job=True) == ""
