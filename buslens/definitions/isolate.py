"""What the parser refuses, narrowed down to statements.

The parser says yes or no to a whole text. Groups of statements are given to it that double as long as it says yes and
shrink when it says no, so that a file costs little more than its own length and some tries for each bad statement.
"""

import logging
import re
from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import chain, islice
from typing import Any, Final, NamedTuple

from buslens.definitions.sanitizer import Sanitizer
from buslens.definitions.statements import BEGINNINGS, EXAMPLES, KEYWORDS, Statement, cut, head_of

_MESSAGE: Final = "BO_ 0 M: 8 X"
_PROBE: Final = 'BO_ 0 M: 8 X\n SG_ S : 0|8@1+ (1,0) [0|0] "" X'
"""What definitions of attributes may turn out to be unfit for."""
_GUARD: Final = "\nBS_:\n"
"""Stands behind the last statement: the parser passes over an unfinished one at the end in silence."""
_FIRST_GROUP: Final = 8
"""Statements in the group behind a bad one: bad ones like company."""

_NEXT_LINE: Final = re.compile(rf"\n[ \t]*(?P<keyword>{'|'.join(sorted(KEYWORDS))})(?!\w)", re.ASCII)
_MAY_BE_MESSAGE: Final = re.compile(r"\d\s+\S+\s*:\s*\d", re.ASCII)
_NO_MESSAGE: Final = "no BO_ stands right before this signal and its neighbours"
_WITHOUT_SEMICOLON: Final = frozenset({"BO_", "SG_", "BU_", "VERSION"})
_IN_ONE_LINE: Final = frozenset({"BO_", "SG_", "VERSION"})


class SyntaxFailure(NamedTuple):
    """A statement that the parser does not understand."""

    statement: Statement
    #: Where it stops understanding; None if the statement is not finished.
    offset: int | None
    #: What is wrong, if it is not the syntax.
    reason: str = ""


class SemanticFailure(NamedTuple):
    """A statement that the parser understands and will not have."""

    statement: Statement
    reason: str


class _Queue:
    """Statements that wait for the parser, cut from the text when they are needed."""

    def __init__(self, source: Iterator[Statement]) -> None:
        self._source = source
        self._waiting: deque[Statement] = deque()

    def take(self, size: int | None) -> list[Statement]:
        """Return the next statements, as many as wanted or all."""
        self._fill(size)
        n = len(self._waiting) if size is None else min(size, len(self._waiting))
        return [self._waiting.popleft() for _ in range(n)]

    def give_back(self, statements: Sequence[Statement]) -> None:
        """Put statements before all others."""
        self._waiting.extendleft(reversed(statements))

    @property
    def is_empty(self) -> bool:
        """Whether nothing is left."""
        self._fill(1)
        return not self._waiting

    def _fill(self, size: int | None) -> None:
        missing = None if size is None else max(0, size - len(self._waiting))
        self._waiting.extend(islice(self._source, missing))


def load(text: str) -> Any:  # cantools has no types that every supported version shares
    """Return the parser's database of a whole text.

    Raises
    ------
    Exception
        Whatever the parser trips over; with an ``offset`` if it is the syntax.
    """
    from cantools.database.can import Database

    # What it logs, in words of its own and to standard error, is told by the outline, and with its place.
    logger = logging.getLogger("cantools")
    if not logger.handlers:
        logger.addHandler(logging.NullHandler())
    # Overlapping signals are usual in real files and mean what they say; hence not strict.
    database = Database(strict=False, sort_signals=None)
    database.add_dbc_string(text + _GUARD)
    return database


def reason_of(error: Exception) -> str:
    """Return what the parser says, in one line."""
    text = " ".join((str(error) or type(error).__name__).split())
    if isinstance(error, KeyError):
        text = f"there is no {text}"
    return text if len(text) <= 200 else text[:197] + "..."


