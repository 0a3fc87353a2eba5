"""One DBC file becomes messages.

cantools parses the file and knows what each statement means. What it does not tell, or tells without a place, comes
from the outline of the text: lines, and what is wrong with a message or a signal by itself. What it refuses is narrowed
down to single statements, and the rest is used.
"""

import re
from bisect import bisect_right
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final, NamedTuple

from buslens.definitions.defects import EXTENDED, DefectReport, assess
from buslens.definitions.isolate import (
    SemanticFailure,
    SyntaxFailure,
    load,
    reason_of,
    split_by_semantics,
    split_by_syntax,
)
from buslens.definitions.j1939 import separate_senders
from buslens.definitions.model import ByteOrder, Message, MuxCondition, Problem, Signal, ValueType
from buslens.definitions.overlaps import overlaps
from buslens.definitions.sanitizer import Sanitizer
from buslens.definitions.source_map import MessageLocation, SignalLocation, SignalNote, SourceMap, outline
from buslens.definitions.statements import EXAMPLES, ORPHANS, Statement, cut, without_comments
from buslens.errors import DefinitionError, Lines, SourceLocation
from buslens.units import NS_PER_MS

_LARGEST_FACTOR: Final = 1e280
"""So that a raw value of 64 bits times it, and that plus it, is still a float."""
_LONGEST_STRING: Final = 1_000_000
"""Characters; the parser needs 200 bytes for each."""
_MOST_ZEROS: Final = 100_000
"""Fewer are told and left out."""
_QUOTE: Final = re.compile(r'(?<!\\)"')


class Parsed(NamedTuple):
    """What a DBC file says."""

    #: In the file's order, tied to no channel.
    messages: tuple[Message, ...]
    #: In the order of their places.
    problems: tuple[Problem, ...]


def parse_dbc(data: bytes, path: str) -> Parsed:
    """Return what can be used of a DBC file, and what cannot.

    Raises DefinitionError if nothing in it can be used.
    """
    try:
        text = without_comments(decode_text(data))
    except UnicodeDecodeError as error:
        raise DefinitionError(
            f"the file begins as UTF-16 text, but byte {error.start} is none; save it as UTF-8", SourceLocation(path)
        ) from error
    if not text.strip():
        raise DefinitionError(
            "the file is empty; a DBC file has messages, such as " + EXAMPLES["BO_"], SourceLocation(path)
        )
    _require_text(text, path)
    reading = _read(text)
    problems = [*reading.problems(path)]
    messages = tuple(reading.messages(path, problems))
    if not messages and (reading.defines_messages or not reading.placed.statements):
        raise _nothing(problems, path)
    if not messages:
        reason = "it defines no message; a message begins with a line such as " + EXAMPLES["BO_"]
        problems.append(Problem(source=SourceLocation(path), subject="the file", reason=reason))
    for message in messages:
        problems += overlaps(message)
    return Parsed(separate_senders(messages), tuple(sorted(problems, key=_place)))


