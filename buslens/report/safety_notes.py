"""What must stand beside a verdict that sends somebody to a steering lock."""

from collections.abc import Iterator, Sequence
from typing import Final

from buslens.checks.findings import Verdict
from buslens.report.paragraphs import MARGIN, Paragraph, StyledText, TextStyle, paragraph

CAUTIONS: Final = (
    "Never defeat a steering lock or drive with one in doubt.",
    "The airbag lies beside it: follow the maker's power-down wait.",
    "Only people who may do it pair keys and lock units, with proof of ownership.",
    "Local law, the maker's procedure and a licensed professional come first.",
)
"""Sentences, shown once after whatever is faulty."""

RECORDING_CAUTIONS: Final = (
    "Park the car: parking brake on, wheels blocked; the engine may start.",
    "Some interfaces acknowledge frames as every node does, and at a wrong bit rate they disturb the bus.",
    "Record and listen with a listen-only interface, at the bit rate of the bus.",
)
"""Sentences, shown before anything is recorded at a car."""


def cautions_for(verdict: Verdict) -> tuple[str, ...]:
    """Return what to heed before the work that a verdict asks for: on the lock, or to record again."""
    return {Verdict.FAULTY: CAUTIONS, Verdict.UNDECIDED: RECORDING_CAUTIONS}.get(verdict, ())


def safety_notes(cautions: Sequence[str] = CAUTIONS) -> Iterator[Paragraph]:
    """Yield cautions for a terminal as one paragraph, behind a blank line."""
    yield paragraph()
    yield paragraph(StyledText("Safety: ", TextStyle.STRONG), " ".join(cautions), hang=MARGIN)
