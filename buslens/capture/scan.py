"""Lines become runs of frames: the loop around a format's kernel.

A `Scanner` reads one piece of a log. It owns the kernel's state and columns, sorts frames that came a little out of
order into place, opens a new segment at a discontinuity, and counts what was read. Two scanners of neighbouring
pieces can be put together if the second did not need to know of the first (`Scanner.follows`).
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any, Final, Self, cast

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from buslens.capture import _recorded_kernel
from buslens.capture import _scan_kernel as k
from buslens.capture.frame_buffer import FrameBuffer
from buslens.capture.frames import ClockDiscontinuity, Frames, ReadStats, Skipped, Unread
from buslens.capture.pauses import ChannelTraffic, TrafficByChannel
from buslens.capture.read_options import ReadOptions
from buslens.capture.stream import WINDOW_BYTES, LateDamage, LineBlock, Stream, line_blocks
from buslens.kernels import compiled
from buslens.units import format_duration

KEPT_LINES: Final = 8
"""Broken lines that are kept."""
KEPT_UNREAD: Final = 4_096
"""Broken lines of a piece whose place is kept."""
KEPT_DISCONTINUITIES: Final = 10_000
"""Clock discontinuities that are kept; a log with more was not recorded in the order of its lines."""
LEAST_BEHIND: Final = 5
"""So often a channel is behind the others by much the same before it has a clock of its own (rule of thumb)."""
SHOWN_BYTES: Final = 80
"""Of a broken line."""

_REASONS: Final = {
    k.TOO_LONG: f"longer than {WINDOW_BYTES >> 20} MiB: not a line of a log",
    k.TOO_MANY_CHANNELS: f"more than {k.MOST_CHANNELS} different channel names",
    k.BAD_STAMP: "a time stamp is digits, a point and up to 9 digits, such as 1700000000.000123",
    k.BAD_FRACTION: "the time stamp has more than 9 decimals; a nanosecond is the finest that is read",
    k.STAMP_RANGE: "the time stamp, in seconds, is beyond the year 2096",
    k.BAD_LABEL: f"a channel name of 1 to {k.LABEL_ROOM - 1} characters was expected, such as can0",
    k.NO_SUCH_ID: "an identifier above 7FF in a frame of 11 bits, or above 1FFFFFFF",
    k.TOO_MUCH_DATA: "more than 8 bytes in a classical CAN frame (CAN FD: 64)",
}


@dataclass(slots=True)
class _ReadNotes:
    """What cannot be counted in the kernel's state."""

    skipped: list[Skipped] = field(default_factory=list)
    unread: list[Unread] = field(default_factory=list)
    #: Identifiers of the broken lines since the last frame.
    pending: list[int | None] = field(default_factory=list)
    #: Broken lines that stand in one of these two.
    noted: int = 0
    discontinuities: list[ClockDiscontinuity] = field(default_factory=list)
    #: Clock discontinuities beyond those that are kept.
    unlisted_discontinuities: int = 0
    #: How far a channel whose own stamps did not run back was behind the others, ns, by channel.
    behind_ns: dict[str, list[int]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    #: The last line if it is a frame and has no line end; 0 if it is not so.
    unended_line: int = 0
    is_unsound: bool = False
    damage: str = ""

    def place_unread(self, from_ns: int | None, to_ns: int) -> None:
        """Note that the broken lines since the last frame stand between two times."""
        self.unread += [Unread(from_ns, to_ns, can_id) for can_id in dict.fromkeys(self.pending)]
        self.pending.clear()

    def add_discontinuity(self, discontinuity: ClockDiscontinuity) -> None:
        if len(self.discontinuities) < KEPT_DISCONTINUITIES:
            self.discontinuities.append(discontinuity)
        else:
            self.unlisted_discontinuities += 1

    def add_behind(self, channels: Iterable[str], back_ns: Iterable[int]) -> None:
        for channel in channels:
            known = self.behind_ns.setdefault(channel, [])
            known += list(back_ns)[: KEPT_DISCONTINUITIES - len(known)]

    @property
    def apart_ns(self) -> dict[str, int]:
        """Channels that are behind the others again and again by much the same, and by how much, ns.

        A recorder that began anew would set back all channels, and not by the same each time.
        """
        middle = {channel: sorted(known)[len(known) // 2] for channel, known in self.behind_ns.items()}
        return {
            channel: middle[channel]
            for channel, known in self.behind_ns.items()
            if sum(4 * abs(one - middle[channel]) <= middle[channel] for one in known)
            >= max(LEAST_BEHIND, len(known) // 2)
        }

    def note(self, sentence: str) -> None:
        if sentence not in self.notes:
            self.notes.append(sentence)


class Scanner:
    """Reads one piece of a log.

    Parameters
    ----------
    plan : ReadOptions
        What is read, and how.
    slots : sequence of int, optional
        Slots of the format at the start of the piece; default: those of the start of the log.
    """

    def __init__(self, plan: ReadOptions, slots: Iterable[int] | None = None) -> None:
        self.plan = plan
        self.account = _ReadNotes()
        self.state = np.zeros(k.STATE_SIZE, np.int64)
        #: The same, as plain Python reads and writes it most quickly.
        self._s = cast("k.Slots", memoryview(self.state))  # type: ignore[arg-type]  # an array is a buffer
        s = self._s
        s[k.LARGEST] = s[k.FLOOR] = k.NO_TIME
        s[k.SMALLEST] = k.AXIS_LIMIT
        s[k.KEEP] = KEPT_UNREAD
        s[k.AS_RECORDED] = int(plan.as_recorded)
        s[k.ROOM] = plan.room
        if slots is None:
            for slot, value in plan.match.slots.items():
                s[slot] = value
        else:
            self.state[k.FORMAT : k.FORMAT_END] = list(slots)
        #: Slots of the format with which the piece began.
        self.began = self.state[k.FORMAT : k.FORMAT_END].tolist()
        #: Whether time was lost before the first frame: a discontinuity where a piece begins, not where a log does.
        self._lost_before_first = False
        self._ids = np.zeros(1, np.int64)
        if plan.wanted is None:
            s[k.EVERYTHING] = 1
        else:
            self._ids = plan.wanted.table()
            s[k.ID_MASK] = len(self._ids) - 2048 - 1
            s[k.GROUPS] = int(bool(plan.wanted.groups))
        self._columns = FrameBuffer(plan.room, 2 * plan.room)
        #: When frames of any id came, without what still stands in the state.
        self._traffic = TrafficByChannel()
        s[k.WORD_ROOM] = len(self._columns.words)
        self._labels = bytearray(k.MOST_CHANNELS * k.LABEL_ROOM + 1)
        self._note_labels()
        self._names: tuple[str, ...] = ()
        #: Channels of the frames that were handed on.
        self.channels_used: set[str] = set()
        self._buffer = bytearray()
        self._plain_left = plan.plain_bytes
        self._run: Callable[[int, int], int] | None = None
        self._is_plain = True

    # --- reading ------------------------------------------------------------------------------------------------

    def read(self, stream: Stream) -> Iterator[Frames]:
        """Read a stream to its end; yield frames in runs, each in order of time and within one segment.

        Frames that later ones may have to be sorted before are held back until `rest`.
        """
        if not self._buffer:
            self._buffer = bytearray(self.plan.window_bytes + k.PADDING)
        self._run = None
        try:
            for window in line_blocks(stream, self._buffer):
                if window.is_too_long:
                    self._skip(self._s[k.LINES] + 1, _REASONS[k.TOO_LONG], self._buffer[:SHOWN_BYTES])
                    self._s[k.LINES] += 1
                elif window.is_cut and stream.damage:
                    self.end_at_damage(stream.damage, self._buffer[: window.stop - 1])
                    return
                else:
                    yield from self._read_window(window)
            if stream.damage:
                self.end_at_damage(stream.damage)
        finally:
            # It refers to this object: without a circle the buffers go as soon as nobody needs them.
            self._run = None

    def end_at_damage(self, damage: str, text: bytes | bytearray = b"") -> None:
        """Count the line in which what is read broke off as broken, and say so however many there are before it."""
        line = self._s[k.LINES] + 1
        self.account.is_unsound |= isinstance(damage, LateDamage)
        self.account.damage = str(damage)
        if self._s[k.BROKEN] >= KEPT_LINES:
            self.account.note(f"line {line}: {damage}")
        self._skip(line, damage, text)

    def _read_window(self, window: LineBlock) -> Iterator[Frames]:
        frames = self._s[k.FRAMES]
        kernel = self._kernel(window.stop)
        p = 0
        while True:
            p = kernel(p, window.stop)
            stop = self._s[k.STOP]
            if stop == k.END:
                break
            if stop == k.BROKEN_LINE:
                self._keep_broken(p)
            elif stop == k.ASK:
                self._apply_directive()
            else:
                yield from self._make_room(stop, self._s[k.LINES] + 1)
        if window.is_cut:
            self._s[k.LINES] -= 1  # the line feed was ours
            if self._s[k.FRAMES] != frames:
                self.account.unended_line = self._s[k.LINES] + 1
        if self._s[k.COUNT] >= self.plan.batch:
            yield from self._emit_ready()

    def feed(self, frames: Frames) -> Iterator[Frames]:
        """Take frames that another reader made, in file order and with the times that were recorded.

        The labels of `frames` must begin with those of the run before.
        """
        s = self._s
        for channel, label in enumerate(frames.channels[: k.MOST_CHANNELS]):
            name = label.encode()[: k.LABEL_ROOM - 1]
            self._labels[channel * k.LABEL_ROOM : channel * k.LABEL_ROOM + len(name)] = name
        s[k.CHANNELS] = min(len(frames.channels), k.MOST_CHANNELS)
        columns = (frames.time_ns, frames.channel, frames.can_id, frames.flags, frames.dlc, frames.length, frames.word)
        source = tuple(column.tolist() for column in columns), frames.words.tolist()
        take = cast("Callable[..., int]", _recorded_kernel.take)
        p = 0
        while True:
            p = take(*source, p, len(frames), s, self._ids, *self._columns.plain())
            if s[k.STOP] == k.END:
                break
            if s[k.STOP] == k.BROKEN_LINE:
                text = f"{frames.can_id[p - 1]:X} [{frames.length[p - 1]}]".encode()
                self._skip(s[k.LINES], _REASONS[s[k.REASON]], text)
            else:
                yield from self._make_room(s[k.STOP], s[k.LINES] + 1)
        yield from self._emit_ready()

    def flush(self) -> Iterator[Frames]:
        """Yield the frames that are held back: nothing comes that could belong before them."""
        yield from self._release(None)

    def _kernel(self, n_bytes: int) -> Callable[[int, int], int]:
        """Return what reads the buffer from one place to another: plain Python at first, then compiled code."""
        if self._run is None or (self._is_plain and self._plain_left < n_bytes):
            twin = compiled(self.plan.format.compiled_kernel, self.plan.notify) if self._plain_left < n_bytes else None
            self._is_plain = twin is None
            self._run = self._plain_run() if twin is None else self._compiled_run(twin)
            if twin is None and self._plain_left < n_bytes:
                self._plain_left = 1 << 62  # there is no compiler
        if self._is_plain:
            self._plain_left -= n_bytes
        return self._run

    def _plain_run(self) -> Callable[[int, int], int]:
        entry, buffer, columns = self.plan.format, self._buffer, self._columns.plain()
        kernel = (not self._s[k.ONLY_CLOCK] and entry.plain_kernel) or entry.kernel
        code, ids = k.character_codes(), self._ids.tolist()

        def run(start: int, stop: int) -> int:
            return kernel(buffer, start, stop, self._s, code, ids, self._labels, *columns)

        return run

    def _compiled_run(self, kernel: Callable[..., int]) -> Callable[[int, int], int]:
        entry, text, columns = self.plan.format, np.frombuffer(self._buffer, np.uint8), self._columns.compiled()
        code, labels = np.array(k.character_codes(), np.int64), np.frombuffer(self._labels, np.uint8)
        texts: tuple[NDArray[Any], ...] = (text,)
        if entry.compiled_kernel is entry.wide_kernel:
            texts = text, as_strided(text[:8].view("<i8"), (len(text) - 7,), (1,))

        others: tuple[Any, ...] = (self.state, code, self._ids, labels, *columns)
        plain: Callable[[int, int], int] | None = None

        def run(start: int, stop: int) -> int:
            nonlocal plain
            p = kernel(*texts, start, stop, *others)
            while (why := self._s[k.STOP]) in {k.UNUSUAL_ROW, k.UNUSUAL_ROWS}:
                if why == k.UNUSUAL_ROW:
                    plain = plain or self._plain_run()
                    p = plain(p, stop)
                else:
                    p = (compiled(entry.kernel, self.plan.notify) or entry.kernel)(text, p, stop, *others)
                if self._s[k.STOP] == k.END and p < stop:
                    p = kernel(*texts, p, stop, *others)
            return p

        return run

    def _apply_directive(self) -> None:
        on_line = self.plan.format.on_line
        if on_line is not None:
            start = self._s[k.AT]
            line = self._line(start)
            on_line(line, self._s, self.account.notes)

    # --- order --------------------------------------------------------------------------------------------------

    def _make_room(self, stop: int, line: int) -> Iterator[Frames]:
        """Deal with full columns or a clock discontinuity."""
        s = self._s
        if stop == k.SEAM:
            is_first = s[k.LARGEST] == k.NO_TIME
            if self.account.pending:
                at_ns = s[k.LARGEST] - s[k.BACK]
                self.account.place_unread(
                    None if is_first else s[k.LARGEST], at_ns if is_first else max(s[k.LARGEST], at_ns)
                )
            if s[k.BREAK] == k.UNREAD:
                s[k.BREAK] = 0  # if the clock ran back there, too, the kernel comes back once more
                return
            if is_first:
                s[k.BREAK] = 0
                self._lost_before_first = True
                return
            yield from self.flush()
            if channel := s[k.IN_ORDER_ON]:
                self.account.add_behind(self.channels[channel - 1 :][:1], [s[k.BACK]])
            why = s[k.BREAK]
            self.account.add_discontinuity(
                ClockDiscontinuity(
                    time_ns=s[k.LARGEST] + 1, line=line, back_ns=s[k.BACK], is_lost=why == k.LOST, is_hole=why == k.HOLE
                )
            )
            s[k.SHIFT] += max(s[k.BACK] + 1, 0)
            s[k.SEGMENT] += 1
            s[k.BREAK] = 0
            # What lies behind a clock discontinuity never comes before it, or the axis would run back there.
            s[k.FLOOR] = s[k.LARGEST] + 1
            return
        if s[k.GAPS]:
            self._take_gaps()
        yield from self._emit_ready()
        if 8 * s[k.COUNT] > 7 * s[k.ROOM] or 8 * (s[k.WORDS] + k.MOST_WORDS) > 7 * s[k.WORD_ROOM]:
            # So many frames within SORTED_NS are none of a bus: the clock stands still, and there is nothing to sort.
            s[k.FLOOR] = s[k.LARGEST]
            yield from self.flush()

    def _emit_ready(self) -> Iterator[Frames]:
        """Yield the frames that nothing can come before any more."""
        yield from self._release(self._s[k.LARGEST] - k.SORTED_NS)

    def _release(self, limit_ns: int | None) -> Iterator[Frames]:
        s, plan = self._s, self.plan
        in_order = plan.as_recorded or plan.match.in_order
        frames, s[k.COUNT], s[k.WORDS] = self._columns.release(
            s[k.COUNT],
            s[k.WORDS],
            limit_ns=None if in_order else limit_ns,
            is_sorted=in_order,
            channels=self.channels,
            segment=s[k.SEGMENT],
        )
        if frames is not None:
            if len(self.channels) > 1:
                used = np.flatnonzero(np.bincount(frames.channel))
                self.channels_used.update(self.channels[channel] for channel in used.tolist())
            yield frames

    # --- traffic ------------------------------------------------------------------------------------------------

    def traffic(self) -> TrafficByChannel:
        """Return when frames of any id came on each channel so far; not to be changed."""
        self._take_gaps()
        return self._traffic

    def _take_gaps(self) -> None:
        """Bring what is kept of the channels up to date, and empty the table of gaps."""
        s = self._s
        for number, label in enumerate(self.channels):
            only, frames = s[k.ONLY_ID + number], s[k.FRAMES_ON + number]
            if frames == 0:
                continue
            channel = self._traffic.channels.get(label)
            if channel is None:
                self._traffic.channels[label] = channel = ChannelTraffic(s[k.FIRST_ON + number], 0, 0, 0)
            channel.latest_ns, channel.frames, channel.only_id = s[k.LATEST_ON + number], frames, only
        table = self.state[k.GAP_TABLE : k.GAP_TABLE + 3 * s[k.GAPS]].reshape(-1, 3)
        self._traffic.add_gaps(self.channels, table.copy())
        s[k.GAPS] = 0

    # --- account ------------------------------------------------------------------------------------------------

    @property
    def channels(self) -> tuple[str, ...]:
        """Labels of channels in the order in which they came."""
        n = self._s[k.CHANNELS]
        if len(self._names) != n:
            self._names = tuple(
                bytes(self._labels[base : base + k.LABEL_ROOM]).partition(b"\0")[0].decode("utf-8", "backslashreplace")
                for base in range(0, n * k.LABEL_ROOM, k.LABEL_ROOM)
            )
        return self._names

    def _line(self, start: int) -> bytes:
        stop = self._buffer.index(b"\n", start)
        return bytes(self._buffer[start:stop]).partition(b"\0")[0]

    def _keep_broken(self, p: int) -> None:
        """Keep the broken line at AT, which has been counted; p is behind it."""
        s = self._s
        line = s[k.LINES] if self._buffer[p - 1] == 0x0A else s[k.LINES] + 1
        start = s[k.AT]
        if self._buffer[start] == 0:
            start += len(self._buffer[start:p]) - len(self._buffer[start:p].lstrip(b"\0"))
        code = s[k.REASON]
        reason = _REASONS.get(code) or self.plan.format.reasons[code]
        text = self._line(start)
        if s[k.BROKEN] <= KEPT_LINES:
            self._show(line, reason, text)
        if not self.plan.as_recorded:
            pattern = self.plan.format.identifier
            found = None if pattern is None else pattern.match(text)
            self._note_unread(None if found is None else int(found[1], 16) & 0x1FFFFFFF)

    def _note_unread(self, can_id: int | None) -> None:
        """Note a broken line, and have the kernel come back at the frame behind it."""
        self.account.pending.append(can_id)
        self.account.noted += 1
        if self._s[k.BREAK] == 0:
            self._s[k.BREAK] = k.UNREAD

    def _skip(self, line: int, reason: str, text: bytes | bytearray) -> None:
        self._s[k.BROKEN] += 1
        if self._s[k.BROKEN] <= KEPT_LINES:
            self._show(line, reason, text)
        if not self.plan.as_recorded:
            self._note_unread(None)

    def _show(self, line: int, reason: str, text: bytes | bytearray) -> None:
        self.account.skipped.append(Skipped(line=line, reason=reason, text=shown(text)))

    # --- neighbours ---------------------------------------------------------------------------------------------

    def follows(self, before: Self) -> bool:
        """Return whether this piece would have been read the same way had it been known what came before."""
        s, b = self._s, before._s
        return (
            b[k.SEGMENT] == 0
            and b[k.SHIFT] == 0
            and b[k.BREAK] in {0, k.UNREAD}
            and not self._lost_before_first
            and b[k.LARGEST] <= s[k.SMALLEST]
            # What the piece before holds back must be safe from the frames behind this piece, too.
            and (b[k.COUNT] == 0 or s[k.SEGMENT] > 0 or b[k.LARGEST] <= s[k.LARGEST] - k.SORTED_NS)
            and self.began == before.state[k.FORMAT : k.FORMAT_END].tolist()
            and len(set(before.channels) | set(self.channels)) <= k.MOST_CHANNELS
        )

    def unread(self) -> list[Unread]:
        """Return where the broken lines stand so far."""
        s, largest = self._s, self._s[k.LARGEST]
        found = list(self.account.unread)
        if s[k.BROKEN] > self.account.noted and largest != k.NO_TIME:
            found.append(Unread(found[-1].to_ns if found else None, largest, None))
        return list(dict.fromkeys(found))  # where a log is cut between two lines, each piece has noted one

    def absorb(self, before: Self) -> None:
        """Take over the account of the piece before; all that it held back has been handed on."""
        s, b = self.state, before.state
        latest_ns = None if b[k.LARGEST] == k.NO_TIME else int(b[k.LARGEST])
        if s[k.FRAMES]:
            before.account.place_unread(latest_ns, int(s[k.SMALLEST]))
        unread = before.unread() + [
            one if one.from_ns is not None else one._replace(from_ns=latest_ns) for one in self.unread()
        ]
        n_lines = int(b[k.LINES])
        counted = [k.LINES, k.FRAMES, k.REMOTE, k.ERRORS, k.OTHER, k.BROKEN, k.REORDERED, k.UNANSWERED]
        s[counted] += b[counted]
        s[k.ERROR_CLASS : k.FORMAT] += b[k.ERROR_CLASS : k.FORMAT]
        s[k.LARGEST] = max(s[k.LARGEST], b[k.LARGEST])
        s[k.SMALLEST] = min(s[k.SMALLEST], b[k.SMALLEST])
        s[k.FLOOR] = max(s[k.FLOOR], b[k.FLOOR])
        mine, theirs = self.account, before.account
        skipped = [*theirs.skipped, *(line._replace(line=line.line + n_lines) for line in mine.skipped)]
        account = _ReadNotes(
            skipped=skipped[:KEPT_LINES],
            unread=unread,
            pending=[*theirs.pending, *mine.pending],
            noted=int(s[k.BROKEN]),
            unlisted_discontinuities=theirs.unlisted_discontinuities + mine.unlisted_discontinuities,
        )
        for one in (theirs, mine):
            for label, known in one.behind_ns.items():
                account.add_behind([label], known)
        self.channels_used |= before.channels_used
        for sentence in [*theirs.notes, *mine.notes]:
            account.note(sentence)
        for discontinuity in [
            *theirs.discontinuities,
            *(discontinuity._replace(line=discontinuity.line + n_lines) for discontinuity in mine.discontinuities),
        ]:
            account.add_discontinuity(discontinuity)
        if mine.unended_line:
            account.unended_line = mine.unended_line + n_lines
        self.account = account
        traffic = before.traffic()
        traffic.join(self.traffic())
        self._traffic = traffic
        self._renumber_channels(before)
        for number, label in enumerate(self.channels):
            channel = traffic.channels.get(label)
            s[k.FRAMES_ON + number] = 0
            if channel is not None:
                s[k.FIRST_ON + number], s[k.LATEST_ON + number] = channel.first_ns, channel.latest_ns
                s[k.FRAMES_ON + number], s[k.ONLY_ID + number] = channel.frames, channel.only_id
        self._run = None
        self.began = before.began

    def _renumber_channels(self, before: Self) -> None:
        """Give the channels the numbers that they have when both pieces are read as one."""
        names = list(before.channels)
        numbers = []
        for name in self.channels:
            if name not in names:
                names.append(name)
            numbers.append(names.index(name))
        if numbers:
            held = self._columns.channel[: self._s[k.COUNT]]
            held[:] = np.array(numbers, np.uint16)[held]
        own, self._labels = self._labels, bytearray(before._labels)
        room = k.LABEL_ROOM
        for channel, number in enumerate(numbers):
            self._labels[number * room : (number + 1) * room] = own[channel * room : (channel + 1) * room]
        self._s[k.CHANNELS] = len(names)
        self._s[k.CHANNEL] = 0
        self._names = ()
        self._note_labels()

    def _note_labels(self) -> None:
        for channel in range(k.WIDE_CHANNELS):
            size = self._labels.index(0, channel * k.LABEL_ROOM) - channel * k.LABEL_ROOM
            k.note_label(channel, size, self._s, self._labels)

    def stats(self) -> ReadStats:
        """Return the account of all that was read."""
        s = self._s
        first_ns, last_ns = (s[k.SMALLEST], s[k.LARGEST]) if s[k.FRAMES] else (None, None)
        traffic = self.traffic()
        if only := s[k.ONLY_CLOCK]:
            traffic = traffic.of(self.channels[only - 1])
        notes = [*self.plan.match.notes, *self.account.notes]
        if s[k.BREAK] == k.HOLE and s[k.FRAMES]:
            notes.append("the log ends in a block of zero bytes: what was recorded there is lost")
        if line := self.account.unended_line:
            notes.append(f"the last line, {line}, has no line end, so its frame may have been cut short")
        apart_ns = self.account.apart_ns
        if apart_ns:
            notes.append(
                f"the buses {', '.join(self.channels)} run on clocks of their own, "
                f"{format_duration(max(apart_ns.values()))} apart: times of one cannot be compared with those of others"
            )
        if n := s[k.UNANSWERED]:
            notes.append(
                f"{n} LIN header{'s were' if n > 1 else ' was'} not answered: the master asked, and the unit was silent"
            )
        if self.account.unlisted_discontinuities:
            notes.append(
                f"the recorder clock jumped back {self.account.unlisted_discontinuities} more times, "
                "which are not listed"
            )
        stats = ReadStats(
            format=self.plan.format.name,
            clock=self.plan.match.clock,
            resolution_ns=self.plan.match.resolution_ns,
            is_unsound=self.account.is_unsound,
            damage=self.account.damage,
            frames=s[k.FRAMES],
            remote=s[k.REMOTE],
            errors=s[k.ERRORS],
            other_lines=s[k.OTHER],
            broken=s[k.BROKEN],
            skipped=list(self.account.skipped),
            unread=self.unread(),
            reordered=s[k.REORDERED],
            discontinuities=list(self.account.discontinuities),
            unlisted_discontinuities=self.account.unlisted_discontinuities,
            apart_ns=max(apart_ns.values(), default=0),
            first_ns=first_ns,
            last_ns=last_ns,
            channels=self.channels,
            pauses={} if first_ns is None or last_ns is None else traffic.pauses(first_ns, last_ns),
            lone_channels=traffic.lone(),
            error_classes={1 << bit: n for bit in range(29) if (n := s[k.ERROR_CLASS + bit])},
            notes=notes,
        )
        if self.plan.format.finish is not None:
            self.plan.format.finish(s, stats)
        return stats


def shown(text: bytes | bytearray) -> str:
    """Return the beginning of a line in printable ASCII."""
    more = "..." if len(text.strip()) > SHOWN_BYTES else ""
    line = bytes(text).strip()[:SHOWN_BYTES].decode("ascii", "backslashreplace")
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in line) + more