def split_by_syntax(text: str, feed: Sanitizer) -> tuple[list[Statement], list[SyntaxFailure]]:
    """Return the statements of a text that the parser understands, and those that it does not.

    A quote without its other half would turn the rest of the file inside out. So a string that does not make sense
    ends at the next line that begins a statement.
    """
    good: list[Statement] = []
    bad: list[SyntaxFailure] = []
    queue = _Queue(cut(text))
    size: int | None = None
    while group := queue.take(size):
        found = _first_misread(group, feed)
        if found is None:
            good += group
            size = None if size is None else 2 * size
            continue
        size = _FIRST_GROUP
        index, offset = found
        good += group[:index]
        culprit = group[index]
        queue.give_back(group[index + 1 :])
        # At the end of the file a statement may have been cut short.
        if offset is None and not queue.is_empty and _closes(culprit, feed):
            good.append(culprit)
            continue
        behind = _resume(text, culprit, culprit.end if offset is None else offset)
        if behind is not None:
            queue = _Queue(cut(text, behind))
            end = len(text[:behind].rstrip())
            culprit = Statement(culprit.keyword, culprit.start, end, head_of(text, culprit.keyword, culprit.start, end))
        bad.append(SyntaxFailure(culprit, offset if offset is None or offset < culprit.end else None))
    return _placed(text, good, bad)


def _placed(
    text: str, good: Sequence[Statement], bad: Sequence[SyntaxFailure]
) -> tuple[list[Statement], list[SyntaxFailure]]:
    """Return the two without signals that follow no message: they are none of the message before.

    Signals of a message that is not understood go with it in silence.
    """
    misread = {item.statement.start: item for item in bad}
    kept: list[Statement] = []
    wrong = list(bad)
    has_message = False
    reason = _NO_MESSAGE
    for statement in sorted([*good, *(item.statement for item in bad)], key=lambda statement: statement.start):
        is_good = statement.start not in misread
        if is_good and statement.head is None and statement.keyword in {"BO_", "SG_"}:
            wrong.append(SyntaxFailure(statement, statement.start))
            is_good = False
        if statement.keyword == "SG_":
            if is_good and has_message:
                kept.append(statement)
            elif is_good and reason:
                wrong.append(SyntaxFailure(statement, None, reason))
            continue
        if is_good:
            kept.append(statement)
        if statement.keyword or _MAY_BE_MESSAGE.search(text[statement.start : statement.end]):
            has_message = is_good and statement.keyword == "BO_"
            reason = "" if not is_good and statement.keyword in {"", "BO_"} else _NO_MESSAGE
    return kept, wrong


def _first_misread(group: Sequence[Statement], feed: Sanitizer) -> tuple[int, int | None] | None:
    """Return the first statement of a group that is not understood, and where; None if all are."""
    found = earlier = _misread(group, feed)
    while earlier is not None and earlier[0]:
        # The parser looks for words that are none in the whole text before it looks at their order.
        found, earlier = earlier, _misread(group[: earlier[0]], feed)
    return earlier or found


def _misread(group: Sequence[Statement], feed: Sanitizer) -> tuple[int, int | None] | None:
    """Return a statement of a group that is not understood, and where; None if all are."""
    parts: list[str] = []
    starts: list[int] = []
    length, before = 0, ""
    for statement in group:
        lead = f"\n{_MESSAGE}\n" if statement.keyword == "SG_" and before not in {"BO_", "SG_"} else "\n"
        said = feed.rewrite(statement, small=True)
        starts.append(length + len(lead))
        parts += lead, said
        length += len(lead) + len(said)
        before = statement.keyword
    try:
        load("".join(parts))
    except Exception as error:
        offset = getattr(error, "offset", None)
        if not isinstance(offset, int):
            return None  # understood, whatever it thinks of that
        index = bisect_right(starts, offset) - 1
        if offset >= length:
            return len(group) - 1, None
        if index < 0:
            return 0, group[0].start
        inside = offset - starts[index]
        if inside == 0 and index and group[index].keyword in {"SG_", *BEGINNINGS}:
            return index - 1, None
        return index, min(group[index].start + inside, group[index].end)
    return None


def _closes(statement: Statement, feed: Sanitizer) -> bool:
    """Return whether a statement lacks nothing but its semicolon; it gets it."""
    if statement.keyword not in EXAMPLES or statement.keyword in _WITHOUT_SEMICOLON:
        return False
    feed.unclosed[statement.start] = statement
    if _misread([statement], feed) is None:
        return True
    del feed.unclosed[statement.start]
    return False


