from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support.stage import becomes, frames_of, holds, outcomes, perform, sampled, step
from support.traffic import ON_CAN1, Frame, columns

from buslens.capture.frames import Clock, ClockDiscontinuity, Flag, ReadStats
from buslens.capture.reduce import reduce_frames
from buslens.checks.check import check
from buslens.checks.context import EvaluationContext
from buslens.checks.evaluate import evaluate_capture, evaluate_rules
from buslens.checks.evaluate_rule import evaluate_rule
from buslens.checks.findings import Result, Verdict
from buslens.checks.setup import plan_tracks, prepare
from buslens.definitions.load import load_definitions
from buslens.definitions.model import Definitions, Message, Signal
from buslens.errors import CaptureError, DefinitionError, ExpectationError, UnrelatedCaptureError, UsageError
from buslens.expectations.load import load_expectations
from buslens.expectations.model import (
    Agree,
    Alive,
    AnyRule,
    Expectations,
    Never,
    Precedes,
    Pulse,
    Range,
    Role,
    Sequence,
    Timeout,
)
from buslens.timeline.history import CYCLES_PER_TIMEOUT, NO_TIMEOUT, CaptureHistory
from buslens.units import NS_PER_MS

LOCK = Signal(name="LOCK", start=0, length=8, labels={0: "open", 1: "shut", 2: "shut", 3: "fault"})
COLUMN = Message(name="COLUMN", can_id=0x100, length=1, cycle_ns=20 * NS_PER_MS, signals=(LOCK,))
QUIET = Message(name="QUIET", can_id=0x200, length=1, signals=(LOCK,))
DEFINED = Definitions(messages=(COLUMN, QUIET), paths=("column.dbc",))


def role(name: str = "lock", message: str = "COLUMN", **fields: object) -> Role:
    states = {"locked": ("shut",), "free": ("open",)}
    return Role(**{"name": name, "message": message, "signal": "LOCK", "states": states, **fields})  # type: ignore[arg-type]


def expected(*rules: AnyRule, roles: list[Role] | None = None) -> Expectations:
    return Expectations(path="lock.toml", roles={it.name: it for it in roles or [role()]}, rules=rules)


class TestPlanTracks:
    """Every role is followed, and every message that must keep coming."""

    @pytest.mark.parametrize(
        ("followed", "timeout"),
        [
            (role(timeout=7), 7),
            (role(timeout=Timeout.NEVER), NO_TIMEOUT),
            (role(), CYCLES_PER_TIMEOUT * 20 * NS_PER_MS),
            (role(message="QUIET"), None),
        ],
        ids=["given", "never", "from the definitions", "to be measured"],
    )
    def test_timeout_of_a_role(self, followed: Role, timeout: int | None) -> None:
        (track,) = plan_tracks(expected(roles=[followed]), DEFINED)
        assert (track.name, track.signal, track.timeout_ns) == ("lock", LOCK, timeout)

    @pytest.mark.parametrize(
        ("rule", "timeout"),
        [
            (Alive(name="a", message="COLUMN", timeout_ns=5), 5),
            (Alive(name="a", message="COLUMN", cycle_ns=10), 30),
            (Alive(name="a", message="COLUMN"), 60 * NS_PER_MS),
            (Alive(name="a", message="QUIET"), None),
        ],
        ids=["timeout", "cycle", "from the definitions", "to be measured"],
    )
    def test_timeout_of_a_message(self, rule: Alive, timeout: int | None) -> None:
        track = plan_tracks(expected(rule), DEFINED)[-1]
        assert (track.message.name, track.signal, track.timeout_ns) == (rule.message, None, timeout)

    def test_unknown_message(self) -> None:
        with pytest.raises(DefinitionError, match=r"no message 'COLUM' in column.dbc; did you mean 'COLUMN'\?"):
            plan_tracks(expected(roles=[role(message="COLUM")]), DEFINED)


def recorded(expectations: Expectations, definitions: Definitions, frames: list[Frame], **stats: object) -> Result:
    recorder = CaptureHistory(plan_tracks(expectations, definitions))
    recorder.add(columns(frames))
    recorder.finish()
    account = {"frames": len(frames), "first_ns": frames[0].time, "last_ns": frames[-1].time, **stats}
    return evaluate_rules("log", expectations, recorder, ReadStats(**account))  # type: ignore[arg-type]


