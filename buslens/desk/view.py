"""What a job shows, as plain values: made by a worker, filled into pages by the server, which loads no NumPy."""

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutField:
    """One thing that can be said about a table."""

    #: As in the file that ``--table`` takes.
    key: str
    label: str
    #: Empty for a column.
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutView:
    """A table whose layout a person can say."""

    #: Folder and name.
    capture: str
    #: Its first rows, all of one length.
    rows: tuple[tuple[str, ...], ...]
    fields: tuple[LayoutField, ...]
    #: What was said, by key.
    said: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureView:
    """One capture."""

    side: str
    name: str
    #: "faulty", "undecided", "as_expected"; empty if it cannot be read.
    verdict: str = ""
    #: The verdict as a sentence, or why the capture cannot be read.
    sentence: str = ""
    #: How the recording is.
    facts: str = ""
    #: For a table that cannot be read, or of which something was said.
    layout: LayoutView | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class WrongView:
    """What is wrong in the capture that shows it best."""

    name: str
    verdict: str
    sentence: str
    #: Parts of the page, as HTML that is safe.
    evidence: str
    findings: str
    #: Whether somebody may go to work on the car.
    is_faulty: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseView:
    """One cause that is in question."""

    name: str
    title: str
    #: In words, such as "93 %".
    share: str
    percent: float
    #: Before the latest reading; None without readings.
    percent_before: float | None = None
    #: What speaks for it and against it.
    case: str = ""
    repair: str = ""
    #: What to heed before the repair.
    cautions: tuple[str, ...] = ()
    is_leading: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultView:
    """One result that a measurement can have."""

    name: str
    #: As people write it.
    words: str
    #: Readings that count as it; empty if it is a word only.
    limits: str = ""
    means: str = ""
    #: How likely it is; empty where that was not worked out.
    chance: str = ""
    #: What it would leave.
    leaves: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasurementView:
    """Something to measure, or that was measured."""

    name: str
    title: str
    do: str
    where: str
    state: str
    minutes: str
    unit: str
    expected: str
    cautions: tuple[str, ...]
    basis: str
    results: tuple[ResultView, ...]
    #: What was read; empty if it was not measured yet.
    reading: str = ""
    #: Name of the result that the reading counts as.
    result: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TallyView:
    """Complete handshakes of one rule since the repair, against those that are needed."""

    rule: str
    words: str
    clean: int
    #: None where none are needed.
    needed: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeView:
    """One rule or step before and after."""

    name: str
    change: str
    before: str
    after: str
    allowed: str
    is_wrong: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class ProofView:
    """What the captures after the repair prove, or what they will have to."""

    #: Empty before there are any.
    sentence: str = ""
    conclusion: str = ""
    #: What has still to be recorded without a fault; empty for nothing.
    more: str = ""
    tallies: tuple[TallyView, ...] = ()
    changes: tuple[ChangeView, ...] = ()
    lines: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    #: What to do at the car while recording.
    how: tuple[str, ...] = ()
    #: Before and after, as HTML that is safe: title and drawing.
    figures: tuple[tuple[str, str], ...] = ()
    problem: str = ""

    @property
    def missing(self) -> int:
        """How many complete handshakes are still to be recorded, of the rule that lacks most."""
        return max((it.needed - it.clean for it in self.tallies if it.needed is not None), default=0)


@dataclass(frozen=True, slots=True, kw_only=True)
class JobView:
    """Everything about a job that its captures and readings say."""

    captures: tuple[CaptureView, ...] = ()
    wrong: WrongView | None = None
    #: "measure", "repair", "examine", "record", "nothing"; empty while there is nothing to explain.
    step: str = ""
    #: What to do next, one sentence.
    advice: str = ""
    causes: tuple[CauseView, ...] = ()
    #: Over the causes, such as that the log cannot tell them apart.
    apart: str = ""
    unexplained: tuple[str, ...] = ()
    next: MeasurementView | None = None
    made: tuple[MeasurementView, ...] = ()
    skipped: tuple[MeasurementView, ...] = ()
    others: tuple[MeasurementView, ...] = ()
    proof: ProofView | None = None
    cautions: tuple[str, ...] = ()
    expectations: str = ""
    causes_file: str = ""
    basis: str = ""
    #: Why nothing could be worked out from captures that can be read.
    problem: str = ""
    #: Names of all causes and their titles, to confirm one.
    known_causes: tuple[tuple[str, str], ...] = field(default=())
