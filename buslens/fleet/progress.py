"""How far a run has come, how fast it is, and how long it will take."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """A moment of a run."""

    #: Captures that have been found so far.
    listed: int = 0
    #: All that there are; None until the last one has been found.
    total: int | None = None
    #: Captures that were checked in this run, troubles among them.
    judged: int = 0
    #: Captures that were checked before, or whose content was.
    known: int = 0
    #: Of those checked in this run, those that have no verdict.
    troubled: int = 0
    #: Since the run began.
    seconds: float = 0.0

    @property
    def done(self) -> int:
        """Captures that need no more work."""
        return self.judged + self.known

    @property
    def rate(self) -> float | None:
        """Captures checked per second; None before there is one."""
        return self.judged / self.seconds if self.judged and self.seconds > 0 else None

    @property
    def remaining_s(self) -> float | None:
        """Seconds that the rest will take at this rate; None as long as nobody can know."""
        if self.total is None or self.rate is None:
            return None
        return max(self.total - self.done, 0) / self.rate
