"""What a tester asked becomes a lane beside the roles: at each request its words, with what came of it.

The lane shows the latest request until the next one, so that its words can be read and its edges are the moments of the
requests; the same again and again is one entry. "Tester present" is left out: it asks for nothing.
"""

import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from itertools import groupby
from pathlib import Path
from typing import Final

import numpy as np

from buslens.capture.values import FORMAT_NAME
from buslens.checks.findings import Result
from buslens.dialogue.contents import Contents, read_answer, read_request
from buslens.dialogue.model import AnswerOutcome, Exchange
from buslens.dialogue.read import Dialogue, read_dialogue
from buslens.dialogue.services import RESPONSE_CODES, SERVICES, SUPPRESS
from buslens.errors import CaptureError, UsageError
from buslens.report.formatting import counted
from buslens.timeline.model import Timeline

LANE: Final = "latest request of a tester"
"""Name of the lane: no role can be called so, for it has blanks."""
LARGEST: Final = 200_000_000
"""Bytes of a log up to which it is read once more for a picture."""

_NOTHING: Final = "none yet"
_PRESENT: Final = 0x3E
_VERBS: Final = {
    0x04: "clears fault codes",
    0x10: "asks for session",
    0x11: "resets the unit",
    0x14: "clears fault codes",
    0x19: "reads fault codes",
    0x22: "reads identifier",
    0x27: "asks for access",
    0x2E: "writes identifier",
    0x2F: "drives output",
    0x31: "routine",
}
"""Services that are common in a workshop; the others go by their names."""
_ROUTINES: Final = {1: "starts routine", 2: "stops routine", 3: "asks for the result of routine"}


def with_dialogue(result: Result, notify: Callable[[str], object] = str) -> Result:
    """Return a checked capture with the lane of what a tester asked in it; as it is, where nobody asked.

    A log of more than `LARGEST` bytes is not read once more; a note says so.

    Parameters
    ----------
    result : Result
        For a picture or a page; its path is read again.
    notify : callable, optional
        Is told, as one sentence, where nobody looked.
    """
    if result.path == "-" or result.stats.format == FORMAT_NAME:
        return result
    with suppress(CaptureError, UsageError, OSError):  # a log without stamps, or that is gone
        if Path(result.path).stat().st_size > LARGEST:
            size = f"{LARGEST // 1_000_000} MB"
            note = f"the log has more than {size}: requests of a tester are not drawn; 'buslens dialogue' lists them"
            notify(f"{result.path}: {note}")
            return replace(result, notes=(*result.notes, note))
        lane = dialogue_lane(read_dialogue(result.path, table=result.table), result)
        return result if lane is None else replace(result, timelines={**result.timelines, LANE: lane})
    return result


def dialogue_lane(dialogue: Dialogue, result: Result) -> Timeline | None:
    """Return the requests of a dialogue as a timeline whose states are their words; None if there is none."""
    shown = [it for it in dialogue.exchanges if it.request.data[:1] != bytes([_PRESENT])]
    if not shown:
        return None
    origin_ns = result.origin_ns
    end_ns = max([it.end_ns for it in result.timelines.values()], default=result.stats.last_ns or origin_ns)
    runs = [(text, list(of)) for text, of in groupby(shown, exchange_words)]
    words = [_NOTHING, *(f"{text}, {len(of)} times" if len(of) > 1 else text for text, of in runs)]
    states = tuple(dict.fromkeys(words))
    code = {text: number for number, text in enumerate(states)}
    begins_ns = [max(of[0].request.first_ns, origin_ns + 1) for _, of in runs]
    seen_ns = np.array([origin_ns, *begins_ns], np.int64)
    steps = np.arange(len(seen_ns))
    seen_ns = np.maximum.accumulate(seen_ns - steps) + steps  # of two requests at one time the later one stands behind
    return Timeline(
        role=LANE,
        seen_ns=seen_ns,
        gap_ns=np.ones(len(seen_ns), np.int64),
        state=np.array([code[text] for text in words], np.int32),
        why=np.zeros(len(seen_ns), np.int8),
        states=states,
        unit="",
        last_frame_ns=end_ns,
        period_ns=None,
        timeout_ns=None,
        end_ns=end_ns,
    )


def exchange_words(exchange: Exchange) -> str:
    """Return what was asked and what came of it, in plain words: ``reads identifier F1 90: answered``."""
    return f"{_asked(read_request(exchange.request.data))}: {_outcome(exchange)}"


def _asked(contents: Contents) -> str:
    service = contents.service
    if service is None:
        return "a request of no known service"
    sub = None if contents.subfunction is None else contents.subfunction & ~SUPPRESS & 0xFF
    verb = _VERBS.get(service) or f"service {service:02X} {spaced(SERVICES[service].name)}"
    if service == 0x31:
        verb = _ROUTINES.get(sub or 0, verb)
    parts = [f"{it:0{contents.digits}X}" for it in contents.identifiers]
    if service == 0x10 and sub is not None:
        parts = [f"{sub:02X}"]
    return " ".join([verb, *(" ".join(re.findall("..", part)) for part in parts)])


def _outcome(exchange: Exchange) -> str:
    if exchange.outcome is AnswerOutcome.UNKNOWN:
        return f"unknown, {exchange.reason}"
    for answer in exchange.answers:
        contents = read_answer(answer.message.data, is_complete=answer.message.is_complete)
        if contents.refusal is not None and exchange.outcome is AnswerOutcome.REFUSED:
            return f"refused: {spaced(RESPONSE_CODES.get(contents.refusal, '')) or f'code {contents.refusal:02X}'}"
        if contents.fault_codes is not None:
            codes = contents.fault_codes
            number = len(codes.codes) if codes.reported is None else codes.reported
            return f"answered, {counted(number, 'code')}" if number else "answered, no code"
    return str(exchange.outcome.value)


def spaced(name: str) -> str:
    """Return a name of the standard with its words apart.

    >>> spaced("conditionsNotCorrect"), spaced("ReadDTCInformation")
    ('conditions not correct', 'read DTC information')
    """
    parts = re.findall(r"[A-Z]+(?=[A-Z][a-z])|[A-Z]?[a-z]+|[A-Z]+|\d+", name)
    return " ".join(part if part.isupper() and len(part) > 1 else part.lower() for part in parts)