def _resume(text: str, statement: Statement, offset: int) -> int | None:
    """Return where a statement begins that a string without end has swallowed; None if none has."""
    quote = text.find('"', statement.start, statement.end)
    if quote < 0:
        return None
    # What is wrong before the string says nothing about the string, and comments may have lines that begin so.
    may_be_any = offset >= quote or not statement.keyword
    for found in _NEXT_LINE.finditer(text, quote, statement.end):
        start = found.start("keyword")
        is_first = statement.keyword in _IN_ONE_LINE or text[quote : found.start()].rstrip().endswith(";")
        if is_first or (may_be_any and head_of(text, found["keyword"], start, statement.end) is not None):
            return start
    return None


def split_by_semantics(
    statements: Sequence[Statement], feed: Sanitizer, numbers: Mapping[int, int]
) -> tuple[list[Statement], list[SemanticFailure]]:
    """Return the statements that the parser takes, and those that it understands and refuses.

    Parameters
    ----------
    numbers : mapping of int to int
        Message numbers that are given to the parser as others.
    """
    units: dict[int, list[Statement]] = {}
    common: list[Statement] = []
    unit: list[Statement] = []
    for statement in statements:
        if statement.keyword == "BO_" and statement.number is not None:
            number = numbers.get(statement.number, statement.number)
            unit = units.setdefault(number, [])
        if statement.keyword in {"BO_", "SG_"}:
            unit.append(statement)
    for statement in statements:
        if statement.keyword not in {"BO_", "SG_"}:
            number = -1 if statement.number is None else numbers.get(statement.number, statement.number)
            units.get(number, common).append(statement)

    def refusal(*parts: Iterable[Statement], lead: str = "") -> str:
        chosen = sorted(chain(*parts), key=lambda statement: statement.start)
        try:
            load("\n".join([lead, *(feed.rewrite(statement, numbers=numbers) for statement in chosen)]))
        except Exception as error:
            return reason_of(error)
        return ""

    good, refused = _sift(common, lambda kept, group: refusal(kept, group, lead=_PROBE))
    context = [statement for statement in good if statement.keyword in {"BA_DEF_", "BA_DEF_DEF_"}]
    whole, broken = _sift(list(units.values()), lambda _, group: refusal(context, *group))
    good += chain(*whole)
    for statements_of_one, _ in broken:
        kept, theirs = _sift_unit(statements_of_one, lambda *parts: refusal(context, *parts))
        good += kept
        refused += theirs
    return (
        sorted(good, key=lambda statement: statement.start),
        [SemanticFailure(statement, reason) for statement, reason in refused],
    )


def _sift_unit(
    unit: Sequence[Statement], refusal: Callable[..., str]
) -> tuple[list[Statement], list[tuple[Statement, str]]]:
    """Return what the parser takes of one message, and what it does not."""
    message, *rest = unit
    if reason := refusal([message]):
        return [], [(message, reason)]
    signals = [statement for statement in rest if statement.keyword == "SG_"]
    good, bad = _sift(signals, lambda kept, group: refusal([message], kept, group))
    gone = {statement.name for statement, _ in bad}
    about = [statement for statement in rest if statement.keyword != "SG_" and statement.name not in gone]
    kept, refused = _sift(about, lambda kept, group: refusal([message], good, kept, group))
    return [message, *good, *kept], [*bad, *refused]


def _sift(
    items: Sequence[Any], refusal: Callable[[list[Any], Sequence[Any]], str]
) -> tuple[list[Any], list[tuple[Any, str]]]:
    """Return the items that are taken together, and the others with the reasons.

    `refusal` says why a group is refused together with the items before it that were taken; empty if it is not.
    """
    good: list[Any] = []
    bad: list[tuple[Any, str]] = []
    at, size = 0, len(items)
    while at < len(items):
        group = items[at : at + size]
        reason = refusal(good, group)
        if not reason:
            good += group
            at += len(group)
            size *= 2
        elif len(group) > 1:
            size = len(group) // 2
        else:
            bad.append((group[0], reason))
            at += 1
    return good, bad
