"""Playing a capture: the loop that ``replay`` and ``listen`` have in common."""

from __future__ import annotations

import argparse
import math
import time
from collections import deque
from contextlib import suppress
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from buslens.cli.console import Console
from buslens.cli.keys import Keys, PlayerKey, keys
from buslens.cli.shutdown import TerminationRequested
from buslens.cli.status import Status, status_of

if TYPE_CHECKING:
    from buslens.capture.frames import ReadStats
    from buslens.checks.findings import Result
    from buslens.live.capture_reader import Batch, CaptureReader
    from buslens.live.engine import Engine
    from buslens.live.playback_clock import PlaybackClock
    from buslens.live.sender import Sender
    from buslens.report.replay import Screen

_LOOK_S: Final = 0.1
"""Seconds between two judgements, and two pictures where checking is quick."""
_DRAW_S: Final = 0.05


class Player:
    """Plays one capture.

    Parameters
    ----------
    engine : Engine
        Is told the capture's clock once that is known.
    pace : PlaybackClock or None
        The play head; None: everything is taken as it comes.
    sender : Sender or None
        Takes every frame when its time has come.
    """

    def __init__(
        self,
        reading: CaptureReader,
        engine: Engine,
        screen: Screen,
        *,
        pace: PlaybackClock | None = None,
        sender: Sender | None = None,
    ) -> None:
        self._reading = reading
        self._screen = screen
        self._pace = pace
        self._sender = sender
        self.engine = engine
        self._waiting: deque[Batch] = deque()
        #: Frames of the first waiting run that have been taken.
        self._taken = 0
        self._looked_s = self._drawn_s = self._came_s = -math.inf

    # --- the loop -------------------------------------------------------------------------------------------

    def play(self, pressed: Keys) -> None:
        """Play until the capture or the user ends it."""
        while not self._is_over():
            self._fetch()
            now_ns = self._head_ns()
            if now_ns is not None:
                self._take(now_ns)
            self._look(pressed)
            key = pressed.wait(self._pause_s())
            if key is PlayerKey.END:
                return
            if self._pace is not None and key is not None:
                self._obey(key, self._pace)

    def rest(self) -> ReadStats | None:
        """End the reading; take what has come of a capture that is not paced; return the account if there is one."""
        self._reading.stop()
        while self._reading.stats is None:
            batch = self._reading.next(1.0)
            if batch is not None and self._pace is None:
                self._begin(batch)
                self._waiting.append(batch)
        if self._pace is None:
            self._take(2**62)
        return self._reading.stats

    def finish(self) -> Result | None:
        """Return the verdict on what has been played; None if that is nothing."""
        stats = self.rest()
        engine = self.engine
        if engine.last_ns is None or stats is None:
            return None
        if stats.last_ns is not None and engine.last_ns < stats.last_ns:
            discontinuities = [
                discontinuity for discontinuity in stats.discontinuities if discontinuity.time_ns <= engine.last_ns
            ]
            stats = replace(stats, last_ns=engine.last_ns, frames=engine.frames, discontinuities=discontinuities)
        return engine.finish(stats)

    def _is_over(self) -> bool:
        return self._reading.stats is not None and not self._waiting

    def _fetch(self) -> None:
        while len(self._waiting) < 4:
            batch = self._reading.next()
            if batch is None:
                return
            self._begin(batch)
            self._waiting.append(batch)
            self._came_s = time.monotonic()

    def _begin(self, batch: Batch) -> None:
        self.engine.clock = batch.clock
        if self._pace is not None and not self._pace.has_begun:
            self._pace.set(int(batch.frames.time_ns[0]))

    def _head_ns(self) -> int | None:
        if self._pace is None:
            return 2**62
        return self._pace.now_ns() if self._pace.has_begun else None

    def _take(self, until_ns: int) -> None:
        import numpy as np

        while self._waiting:
            batch = self._waiting[0]
            stop = int(np.searchsorted(batch.frames.time_ns, until_ns, side="right"))
            if stop > self._taken:
                part = batch.frames.part(self._taken, stop)
                if self._sender is not None:
                    for index in range(len(part)):
                        self._sender.send(part, index)
                self.engine.take(part, batch.discontinuities)
                self._taken = stop
            if self._taken < len(batch.frames):
                return
            self._waiting.popleft()
            self._taken = 0

    def _look(self, pressed: Keys) -> None:
        """Check and show, not too often."""
        now_s = time.monotonic()
        if self.engine.first_ns is None:
            return
        new = []
        if now_s - self._looked_s >= _LOOK_S or self._is_over():
            self._looked_s = now_s
            new = self.engine.tell()
        elif now_s - self._drawn_s < _DRAW_S:
            return
        self._drawn_s = now_s
        # What was seen, and then what it means.
        self._draw(pressed)
        for told in new:
            self._screen.show_finding(told, self.engine.first_ns)

    def _draw(self, pressed: Keys) -> None:
        from buslens.report.replay import ReplayState

        engine, pace = self.engine, self._pace
        result = engine.last_look
        if result is None or engine.first_ns is None or engine.last_ns is None:
            return
        now_ns = engine.last_ns + round((time.monotonic() - self._came_s) * 1e9)
        if pace is not None:
            now_ns = max(pace.now_ns(), engine.last_ns)
        self._screen.show(
            ReplayState(
                result=result,
                origin_ns=engine.first_ns,
                now_ns=now_ns,
                speed=None if pace is None else pace.speed,
                is_paused=pace is not None and pace.is_paused,
                has_keys=pressed.are_there and pace is not None,
            )
        )

    def _pause_s(self) -> float:
        if self._is_over():
            return 0.0
        if self._pace is not None and self._sender is not None and self._waiting:
            # To the moment of the next frame, for other programs measure it.
            next_ns = int(self._waiting[0].frames.time_ns[self._taken])
            return min(self._pace.wait_s(next_ns), _DRAW_S)
        return _DRAW_S

    # --- keys -----------------------------------------------------------------------------------------------

    def _obey(self, key: PlayerKey, pace: PlaybackClock) -> None:
        if key is PlayerKey.PAUSE and pace.is_paused:
            pace.go_on()
        elif key is PlayerKey.PAUSE:
            pace.pause()
        elif key is PlayerKey.STEP:
            pace.pause()
            self._step(pace)
        self._looked_s = -math.inf

    def _step(self, pace: PlaybackClock) -> None:
        """Go to the frame that shows the next change of a state, or to the end of what has come."""
        while True:
            self._fetch()
            if not self._waiting:
                return
            batch = self._waiting[0]
            part = batch.frames.part(self._taken, len(batch.frames))
            found_ns = self.engine.next_change_ns(part)
            until_ns = int(part.time_ns[-1]) if found_ns is None else found_ns
            self._take(until_ns)
            pace.set(until_ns)
            if found_ns is not None:
                return


