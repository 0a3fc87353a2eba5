"""What a draft of a new car shows, as plain values."""

import re
from dataclasses import dataclass

from buslens.desk.view import LayoutView


@dataclass(frozen=True, slots=True, kw_only=True)
class CandidateView:
    """One signal that may be a role."""

    name: str
    #: What speaks for it and against it.
    reasons: tuple[str, ...]
    #: Whether it comes first, by what the captures show or by a person's choice.
    is_taken: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class RoleView:
    """One role, and the signals that may be it."""

    role: str
    title: str
    is_certain: bool
    #: Why it is not certain, or what to look at although it is.
    doubt: str
    candidates: tuple[CandidateView, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class RuleView:
    """One rule, as the file will have it."""

    name: str
    #: How often it was measured; empty where nothing is.
    measured: str
    #: Why it stands as a comment only; empty if it stands.
    problem: str
    #: Remarks and lines of the file.
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DraftView:
    """A draft of the expectations for a new car."""

    text: str = ""
    roles: tuple[RoleView, ...] = ()
    rules: tuple[RuleView, ...] = ()
    #: Capture, verdict, and why.
    tried: tuple[tuple[str, str, str], ...] = ()
    #: What is left to record, or to decide.
    missing: tuple[str, ...] = ()
    #: The candidates around the first handshake, as SVG; empty where nothing can be drawn.
    picture: bytes = b""
    problem: str = ""
    #: For a table that cannot be read, or of which something was said.
    layout: LayoutView | None = None

    @property
    def text_without_open_points(self) -> str:
        """The file of a person who has decided to do without what could not be found."""
        return re.sub(r"(?m)^to_decide = \[.*\]\n", "", self.text)