class TestStates:
    def test_labels_and_raw_values(self) -> None:
        """A label stands for every raw value that bears it, a number for itself; the rest is unknown."""
        several = role(states={"locked": ("shut",), "free": ("open", 7)})
        frames = [Frame(10 * index, 0x100, (raw,)) for index, raw in enumerate([0, 1, 2, 7, 3])]
        lock = recorded(expected(roles=[several]), DEFINED, frames).timelines["lock"]
        shown = [
            (int(seen), lock.states[code] if code >= 0 else "")
            for seen, code in zip(lock.seen_ns, lock.state, strict=True)
        ]
        assert shown == [(0, "free"), (10, "locked"), (30, "free"), (40, "")]


class TestNotes:
    """What is no finding, but a person should know."""

    def test_message_that_is_not_there(self) -> None:
        result = recorded(expected(), DEFINED, [Frame(0, 0x300)])
        assert result.notes == ("COLUMN (id 100) is not in the capture",)

    def test_message_on_two_channels(self) -> None:
        result = recorded(expected(), DEFINED, [Frame(0, 0x100, (1,), 0), Frame(1, 0x100, (1,), 1)])
        (note,) = result.notes
        assert note == (
            "COLUMN came on can0, can1, and was read from all of them as one; where they contradict each other a role"
            " is unknown, unless 'channel' ties it to one of them"
        )

    def test_message_from_several_senders(self) -> None:
        group = replace(COLUMN, can_id=0xFEF100, is_extended=True, id_mask=0x3FFFF00)
        definitions = Definitions(messages=(group,))
        one, other = (Frame(time, 0x18FEF100 + time, (1,), flags=int(Flag.EXTENDED)) for time in (1, 10))
        assert recorded(expected(), definitions, [one]).notes == ()
        assert recorded(expected(), definitions, [one, other]).notes == (
            (
                "COLUMN came with ids 18FEF101, 18FEF10A, and was read from all of them as one; where sources"
                " contradict each other a role is unknown, unless 'source' ties it to one of them"
            ),
        )

    def test_message_that_the_definitions_know_on_several_channels(self) -> None:
        """The one that they name first is read; the others are told, each once."""
        messages = [replace(COLUMN, channel=channel) for channel in ("can1", None, "can2", "can2")]
        frames = [Frame(0, 0x100, (1,), 1)]
        result = recorded(expected(), Definitions(messages=tuple(messages)), frames)
        assert result.notes == (
            "the definitions know COLUMN on can1 and on the others, can2; it was read from can1, which they name first",
        )
        (note,) = recorded(expected(), Definitions(messages=tuple(messages[1:])), frames).notes
        assert note == (
            "the definitions know COLUMN on every channel and on can2; it was read from every channel, which they name"
            " first"
        )
        (_, alive) = plan_tracks(expected(Alive(name="a", message="COLUMN")), Definitions(messages=tuple(messages)))
        assert alive.ignored_channels == ("the others", "can2")

    def test_message_that_is_not_on_its_channel(self) -> None:
        definitions = Definitions(messages=(replace(COLUMN, channel="can1"),))
        result = recorded(expected(), definitions, [Frame(0, 0x100, (1,), 0)])
        assert result.notes == ("COLUMN (id 100) is not in the capture on can1, to which its definitions are tied",)

    @pytest.mark.parametrize(
        ("discontinuity", "what"),
        [
            (ClockDiscontinuity(time_ns=1, line=7, back_ns=1_500_000_000), "recorder clock jumped back by 1.5 s"),
            (ClockDiscontinuity(time_ns=1, line=7, back_ns=1), "recorder clock jumped back by 1 ns"),
            (ClockDiscontinuity(time_ns=1, line=7, back_ns=0), "the stamps of the log restart in a new block"),
            (
                ClockDiscontinuity(time_ns=1, line=7, back_ns=-5, is_hole=True),
                "zero bytes stand before it, as a loss of power leaves them; what was recorded there is lost",
            ),
            (
                ClockDiscontinuity(time_ns=1, line=7, back_ns=1, is_lost=True),
                "unreadable relative time stamp; elapsed time unknown",
            ),
        ],
    )
    def test_each_kind_of_discontinuity(self, discontinuity: ClockDiscontinuity, what: str) -> None:
        result = recorded(expected(), DEFINED, [Frame(0, 0x100, (1,))], discontinuities=[discontinuity])
        assert result.notes == (
            f"line 7: {what}; every role is unknown there until its next frame, and times count on from before it",
        )

    @pytest.mark.parametrize(("discontinuities", "told", "more"), [(5, 5, []), (6, 6, ["the same at 1 more places"])])
    def test_many_discontinuities(self, discontinuities: int, told: int, more: list[str]) -> None:
        where = [ClockDiscontinuity(time_ns=at, line=at, back_ns=1) for at in range(1, discontinuities + 1)]
        notes = recorded(expected(), DEFINED, [Frame(0, 0x100, (1,)), Frame(99, 0x300)], discontinuities=where).notes
        assert [note.split(":")[0] for note in notes] == [*(f"line {line}" for line in range(1, 6)), *more]
        assert len(notes) == told

    def test_message_tied_to_a_channel(self) -> None:
        definitions = Definitions(messages=(replace(ON_CAN1, name="COLUMN", signals=(LOCK,)),))
        frames = [Frame(0, ON_CAN1.can_id, (0,), 0), Frame(5, ON_CAN1.can_id, (1,), 1)]
        result = recorded(expected(), definitions, frames)
        assert result.notes == ()
        assert result.timelines["lock"].state.tolist() == [-1, 0]

    def test_channel_that_the_log_calls_otherwise(self) -> None:
        definitions = Definitions(messages=(replace(ON_CAN1, name="COLUMN", channel="body", signals=(LOCK,)),))
        frames = [Frame(0, ON_CAN1.can_id, (0,), 0), Frame(5, ON_CAN1.can_id, (1,), 1)]
        recorder = CaptureHistory(plan_tracks(expected(), definitions), {"can1": "body"})
        recorder.add(columns(frames))
        recorder.finish()
        assert recorder.messages[0].channels == {"can1"}
        assert recorder.messages[0].frames == 1

    def test_order_discontinuities_and_error_frames(self) -> None:
        discontinuity = ClockDiscontinuity(time_ns=1, line=7, back_ns=2 * 10**9)
        result = recorded(
            expected(),
            DEFINED,
            [Frame(0, 0x100, (1,))],
            reordered=3,
            errors=2,
            discontinuities=[discontinuity],
            notes=["odd date"],
        )
        assert [note.split(":")[0].split(" ")[0] for note in result.notes] == ["odd", "3", "line", "2"]
        assert "clock jumped back by 2 s" in result.notes[2]
        assert result.notes[1] == "3 frames came up to 100 ms behind one of another channel; they were merged by time"
        assert result.notes[3] == "2 error frames were recorded: look at the bus itself, its wiring and its nodes"


