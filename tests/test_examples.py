"""Every property can be tried more often than the suite has time for."""

from __future__ import annotations

import re
from pathlib import Path

from hypothesis import settings
from support.examples import ORDINARY, SUITE, THOROUGH, examples, is_thorough


def test_as_often_as_written() -> None:
    before = settings.get_current_profile_name()
    try:
        settings.load_profile("suite")
        assert (examples(ORDINARY), examples(50), examples(1), is_thorough()) == (SUITE, 2 * SUITE, 1, False)
        settings.load_profile("thorough")
        assert (examples(ORDINARY), examples(50), is_thorough()) == (THOROUGH, 2 * THOROUGH, True)
        assert examples(1) > 1
    finally:
        settings.load_profile(before)


def test_no_number_stays_the_same_in_every_profile() -> None:
    tests = Path(__file__).parent
    fixed = [
        path.name for path in tests.rglob("test_*.py") if re.search(r"max_examples=\s*\d", path.read_text("utf-8"))
    ]
    assert fixed == []
