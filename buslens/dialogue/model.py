"""What a dialogue is made of: addresses, messages, and requests with their answers."""

from dataclasses import dataclass, field
from enum import Enum
from typing import NamedTuple


class Address(NamedTuple):
    """Who sent: an identifier, and in extended and mixed addressing the byte before the protocol's own."""

    channel: str
    can_id: int
    is_extended: bool
    #: Target address or address extension (ISO 15765-2), the first byte of each frame; None in normal addressing.
    byte: int | None = None

    def __str__(self) -> str:
        number = f"{self.can_id:08X}" if self.is_extended else f"{self.can_id:03X}"
        return number if self.byte is None else f"{number}.{self.byte:02X}"


class HowFound(Enum):
    """Why two addresses are taken for partners."""

    GIVEN = "given"
    FLOW_CONTROL = "flow control"
    NUMBERS = "identifiers that belong together"
    ANSWERS = "matching answers"


class AddressPair(NamedTuple):
    """Who asks and who answers."""

    request: Address
    answer: Address
    found: HowFound


class MessageEnd(Enum):
    """How a message ended; only a complete one is decoded beyond the bytes before its first gap."""

    COMPLETE = "complete"
    LOST = "frames lost"
    TIMED_OUT = "no further frame within 1 s"
    INTERRUPTED = "another message began"
    REFUSED = "refused by the receiver: no room"
    DISCONTINUITY = "clock discontinuity"
    CUT = "the recording ends"


@dataclass(frozen=True, slots=True, kw_only=True)
class TransportMessage:
    """A message of one sender, from one frame or several."""

    sender: Address
    #: Bytes from the first on, as far as no frame is missing.
    data: bytes
    #: Bytes that the sender announced.
    length: int
    #: First and last recorded frame of it, ns on the capture's axis.
    first_ns: int
    last_ns: int
    end: MessageEnd
    #: Whether its last frame was recorded, so that `last_ns` is when it ended.
    is_end_seen: bool

    @property
    def is_complete(self) -> bool:
        """Whether every byte is known."""
        return self.end is MessageEnd.COMPLETE


@dataclass(slots=True, kw_only=True)
class TransportCounts:
    """What the frames of one sender were (ISO 15765-2); each frame is in exactly one of the first six."""

    single: int = 0
    first: int = 0
    consecutive: int = 0
    flow_control: int = 0
    #: The frame before once more: same number, same bytes.
    repeated: int = 0
    #: Frames that this protocol does not have.
    invalid: int = 0
    #: Of the consecutive frames, those without a first frame before them.
    unexpected: int = 0
    #: Pairs of consecutive frames whose numbers are exchanged.
    out_of_order: int = 0
    #: Frames that are missing at least, by the gaps in their numbers.
    lost: int = 0
    #: Times of the unexpected frames, ns: something of their sender was not recorded there.
    unexpected_ns: list[int] = field(default_factory=list)

    @property
    def frames(self) -> int:
        """All frames."""
        return self.single + self.first + self.consecutive + self.flow_control + self.repeated + self.invalid


class AnswerOutcome(Enum):
    """What became of a request."""

    ANSWERED = "answered"
    REFUSED = "refused"
    NOT_WANTED = "no answer wanted"
    NO_ANSWER = "no answer"
    UNKNOWN = "unknown"


class AnswerDelay(NamedTuple):
    """Time from the end of a request to the begin of its answer, ns; it lies between the two, both included."""

    earliest_ns: int
    latest_ns: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """The last word of one unit on a request."""

    message: TransportMessage
    delay: AnswerDelay
    #: "Response pending" (0x78) before it.
    pending: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """A request and what came back."""

    request: TransportMessage
    answers: tuple[Answer, ...]
    outcome: AnswerOutcome
    #: Why the outcome is unknown; else empty.
    reason: str = ""