class TestJudge:
    def test_timelines_come_in_the_order_of_the_roles(self) -> None:
        roles = [role("b", "QUIET"), role("a"), role("c", "QUIET")]
        rule = Alive(name="alive", message="COLUMN")
        result = recorded(expected(rule, roles=roles), DEFINED, [Frame(0, 0x100, (1,))])
        assert list(result.timelines) == ["b", "a", "c"]

    def test_capture_that_begins_at_another_time(self) -> None:
        """What is told of the beginning is told of the first frame, whatever its stamp."""
        rule = Alive(name="alive", message="COLUMN", timeout_ns=5)
        result = recorded(expected(rule), DEFINED, [Frame(1000, 0x300), Frame(1020, 0x100, (1,))])
        assert result.findings[0].time_ns == 1000
        assert result.timelines["lock"].seen_ns.tolist() == [1000, 1020]

    def test_capture_of_one_moment(self) -> None:
        rule = Alive(name="alive", message="COLUMN", timeout_ns=5)
        result = recorded(expected(rule), DEFINED, [Frame(0, 0x300)])
        assert result.timelines["lock"].end_ns == 0
        assert result.findings[0].reason == "no COLUMN frame in 0 ms, the whole capture; expected every 20 ms"

    def test_all_that_is_handed_on(self) -> None:
        """Handshakes of each sequence, the expectations themselves, and where the capture was."""
        frames = [Frame(10 * index, 0x100, (raw,)) for index, raw in enumerate([0, 1, 0, 1, 0, 0])]
        steps = (step("free", "lock", "free", within=50),)
        given = expected(*(Sequence(name=name, start=becomes("lock", "locked"), steps=steps) for name in "ab"))
        result = recorded(given, DEFINED, frames)
        assert [(run.rule, run.number) for run in result.handshakes] == [("a", 1), ("a", 2), ("b", 1), ("b", 2)]
        assert result.expectations is given
        assert (result.path, result.summary) == (
            "log",
            "4 complete handshakes; all tested rules OK",
        )

    def test_findings_come_in_the_order_of_the_rules(self) -> None:
        rules = [Never(name=name, when=holds("lock", "locked")) for name in "ba"]
        result = recorded(expected(*rules), DEFINED, [Frame(0, 0x100, (1,)), Frame(9, 0x100, (0,))])
        assert outcomes(result) == [("b", "violated"), ("b", "met"), ("a", "violated"), ("a", "met")]

    def test_basis_is_handed_on(self) -> None:
        rule = Never(name="never", when=holds("lock", "locked"), basis="invented for a test")
        result = recorded(expected(rule), DEFINED, [Frame(0, 0x100, (1,))])
        assert {finding.basis for finding in result.findings} == {"invented for a test"}

    def test_unexercised(self) -> None:
        result = recorded(
            expected(Pulse(name="pulse", of=holds("lock", "locked"), most_ns=5)), DEFINED, [Frame(0, 0x100, (0,))]
        )
        assert result.unexercised == ("pulse",)
        assert result.verdict is Verdict.UNDECIDED

    def test_without_rules(self) -> None:
        assert recorded(expected(), DEFINED, [Frame(0, 0x100, (0,))]).verdict is Verdict.UNDECIDED


