"""Check a live bus while listening to it.

It is only received from: nothing is ever sent. INTERFACE is a kind that
python-can knows and a channel: socketcan:can0, udp_multicast:239.74.163.2,
virtual:bench (within one process). A controller that can be told to listen only
is told so; for the others it is said how it is.
What is found is said as soon as nothing can change it any more. Ctrl-C, or
--seconds, ends it with the report; --keep keeps what came as a candump log, and
'buslens check' finds the same in it. --guide says what has still to happen at
the car, and ticks it when it was seen.

Exit status: as for 'buslens check', by what came.

example:
  buslens listen socketcan:can0 --keep door_and_start.log
  buslens listen socketcan:can0 --guide --keep after_the_repair.log
"""

from __future__ import annotations

import argparse
import math
import threading
from typing import TYPE_CHECKING

from buslens.cli.console import Console
from buslens.cli.options import Parser, add_all_argument, add_checking_arguments, whole_number
from buslens.cli.status import Status

if TYPE_CHECKING:
    from buslens.capture.stream import Stream
    from buslens.live.engine import Engine
    from buslens.report.replay import Screen


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    parser.add_argument("interface", metavar="INTERFACE", help="kind and channel of a bus, such as socketcan:can0")
    parser.add_argument("--keep", metavar="FILE", help="keep what comes in this file, as a candump log")
    parser.add_argument("--seconds", metavar="N", type=_seconds, help="end after this time; otherwise with Ctrl-C")
    parser.add_argument(
        "--guide",
        metavar="N",
        type=whole_number,
        nargs="?",
        const=5,
        help="list what has to happen at the car, N times each (default: 5), tick it when it was seen, and sound the "
        "bell when all is there; write it after INTERFACE",
    )
    parser.add_argument("--bitrate", metavar="N", type=_bitrate, help="bits per second, where the driver needs it")
    add_checking_arguments(parser, workers=False)
    add_all_argument(parser)


def run(options: argparse.Namespace, console: Console) -> Status:
    """Listen, check and say the verdict."""
    from buslens.cli.player import Player, engine_of, run_player, screen_for
    from buslens.live.bus import BusStream, Receiver, describe_listening, parse_interface
    from buslens.live.capture_reader import read_stream
    from buslens.live.capture_writer import CaptureWriter

    interface = parse_interface(options.interface)
    engine = engine_of(options, options.interface)
    receiver = Receiver(interface, bitrate=options.bitrate)
    streams: list[BusStream] = []
    keeper = None
    try:
        keeper = None if options.keep is None else CaptureWriter(options.keep)
        console.note(describe_listening(interface))
        keep = None if keeper is None else keeper.write

        def make(stop: threading.Event) -> Stream:
            streams.append(BusStream(receiver, stop, keep=keep, seconds=options.seconds))
            return streams[-1]

        screen = screen_for(console) if options.guide is None else _guided(engine, options.guide, console)
        player = Player(read_stream(options.interface, make), engine, screen)
        status = run_player(player, screen, console, with_keys=True, in_full=options.all)
    except BaseException:
        receiver.close()
        raise
    finally:
        if not streams:
            receiver.close()
        if keeper is not None:
            kept = keeper.finish()
            if kept.exists():
                console.note(f"what came is kept in {kept}")
    for stream in streams:
        if stream.problem:
            console.note(stream.problem)
    return status


def _guided(engine: Engine, wanted: int, console: Console) -> Screen:
    """Return lines, among which lanes that move would leave no room, with what has still to happen."""
    from buslens.report.guide import Guide, GuideScreen
    from buslens.report.replay import LineScreen

    lines = LineScreen(console.result, width=console.width)
    return GuideScreen(lines, Guide(engine.expected.rules, wanted), console.result)


def _seconds(text: str) -> float:
    try:
        seconds = float(text)
    except ValueError:
        seconds = math.nan
    if not 0 < seconds < math.inf:
        raise argparse.ArgumentTypeError(f"'{text}' is no number of seconds above 0")
    return seconds


def _bitrate(text: str) -> int:
    if not (text.isascii() and text.isdecimal()) or int(text) < 1:
        raise argparse.ArgumentTypeError(f"'{text}' is no number of bits per second, such as 500000")
    return int(text)
