"""Reading a command's words, with errors that say what would be right."""

from __future__ import annotations

import argparse
import os
import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Final, NoReturn

from buslens.errors import UsageError, did_you_mean

if TYPE_CHECKING:
    from buslens.capture.table_settings import TableSettings

_NUMBER: Final = re.compile(r"-[0-9.,:]+")


class Parser(argparse.ArgumentParser):
    """The words of one command."""

    def __init__(self, command: str, summary: str, explanation: str) -> None:
        super().__init__(
            prog=f"buslens {command}",
            description=f"{summary[:1].upper()}{summary[1:]}.",
            epilog=explanation.partition("\n")[2].strip(),
            formatter_class=argparse.RawDescriptionHelpFormatter,
            add_help=False,
            allow_abbrev=False,
        )
        # From Python 3.14 on, argparse has colours of its own.
        self.color = False
        self._words: Sequence[str] = ()
        self.add_argument("-h", "--help", action="store_true", help="this text")
        self.add_argument("--no-color", action="store_true", help="plain text on a terminal, too")

    def read(self, words: Sequence[str]) -> argparse.Namespace | None:
        """Return the options, wherever they stand among the names; None if help is wanted.

        Raises UsageError if the words are not those of the command.
        """
        before_names = words[: words.index("--")] if "--" in words else words
        self._words = before_names
        if "-h" in before_names or "--help" in before_names:
            return None
        # argparse forgets on the way that '--' has ended the options; with a folder, a name looks like none.
        names = {f"./{name}": name for name in words[len(before_names) + 1 :] if name.startswith("-") and name != "-"}
        longer = {name: given for given, name in names.items()}
        behind = [longer.get(name, name) for name in words[len(before_names) + 1 :]]
        options, unknown = self.parse_known_intermixed_args([*before_names, *behind])
        for key, value in vars(options).items():
            if isinstance(value, list):
                setattr(options, key, [names.get(one, one) if isinstance(one, str) else one for one in value])
            elif isinstance(value, str):
                setattr(options, key, names.get(value, value))
        if unknown:
            known = [name for action in self._actions for name in action.option_strings if len(name) > 2]
            word = unknown[0].partition("=")[0]
            hint = did_you_mean(word, known) if word.startswith("-") and not self._file_like_an_option() else ""
            self.error(f"'{unknown[0]}' is not understood{hint}")
        return options

    def error(self, message: str) -> NoReturn:
        """Raise what the command line prints as one line."""
        file = self._file_like_an_option()
        hint = f"; '{file}' was taken for an option: write a file of this name as './{file}'" if file else ""
        raise UsageError(f"{message}{hint}; see '{self.prog} --help'")

    def _file_like_an_option(self) -> str | None:
        """Return the first word that is no option but begins like one, if it is a file or could be the name of one."""
        options = {name for action in self._actions for name in action.option_strings}
        for word in self._words:
            if word.startswith("-") and word != "-" and word.partition("=")[0] not in options and is_file_name(word):
                return word
        return None


def is_file_name(word: str) -> bool:
    """Whether a word that begins with '-' is a file, or ends like one."""
    # Not through pathlib, which costs start-up.
    if os.path.lexists(word):
        return True
    return not word.startswith("--") and not _NUMBER.fullmatch(word) and bool(os.path.splitext(word)[1])  # noqa: PTH122


def add_checking_arguments(parser: Parser, *, workers: bool = True) -> None:
    """Add what every command takes that checks captures; `workers` only where a whole capture is read at once."""
    parser.add_argument(
        "--definitions",
        metavar="DBC",
        action="append",
        help="DBC file, repeatable; default: those named in the expectations",
    )
    parser.add_argument(
        "--expectations",
        metavar="TOML",
        help="expectations file; default: steering_lock.toml beside the capture, or in a folder "
        "signal_defs beside its folder or here",
    )
    parser.add_argument(
        "--channel",
        metavar="RECORDED=DEFINED",
        dest="channels",
        type=_channel,
        action="append",
        default=[],
        help="the log's name of a channel and the expectations' name of it, such as 1=can0; may be given several times",
    )
    add_table_arguments(parser)
    if workers:
        parser.add_argument(
            "--workers", metavar="N", type=whole_number, help="threads that read a capture; else one per core"
        )


def add_all_argument(parser: Parser) -> None:
    """Add what every command takes that ends with the report on a capture."""
    parser.add_argument("--all", action="store_true", help="write out every finding and every rule that is OK")


def add_beside_argument(parser: Parser) -> None:
    """Add what every command takes that checks one capture together with what other instruments recorded."""
    parser.add_argument(
        "--with",
        metavar="[CAPTURE=]TABLE",
        dest="beside",
        action="append",
        default=[],
        help="table of values of the same minutes, such as the trace of a scope; may be given several times; of several"
        " captures the one that it goes with stands before it: before.log=scope.csv",
    )


def add_table_arguments(parser: Parser) -> None:
    """Add what every command takes that reads captures: what a table of frames does not say itself."""
    parser.add_argument(
        "--table",
        metavar="FILE.toml",
        help="layout of a table of frames; 'buslens layout CAPTURE -o FILE.toml' writes one",
    )
    parser.add_argument("--time-unit", metavar="UNIT", help="of a table's time stamps: ns, us, 10 us, ms, s ...")
    parser.add_argument("--id-base", metavar="BASE", help="of a table's identifiers: hex or decimal")


def table_of(options: argparse.Namespace) -> TableSettings:
    """Return what the options say about tables of frames; UsageError or OSError if that cannot be used."""
    from buslens.capture.table_settings import load_table

    return load_table(options.table, time_unit=options.time_unit, id_base=options.id_base)


def table_words(options: argparse.Namespace) -> list[str]:
    """Return the options that `add_table_arguments` adds, as they were given."""
    given = {"--table": options.table, "--time-unit": options.time_unit, "--id-base": options.id_base}
    return [word for name, value in given.items() if value is not None for word in (name, value)]


def _channel(text: str) -> tuple[str, str]:
    recorded, _, defined = text.partition("=")
    if not recorded or not defined:
        raise argparse.ArgumentTypeError(f"'{text}' is not two names of a channel, such as '1=can0'")
    return recorded, defined


def number(text: str) -> float:
    """Return a number; for `type` of an option."""
    try:
        return float(text)
    except ValueError:
        hint = f"; write {text.replace(',', '.')}" if re.fullmatch(r"-?\d+,\d+", text) else ""
        raise argparse.ArgumentTypeError(f"'{text}' is not a number{hint}") from None


def integer(text: str) -> int:
    """Return a whole number, perhaps below zero; for `type` of an option."""
    if not re.fullmatch(r"-?\d+", text, re.ASCII):
        raise argparse.ArgumentTypeError(f"'{text}' is not a whole number")
    return int(text)


def whole_number(text: str) -> int:
    """Return a number from 1 on; for `type` of an option."""
    if not (text.isascii() and text.isdecimal()) or int(text) < 1:
        raise argparse.ArgumentTypeError(f"'{text}' is not a whole number from 1 on")
    return int(text)
