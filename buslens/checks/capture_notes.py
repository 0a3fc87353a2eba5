"""What a user should know of a capture beside the findings: notes on its messages and on its clock."""

from typing import Final

from buslens.capture.frames import ReadStats
from buslens.timeline.history import CaptureHistory
from buslens.units import format_duration

_SEAMS_TOLD: Final = 5


def message_notes(recorder: CaptureHistory, stats: ReadStats) -> list[str]:
    """Return where messages came from if that is out of the ordinary, and what `stats_notes` returns."""
    notes = []
    for log in recorder.messages:
        if len(log.channels) > 1:
            channels = ", ".join(sorted(log.channels))
            notes.append(
                f"{log.message.name} came on {channels}, and was read from all of them as one; where they contradict"
                " each other a role is unknown, unless 'channel' ties it to one of them"
            )
        if len(log.ids) > 1:
            sources = ", ".join(f"{can_id:X}" for can_id in sorted(log.ids))
            notes.append(
                f"{log.message.name} came with ids {sources}, and was read from all of them as one; where sources"
                " contradict each other a role is unknown, unless 'source' ties it to one of them"
            )
        tied = log.tracks[0].channel or log.message.channel
        if also_on := ", ".join(log.tracks[0].ignored_channels):
            notes.append(
                f"the definitions know {log.message.name} on {tied or 'every channel'} and on {also_on}; it was read"
                f" from {tied or 'every channel'}, which they name first"
            )
    return [*notes, *stats_notes(stats)]


def stats_notes(stats: ReadStats) -> list[str]:
    """Return what was out of the ordinary in the lines of a capture: its order, its clock, error frames."""
    notes = []
    if stats.reordered:
        notes.append(
            f"{stats.reordered} frames came up to 100 ms behind one of another channel; they were merged by time"
        )
    for discontinuity in stats.discontinuities[:_SEAMS_TOLD]:
        what = f"recorder clock jumped back by {format_duration(discontinuity.back_ns)}"
        if discontinuity.back_ns <= 0:
            what = "the stamps of the log restart in a new block"
        if discontinuity.is_lost:
            what = "unreadable relative time stamp; elapsed time unknown"
        if discontinuity.is_hole:
            what = "zero bytes stand before it, as a loss of power leaves them; what was recorded there is lost"
        notes.append(
            f"line {discontinuity.line}: {what}; every role is unknown there until its next frame, "
            "and times count on from"
            " before it"
        )
    if len(stats.discontinuities) > _SEAMS_TOLD:
        notes.append(f"the same at {len(stats.discontinuities) - _SEAMS_TOLD} more places")
    if stats.errors:
        notes.append(f"{stats.errors} error frames were recorded: look at the bus itself, its wiring and its nodes")
    return notes
