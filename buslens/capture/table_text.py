"""Text of a table in the form that the kernel reads: one byte for a character, a line feed behind each line.

UTF-16, lines that end in a carriage return alone, cells that zero bytes part or fill up, codes for the colours of a
terminal, objects of names and values (JSON, RFC 8259), frames that go over several lines, and quotes of another kind
are brought into that form as they are read. A table that is in it already is read from the file as it stands.
"""

import re
from collections import Counter
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise
from typing import Final

from buslens.capture.stream import Stream
from buslens.capture.text_marks import Mark, are_base64, are_dates, marks_of, notes_of, of_unpadded, unpacked
from buslens.capture.text_objects import flat, objects_in

_MARKS: Final = {b"\xff\xfe": "utf-16-le", b"\xfe\xff": "utf-16-be"}
_CHUNK: Final = 1 << 16
_NO_BREAK: Final = (b"\xc2\xa0", b"\xe2\x80\xaf", b"\xa0")
"""Blanks at which no line is broken."""
_MOST_HELD: Final = 1 << 22
"""Bytes that wait for the end of a frame, at most."""
_COLOURS: Final = re.compile(rb"\x1b\[[0-9;?]*[A-Za-z]")
_OBJECT: Final = re.compile(rb"\{\s*([\"'])([^\"'\n]{1,40})\1\s*:")
_RECORD: Final = re.compile(
    rb"[ \t]*(?:INSERT\s+INTO\b[^(]*(?:\([^()]*\))?\s*VALUES\s*)?"
    rb"(?![(\[][ \t\d.,:-]*[)\]])(?:\(.*[,;\t].*\)|\[.*[,;\t].*\]|\{.*[,;\t].*\})[ \t]*[,;]?",
    re.I,
)
"""A row of a statement that inserts rows into a database, or of a list of lists."""
_BETWEEN_RECORDS: Final = re.compile(rb"([)\]])[ \t]*,\s*([(\[])")
_HEADING: Final = re.compile(rb"\b(INSERT\s+INTO|COPY)\b[^()\n]*\(([^()]*)\)\s*(?:VALUES|FROM)\b", re.I)
_MOST_HEADING: Final = 1 << 14
_INSERTS: Final = re.compile(rb"(?m)^[ \t]*INSERT\s+INTO\b[^\n]*?VALUES[ \t]*(?=$|\r|\()", re.I)
_INNER_LIST: Final = re.compile(rb"(?<=[,:])[ \t]*[\[({]([^\[\](){}\n]*)[\])}]")
_OUTER_BRACKETS: Final = re.compile(rb"(?m)^[ \t]*[\[({]+|[ \t]*[\])}]+(?:[ \t]*[\])}])*[ \t]*[,;]?[ \t]*(?=\r?$)")
_LIST_START: Final = re.compile(rb"\s*(?:\{[^{}]*?:\s*)?\[\s*(?=[\[(])")
"""Of a list of lists, which may be a value in an object."""
_COLUMN_NAMES: Final = re.compile(rb"\"columns\"\s*:\s*\[([^\[\]]*)\]")
_CREATED: Final = re.compile(rb"\bCREATE\s+TABLE\b[^(]*\(((?:[^()]|\([^()]*\))*)\)", re.I)
_ROW_STARTS: Final = (
    rb"[ \t]*[(\[]?\d+[.,]\d{3,}",
    rb"[ \t]*[(\[]?(?:\d{1,4}[-./]\d\d?[-./]\d{1,4}[ T_])?\d{1,3}:\d\d:\d\d",
)
"""What rows begin with that may be cut: a time with decimals, or a time of day."""
_OFFSET: Final = rb"(?:0[xX])?[0-9A-Fa-f]{1,7}[08]:[ \t]+"
"""How many bytes of a frame stand before a line."""
_MORE_BYTES: Final = (
    rb"(?:[ \t]+(?:" + _OFFSET + rb")?(?:[0-9A-Fa-f]{2}[ \t]+)*[0-9A-Fa-f]{2}[ \t]*(?:\|[^\n|]{0,16}\|?[ \t]*)?|"
    rb"(?:[0-9A-Fa-f]{2}[ \t]+)*[0-9A-Fa-f]{2}[ \t]*)\r?(?:\n|$)"
)
_LIST_ITEM: Final = re.compile(rb"\r?\n[ \t]*-[ \t]+(?=(?:0[xX])?[0-9A-Fa-f]{1,3}[ \t]*\r?(?:\n|$))")
"""A byte on a line of its own, behind a dash."""
_OFFSET_LINE: Final = re.compile(rb"\r?\n[ \t]+" + _OFFSET + rb"(?=[0-9A-Fa-f]{2}(?:[ \t|\r\n]|$))")
_TIME_ALONE: Final = re.compile(rb"[ \t]*[\d./-]*[ T]?\d{1,2}:\d\d:\d\d(?:[.,]\d+)?[ \t]*\r?(?:\n|$)")
_TIME_KIND: Final = b":"
"""Of a line that holds a time of day and nothing else."""
_WHOLE_FRAME: Final = re.compile(
    rb"[ \t]*(?:0[xX])?[0-9A-Fa-f]{3,8}[ \t]+[\[(]?\d[\])]?(?:[ \t]+[0-9A-Fa-f]{2})+[ \t]*\r?"
)
"""A line of identifier, length and data, as of a screen that shows the latest frame of each identifier."""
_MOST_LINES: Final = 24
"""Lines of one frame, at most."""