def decode_text(data: bytes) -> str:
    """Return the text of a DBC file.

    A byte order mark decides. Without one the format's default is cp1252; but editors save UTF-8, and files get
    pasted together, so each line that is UTF-8 is read as such: text in cp1252 that happens to be UTF-8 is not
    a word of any language. The five bytes that cp1252 leaves open stay control characters.

    Raises UnicodeDecodeError if a byte order mark promises UTF-16 and the rest breaks the promise.
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = data[: len(data) & ~1].decode("utf-16")  # the last character may have been cut in two
    else:
        data = data.removeprefix(b"\xef\xbb\xbf")
        text = (
            data.decode("ascii")
            if data.isascii()
            else "".join(_decode_line(line) for line in data.splitlines(keepends=True))
        )
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _decode_line(line: bytes) -> str:
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return "".join(
            chr(byte) if byte in {0x81, 0x8D, 0x8F, 0x90, 0x9D} else bytes((byte,)).decode("cp1252") for byte in line
        )


def _require_text(text: str, path: str) -> None:
    """Refuse, before a parser takes minutes and gigabytes over it, what no DBC file can be.

    Raises DefinitionError if very many of its bytes are zero, or a string in it is far too long.
    """
    if (n_zeros := text.count("\0")) > _MOST_ZEROS:
        raise DefinitionError(
            f"{n_zeros:,} bytes of the file are zero, so it is no text: save it as UTF-8", SourceLocation(path)
        )
    quotes = [match.start() for match in _QUOTE.finditer(text)]
    # An even count of quotes before a stretch without any says that it lies between strings.
    for start, end in zip(quotes[::2], [*quotes[1::2], len(text)], strict=False):
        if end - start > _LONGEST_STRING:
            line = text.count("\n", 0, start) + 1
            problem = f"the text that begins here has more than {_LONGEST_STRING:,} characters; is its quote missing?"
            raise DefinitionError(problem, SourceLocation(path, line))


def _place(problem: Problem) -> int:
    return problem.source.line or 0


def _nothing(problems: Sequence[Problem], path: str) -> DefinitionError:
    """Return why a file is refused: nothing in it can be used."""
    if not problems:
        return DefinitionError("nothing in the file can be used", SourceLocation(path))
    first = problems[0]
    more = f" (nothing else in the file can be used either: {len(problems) - 1} more)" if len(problems) > 1 else ""
    return DefinitionError(f"{first.subject}: {first.reason}{more}", first.source)


class _ParseResult(NamedTuple):
    """What the parser made of a text, and what was kept from it."""

    placed: SourceMap
    found: DefectReport
    feed: Sanitizer
    misread: Sequence[SyntaxFailure]
    refused: Sequence[SemanticFailure]
    #: Statements that the parser took.
    kept: Sequence[Statement]
    database: Any

    @property
    def defines_messages(self) -> bool:
        """Whether there are messages in the text, usable or not."""
        statements = (*self.placed.statements, *(bad.statement for bad in self.misread))
        return any(statement.keyword == "BO_" and statement.name != ORPHANS for statement in statements)

    def problems(self, path: str) -> Iterator[Problem]:
        """Yield what is wrong, in the order of the file."""
        lines, message = self.placed.lines, _Enclosing(self.placed)
        told: list[tuple[int, int | None, str, str, bool]]
        told = [(fault.offset, None, fault.subject, fault.reason, fault.is_note) for fault in self.found.faults]
        for statement, offset, said in self.misread:
            column, reason = (None, said) if said else _syntax_reason(lines, statement, offset)
            told.append((offset or statement.start, column, message.subject(statement), reason, False))
        for statement in self.feed.unclosed.values():
            told.append((statement.start, None, message.subject(statement), "its semicolon is missing", True))
        for statement, said in self.refused:
            reason = f"the parser refuses it ({said}){_example_of(statement)}"
            told.append((statement.start, None, message.subject(statement), reason, False))
        for place, column, subject, reason, is_note in sorted(told, key=lambda item: item[0]):
            yield Problem(
                source=SourceLocation(path, lines.line(place), column), subject=subject, reason=reason, is_note=is_note
            )

    def messages(self, path: str, problems: list[Problem]) -> Iterator[Message]:
        """Yield the messages; signals that cannot be used after all are added to the problems."""
        parsed = {_number(message): message for message in self.database.messages}
        notes = {
            (self.found.number(note.number), note.name): note
            for note in self.placed.notes
            if note.keyword == "SG_MUL_VAL_"
        }
        taken = {statement.start for statement in self.kept}
        maker = _Maker(path, self.placed.lines, self.feed, notes, _protocol(self.database), problems)
        for place in self.placed.messages:
            if place.statement.start in taken:
                number = self.found.number(place.number)
                signals = [signal for signal in place.signals if signal.statement.start in taken]
                yield maker.message(parsed[number], number, place, signals)


def _read(text: str) -> _ParseResult:
    """Return what can be read of a text."""
    feed = Sanitizer(text)
    statements = list(cut(text))
    placed = outline(text, statements)
    found = assess(placed)
    if not found.faults and not found.left_out and feed.has_plain_names(statements):
        # The parser reads a sound file as it is.
        try:
            database = load("\n".join(feed.rewrite(statement) for statement in statements))
            return _ParseResult(placed, found, feed, (), (), statements, database)
        except Exception:  # noqa: S110  (whatever the parser trips over is looked for below)
            pass
    good, misread = split_by_syntax(text, feed)
    placed = outline(text, good)
    found = assess(placed, _numbers_of_unread(text, misread))
    kept = [statement for statement in good if found.keeps(statement)]
    refused: Sequence[SemanticFailure] = ()
    try:
        database = _load(kept, feed, found)
    except Exception:
        kept, refused = split_by_semantics(kept, feed, found.numbers)
        try:
            database = _load(kept, feed, found)
        except Exception as error:
            raise DefinitionError(f"this file cannot be used: {reason_of(error)}") from error
    return _ParseResult(placed, found, feed, misread, refused, kept, database)


def _numbers_of_unread(text: str, misread: Sequence[SyntaxFailure]) -> set[int]:
    """Return the numbers of messages whose statement is not understood."""
    words = (text[bad.statement.start : bad.statement.end].split()[1:2] for bad in misread)
    return {int(word) for found in words for word in found if word.isascii() and word.isdecimal() and len(word) <= 20}


def _load(statements: Sequence[Statement], feed: Sanitizer, found: DefectReport) -> Any:
    return load("\n".join(feed.rewrite(statement, numbers=found.numbers) for statement in statements))


class _Enclosing:
    """Names statements by the message that they stand in."""

    def __init__(self, placed: SourceMap) -> None:
        self._text = placed.text
        self._messages = placed.messages
        self._starts = [place.statement.start for place in placed.messages]

    def subject(self, statement: Statement) -> str:
        """Return the name of the message or signal that a statement is, else its first words."""
        words = self._text[statement.start : statement.end].split('"')[0].split()[:3]
        if statement.keyword == "BO_" and (statement.name or len(words) == 3):
            return statement.name or words[2].rstrip(":")
        if statement.keyword == "SG_" and (statement.name or len(words) > 1):
            before = bisect_right(self._starts, statement.start)
            message = [self._messages[before - 1].name] if before else []
            return ".".join([*message, statement.name or words[1].rstrip(":")])
        return " ".join(words) if words and statement.keyword else "text"


def _example_of(statement: Statement) -> str:
    """Return what a right statement of the kind looks like; empty where no example is kept."""
    keyword = statement.keyword
    return f"; a right {keyword} is: {EXAMPLES[keyword]}" if keyword in EXAMPLES else ""


def _syntax_reason(lines: Lines, statement: Statement, offset: int | None) -> tuple[int | None, str]:
    """Return the column of what is not understood, and what is wrong with it."""
    example = _example_of(statement)
    if offset is None:
        return None, f"it is not finished{example}"
    found = lines.rest_of_line(offset)
    if not statement.keyword:
        return lines.column(offset), f"'{found}' does not begin a statement of a DBC file"
    return lines.column(offset), f"'{found}' is not understood here{example}"


def _number(message: Any) -> int:  # cantools has no types that every supported version shares
    return int(message.frame_id) | (EXTENDED if message.is_extended_frame else 0)


def _protocol(database: Any) -> str:
    """Return the protocol that a file gives for all its messages; empty if it gives none."""
    specifics = database.dbc
    definitions = specifics.attribute_definitions if specifics is not None else {}
    if "VFrameFormat" in definitions:
        return ""  # then every message has a protocol of its own
    attributes = specifics.attributes if specifics is not None else {}
    if attributes and "ProtocolType" in attributes:
        return str(attributes["ProtocolType"].value)
    default = definitions.get("ProtocolType")
    return str(default.default_value or "") if default is not None else ""


class _Maker:
    """Makes messages of this layer's of those of the parser."""

    def __init__(
        self,
        path: str,
        lines: Lines,
        feed: Sanitizer,
        notes: Mapping[tuple[int, str], SignalNote],
        protocol: str,
        problems: list[Problem],
    ) -> None:
        self._path = path
        self._lines = lines
        self._feed = feed
        self._notes = notes
        self._protocol = protocol
        self._problems = problems

    def message(self, parsed: Any, number: int, place: MessageLocation, kept: Sequence[SignalLocation]) -> Message:
        """Return a message with those of its signals that are kept."""
        names = {
            short.name: self._name(short.name, long.name) for short, long in zip(kept, parsed.signals, strict=True)
        }
        marked = [signal.name for signal in place.signals if signal.mark.endswith("M")]
        only_selector = marked[0] if len(marked) == 1 else None
        signals = []
        for short, long in zip(kept, parsed.signals, strict=True):
            note = self._notes.get((number, short.name))
            selection = None
            is_selected = only_selector is not None and short.name != only_selector and short.mark.startswith("m")
            if note is not None or is_selected:
                ranges = list(note.ranges) if note is not None else []
                if only_selector is not None and not short.mark.endswith("M"):
                    ranges.append((int(short.mark[1:]), int(short.mark[1:])))
                selector = note.selector if note is not None else str(only_selector)
                selection = MuxCondition(selector=names.get(selector, selector), ranges=_merged(ranges))
            source, reason = self._source(short.statement), ""
            if short.layout is None:  # a number of so many digits that the outline does not take it for one
                reason = "no such bits: a place is such as 8|16@1, the first bit and how many there are"
            elif max(abs(long.scale), abs(long.offset)) > _LARGEST_FACTOR:
                reason = "scale and offset must be below 1e280 in size"
            if reason:
                self._problems.append(Problem(source=source, subject=f"{place.name}.{short.name}", reason=reason))
            else:
                signals.append(_signal(long, names[short.name], selection, source))
        signals = self._with_selectors(place.name, signals)
        cycle = parsed.cycle_time
        attributes = parsed.dbc.attributes if parsed.dbc is not None else None
        is_extended = bool(parsed.is_extended_frame)
        return Message(
            name=self._name(place.name, parsed.name),
            can_id=int(parsed.frame_id),
            is_extended=is_extended,
            length=int(parsed.length),
            cycle_ns=round(cycle * NS_PER_MS) if isinstance(cycle, int | float) and cycle > 0 else None,
            signals=tuple(signals),
            comment=str(parsed.comment or ""),
            senders=tuple(str(sender) for sender in parsed.senders),
            is_j1939=is_extended and (parsed.protocol == "j1939" or self._protocol.upper() == "J1939"),
            attributes={name: _attribute_text(attribute) for name, attribute in (attributes or {}).items()},
            source=self._source(place.statement),
        )

    def _with_selectors(self, message: str, signals: list[Signal]) -> list[Signal]:
        """Return the signals whose selector has not turned out to be unusable; the others are problems."""
        while True:
            names = {signal.name for signal in signals}
            lost = [signal for signal in signals if signal.selection and signal.selection.selector not in names]
            if not lost:
                return signals
            signals = [signal for signal in signals if signal not in lost]
            for signal in lost:
                selector = signal.selection.selector if signal.selection else ""
                reason = f"the signal {selector} that selects it is left out, and so is this one"
                source = signal.source or SourceLocation(self._path)
                self._problems.append(Problem(source=source, subject=f"{message}.{signal.name}", reason=reason))

    def _name(self, short: str, parsed: Any) -> str:
        """Return the name that a file gives: in the statement itself, or a longer one in an attribute."""
        return short if parsed == self._feed.name(short) else str(parsed)

    def _source(self, statement: Statement) -> SourceLocation:
        return SourceLocation(self._path, self._lines.line(statement.start))


