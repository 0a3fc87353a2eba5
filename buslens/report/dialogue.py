"""What was asked and answered, as text for a person and as plain data for a program."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Any, Final

from buslens.dialogue.contents import Contents, read_answer, read_request
from buslens.dialogue.fault_codes import DiagnosticCode, FaultCodes
from buslens.dialogue.fault_history import CodeHistory, CodeReading, fault_history
from buslens.dialogue.model import (
    Address,
    AddressPair,
    Answer,
    AnswerDelay,
    AnswerOutcome,
    Exchange,
    HowFound,
    TransportCounts,
    TransportMessage,
)
from buslens.dialogue.services import SERVICES, SUPPRESS, code_text, subfunction_text
from buslens.report.document import SCHEMA
from buslens.report.formatting import DOUBT_SIGN, IDLE_SIGN, MET_SIGN, WRONG_SIGN, clean, counted, seconds
from buslens.report.paragraphs import MARGIN, Paragraph, StyledText, TextStyle, paragraph, render, section
from buslens.units import NS_PER_MS, NS_PER_S

if TYPE_CHECKING:
    from buslens.dialogue.read import Dialogue

_MOST_ROWS: Final = 100
"""Rows that are written out before the rest is only counted."""
_MOST_BYTES: Final = 16
"""Bytes of data that are written out before the rest is only counted."""

_SIGNS: Final = {
    AnswerOutcome.ANSWERED: MET_SIGN,
    AnswerOutcome.REFUSED: WRONG_SIGN,
    AnswerOutcome.NOT_WANTED: IDLE_SIGN,
    AnswerOutcome.NO_ANSWER: WRONG_SIGN,
    AnswerOutcome.UNKNOWN: DOUBT_SIGN,
}

_FOUND_TEXTS: Final = {
    HowFound.GIVEN: "as given",
    HowFound.FLOW_CONTROL: "found by flow control and matching answers",
    HowFound.NUMBERS: "found by identifiers that belong together",
    HowFound.ANSWERS: "found by matching answers alone",
}


def dialogue_text(
    dialogue: Dialogue, *, width: int | None = None, painted: bool = False, is_whole: bool = False
) -> str:
    """Return a dialogue as text, the summary last.

    Parameters
    ----------
    is_whole : bool
        Whether every row is written, however many there are.
    """
    return render(_report(dialogue, is_whole=is_whole), width=width, painted=painted)


def dialogue_document(entries: Iterable[Mapping[str, Any]]) -> dict[str, Any]:
    """Return the document over captures, as plain data."""
    return {"schema": SCHEMA, "dialogues": list(entries)}


def error_entry(path: str, problem: str) -> dict[str, Any]:
    """Return the entry of a capture that cannot be read; ``error`` says why."""
    parts = ("pairs", "senders", "exchanges", "others", "fault_codes")
    return {"path": path, "error": problem, **{part: [] for part in parts}}


def dialogue_entry(dialogue: Dialogue) -> dict[str, Any]:
    """Return the entry of a capture; times in seconds from its first frame, bytes as hexadecimal text."""
    origin_ns = dialogue.stats.first_ns or 0
    return {
        "path": dialogue.path,
        "error": None,
        "pairs": [_pair_entry(pair) for pair in dialogue.pairs],
        "senders": [_sender_entry(it, counts, len(dialogue.incomplete[it])) for it, counts in dialogue.counts.items()],
        "exchanges": [_exchange_entry(it, origin_ns) for it in dialogue.exchanges],
        "others": [
            {**_address(it.sender), **_message_entry(it, _other_contents(it), origin_ns)} for it in dialogue.others
        ],
        "fault_codes": [_history_entry(it, origin_ns) for it in fault_history(dialogue.exchanges)],
    }


# --- text -----------------------------------------------------------------------------------------------


def _report(dialogue: Dialogue, *, is_whole: bool) -> Iterator[Paragraph]:
    origin_ns = dialogue.stats.first_ns or 0
    yield paragraph(StyledText(clean(dialogue.path), TextStyle.STRONG))
    if not dialogue.pairs:
        yield paragraph(
            "No request and no answer of ISO 14229 found. If there should be some, name who asks and who answers:"
            " --ids 7E0:7E8",
            indent=MARGIN,
        )
        return
    for pair in dialogue.pairs:
        asked, answered = (clean(it.channel) for it in (pair.request, pair.answer))
        on = "" if asked == answered else f" on {asked}"
        yield paragraph(
            f"{pair.request} asks{on}, {pair.answer} answers on {answered}; {_FOUND_TEXTS[pair.found]}", indent=MARGIN
        )
    for address, counts in dialogue.counts.items():
        if text := _trouble(counts, len(dialogue.incomplete[address])):
            yield paragraph(StyledText(f"{DOUBT_SIGN}  "), f"{address}: {text}", indent=1, hang=MARGIN)
    yield paragraph()
    rows = _rows(dialogue)
    most = len(rows) if is_whole else _MOST_ROWS
    for row in rows[:most]:
        yield from _row(row, origin_ns)
    if len(rows) > most:
        yield paragraph(f"and {counted(len(rows) - most, 'more row')}; --all writes all", indent=MARGIN)
    yield from section("Without a request, or of no known service", _other_rows(dialogue, origin_ns))
    histories = fault_history(dialogue.exchanges)
    yield from section("Fault codes", (line for it in histories for line in _history(it, origin_ns)))
    yield paragraph()
    yield paragraph(_summary(dialogue))


def _rows(dialogue: Dialogue) -> list[list[Exchange]]:
    """Return the exchanges; those of one request with the same answers share a row, where the first is."""
    rows: dict[tuple[object, ...], list[Exchange]] = {}
    for it in dialogue.exchanges:
        answers = tuple((answer.message.sender, answer.message.data, answer.message.end) for answer in it.answers)
        key = (it.request.sender, it.request.data, it.request.end, it.outcome, it.reason, answers)
        rows.setdefault(key, []).append(it)
    return list(rows.values())


def _row(row: list[Exchange], origin_ns: int) -> Iterator[Paragraph]:
    first, last = row[0], row[-1]
    when = seconds(first.request.first_ns - origin_ns)
    request = read_request(first.request.data)
    repeats = ""
    if (count := len(row)) > 1:
        repeats = f", {count:,} times until {seconds(last.request.first_ns - origin_ns)}"
    ink = TextStyle.WRONG if _SIGNS[first.outcome] == WRONG_SIGN else TextStyle.STRONG
    yield paragraph(
        StyledText(f"{_SIGNS[first.outcome]:<{MARGIN - 1}}", ink),
        f"{when}  {first.request.sender} ",
        StyledText(f"{_name(request)}{_parts(request)}{_data(request)}{_whole(first.request)}", TextStyle.STRONG),
        repeats,
        indent=1,
        hang=MARGIN,
    )
    if not first.answers:
        reason = f": {first.reason}" if first.reason else ""
        yield paragraph(f"{first.outcome.value}{reason}", indent=2 * MARGIN)
    for k, answer in enumerate(first.answers):
        delays = [it.answers[k].delay for it in row]
        pending = sum(it.answers[k].pending for it in row)
        after = f", {counted(pending, 'time')} pending before" if pending else ""
        text = f"{answer.message.sender} {_answer_text(answer)}{_whole(answer.message)}"
        yield paragraph(f"{text}, after {_delay_text(delays)}{after}", indent=2 * MARGIN, hang=3 * MARGIN)


def _other_rows(dialogue: Dialogue, origin_ns: int) -> Iterator[Paragraph]:
    shown = [it for it in dialogue.others if it.data]
    for it in shown[:10]:
        contents = _other_contents(it)
        told = f"{_name(contents)}{_parts(contents)}" if contents.service is not None else _bytes_text(it.data)
        refused = f" refused: {code_text(contents.refusal)}" if contents.refusal is not None else ""
        yield paragraph(
            f"{DOUBT_SIGN}  {seconds(it.first_ns - origin_ns)}  {it.sender} {told}{refused}{_whole(it)}",
            indent=1,
            hang=MARGIN,
        )
    if len(shown) > 10:
        yield paragraph(f"and {len(shown) - 10:,} more; --json holds all", indent=MARGIN)


def _name(contents: Contents) -> str:
    if contents.service is None:
        return "no known service"
    return f"{contents.service:02X} {SERVICES[contents.service].name}"


def _parts(contents: Contents) -> str:
    """Return subfunction and identifiers, each after a blank."""
    parts = []
    if contents.service is not None and contents.subfunction is not None:
        parts.append(subfunction_text(contents.service, contents.subfunction))
    parts += [f"{it:0{contents.digits}X}" for it in contents.identifiers]
    return "".join(f" {part}" for part in parts)


def _data(contents: Contents) -> str:
    if contents.is_withheld:
        return ", its data is not shown"
    return f": {_bytes_text(contents.data)}" if contents.data else ""


def _bytes_text(data: bytes) -> str:
    text = data[:_MOST_BYTES].hex(" ").upper()
    return text if len(data) <= _MOST_BYTES else f"{text} ... ({counted(len(data), 'byte')})"


def _answer_text(answer: Answer) -> str:
    contents = read_answer(answer.message.data, is_complete=answer.message.is_complete)
    if contents.refusal is not None:
        return f"refused: {code_text(contents.refusal)}"
    if contents.fault_codes is not None:
        return f"answered{_parts(contents)}: {_codes_text(contents.fault_codes)}"
    return f"answered{_parts(contents)}{_data(contents)}"


def _codes_text(codes: FaultCodes) -> str:
    if codes.reported is not None:
        return counted(codes.reported, "fault code")
    listed = "; ".join(_code_text(code) for code in codes.codes) or "no fault code"
    return f"{listed}; {counted(len(codes.left), 'byte')} at the end are no whole code" if codes.left else listed


def _code_text(code: DiagnosticCode) -> str:
    if code.status is None:
        return code.text
    return f"{code.text} status {code.status:02X} {' '.join(code.bits)}".rstrip()


def _whole(message: TransportMessage) -> str:
    if message.is_complete:
        return ""
    return f" [not whole: {message.end.value}; {len(message.data)} of {counted(message.length, 'byte')} are known]"


def _delay_text(delays: list[AnswerDelay]) -> str:
    low, high = min(it.earliest_ns for it in delays), max(it.latest_ns for it in delays)
    places = 0 if low >= 100 * NS_PER_MS else 1
    step = NS_PER_MS // 10**places
    text_low, text_high = (f"{number * step / NS_PER_MS:.{places}f}" for number in (low // step, -(-high // step)))
    return f"{text_low} to {text_high} ms" if text_low != text_high else f"{text_low} ms"


def _trouble(counts: TransportCounts, n_incomplete: int) -> str:
    parts = [
        (counts.lost, "frame", "lost at least"),
        (counts.out_of_order, "frame pair", "out of order"),
        (counts.repeated, "frame", "repeated"),
        (counts.unexpected, "consecutive frame", "without a first one"),
        (counts.invalid, "frame", "of another protocol"),
        (n_incomplete, "message", "not whole"),
    ]
    return ", ".join(f"{counted(number, thing)} {what}" for number, thing, what in parts if number)


def _history(history: CodeHistory, origin_ns: int) -> Iterator[Paragraph]:
    for k, reading in enumerate(history.readings):
        after = " after clearing" if reading.after_clearing else ""
        when = seconds(reading.time_ns - origin_ns)
        if reading.code is None:
            text = f"no longer listed{after}"
        elif k:
            text = f"{_code_text(reading.code)}{after}"
        else:
            text = _code_text(reading.code)
        yield paragraph(f"{when}  {history.unit} {text}", indent=MARGIN, hang=2 * MARGIN)


def _summary(dialogue: Dialogue) -> str:
    total = len(dialogue.exchanges)
    counts = [(sum(it.outcome is outcome for it in dialogue.exchanges), outcome) for outcome in AnswerOutcome]
    parts = ", ".join(f"{number:,} {outcome.value}" for number, outcome in counts if number)
    return f"{counted(total, 'request')}: {parts}." if parts else "No request recorded."


# --- data -----------------------------------------------------------------------------------------------


def _address(address: Address) -> dict[str, Any]:
    return {"channel": address.channel, "sender": str(address)}


def _pair_entry(pair: AddressPair) -> dict[str, Any]:
    return {
        "channel": pair.request.channel,
        "request": str(pair.request),
        "answer": str(pair.answer),
        "found": pair.found.name.lower(),
    }


def _sender_entry(address: Address, counts: TransportCounts, n_incomplete: int) -> dict[str, Any]:
    kinds = ("frames", "single", "first", "consecutive", "flow_control", "repeated", "invalid", "unexpected")
    return {
        **_address(address),
        **{kind: getattr(counts, kind) for kind in (*kinds, "out_of_order")},
        "lost_at_least": counts.lost,
        "incomplete_messages": n_incomplete,
    }


def _exchange_entry(exchange: Exchange, origin_ns: int) -> dict[str, Any]:
    request = exchange.request
    return {
        "request": {**_address(request.sender), **_message_entry(request, read_request(request.data), origin_ns)},
        "outcome": exchange.outcome.name.lower(),
        "reason": exchange.reason or None,
        "answers": [
            {
                **_address(it.message.sender),
                **_message_entry(
                    it.message, read_answer(it.message.data, is_complete=it.message.is_complete), origin_ns
                ),
                "delay_s": [it.delay.earliest_ns / NS_PER_S, it.delay.latest_ns / NS_PER_S],
                "pending": it.pending,
            }
            for it in exchange.answers
        ],
    }


def _message_entry(message: TransportMessage, contents: Contents, origin_ns: int) -> dict[str, Any]:
    service, subfunction = contents.service, contents.subfunction
    codes = contents.fault_codes
    return {
        "first_s": (message.first_ns - origin_ns) / NS_PER_S,
        "last_s": (message.last_ns - origin_ns) / NS_PER_S,
        "bytes": message.length,
        "end": message.end.name.lower(),
        "service": service,
        "service_name": None if service is None else SERVICES[service].name,
        "subfunction": None if subfunction is None else subfunction & ~SUPPRESS & 0xFF,
        "identifiers": [f"{it:0{contents.digits}X}" for it in contents.identifiers],
        "data": None if contents.is_withheld else contents.data.hex(),
        "refusal": contents.refusal,
        "refusal_name": None if contents.refusal is None else code_text(contents.refusal).partition(" ")[2] or None,
        "fault_codes": None if codes is None else [_code_entry(it) for it in codes.codes],
        "fault_code_count": None if codes is None else codes.reported,
    }


def _code_entry(code: DiagnosticCode) -> dict[str, Any]:
    return {"code": code.number.hex(), "status": code.status, "bits": list(code.bits)}


def _other_contents(message: TransportMessage) -> Contents:
    answer = read_answer(message.data, is_complete=message.is_complete)
    return answer if answer.service is not None else read_request(message.data)


def _history_entry(history: CodeHistory, origin_ns: int) -> dict[str, Any]:
    return {
        **_address(history.unit),
        "code": history.number.hex(),
        "readings": [_reading_entry(it, origin_ns) for it in history.readings],
    }


def _reading_entry(reading: CodeReading, origin_ns: int) -> dict[str, Any]:
    code = reading.code
    return {
        "time_s": (reading.time_ns - origin_ns) / NS_PER_S,
        "is_listed": code is not None,
        "status": None if code is None else code.status,
        "bits": [] if code is None else list(code.bits),
        "after_clearing": reading.after_clearing,
    }