@dataclass(frozen=True, slots=True)
class TextForm:
    """What has to be done to a text."""

    #: ``utf-16-le`` or ``utf-16-be``; empty: one byte for a character.
    encoding: str = ""
    #: Carriage returns alone end lines.
    has_returns: bool = False
    #: Zero bytes part cells, or fill lines up.
    has_zeros: bool = False
    #: There are codes for the colours of a terminal.
    has_colours: bool = False
    #: The quotes in those are doubled, as within a quoted cell.
    has_doubled: bool = False
    #: First name in each object that is a frame; empty: no objects.
    first_name: bytes = b""
    #: Whether each of them stands on a line of its own.
    has_lines: bool = False
    #: All names in them, in order, as they are written before the values.
    names: tuple[str, ...] = ()
    #: Pattern of a line that goes on the frame of the line before; empty: a frame is a line.
    more: bytes = b""
    #: Characters that stand for a double quote.
    quotes: bytes = b""
    #: Patterns, and what stands for them.
    marks: tuple[Mark, ...] = ()
    #: Rows stand in brackets, as in a list of lists or in a statement that inserts them: ``lines`` one in each line,
    #: ``run on`` several in some, ``spread`` each over several; empty: they do not.
    records: str = ""
    #: Names of the columns, where they stand in such a statement.
    heading: bytes = b""
    #: What each row begins with, where a terminal has cut them; empty: it has not.
    row_start: bytes = b""
    #: Characters of a line of that terminal.
    line_room: int = 0
    #: What parts thousands, as in 1,234,567; empty: nothing.
    thousands: bytes = b""

    @property
    def is_plain(self) -> bool:
        """Whether nothing has to be done."""
        return self == TextForm()

    @property
    def notes(self) -> tuple[str, ...]:
        """What the text does not say for certain, and was taken so."""
        return notes_of(self.marks)

    @property
    def joins(self) -> bool:
        """Whether what a byte becomes depends on those behind it."""
        return self != TextForm(encoding=self.encoding, has_returns=self.has_returns, has_zeros=self.has_zeros)

    def applied(self, text: bytes) -> bytes:
        """Return a whole text in the form that the kernel reads; an odd last byte of UTF-16 is left out."""
        if self.encoding:
            text = _narrow(text, self.encoding)
        if self.has_returns:
            text = text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
        if self.has_zeros:
            text = text.replace(b"\0", b"\t")
        if self.has_colours:
            text = _COLOURS.sub(b"", text)
        if self.has_doubled:
            text = text.replace(b'""', b'"')
        if self.first_name:
            text = flat(text, self.first_name, self.names, has_lines=self.has_lines)
        if self.more:
            text = _OFFSET_LINE.sub(b" ", text)
            text = _LIST_ITEM.sub(b" ", text)
            text = re.sub(rb"\r?\n(?=%s)" % self.more, b" ", text)
        if self.row_start:
            text = re.sub(rb"(?<=[^\n]{%d})\r?\n(?!%s|$)" % (self.line_room, self.row_start), b"", text)
            text = re.sub(rb"\r?\n(?!%s|$)" % self.row_start, b" ", text)
        if self.records:
            text = _without_brackets(text, self.records)
        for pattern, mark in self.marks:
            text = pattern.sub(mark, text)
        if self.thousands:
            text = _grouped(self.thousands, is_sure=False).sub(lambda m: m[0].replace(self.thousands, b""), text)
        if self.quotes:
            text = re.sub(rb'="([^"\n]*)"', rb'"\1"', text)
            text = text.translate(bytes.maketrans(self.quotes, b'"' * len(self.quotes)))
        return text

    @property
    def mends_lines(self) -> bool:
        """Whether a terminal has added something to lines of a log or has cut them, or their times are other ones."""
        return self.has_colours or bool(self.row_start) or self.has_dates or bool(self.notes)

    @property
    def has_dates(self) -> bool:
        """Whether a log of lines has dates in place of seconds."""
        return are_dates(self.marks)

    def lines_of(self, head: bytes) -> bytes:
        """Return the first bytes of a log of lines, as its format has them."""
        return self.applied(head) if self.mends_lines else head

    def opening(self, head: bytes) -> bytes:
        """Return the first bytes of a text in the form that the kernel reads, with the names of its columns."""
        return self.heading + self.applied(head)

    def held(self, text: bytes) -> int:
        """Return from where on a text has to wait for what follows it."""
        if not self.joins or len(text) > _MOST_HELD:
            return len(text)
        if self.first_name and not self.has_lines:
            return max(text.rfind(b"{", 0, max(text.rfind(self.first_name), 0)), 0)
        if self.records and self.records != "lines":
            return max(text.rfind(b")"), text.rfind(b"]"), 0)
        if self.row_start:
            return max((match.start() for match in re.finditer(rb"\n(?=%s)" % self.row_start, text)), default=0)
        return max(text.rfind(b"\n"), 0)


