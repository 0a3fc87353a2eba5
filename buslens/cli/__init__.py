"""The command line: finds the command, and turns whatever ends it into words and an exit status.

=========  =================================================================================
0          everything met, or the command did what it was asked
1          something violated
2          the input or the command line is unusable
3          nothing violated but something undecided
70         a fault of the program itself, with what the people who mend it need
129, 143   ended because its terminal went away, or by a request to end (SIGHUP, SIGTERM)
130        stopped by Ctrl-C
141        whatever read the output went away, as after ``| head``
=========  =================================================================================
"""

import os
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from typing import Final

from buslens.cli.console import Console
from buslens.cli.options import Parser, is_file_name
from buslens.cli.shutdown import TerminationRequested
from buslens.cli.status import Status
from buslens.errors import BuslensError, UsageError, did_you_mean
from buslens.files import os_error_text

COMMANDS: Final[Mapping[str, str]] = {
    "check": "check captures against the expectations of a healthy vehicle",
    "plot": "draw a capture as a timing diagram",
    "page": "write a capture as a page to look around in",
    "diagnose": "rank possible causes, and suggest the next measurement",
    "compare": "compare captures before and after a repair, and tell what that proves",
    "record": "write the job record for the customer and the file",
    "fleet": "check many vehicles, and list those to call in",
    "desk": "do a whole job in the browser, on this machine",
    "dialogue": "show what a tester asked and what the units answered",
    "rehearse": "write a simulated capture of a car with a fault",
    "layout": "show how a capture is understood, and write the layout of a table",
    "defs": "list the contents of definitions files, and unusable entries",
    "replay": "play a capture in real time with live checking",
    "listen": "check a live bus; receive only",
    "start": "write a first expectations file from definitions and a capture",
    "seek": "find the bits that change when something was done, without definitions",
}
"""Every command and what it does; its module, of the same name, offers ``add_arguments`` and ``run``."""

_INTRODUCTION: Final = """\
usage: buslens COMMAND ...

Decodes recorded vehicle-bus logs and checks the lock and unlock handshake
of an electronic steering-column lock.

commands:
{commands}

options:
  --help      this text; 'buslens COMMAND --help' explains a command
  --version   the version of the program
"""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command and return the exit status; leave to the caller, who owns the process, what signals do to it."""
    words = list(sys.argv[1:] if arguments is None else arguments)
    console = Console.of_process(words)
    try:
        status = _run(words, console)
        console.flush()
    except TerminationRequested as exc:
        return _end(console, exc.status, "ended")
    except KeyboardInterrupt:
        return _end(console, Status.STOPPED, "stopped")
    except BrokenPipeError:
        console.close()
        return Status.PIPE_CLOSED
    except BuslensError as exc:
        return _end(console, Status.UNUSABLE, str(exc))
    except OSError as exc:
        return _end(console, Status.UNUSABLE, os_error_text(exc))
    except MemoryError:
        return _end(console, Status.UNUSABLE, "there is not enough memory for this")
    except Exception as exc:  # the last boundary: an exit status of 1 would pass for a verdict
        if (request := _request_behind(exc)) is not None:
            status, word = (
                (request.status, "ended") if isinstance(request, TerminationRequested) else (Status.STOPPED, "stopped")
            )
            return _end(console, status, word)
        import traceback

        report = "this is a fault of the program, not of your files; please report it with the lines above"
        return _end(console, Status.BROKEN, f"{traceback.format_exc()}buslens: {report}", bare=True)
    return status


def _run(words: list[str], console: Console) -> Status:
    while words[:1] == ["--no-color"]:
        words = words[1:]
    if not words:
        raise UsageError("which command? " + _known())
    name, rest = words[0], words[1:]
    if name in {"-h", "--help", "help"}:
        return _help(rest, console)
    if name in {"-V", "--version"}:
        import buslens

        console.result(f"buslens {buslens.__version__}\n")
        return Status.MET
    if name not in COMMANDS:
        raise UsageError(_no_command(name))
    return _run_command(name, rest, console)


def _run_command(name: str, words: Sequence[str], console: Console) -> Status:
    from importlib import import_module

    module = import_module(f"buslens.cli.{name}")
    parser = Parser(name, COMMANDS[name], module.__doc__ or "")
    module.add_arguments(parser)
    options = parser.read(words)
    if options is None:
        console.result(parser.format_help())
        return Status.MET
    status: Status = module.run(options, console)
    return status


def _help(words: Sequence[str], console: Console) -> Status:
    """Print the introduction, or with a command's name what its own ``--help`` prints."""
    if words and words[0] in COMMANDS:
        return _run_command(words[0], ["--help"], console)
    lines = (f"  {name:<10}  {what}" for name, what in COMMANDS.items())
    console.result(_INTRODUCTION.format(commands="\n".join(lines)))
    return Status.MET


def _no_command(word: str) -> str:
    if word.startswith("-") and word != "-" and is_file_name(word):
        return f"'{word}' is no command; write 'buslens check ./{word}' to check a file of this name"
    if word.startswith("-") and word != "-":
        return f"'{word}' stands before the command; options stand after it, as in 'buslens check {word} ...'"
    if word == "-" or os.path.exists(word):  # noqa: PTH110 - pathlib costs start-up
        return f"'{word}' is no command; write 'buslens check {word}' to check it"
    return f"there is no command '{word}'{did_you_mean(word, COMMANDS)}"


def _known() -> str:
    return f"known: {', '.join(COMMANDS)}; 'buslens --help' explains them"


def _request_behind(error: BaseException) -> KeyboardInterrupt | None:
    """Return the request to end amid which an error came about: argparse stumbles as it puts itself in order."""
    context = error.__context__
    while context is not None and not isinstance(context, KeyboardInterrupt):
        context = context.__context__
    return context


def _end(console: Console, status: Status, text: str, *, bare: bool = False) -> Status:
    """Say why the command ends here, though standard output or standard error may be what failed."""
    with suppress(OSError):
        if bare:
            console.error_lines(text)
        else:
            console.note(text)
    console.close()
    return status
