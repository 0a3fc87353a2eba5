"""Play a capture in real time with live checking.

On a terminal every role is a lane that moves; the step of the handshake that is
awaited stands below, with the time left for it. Keys: space pauses and goes on,
right arrow or n goes to the next change of a state, q ends. Elsewhere every
change is a line; numbers are not listed, save when they become unknown. What is
found is said as soon as nothing can change it any more. The report comes last.

'-' plays standard input as its frames come. --follow shows a file that is still
being written, from its start and then as it grows, until Ctrl-C. Whatever ends
the playing, the verdict on what was played is said.

--onto sends the frames to other programs as well, each at its time:
udp_multicast:ADDRESS reaches programs on this machine or network, virtual:NAME
only programs within the same process. Everything else is refused: nothing is
ever sent on a bus that may have a wire.

Exit status: as for 'buslens check', by what was played.

example:
  buslens replay capture.log --speed 0.5
"""

import argparse
import math

from buslens.cli.console import Console
from buslens.cli.options import Parser, add_all_argument, add_checking_arguments, table_of
from buslens.cli.status import Status
from buslens.errors import UsageError


def add_arguments(parser: Parser) -> None:
    """Say what the command takes."""
    parser.add_argument("capture", metavar="CAPTURE", help="recorded bus log; '-' is standard input")
    parser.add_argument("--speed", metavar="X", type=_speed, default=1.0, help="times real time, 0.1 to 10; else 1")
    parser.add_argument("--follow", action="store_true", help="show a file that is still being written, as it grows")
    parser.add_argument("--onto", metavar="INTERFACE", help="also send the frames: virtual or udp_multicast")
    add_checking_arguments(parser, workers=False)
    add_all_argument(parser)


def run(options: argparse.Namespace, console: Console) -> Status:
    """Play a capture, and say the verdict."""
    from buslens.cli.player import Player, engine_of, run_player, screen_for
    from buslens.live.capture_reader import follow_file, read_file, read_input
    from buslens.live.playback_clock import PlaybackClock
    from buslens.live.sender import Sender, require_virtual

    target = None if options.onto is None else require_virtual(options.onto)
    if options.follow and options.capture == "-":
        raise UsageError("standard input is followed anyway: leave --follow away")
    if options.follow and (options.speed != 1.0 or target is not None):
        raise UsageError("--follow shows a file as it grows: --speed and --onto have no meaning with it")
    remarks: list[str] = []
    if options.follow:
        reading, remarks = follow_file(options.capture, table_of(options))
    else:
        table = table_of(options)
        reading = read_input(table) if options.capture == "-" else read_file(options.capture, table)
    engine = engine_of(options, options.capture)
    sender = None if target is None else Sender(target)
    pace = None if options.follow else PlaybackClock(options.speed)
    screen = screen_for(console)
    if sender is not None and options.speed != 1.0:
        console.note(
            f"the frames go out {options.speed:g} times as fast as they were recorded: whoever measures a time on them"
            " gets another one"
        )
    try:
        player = Player(reading, engine, screen, pace=pace, sender=sender)
        status = run_player(player, screen, console, with_keys=not options.follow, in_full=options.all)
    finally:
        if sender is not None:
            sender.close()
    for remark in remarks:
        console.note(remark)
    if sender is not None:
        left_out = f"; {sender.left_out} error frames cannot be sent" if sender.left_out else ""
        console.note(f"{sender.sent} frames were sent onto {target}{left_out}")
    return status


def _speed(text: str) -> float:
    from buslens.live.playback_clock import FASTEST, SLOWEST

    try:
        speed = float(text)
    except ValueError:
        speed = math.nan
    if not SLOWEST <= speed <= FASTEST:
        raise argparse.ArgumentTypeError(f"'{text}' is no speed from {SLOWEST:g} to {FASTEST:g} times real time")
    return speed
