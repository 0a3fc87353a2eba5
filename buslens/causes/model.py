"""What a causes file says: signs, causes, measurements and the numbers behind its words, free of how it was written."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Literal

from buslens.checks.findings import Outcome
from buslens.errors import SourceLocation
from buslens.expectations.model import WrittenCondition


class Frequency(Enum):
    """How often a cause shows a sign; the file says which numbers these stand for."""

    USUAL = "usual"
    SOMETIMES = "sometimes"
    RARE = "rare"
    #: Not from this cause, though another one beside it may show the sign.
    NEVER = "never"
    #: The cause makes the sign impossible, even together with a cause that would show it.
    CANNOT = "cannot"


class CauseKind(Enum):
    """What sort of thing a cause is, and so how cheap it is to look at and to put right."""

    RECORDING = "recording"
    FUSE = "fuse"
    CONNECTOR = "connector"
    WIRE = "wire"
    SUPPLY = "supply"
    TEACHING = "teaching"
    #: Something to be freed, cleaned or set, without a new part.
    MECHANICAL = "mechanical"
    #: Nothing is broken: a condition for the release is not met.
    CONDITION = "condition"
    PART = "part"
    #: The vehicle is healthy.
    NOTHING = "nothing"
    #: Whatever the file does not name.
    OTHER = "other"

    @property
    def is_cheap(self) -> bool:
        """Whether it has to be ruled out before a part is replaced."""
        return self in {
            CauseKind.FUSE,
            CauseKind.CONNECTOR,
            CauseKind.WIRE,
            CauseKind.SUPPLY,
            CauseKind.CONDITION,
            CauseKind.RECORDING,
        }

    @property
    def is_in_vehicle(self) -> bool:
        """Whether the vehicle is not as it should be."""
        return self not in {CauseKind.NOTHING, CauseKind.RECORDING}

    @property
    def pairs(self) -> bool:
        """Whether it can be wrong together with something else."""
        return self not in {CauseKind.NOTHING, CauseKind.OTHER}


@dataclass(frozen=True, slots=True, kw_only=True)
class Probabilities:
    """What the words of the file stand for."""

    #: Probability that a sign shows, for each word.
    often: Mapping[Frequency, float]
    #: Probability that a measurement shows what the file says of a cause.
    reading: float
    #: Causes whose likelihoods differ by less than this factor count as not told apart.
    apart: float
    #: A cause this probable is acted on.
    sure: float
    #: The weights count like so many confirmed jobs when a workshop's own are counted.
    worth: float = 20.0
    basis: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingPattern:
    """Some findings: of a rule, or of one of its steps, with one of some outcomes."""

    #: None: of any rule.
    rule: str | None = None
    step: str | None = None
    outcomes: frozenset[Outcome]
    #: Steps of the same rule of which one must have come in the same handshake; empty: none needs to.
    came: frozenset[str] = frozenset()
    #: Only behind a finding of the same rule and step that has one of these outcomes; empty: anywhere.
    after: frozenset[Outcome] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Sign:
    """Something out of the ordinary that a capture can show."""

    name: str
    #: One clause for a person.
    shows: str
    #: Any of these findings shows it; empty if `seen` says.
    findings: tuple[FindingPattern, ...] = ()
    #: It shows when this holds; None if `findings` or `discontinuity` says.
    seen: WrittenCondition | None = None
    #: Looked for only while this holds; None: always.
    while_: WrittenCondition | None = None
    #: So many separate times.
    times: int = 1
    #: It shows when the recorded clock ran back.
    discontinuity: bool = False
    #: When it shows, these findings are told by it, though they are no evidence of their own.
    accounts_for: tuple[FindingPattern, ...] = ()
    #: What it rests on is no evidence behind one of these in the same capture.
    not_after: tuple[FindingPattern, ...] = ()
    #: False for a fault that no sign of the file tells, which stands as a sign that no cause names.
    is_own: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """Something that can be wrong with the vehicle and would explain findings."""

    name: str
    #: In a few words.
    title: str
    kind: CauseKind
    #: How common beforehand, in any unit: only the ratios count.
    weight: float
    #: Sign -> how often it shows; those not named show as `otherwise` says.
    signs: Mapping[str, Frequency]
    otherwise: Frequency = Frequency.RARE
    #: Measurement -> results that it would show, each as likely; those not named show what is expected.
    readings: Mapping[str, tuple[str, ...]]
    #: Nothing is known of what measurements would show.
    any_reading: bool = False
    #: Repair.
    repair: str
    #: What to heed before it, whole sentences.
    cautions: tuple[str, ...] = ()
    #: Where all that is from.
    basis: str
    source: SourceLocation | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultRange:
    """One result of a measurement: a name, and the readings that count as it."""

    name: str
    #: In the measurement's unit, included; None for no limit, or for a result that is a word only.
    least: float | None = None
    #: In the measurement's unit, not included; None for no limit.
    below: float | None = None
    #: What it means, in a few words.
    means: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TracedReading:
    """Which level of a role in a recording answers a measurement."""

    role: str
    #: It counts only while this surely holds.
    while_: WrittenCondition
    takes: Literal["lowest", "highest"]
    #: So long a level has to last, ns.
    lasting_ns: int
    #: Sign that says the same of a recording; empty: none.
    said_by: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurement:
    """Something a person can do at the vehicle to tell causes apart."""

    name: str
    #: What to do, one sentence.
    do: str
    #: Where.
    where: str
    #: With what in which state.
    state: str
    #: Unit of the reading; empty if the results are words only.
    unit: str = ""
    minutes: float
    results: tuple[ResultRange, ...]
    #: The result that a healthy vehicle shows.
    expect: str
    #: The result that any cause in the vehicle shows unless it says something else; empty: the same.
    with_fault: str = ""
    #: Where the limits come from.
    basis: str
    #: What to heed before it, whole sentences.
    cautions: tuple[str, ...] = ()
    #: What of a recording answers it; None: a person measures.
    trace: TracedReading | None = None

    def result(self, name: str) -> ResultRange:
        """Return the result of that name."""
        return next(window for window in self.results if window.name == name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Causes:
    """One causes file."""

    path: str
    #: What it describes, as its user says.
    about: str
    numbers: Probabilities
    signs: Mapping[str, Sign]
    causes: Mapping[str, Cause]
    measurements: Mapping[str, Measurement]
    #: Sign -> why these expectations cannot show it; causes do without it.
    lost: Mapping[str, str] = field(default_factory=dict)
    #: Base files, the nearest first.
    bases: tuple[str, ...] = ()