RULES: list[AnyRule] = [
    Sequence(name="s", start=becomes("a", "on"), steps=(step("b", "b", "on", within=50),)),
    Pulse(name="p", of=holds("a", "on"), most_ns=5),
    Never(name="n", when=holds("a", "on"), longer_than_ns=5),
    Agree(name="g", first=holds("a", "on"), second=holds("b", "on"), settle_ns=5),
    Alive(name="l", message="A"),
    Range(name="r", of="u", least=3, longer_than_ns=5),
    Precedes(name="f", first=becomes("a", "on"), then=becomes("b", "on"), within_ns=5),
]


class TestUntimed:
    """Without time stamps every rule but a sequence that needs them is undecided, and says so once."""

    @pytest.mark.parametrize(
        "rule", [it for it in RULES if not isinstance(it, Sequence)], ids=lambda rule: type(rule).__name__.lower()
    )
    def test_each_kind(self, rule: AnyRule) -> None:
        samples = {
            "a": sampled([(0, "off"), (50, "on"), (90, "off")], every=10, until=200),
            "b": sampled([(0, "off"), (70, "on")], every=10, until=200),
            "u": [(0.0, 1.0), (10.0, 5.0)],
        }
        result = perform(samples, replace(rule, basis="invented"), clock=Clock.MISSING)
        (finding,) = result.findings
        assert (finding.outcome.value, finding.kind) == ("undecided", type(rule).__name__.lower())
        assert finding.basis == "invented"
        assert finding.reason == (
            "the log carries no time stamps, so that nothing with a time limit can be checked; record again with time"
            " stamps switched on"
        )
        assert result.verdict is Verdict.UNDECIDED

    @pytest.mark.parametrize("rule", RULES, ids=lambda rule: type(rule).__name__.lower())
    def test_kind_is_the_one_that_it_has_with_a_clock(self, rule: AnyRule) -> None:
        samples = {
            "a": sampled([(0, "off"), (50, "on"), (90, "off")], every=10, until=200),
            "b": sampled([(0, "off"), (70, "on")], every=10, until=200),
            "u": [(0.0, 1.0), (10.0, 5.0)],
        }
        result = perform(samples, rule)
        assert {finding.kind for finding in result.findings} == {type(rule).__name__.lower()}

    def test_evaluate_on_an_empty_context(self) -> None:
        context = EvaluationContext(timelines={}, presences={}, first_ns=0, end_ns=0, is_timed=False)
        findings, handshakes = evaluate_rule(next(it for it in RULES if not isinstance(it, Sequence)), context)
        assert ([finding.outcome.value for finding in findings], handshakes) == (["undecided"], [])


