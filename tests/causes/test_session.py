"""A diagnosis that goes on from one call to the next."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from support.trials import causes

from buslens.causes.readings import read_reading
from buslens.causes.session import Session, load_session, save_session
from buslens.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path


class TestSession:
    """What was kept comes back, and nothing else is taken for a session."""

    def test_round_trip(self, tmp_path: Path) -> None:
        path = tmp_path / "car.json"
        made = [read_reading(text, causes()) for text in ("load_fuse=whole", "supply_at_lock=11.9 V")]
        save_session(path, ["a.log", "b \u00e4.log"], made)
        session = load_session(path)
        assert session.captures == ("a.log", "b \u00e4.log")
        assert session.readings(causes()) == made

    def test_skipped(self, tmp_path: Path) -> None:
        path = tmp_path / "car.json"
        save_session(path, ["a.log"], [], ["load_fuse"])
        assert load_session(path).skipped == ("load_fuse",)
        # A session of an earlier version has none.
        path.write_text('{"kind": "buslens diagnosis", "version": 1, "captures": [], "measured": []}', "utf-8")
        assert load_session(path).skipped == ()

    def test_latest_counts(self) -> None:
        reading = read_reading("load_fuse=whole", causes())
        session = Session(measured={"load_fuse": "blown", "supply_at_lock": "1 V"}, skipped=("plug_at_lock",))
        assert dict(session.with_reading(reading).measured) == {"supply_at_lock": "1 V", "load_fuse": "whole"}
        skipped = session.with_skipped("load_fuse")
        assert (dict(skipped.measured), skipped.skipped) == ({"supply_at_lock": "1 V"}, ("plug_at_lock", "load_fuse"))
        assert skipped.with_reading(reading).skipped == ("plug_at_lock",)
        assert session.without("plug_at_lock").skipped == ()

    def test_none_yet(self, tmp_path: Path) -> None:
        (tmp_path / "empty.json").touch()
        for name in ("none.json", "empty.json"):
            session = load_session(tmp_path / name)
            assert (session.captures, session.measured) == ((), {})

    @pytest.mark.parametrize(
        ("text", "told"),
        [
            ("(1.0) can0 123#00", "car.json:1:1: this is no session"),
            ("[1, 2]", "no session"),
            ('{"kind": "something else"}', "no session"),
            ('{"version": ' + "1" * 5000 + "}", "no session"),
            ("[" * 100_000, "no session"),
            ('{"kind": "buslens diagnosis", "version": 2}', "version 2 of a session is not known"),
            ('{"kind": "buslens diagnosis", "version": 1, "measured": [{"name": 3}]}', "'measured'"),
            ('{"kind": "buslens diagnosis", "version": 1, "skipped": [3]}', "'skipped'"),
        ],
    )
    def test_something_else(self, text: str, told: str, tmp_path: Path) -> None:
        (tmp_path / "car.json").write_text(text, encoding="utf-8")
        with pytest.raises(UsageError) as caught:
            load_session(tmp_path / "car.json")
        assert told in str(caught.value)

    def test_bytes_that_are_no_text(self, tmp_path: Path) -> None:
        (tmp_path / "car.json").write_bytes(b"\xff\xfe\x00")
        with pytest.raises(UsageError, match="no session"):
            load_session(tmp_path / "car.json")

    def test_reading_that_the_causes_do_not_know_any_more(self, tmp_path: Path) -> None:
        path = tmp_path / "car.json"
        save_session(path, [], [read_reading("supply_at_lock=11.9 V", causes())])
        path.write_text(path.read_text("ascii").replace("supply_at_lock", "suply_at_lock"), encoding="ascii")
        with pytest.raises(UsageError, match=r"car\.json: no measurement is called 'suply_at_lock'; did you mean"):
            load_session(path).readings(causes())

    def test_limits_are_applied_anew(self, tmp_path: Path) -> None:
        path = tmp_path / "car.json"
        save_session(path, [], [read_reading("supply_at_lock=11.9 V", causes())])
        kept = json.loads(path.read_text("ascii"))
        kept["measured"][0]["result"] = "none"
        path.write_text(json.dumps(kept), encoding="ascii")
        assert load_session(path).readings(causes())[0].result == "good"