def _signal(parsed: Any, name: str, selection: MuxCondition | None, source: SourceLocation) -> Signal:
    kind = ValueType.FLOAT if parsed.is_float else ValueType.SIGNED if parsed.is_signed else ValueType.UNSIGNED
    scale, offset = parsed.scale, parsed.offset
    if scale == 1 and offset == 0:
        scale, offset = 1, 0
    elif kind is not ValueType.FLOAT and float(scale).is_integer() and float(offset).is_integer():
        scale, offset = int(scale), int(offset)
    return Signal(
        name=name,
        start=int(parsed.start),
        length=int(parsed.length),
        order=ByteOrder.MOTOROLA if parsed.byte_order == "big_endian" else ByteOrder.INTEL,
        kind=kind,
        scale=scale,
        offset=offset,
        minimum=parsed.minimum,
        maximum=parsed.maximum,
        unit=str(parsed.unit or ""),
        labels={int(value): str(name) for value, name in (parsed.choices or {}).items()},
        selection=selection,
        comment=str(parsed.comment or ""),
        source=source,
    )


def _merged(ranges: list[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    """Return the same whole numbers in as few ascending ranges as possible."""
    merged: list[tuple[int, int]] = []
    for low, high in sorted(ranges):
        if merged and low <= merged[-1][1] + 1:
            merged[-1] = merged[-1][0], max(merged[-1][1], high)
        else:
            merged.append((low, high))
    return tuple(merged)


def _attribute_text(attribute: Any) -> str:
    """Return the value of an attribute as text, that of an enumeration by its name."""
    choices = attribute.definition.choices
    if choices and isinstance(attribute.value, int) and 0 <= attribute.value < len(choices):
        return str(choices[attribute.value])
    return str(attribute.value)
