"""All keys of a causes file, in one table: what a file is read by, and what its reference in the documents names."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from buslens.causes.model import CauseKind
from buslens.expectations.schema import KINDS, KeySpec, Type, table_of

if TYPE_CHECKING:
    from collections.abc import Mapping


def _text(name: str, meaning: str, example: str, default: str | None = None) -> KeySpec:
    return KeySpec(name, Type.TEXT, meaning, example, default)


def _raw(name: str, meaning: str, example: str, default: str | None = None) -> KeySpec:
    """Return a key whose value `load` reads by itself."""
    return KeySpec(name, Type.TABLE, meaning, example, default)


FILE: Final = table_of(
    KeySpec("format", Type.VERSION, "version of the file format", "1"),
    _text("about", "which vehicle the file describes", '"shared cars of the club"', default="nothing"),
    _text(
        "base",
        "another causes file, beside this one or with the program, whose tables hold unless they stand here too",
        '"steering_lock.causes.toml"',
        default="none",
    ),
    KeySpec(
        "shared",
        Type.CHOICE,
        "for many cars, as each base is: signs that the expectations cannot show are left out and listed",
        '"yes"',
        default='"no"',
        choices=("yes", "no"),
    ),
    _raw(
        "without",
        "signs, causes and measurements of the base that do not hold here",
        '["load_fuse_blown"]',
        default="nothing",
    ),
    _raw("numbers", "what the words of the file stand for", "[numbers]", default="nothing"),
    _raw("weights", "other weights for causes of the base", "[weights]", default="nothing"),
    _raw(
        "cautions",
        "what to heed before a measurement or a repair, each under a name you choose",
        "[cautions]",
        default="nothing",
    ),
    _raw("signs", "what a capture can show, each under a name you choose", "[signs.data_silent]", default="nothing"),
    _raw("causes", "what can be wrong, each under a name you choose", "[causes.load_fuse_blown]", default="nothing"),
    _raw(
        "measurements",
        "what a person can do at the vehicle, each under a name you choose",
        "[measurements.load_fuse]",
        default="nothing",
    ),
)

NUMBERS: Final = table_of(
    _raw("usual", "probability that a sign shows which a cause usually shows", "0.95"),
    _raw("sometimes", "of one that it sometimes shows", "0.5"),
    _raw("rare", "of one that it does not name", "0.02"),
    _raw("never", "of one that it never shows by itself", "0.002"),
    _raw("cannot", "of one that it makes impossible", "0.002"),
    _raw("reading", "probability that a measurement shows what the file says", "0.97"),
    _raw("apart", "causes whose likelihoods differ by less than this factor count as equal", "3.0"),
    _raw("sure", "a cause this probable is acted on", "0.95"),
    _raw("worth", "confirmed jobs that the weights count for when `diagnose --learn` counts jobs", "20", default="20"),
    _text("basis", "where the numbers come from", '"invented for the demonstration"'),
)

SIGN: Final = table_of(
    _text("shows", "one clause for a person", '"the data line is silent"'),
    _raw(
        "findings",
        "any of these findings shows it",
        '[{ rule = "unlock handshake", step = "wire feedback" }]',
        default="nothing",
    ),
    KeySpec(
        "seen",
        Type.CONDITION,
        "it shows when this condition holds, in the language of the expectations",
        '"supply_current > 7 A for 100 ms"',
        default="nothing",
    ),
    KeySpec(
        "while", Type.CONDITION, "`seen` is looked for only while this holds", '"lock_enable is on"', default="always"
    ),
    KeySpec("times", Type.COUNT, "so many separate times", "3", default="1"),
    KeySpec(
        "recording",
        Type.CHOICE,
        "it shows when the recorder clock jumped back",
        '"seam"',
        default="nothing",
        choices=("seam",),
    ),
    _raw(
        "not_after",
        "findings behind which those of `findings`, and in whose handshake, are no evidence; written as `findings`",
        '[{ awaits = "data_feedback becomes locked" }]',
        default="none",
    ),
    _raw(
        "accounts_for",
        "findings that it tells when it shows, though they are no evidence of their own; written as `findings`",
        '[{ kind = "range", about = ["supply_voltage"] }]',
        default="none",
    ),
)

PATTERN: Final = table_of(
    _text("rule", "rule of the expectations", '"unlock handshake"', default="any rule"),
    _text("step", "step of that rule", '"wire feedback"', default="any step"),
    KeySpec(
        "awaits",
        Type.TEXT,
        "in place of `rule` and `step`: the steps of all sequences that await this change",
        '"unlock_feedback becomes unlocked"',
        default="none",
    ),
    KeySpec(
        "kind",
        Type.CHOICE,
        "in place of `rule`: all rules of this kind",
        '"pulse"',
        default="none",
        choices=tuple(KINDS),
    ),
    KeySpec(
        "about",
        Type.NAMES,
        "with `kind`: only rules that ask for these roles and for no others",
        '["lock_enable"]',
        default="any roles",
    ),
    _text(
        "came",
        "only in handshakes in which a step that awaits this change came",
        '"unlock_feedback becomes unlocked"',
        default="in all",
    ),
    _raw("outcomes", "outcomes that count", '["missing"]', default="every outcome that is a fault"),
)

CAUSE: Final = table_of(
    _text("title", "in a few words", '"load fuse blown"'),
    KeySpec(
        "kind",
        Type.CHOICE,
        "what sort of thing it is; parts are advised last",
        '"fuse"',
        choices=tuple(kind.value for kind in CauseKind),
    ),
    _raw("weight", "how common beforehand; only the ratios count", "8"),
    _raw("usual", "signs that it usually shows", '["data_silent"]', default="none"),
    _raw("sometimes", "signs that it sometimes shows", '["undecided_step"]', default="none"),
    _raw("never", "signs that it never shows, though another cause beside it may", '["data_silent"]', default="none"),
    _raw("cannot", "signs that it makes impossible, whatever else is wrong", '["motor_stalls"]', default="none"),
    KeySpec(
        "otherwise",
        Type.CHOICE,
        "how often it shows the signs that it does not name",
        '"rare"',
        default='"rare"',
        choices=("rare", "sometimes"),
    ),
    _raw(
        "readings",
        "what measurements show, one result or several; those not named show what is expected",
        '{ load_fuse = "blown" }',
        default='what is expected; "any" for nothing known',
    ),
    _text("repair", "how to repair it", '"find what blew it, then fit a fuse of the same rating"'),
    _raw("cautions", "names of what to heed before the repair", '["parked"]', default="none"),
    _text("basis", "where all that is from", '"common practice, no source"'),
)

MEASUREMENT: Final = table_of(
    _text("do", "what to do, one sentence", '"Measure the voltage at the lock."'),
    _text("where", "where", '"plug of the lock unit, back-probed"'),
    _text("state", "with what in which state", '"ignition off, plug connected"'),
    KeySpec("unit", Type.UNIT, "unit of the reading", '"V"', default="the results are words"),
    _raw("minutes", "how long it takes", "5"),
    _text("expect", "result that a healthy vehicle shows", '"good"'),
    _text(
        "with_fault",
        "result that any cause in the vehicle shows unless it says something else",
        '"same"',
        default="as `expect`",
    ),
    _raw("cautions", "names of what to heed before it", '["parked"]', default="none"),
    _raw(
        "trace",
        "role of a recording that answers it by itself, where the expectations have that role",
        '{ of = "supply_at_lock", while = "lock_enable is on", takes = "lowest", lasting = "30 ms" }',
        default="a person measures",
    ),
    _raw("results", "everything that can come out", '[{ name = "good", least = "11 V" }]'),
    _text("basis", "where the limits come from", '"common practice, no source"'),
)

TRACE: Final = table_of(
    KeySpec("of", Type.NUMBER_ROLE, "role with a unit", '"supply_at_lock"'),
    KeySpec("while", Type.CONDITION, "it is looked at only while this surely holds", '"lock_enable is on for 60 ms"'),
    KeySpec("takes", Type.CHOICE, "which level counts", '"lowest"', choices=("lowest", "highest")),
    KeySpec("lasting", Type.LENGTH, "how long the level has to last", '"30 ms"'),
)

RESULT: Final = table_of(
    _text("name", "a word for it", '"good"'),
    KeySpec("least", Type.QUANTITY, "lowest reading, included", '"11 V"', default="no limit"),
    KeySpec("below", Type.QUANTITY, "readings below this", '"11 V"', default="no limit"),
    _text("means", "what it means, in a few words", '"supply and ground reach the lock"', default="nothing"),
)

TABLES: Final[Mapping[str, Mapping[str, KeySpec]]] = {
    "file": FILE,
    "numbers": NUMBERS,
    "signs.NAME": SIGN,
    "signs.NAME, findings": PATTERN,
    "causes.NAME": CAUSE,
    "measurements.NAME": MEASUREMENT,
    "measurements.NAME, trace": TRACE,
    "measurements.NAME, results": RESULT,
}
"""Every table of the file, for the reference."""