SIGNAL_DEFS = Path(__file__).parents[2] / "signal_defs"
SAMPLE = Path(__file__).parents[2] / "sample_logs" / "car07_slow_motor.log"


def key(result: Result) -> list[tuple[str, str, int | None]]:
    return [(finding.rule, finding.outcome.value, finding.time_ns) for finding in result.findings]


class TestCheck:
    """A file goes in, and what comes out is what its frames say, whatever way its companions are named."""

    def test_without_expectations(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.chdir(tmp_path)
        with pytest.raises(UsageError, match=r"no expectations for '.*any\.log'"):
            check(tmp_path / "any.log")

    def test_expectations_beside_the_capture(self) -> None:
        assert key(check(SAMPLE)) == key(check(SAMPLE, SIGNAL_DEFS / "steering_lock.toml"))

    def test_definitions_where_expectations_belong(self) -> None:
        with pytest.raises(UsageError, match="expectations come before definitions"):
            check(SAMPLE, DEFINED)  # type: ignore[arg-type]

    def test_without_definitions(self, tmp_path: Path) -> None:
        with pytest.raises(UsageError, match=r"lock.toml names no definitions"):
            check(tmp_path / "any.log", expectations=expected())

    def test_definitions_need_not_be_there_where_others_are_given(self, tmp_path: Path) -> None:
        text = (SIGNAL_DEFS / "steering_lock.toml").read_text("utf-8")
        elsewhere = tmp_path / "elsewhere.toml"
        elsewhere.write_text(text.replace('"pinewick.dbc"', '"lost.dbc"'), "utf-8")
        result = check(SAMPLE, elsewhere, SIGNAL_DEFS / "pinewick.dbc")
        assert key(result) == key(check(SAMPLE, expectations=SIGNAL_DEFS / "steering_lock.toml"))
        with pytest.raises(ExpectationError, match=r"lost\.dbc"):
            check(SAMPLE, expectations=elsewhere)

    @pytest.mark.parametrize("form", ["none", "text", "path", "list", "loaded"])
    def test_forms_of_definitions_and_expectations(self, form: str) -> None:
        dbc, toml = SIGNAL_DEFS / "pinewick.dbc", SIGNAL_DEFS / "steering_lock.toml"
        forms = {"none": None, "text": str(dbc), "path": dbc, "list": [dbc], "loaded": load_definitions(dbc)}
        given = load_expectations(toml) if form == "loaded" else str(toml) if form == "text" else toml
        result = check(str(SAMPLE) if form == "text" else SAMPLE, given, forms[form])  # type: ignore[arg-type]
        assert result.path == str(SAMPLE)
        assert result.verdict is Verdict.FAULTY
        assert key(result) == key(check(SAMPLE, toml, dbc))

    def test_ground_names_the_definitions_that_are_used(self) -> None:
        dbc, toml = SIGNAL_DEFS / "pinewick.dbc", SIGNAL_DEFS / "steering_lock.toml"
        named = prepare(toml)
        assert [Path(it.path).name for it in named.expectations.definitions] == ["pinewick.dbc"]
        assert named.expectations.definitions == load_expectations(toml).definitions
        assert named.definitions.paths == load_definitions(dbc).paths
        given = prepare(expected(), DEFINED)
        assert [it.path for it in given.expectations.definitions] == ["column.dbc"]
        assert given.definitions is DEFINED
        assert [track.name for track in given.tracks] == ["lock"]

    def test_clock_that_runs_back_too_often(self) -> None:
        recorder = CaptureHistory(plan_tracks(expected(), DEFINED))
        stats = ReadStats(
            frames=9,
            first_ns=0,
            last_ns=5,
            discontinuities=[ClockDiscontinuity(time_ns=1, line=7, back_ns=10**9)],
            unlisted_discontinuities=1999,
        )
        with pytest.raises(CaptureError) as caught:
            evaluate_capture("wild.log", expected(), recorder, stats)
        assert str(caught.value) == (
            "wild.log: its clock runs back 2,000 times, so that no delay in it can be trusted; sort the lines by their"
            " stamps if they stand in the wrong order, or record again"
        )

    def test_from_a_log(self, tmp_path: Path) -> None:
        log = column_log(tmp_path)
        rule = Never(name="never", when=holds("lock", "locked"))
        result = check(log, expected(rule), DEFINED)
        assert outcomes(result) == [("never", "violated"), ("never", "met")]
        assert result.findings[0].time_ns == 500 * NS_PER_MS
        assert (result.stats.frames, result.origin_ns) == (51, 0)

    def test_names_of_channels(self, tmp_path: Path) -> None:
        tied = Definitions(messages=(replace(COLUMN, channel="body"),))
        rule = Never(name="never", when=holds("lock", "locked"))
        renamed = check(column_log(tmp_path), expected(rule), tied, channels={"can0": "body"})
        assert outcomes(renamed) == [("never", "violated"), ("never", "met")]
        with pytest.raises(UnrelatedCaptureError, match="is on can0, and its definitions are tied to body"):
            check(column_log(tmp_path), expected(rule), tied)

    def test_no_frame(self, tmp_path: Path) -> None:
        log = tmp_path / "empty.asc"
        log.write_text("date Wed Nov 25 10:00:00 am 2026\nbase hex timestamps absolute\n", "ascii")
        with pytest.raises(CaptureError) as caught:
            check(log, expected(), DEFINED)
        assert str(caught.value) == f"{log}: no frame in it could be read"

    @pytest.mark.parametrize(
        ("followed", "workers"), [(role(), 3), (role(message="QUIET"), 1)], ids=["known cycle", "measured cycle"]
    )
    def test_how_it_is_read(
        self, followed: Role, workers: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Only what is asked for is handed on; a cycle that has to be measured is measured by one thread."""
        asked: dict[str, Any] = {}

        def spy(capture: object, **how: Any) -> object:
            asked.update(how)
            return reduce_frames(capture, **how)  # type: ignore[arg-type]

        monkeypatch.setattr("buslens.capture.reduce.reduce_frames", spy)

        def notify(_sentence: str) -> None: ...

        message = DEFINED.message(followed.message)
        log = column_log(tmp_path)
        log.write_text(log.read_text("ascii") + f"(1.000000) can0 {message.can_id:03X}#01\n", "ascii")
        check(log, expected(roles=[followed]), DEFINED, workers=3, notify=notify)
        assert (asked["workers"], asked["notify"]) == (workers, notify)
        assert (asked["wanted"].ids, asked["wanted"].groups) == (frozenset({(message.can_id, False)}), frozenset())
        assert asked["merge"] is CaptureHistory.merge

    def test_messages_of_any_sender_are_handed_on(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        group = replace(COLUMN, can_id=0xFEF100, is_extended=True, id_mask=0x3FFFF00)
        asked: dict[str, Any] = {}

        def spy(capture: object, **how: Any) -> object:
            asked.update(how)
            return reduce_frames(capture, **how)  # type: ignore[arg-type]

        monkeypatch.setattr("buslens.capture.reduce.reduce_frames", spy)
        log = column_log(tmp_path)
        log.write_text(log.read_text("ascii") + "(1.000000) can0 18FEF142#01\n", "ascii")
        assert check(log, expected(), Definitions(messages=(group,))).absent == ()
        assert asked["wanted"].groups == frozenset({group.can_id})


def column_log(folder: Path) -> Path:
    """Write a log whose one message changes after half a second."""
    samples = {"column": sampled([(0, "off"), (500, "on")], every=20, until=1000)}
    frames = frames_of(samples, {"column": 0x100}, {"column": ["off", "on"]})
    log = folder / "car.log"
    lines = [
        f"({time // 10**9}.{time % 10**9 // 1000:06d}) can0 100#{word:02X}\n"
        for time, word in zip(frames.time_ns.tolist(), frames.words.tolist(), strict=True)
    ]
    log.write_text("".join(lines), encoding="ascii")
    return log
