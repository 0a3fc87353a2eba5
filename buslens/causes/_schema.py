"""All keys of a causes file, in one table: what a file is read by, and what its reference in the documents names."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from buslens.causes.model import CauseKind
from buslens.expectations.schema import KINDS, KeySpec, Type

if TYPE_CHECKING:
    from collections.abc import Mapping


def _keys(*keys: KeySpec) -> Mapping[str, KeySpec]:
    return {key.name: key for key in keys}


def _text(name: str, meaning: str, example: str, *, required: bool = False, default: str = "") -> KeySpec:
    return KeySpec(name=name, type=Type.TEXT, meaning=meaning, example=example, required=required, default=default)


def _raw(name: str, meaning: str, example: str, *, required: bool = False, default: str = "") -> KeySpec:
    """Return a key whose value `load` reads by itself."""
    return KeySpec(name=name, type=Type.TABLE, meaning=meaning, example=example, required=required, default=default)


FILE: Final = _keys(
    KeySpec(name="format", type=Type.VERSION, required=True, example="1", meaning="version of the file format"),
    _text("about", "which vehicle the file describes", '"shared cars of the club"', default="nothing"),
    _text(
        "base",
        "another causes file, beside this one or with the program, whose tables hold unless they stand here too",
        '"steering_lock.causes.toml"',
        default="none",
    ),
    KeySpec(
        name="shared",
        type=Type.CHOICE,
        choices=("yes", "no"),
        meaning="for many cars, as each base is: signs that the expectations cannot show are left out and listed",
        example='"yes"',
        default='"no"',
    ),
    _raw("without", "signs, causes and measurements of the base that do not hold here", '["load_fuse_blown"]'),
    _raw("numbers", "what the words of the file stand for", "[numbers]"),
    _raw("weights", "other weights for causes of the base", "[weights]"),
    _raw("cautions", "what to heed before a measurement or a repair, each under a name you choose", "[cautions]"),
    _raw("signs", "what a capture can show, each under a name you choose", "[signs.data_silent]"),
    _raw("causes", "what can be wrong, each under a name you choose", "[causes.load_fuse_blown]"),
    _raw(
        "measurements", "what a person can do at the vehicle, each under a name you choose", "[measurements.load_fuse]"
    ),
)

NUMBERS: Final = _keys(
    _raw("usual", "probability that a sign shows which a cause usually shows", "0.95", required=True),
    _raw("sometimes", "of one that it sometimes shows", "0.5", required=True),
    _raw("rare", "of one that it does not name", "0.02", required=True),
    _raw("never", "of one that it never shows by itself", "0.002", required=True),
    _raw("cannot", "of one that it makes impossible", "0.002", required=True),
    _raw("reading", "probability that a measurement shows what the file says", "0.97", required=True),
    _raw("apart", "causes whose likelihoods differ by less than this factor count as equal", "3.0", required=True),
    _raw("sure", "a cause this probable is acted on", "0.95", required=True),
    _raw("worth", "confirmed jobs that the weights count for when `diagnose --learn` counts jobs", "20", default="20"),
    _text("basis", "where the numbers come from", '"invented for the demonstration"', required=True),
)

SIGN: Final = _keys(
    _text("shows", "one clause for a person", '"the data line is silent"', required=True),
    _raw("findings", "any of these findings shows it", '[{ rule = "unlock handshake", step = "wire feedback" }]'),
    KeySpec(
        name="seen",
        type=Type.CONDITION,
        meaning="it shows when this condition holds, in the language of the expectations",
        example='"supply_current > 7 A for 100 ms"',
    ),
    KeySpec(
        name="while",
        type=Type.CONDITION,
        meaning="`seen` is looked for only while this holds",
        example='"lock_enable is on"',
        default="always",
    ),
    KeySpec(name="times", type=Type.COUNT, meaning="so many separate times", example="3", default="1"),
    KeySpec(
        name="recording",
        type=Type.CHOICE,
        choices=("seam",),
        meaning="it shows when the recorder clock jumped back",
        example='"seam"',
    ),
    _raw(
        "accounts_for",
        "findings that it tells when it shows, though they are no evidence of their own; written as `findings`",
        '[{ kind = "range", about = ["supply_voltage"] }]',
        default="none",
    ),
)

PATTERN: Final = _keys(
    _text("rule", "rule of the expectations", '"unlock handshake"', default="any rule"),
    _text("step", "step of that rule", '"wire feedback"', default="any step"),
    KeySpec(
        name="awaits",
        type=Type.TEXT,
        meaning="in place of `rule` and `step`: the steps of all sequences that await this change",
        example='"unlock_feedback becomes unlocked"',
        default="none",
    ),
    KeySpec(
        name="kind",
        type=Type.CHOICE,
        choices=tuple(KINDS),
        meaning="in place of `rule`: all rules of this kind",
        example='"pulse"',
        default="none",
    ),
    KeySpec(
        name="about",
        type=Type.NAMES,
        meaning="with `kind`: only rules that ask for these roles and for no others",
        example='["lock_enable"]',
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

CAUSE: Final = _keys(
    _text("title", "in a few words", '"load fuse blown"', required=True),
    KeySpec(
        name="kind",
        type=Type.CHOICE,
        choices=tuple(kind.value for kind in CauseKind),
        required=True,
        meaning="what sort of thing it is; parts are advised last",
        example='"fuse"',
    ),
    _raw("weight", "how common beforehand; only the ratios count", "8", required=True),
    _raw("usual", "signs that it usually shows", '["data_silent"]', default="none"),
    _raw("sometimes", "signs that it sometimes shows", '["undecided_step"]', default="none"),
    _raw("never", "signs that it never shows, though another cause beside it may", '["data_silent"]', default="none"),
    _raw("cannot", "signs that it makes impossible, whatever else is wrong", '["motor_stalls"]', default="none"),
    KeySpec(
        name="otherwise",
        type=Type.CHOICE,
        choices=("rare", "sometimes"),
        meaning="how often it shows the signs that it does not name",
        example='"rare"',
        default='"rare"',
    ),
    _raw(
        "readings",
        "what measurements show, one result or several; those not named show what is expected",
        '{ load_fuse = "blown" }',
        default='what is expected; "any" for nothing known',
    ),
    _text("repair", "how to repair it", '"find what blew it, then fit a fuse of the same rating"', required=True),
    _raw("cautions", "names of what to heed before the repair", '["parked"]', default="none"),
    _text("basis", "where all that is from", '"common practice, no source"', required=True),
)

MEASUREMENT: Final = _keys(
    _text("do", "what to do, one sentence", '"Measure the voltage at the lock."', required=True),
    _text("where", "where", '"plug of the lock unit, back-probed"', required=True),
    _text("state", "with what in which state", '"ignition off, plug connected"', required=True),
    KeySpec(name="unit", type=Type.UNIT, meaning="unit of the reading", example='"V"', default="the results are words"),
    _raw("minutes", "how long it takes", "5", required=True),
    _text("expect", "result that a healthy vehicle shows", '"good"', required=True),
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
    _raw("results", "everything that can come out", '[{ name = "good", least = "11 V" }]', required=True),
    _text("basis", "where the limits come from", '"common practice, no source"', required=True),
)

TRACE: Final = _keys(
    KeySpec(name="of", type=Type.NUMBER_ROLE, required=True, example='"supply_at_lock"', meaning="role with a unit"),
    KeySpec(
        name="while",
        type=Type.CONDITION,
        required=True,
        example='"lock_enable is on for 60 ms"',
        meaning="it is looked at only while this surely holds",
    ),
    KeySpec(
        name="takes",
        type=Type.CHOICE,
        choices=("lowest", "highest"),
        required=True,
        example='"lowest"',
        meaning="which level counts",
    ),
    KeySpec(
        name="lasting", type=Type.LENGTH, required=True, example='"30 ms"', meaning="how long the level has to last"
    ),
)

RESULT: Final = _keys(
    _text("name", "a word for it", '"good"', required=True),
    KeySpec(name="least", type=Type.QUANTITY, meaning="lowest reading, included", example='"11 V"', default="no limit"),
    KeySpec(name="below", type=Type.QUANTITY, meaning="readings below this", example='"11 V"', default="no limit"),
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