def engine_of(options: argparse.Namespace, path: str) -> Engine:
    """Return the engine, with expectations and definitions loaded as the options say.

    Raises BuslensError if they cannot be used.
    """
    from buslens.defaults import find_expectations
    from buslens.definitions.load import load_definitions
    from buslens.expectations.load import load_expectations
    from buslens.live.engine import Engine

    chosen = options.expectations or str(find_expectations(path))
    defined = load_definitions(*options.definitions) if options.definitions else None
    expected = load_expectations(chosen, definitions_needed=defined is None)
    return Engine.of(expected, defined, path=path, channels=dict(options.channels))


def screen_for(console: Console) -> Screen:
    """Return lanes that move where standard output is a terminal that can show them, else lines."""
    from buslens.report.replay import LaneScreen, LineScreen

    if console.painted:
        return LaneScreen(console.out)
    return LineScreen(console.result, width=console.width)


def run_player(player: Player, screen: Screen, console: Console, *, with_keys: bool, in_full: bool) -> Status:
    """Play, say the verdict on what was played, and return the exit status.

    Ctrl-C only ends the playing; so does a request of the system to end, which the exit status tells.
    """
    ended: Status | None = None
    try:
        with keys(wanted=with_keys and console.painted) as pressed:
            player.play(pressed)
    except TerminationRequested as exc:
        ended = exc.status
    except KeyboardInterrupt:
        pass
    finally:
        screen.close()
    result = player.finish()
    if result is None:
        console.note("nothing was played, so there is no verdict")
        return Status.UNDECIDED if ended is None else ended
    if ended is None:
        report(player, result, console, in_full=in_full)
        return status_of(result.verdict)
    with suppress(OSError):  # the terminal may be what has gone
        report(player, result, console, in_full=in_full)
    return ended


def report(player: Player, result: Result, console: Console, *, in_full: bool) -> None:
    """Write the whole report, the verdict last."""
    from buslens.live.engine import is_final
    from buslens.report.formatting import moment, place
    from buslens.report.text import text

    for told in player.engine.told:
        for finding in told.findings:
            if finding.outcome.value != "undecided" and not is_final(finding, result):
                when = moment(finding.time_ns or 0, result.origin_ns)
                console.note(f"correction: the final report no longer contains what was found {when}: {place(finding)}")
    console.result("\n" + text(result, width=console.width, painted=console.painted, in_full=in_full))
