"""The command to type next: it takes the options of this one along, and works when it is pasted."""

import argparse
import os
import re
import shlex
from collections.abc import Sequence
from typing import Final

from buslens.checks.outcome import Verdict
from buslens.cli.console import Console
from buslens.cli.options import table_words

_BARE: Final = re.compile(r"[\w.:/\\=@+,~-]+", re.ASCII)


def suggest(
    console: Console, purpose: str, command: str, *words: str, options: argparse.Namespace | None = None
) -> None:
    """Say on a terminal what to type next; not wrapped, as a line end would end the command.

    Parameters
    ----------
    console : Console
        Where it is said.
    purpose : str
        What the command is for, after ``next``.
    command, words : str
        The command of buslens, its files and options.
    options : argparse.Namespace or None
        Options of this command on how captures are read and checked; they hold for the next one, too.
    """
    if console.width is not None:
        added = [] if options is None else checking_words(options, words)
        console.note(f"next, {purpose}: {command_line(['buslens', command, *words, *added])}")


def suggest_after(console: Console, capture: str, verdict: Verdict, options: argparse.Namespace) -> None:
    """Say what to type after the verdict on a capture."""
    is_faulty = verdict is Verdict.FAULTY
    purpose, command = ("for the cause", "diagnose") if is_faulty else ("to look around in it", "page")
    suggest(console, purpose, command, file_word(capture), options=options)


def checking_words(options: argparse.Namespace, words: Sequence[str] = ()) -> list[str]:
    """Return the options that `add_checking_arguments` and `add_beside_argument` add, for a command with these words.

    Of the tables beside several captures, those count that go with one of the words; each names its capture.
    """
    given = [word for path in options.definitions or () for word in ("--definitions", path)]
    given += [] if options.expectations is None else ["--expectations", options.expectations]
    given += [word for pair in options.channels for word in ("--channel", "=".join(pair))]
    several = len(getattr(options, "captures", ())) > 1
    capture = next((f"{word}=" for word in words if os.path.exists(word)), "")  # noqa: PTH110 - costs start-up
    for table in getattr(options, "beside", ()):
        if any(table.startswith(f"{word}=") for word in words):
            given += ["--with", table]
        elif not several:
            given += ["--with", f"{capture}{table}"]
    return given + table_words(options)


def command_line(words: Sequence[str], *, windows: bool = os.name == "nt") -> str:
    """Return words as a line that the shell of this system splits into the same words.

    >>> command_line(["buslens", "check", "my car.log"], windows=False)
    "buslens check 'my car.log'"
    >>> command_line(["buslens", "check", "my car.log"], windows=True)
    'buslens check "my car.log"'
    """
    if windows:
        return " ".join(word if _BARE.fullmatch(word) else f'"{word}"' for word in words)
    return shlex.join(words)


def file_word(path: str) -> str:
    """Return the name of a file as a word that is taken for no option."""
    return f"./{path}" if path.startswith("-") and path != "-" else path
