"""The lane of what a tester asked: words at the moments of the requests, in pictures and on pages."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest
from support.dialogues import Recording

from buslens import check, read_dialogue
from buslens.capture.table_settings import TableSettings
from buslens.expectations.load import parse_expectations
from buslens.report.diagram import lay_out
from buslens.report.dialogue_lane import LANE, exchange_words, with_dialogue
from buslens.report.finding_layout import places
from buslens.report.page.page_events import events
from buslens.report.record.gather import heard
from buslens.report.style import format_named
from buslens.report.text_metrics import Lettering
from buslens.report.view import choose

if TYPE_CHECKING:
    from buslens.checks.findings import Result
    from buslens.timeline.model import Timeline

ROOT: Final = Path(__file__).parents[2]
SAMPLE: Final = ROOT / "sample_logs" / "car03_tester_at_work.log"


@pytest.fixture(scope="module")
def sample() -> Result:
    return check(SAMPLE)


@pytest.mark.parametrize(
    ("request_", "answers", "words"),
    [
        ("22f190", ("62f190" + "41" * 17,), "reads identifier F1 90: answered"),
        ("22f190d010", ("62f19041d01001",), "reads identifier F1 90 D0 10: answered"),
        ("31010201", ("7f3122",), "starts routine 02 01: refused: conditions not correct"),
        ("31ff0201", ("7f3112",), "routine 02 01: refused: sub function not supported"),
        ("1101", ("7f11fe",), "resets the unit: refused: code FE"),
        ("1003", ("50030032",), "asks for session 03: answered"),
        ("190209", ("59022f911c042f911c0628",), "reads fault codes: answered, 2 codes"),
        ("190209", ("59022f",), "reads fault codes: answered, no code"),
        ("190109", ("59012f010003",), "reads fault codes: answered, 3 codes"),
        ("14ffffff", ("54",), "clears fault codes: answered"),
        ("2701", ("670112345678",), "asks for access: answered"),
        ("2f10100300", ("6f10100300",), "drives output 10 10: answered"),
        ("0902", ("490201",), "service 09 vehicle information 02: answered"),
    ],
)
def test_words(tmp_path: Path, request_: str, answers: tuple[str, ...], words: str) -> None:
    car = Recording()
    car.ask(request_, *answers)
    (exchange,) = read_dialogue(car.write(tmp_path / "a.log")).exchanges
    assert exchange_words(exchange) == words


def test_where_nothing_came(tmp_path: Path) -> None:
    car = Recording()
    car.ask("22d010", "62d01001")
    car.ask("22d011")
    car.go_on(6)
    car.ask("22d012")
    spoken = read_dialogue(car.write(tmp_path / "a.log")).exchanges
    assert [exchange_words(it) for it in spoken[1:]] == [
        "reads identifier D0 11: no answer",
        "reads identifier D0 12: unknown, the recording ends before",
    ]


@pytest.mark.slow
def test_in_a_table_of_which_somebody_says_how(tmp_path: Path) -> None:
    """What was said about a table when it was checked counts when its dialogue is read, for a picture and a record."""
    rows = []
    for line in SAMPLE.read_text("ascii").splitlines():
        stamp, _, frame = line.split()[:3]
        can_id, data = frame.split("#")
        if int(can_id, 16) < 0x800:
            rows.append(f"{stamp.strip('()')};{int(can_id, 16)};{len(data) // 2};{data}")
    path = tmp_path / "table.csv"
    path.write_text("\n".join(["Time;ID;Length;Data", *rows]) + "\n", "ascii")
    result = check(
        path, table=TableSettings(id_base=10), expectations=ROOT / "signal_defs" / "steering_lock_tester.toml"
    )
    assert LANE in with_dialogue(result).timelines
    for base, asks in ((10, 0x7A0), (16, 0x1952)):
        (dialogue,) = heard([replace(result, table=TableSettings(id_base=base))]).values()
        assert [pair.request.can_id for pair in dialogue.pairs] == [asks]


def test_lane(sample: Result) -> None:
    shown = with_dialogue(sample)
    lane = shown.timelines[LANE]
    spoken = [it for it in read_dialogue(SAMPLE).exchanges if it.request.data[0] != 0x3E]
    words = [exchange_words(it) for it in spoken]
    firsts = [k for k, text in enumerate(words) if k == 0 or text != words[k - 1]]
    assert lane.seen_ns[1:].tolist() == [spoken[k].request.first_ns for k in firsts]
    told = [lane.states[k] for k in lane.state]
    assert [re.sub(r", \d+ times$", "", text) for text in told] == ["none yet", *(words[k] for k in firsts)]
    assert "reads identifier D0 12: answered, 12 times" in told
    assert LANE in choose(shown, []).roles
    assert [it for it in shown.timelines if it != LANE] == list(sample.timelines)


BESIDE: Final = """
[roles.enable_at_lock]
column = "Enable at lock"
states = { off = "< 3 V", on = "> 8 V" }
[roles.listed_button]
column = "Start button"
states = { pressed = "pressed", released = "released" }
holds = "250 ms"
[align]
same = [
  ["lock_enable becomes on", "enable_at_lock becomes on"], ["lock_enable becomes off", "enable_at_lock becomes off"],
  ["start_button becomes pressed", "listed_button becomes pressed"],
  ["start_button becomes released", "listed_button becomes released"],
]
apart = "30 ms"
"""


def test_four_recordings_in_one_picture(tmp_path: Path) -> None:
    """Bus, answers to a tester, a trace and a tester's list have lanes on one axis, each with what it shows."""
    folder = SAMPLE.parents[1] / "signal_defs"
    text = (folder / "steering_lock_tester.toml").read_text("utf-8") + BESIDE
    expected = parse_expectations(text.encode(), str(folder / "four.toml"))
    bus = check(SAMPLE, expectations=expected)
    enable, button = bus.timelines["lock_enable"], bus.timelines["start_button"]
    first_ns = int(enable.seen_ns[0])

    def state(line: Timeline, ms: int) -> str:
        return line.states[line.state[max(int(line.seen_ns.searchsorted(first_ns + ms * 10**6, "right")) - 1, 0)]]

    trace = [f"{ms / 1000 + 2.5:.3f},{12.1 if state(enable, ms) == 'on' else 0.1}" for ms in range(100, 13_000, 10)]
    rows = [f"{ms / 1000 + 100:.3f};{state(button, ms)}" for ms in range(100, 13_000, 100)]
    (tmp_path / "scope.csv").write_text("\n".join(["Time (s),Enable at lock (V)", *trace]) + "\n", "ascii")
    (tmp_path / "list.csv").write_text("\n".join(["Time (s);Start button", *rows]) + "\n", "ascii")
    beside = [tmp_path / "scope.csv", tmp_path / "list.csv"]
    result = with_dialogue(check(SAMPLE, expectations=expected, beside=beside))
    assert sum("the first frame, uncertain by" in note for note in result.notes) == 2
    placed = places(result)
    view = choose(result, placed)
    assert {"lock_enable", LANE, "enable_output", "enable_at_lock", "listed_button"} <= set(view.roles)
    for one, other, name in (("lock_enable", "enable_at_lock", "on"), ("start_button", "listed_button", "pressed")):
        lanes = result.timelines[one], result.timelines[other]
        moments = [lane.seen_ns[lane.state == lane.states.index(name)][0] for lane in lanes]
        assert abs(int(moments[0]) - int(moments[1])) < 150_000_000
    drawn = " ".join(label.text for label in lay_out(result, placed, view, format_named("column"), Lettering()).labels)
    lanes = {"enable at lock", "listed button", "enable output", "latest request of a tester"}
    assert {words for words in lanes if words not in drawn} == set()
    assert "nothing recorded" not in drawn


def test_events(sample: Result) -> None:
    """Each request is a moment that the page's "next event" leads to."""
    shown = with_dialogue(sample)
    found = events(shown, {LANE: 3}, sample.origin_ns)
    refused = "tester asks for the result of routine 02 01: refused: conditions not correct"
    assert [event[2] for event in found if event[1] == refused] == [3]
    assert [event[0] for event in found] == sorted(event[0] for event in found)


def test_nobody_asked() -> None:
    silent = check(SAMPLE.with_name("car01_healthy.log"))
    assert with_dialogue(silent) is silent


def test_too_large(sample: Result, monkeypatch: pytest.MonkeyPatch) -> None:
    """A log that is not read once more says so, to who draws it and on the page."""
    monkeypatch.setattr("buslens.report.dialogue_lane.LARGEST", 170_000)
    told: list[str] = []
    shown = with_dialogue(sample, notify=told.append)
    assert LANE not in shown.timelines
    assert told == [f"{sample.path}: {shown.notes[-1]}"]
    assert "requests of a tester are not drawn" in told[0]