def text_form_of(head: bytes, *, of_frames: bool = True) -> TextForm:
    """Return what has to be done to a text of frames, or of values, by its first bytes."""
    encoding = _MARKS.get(head[:2], "")
    if not encoding and len(head) >= 8:
        pairs = head[: 400 & ~1]
        odd, even = pairs[1::2], pairs[::2]
        if not any(odd) and all(even):
            encoding = "utf-16-le"
        elif not any(even) and all(odd):
            encoding = "utf-16-be"
    text = _narrow(head, encoding) if encoding else head
    returns = len(re.findall(rb"\r(?![\r\n])", text[:-1]))
    feeds = text.count(b"\n")
    form = TextForm(encoding=encoding, has_returns=returns > feeds // 2)
    lines = [line for line in re.split(rb"[\r\n]+", text)[:-1] if line.strip()]
    if b"\0" in text:
        zeros = sum(1 for line in lines if re.search(rb"[^\0]\0", line))
        return replace(form, has_zeros=2 * zeros > len(lines) > 0)
    if 2 * sum(_COLOURS.search(line) is not None for line in lines[:200]) > len(lines[:200]):
        form = replace(form, has_colours=True)
        text = _COLOURS.sub(b"", text)
    if (of_objects := _with_objects(form, text, lines)) is not None:
        return of_objects
    text = text.replace(b"\r\n", b"\n")
    if (wrapped := _wrapped(lines)) is not None:
        return replace(form, row_start=wrapped[0], line_room=wrapped[1])
    form = _with_records(form, text, lines)
    if form.records:
        lines = form.opening(text).split(b"\n")[:-1]
    more = len(re.findall(rb"(?<=\n)" + _MORE_BYTES, text))
    if 10 * more > len(lines) and 10 * (len(lines) - more) > 3 * len(lines):
        return replace(form, more=_MORE_BYTES)
    marks = (b",", b".", b"'", b"_", b" ", *_NO_BREAK)
    thousands = next((mark for mark in marks if _parts_thousands(mark, lines)), b"")
    blanks = [mark for mark in _NO_BREAK if mark != thousands and 2 * sum(mark in line for line in lines) > len(lines)]
    if blanks[:1] == [b"\xa0"] and _is_utf_8(lines):
        blanks = []  # it is a part of letters
    for blank in blanks[:1]:
        lines = [line.replace(blank, b" ") for line in lines]
        form = replace(form, marks=((re.compile(re.escape(blank)), b" "),))
    form = replace(form, marks=form.marks + of_unpadded(lines) + marks_of(lines[:200], of_frames=of_frames))
    for pattern, mark in form.marks:
        lines = [pattern.sub(mark, line) for line in lines[:400]]
    quotes = b"" if thousands else _quotes_of(lines[:200])
    return replace(form, thousands=thousands, quotes=quotes)


def _with_objects(form: TextForm, text: bytes, lines: list[bytes]) -> TextForm | None:
    """Return a form that says how frames are written as objects of names and values, if they are."""
    if text.lstrip()[:1] == b"{" and _LIST_START.match(text):
        return None
    in_cells = 2 * sum(b'{""' in line for line in lines[:200]) > len(lines[:200])
    within = 2 * sum(_OBJECT.search(line) is not None for line in lines[:200]) > len(lines[:200])
    if in_cells:
        form = replace(form, has_doubled=True)
        text = text.replace(b'""', b'"')
    is_all = text.lstrip()[:1] in {b"{", b"["}
    names = Counter(match[2] for match in _OBJECT.finditer(text)) if is_all or within or in_cells else None
    if names:
        name = names.most_common(1)[0][0]
        objects = [leaves for _, leaves in objects_in(text, name)]
        if objects:
            starts = sum(line.lstrip().startswith(b"{") and line.rstrip(b", \t").endswith(b"}") for line in lines)
            has_lines = starts >= names[name] - 1 > 0 or not is_all
            cells: dict[str, list[bytes]] = {}
            for leaves in objects:
                for key, cell in leaves.items():
                    cells.setdefault(key, []).append(cell.strip('"').encode("latin-1", "replace"))
            packed = [key.encode("latin-1", "replace") for key, found in cells.items() if are_base64(found)]
            return replace(
                form,
                first_name=name,
                has_lines=has_lines,
                marks=tuple(
                    (re.compile(rb'(?<![\w.-])(%s )"([\w+/]+={0,2})"' % key, re.ASCII), unpacked) for key in packed
                ),
                names=tuple(dict.fromkeys(name for leaves in objects for name in leaves)),
            )
    return None


def _wrapped(lines: list[bytes]) -> tuple[bytes, int] | None:
    """Return what rows begin with that a terminal has cut, and how many characters its lines have; None if it has not.

    A line that goes on begins with no time, and the one before it is one of the longest, but for blanks at its end.
    """
    room = max(map(len, lines), default=0)
    for start in _ROW_STARTS:
        begins = [re.match(start, line) is not None for line in lines]
        full = [room - len(line) <= 3 for line in lines]
        goes_on = [not begins[k] for k in range(1, len(lines)) if full[k - 1]]
        if room >= 20 and 5 * len(goes_on) > len(lines) > 20 and sum(goes_on) > 0.95 * len(goes_on):
            stays = [begins[k] for k in range(1, len(lines)) if not full[k - 1]]
            if sum(stays) > 0.9 * len(stays):
                return start, room
    return None


def _with_records(form: TextForm, text: bytes, lines: list[bytes]) -> TextForm:
    """Return a form that says how rows stand in brackets, if they do."""
    parted = [piece.count(b",") for piece in _BETWEEN_RECORDS.split(text)[::3]]
    is_list = _LIST_START.match(text) is not None
    if 2 * sum(_RECORD.fullmatch(line) is not None for line in lines) > len(lines) > 0:
        run_on = sum(_BETWEEN_RECORDS.search(line) is not None for line in lines)
        form = replace(
            form, records="run on" if 2 * run_on > len(lines) and min(parted[1:-1], default=0) > 1 else "lines"
        )
    elif len(parted) > 20 and 20 * sum(n > 1 for n in parted) > 19 * len(parted) and (is_list or _INSERTS.search(text)):
        form = replace(form, records="spread" if is_list and len(lines) > len(parted) else "run on")
    if (names := _names_of(text[:_MOST_HEADING], has_records=bool(form.records))) is not None:
        heading = (b"," if form.records else b"\t").join(re.sub(rb"[`'\"\[\]\s]", b"", name) for name in names)
        form = replace(form, heading=heading + b"\n")
    return form


def _names_of(text: bytes, *, has_records: bool) -> list[bytes] | None:
    """Return the names of the columns of rows in brackets, or behind a statement to copy rows; None: none are given."""
    found = _HEADING.search(text)
    if found and (has_records or found[1].upper() == b"COPY"):
        return found[2].split(b",")
    if found or not has_records:
        return None
    if found := _COLUMN_NAMES.search(text):
        return found[1].split(b",")
    found = _CREATED.search(text)
    return None if found is None else [part.split()[0] for part in re.split(rb",(?![^(]*\))", found[1]) if part.split()]


def _without_brackets(text: bytes, records: str) -> bytes:
    """Return rows in brackets as lines of cells, a list in them as one quoted cell."""
    text = _LIST_START.sub(b"", text, 1) if records != "lines" and text.lstrip()[:1] == b"{" else text
    if records == "spread":
        text = re.sub(rb"\s*\r?\n\s*", b" ", text)
    if records != "lines":
        text = _BETWEEN_RECORDS.sub(rb"\1\n\2", text)
    text = _INSERTS.sub(b"", _CREATED.sub(b"", text))
    text = _INNER_LIST.sub(lambda match: b'"%s"' % re.sub(rb"[\"']", b"", match[1]), text)
    return _OUTER_BRACKETS.sub(b"", text)


def _is_utf_8(lines: list[bytes]) -> bool:
    try:
        b"\n".join(lines).decode("utf-8")
    except UnicodeDecodeError:
        return False
    return True


def _parts_thousands(mark: bytes, lines: list[bytes]) -> bool:
    """Return whether most lines of a text have a number in groups, and one of them can be nothing else."""
    # Looked for in many lines at once: few logs have one, and each that is opened is asked.
    # A time in ms has none in its first second, however many rows that has.
    text, lines = b"\n".join(lines[:2000]), lines[:: len(lines) // 400 + 1]
    if mark not in text or _grouped(mark, is_sure=True).search(text) is None:
        return False
    if mark == b" ":
        # Not bytes in decimal digits, none of which is above 255.
        groups = [one.split() for one in _grouped(mark, is_sure=True).findall(text)]
        if any(one[0] == b"0" for one in groups) or 2 * sum(max(map(int, one)) > 255 for one in groups) <= len(groups):
            return False
    return 2 * sum(_grouped(mark, is_sure=False).search(line) is not None for line in lines) > len(lines)


@cache
def _grouped(mark: bytes, *, is_sure: bool) -> re.Pattern[bytes]:
    """Return the pattern of a number, alone in its cell, in groups of three digits.

    Where it has to be sure, two groups stand behind the first, or one with decimals behind it, or the mark parts
    nothing but thousands, as an apostrophe or a blank that does not break. A whole line such as ``1.200,12`` is two
    numbers with a comma between.
    """
    before, behind = rb'(?:(?<=^)|(?<=[\n;\t|"]))', rb'(?=$|[\r\n;\t|"])'
    least = 2 if is_sure and mark in {b",", b".", b" "} else 1
    groups = rb"\d{1,3}(?:%s\d{3})" % re.escape(mark)
    point = rb"[.,]" if mark not in {b",", b"."} else rb"," if mark == b"." else rb"\."
    number = groups + rb"{%d,}(?:%s\d+)?" % (least, point)
    if mark in {b",", b"."}:
        number, cell = groups + rb"{%d,}" % least, groups + rb"+%s\d+" % point
        return re.compile(
            rb'%s%s%s|(?<=[;\t|"])%s%s|%s%s(?=[;\t|"])' % (before, number, behind, cell, behind, before, cell)
        )
    return re.compile(before + number + behind)


def _quotes_of(lines: list[bytes]) -> bytes:
    """Return the characters that stand around cells in most lines as a double quote does elsewhere."""
    cell = rb"(^|[,;|\t ])\s*(%s)[^'`\"\n]*%s\s*(?=$|[,;|\t ])"
    found = b""
    for mark, begin in ((b"'", b"'"), (b"`", b"`"), (b'"', b'="')):
        pattern = re.compile(cell % (begin, mark))
        if 2 * sum(pattern.search(one) is not None and (mark in b'"' or b'"' not in one) for one in lines) > len(lines):
            found += mark
    return found


def joined_form(form: TextForm, head: bytes) -> TextForm | None:
    """Return the form in which frames are read that go over several lines alike; None if there are none.

    The lines of a frame begin with the same words as those of the next, or with a number where those do.
    """
    if form.first_name:
        return None
    lines = [line for line in form.applied(head).split(b"\n")[:-1] if line.strip()]
    kinds = [_kind_of(line) for line in lines]
    if len(kinds) < 36 or 2 * sum(_WHOLE_FRAME.fullmatch(line) is not None for line in lines) > len(lines):
        return None
    for first in dict.fromkeys(kinds[-3 * _MOST_LINES :]):
        starts = [k for k, kind in enumerate(kinds) if kind == first]
        frames = Counter(tuple(kinds[a:b]) for a, b in pairwise(starts))
        if not frames:
            continue
        usual, n = frames.most_common(1)[0]
        begins_so = kinds[starts[0]] == next((kind for kind in kinds if kind in usual), None)
        if begins_so and 2 <= len(usual) <= _MOST_LINES and len(set(usual)) > 1 and 10 * n >= 9 * (len(starts) - 1):
            # Words alone part the frames: numbers may stand before any line.
            is_alone = not any(kind.strip() == b"" for kind in usual[1:])
            word = rb"[ \t]*[\[(]?[+-]?\d" if is_alone else rb"[\[(]?[+-]?\d"
            if first == _TIME_KIND:
                word = _TIME_ALONE.pattern
            elif first.strip():
                word = rb"[ \t]*[-*]?[ \t]*" + re.escape(first.strip())
            more = rb"(?!%s)" % word
            return replace(form, more=rb"(?:%s|%s)" % (form.more, more) if form.more else more)
    return None


def _kind_of(line: bytes) -> bytes:
    """Return the word that a line begins with, of a number a blank, with an indent in front of either."""
    if _TIME_ALONE.match(line):
        return _TIME_KIND
    word = re.match(rb"[ \t]*[-*]?[ \t]*([\[<]{0,2}[A-Za-z_][A-Za-z_ ]*)(?=\d*\]|[^A-Za-z_ 0-9]|[ \t]\d|$)", line)
    return (b"\t" if line[:1] in {b" ", b"\t"} else b"") + (word[1] if word else b"")


def _narrow(text: bytes, encoding: str) -> bytes:
    """Return UTF-16 as one byte for a character, a question mark for one that is none of Latin-1."""
    low, high = (text[::2], text[1::2]) if encoding == "utf-16-le" else (text[1::2], text[::2])
    n = min(len(low), len(high))
    if not any(high[:n]):
        return low[:n]
    return bytes(
        c if not h else 63 if (h, c) not in {(0xFE, 0xFF)} else 32 for c, h in zip(low[:n], high[:n], strict=True)
    )


class NormalisedStream:
    """A stream whose text is brought into the form that the kernel reads.

    Parameters
    ----------
    stream : Stream
        As it was recorded, from its first byte.
    form : Form
        What has to be done to it.
    """

    def __init__(self, stream: Stream, form: TextForm) -> None:
        self._stream = stream
        self._form = form
        self._buffer = bytearray(_CHUNK)
        self._odd = b""
        self._ready = form.heading
        self._ended = False

    @property
    def damage(self) -> str:
        """Damage of the stream."""
        return self._stream.damage

    def read_into(self, view: memoryview) -> int:
        """Fill the view."""
        while not self._ready and not self._ended:
            n = self._stream.read_into(memoryview(self._buffer))
            text = self._odd + bytes(self._buffer[:n])
            self._ended = n == 0
            keep = 0
            if not self._ended:
                # A half of a character, or a carriage return whose line feed may follow, waits for the next bytes.
                keep = len(text) % 2 if self._form.encoding else 0
                ending = {"": b"\r", "utf-16-le": b"\r\0", "utf-16-be": b"\0\r"}[self._form.encoding]
                if self._form.has_returns and text[: len(text) - keep].endswith(ending):
                    keep += len(ending)
                keep = max(keep, len(text) - self._form.held(text))
            self._odd = text[len(text) - keep :] if keep else b""
            self._ready = self._form.applied(text[: len(text) - keep])
        n = min(len(view), len(self._ready))
        view[:n] = self._ready[:n]
        self._ready = self._ready[n:]
        return n

    def close(self) -> None:
        """Close the stream."""
        self._stream.close()
