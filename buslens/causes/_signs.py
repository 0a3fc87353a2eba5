"""The signs of a causes file, read for one car's expectations: in its own file, or in one that many cars share."""

from collections.abc import Mapping

from buslens.causes._patterns import read_patterns
from buslens.causes._schema import SIGN
from buslens.causes.model import Sign
from buslens.expectations._toml import Node
from buslens.expectations._values import ValueReader
from buslens.expectations.model import Expectations, Role
from buslens.expectations.subjects import roles_of


class EveryRole(dict[str, "Role | None"]):
    """Roles of a car that nothing is known of: each exists, and is in doubt."""

    def __contains__(self, name: object) -> bool:
        return True

    def __missing__(self, name: str) -> None:
        return None


def read_own_sign(
    values: ValueReader, expectations: Expectations, name: str, data: Mapping[str, object], node: Node
) -> tuple[Sign | None, str]:
    """Return a sign of a car's own file, or None after noting what is wrong; nothing of it is ever lost."""
    return _sign(values, expectations, name, data, node, shared=False), ""


def read_shared_sign(
    values: ValueReader, expectations: Expectations, name: str, data: Mapping[str, object], node: Node
) -> tuple[Sign | None, str]:
    """Return a sign of a file for many cars, or why this car cannot show it; only what fits no car is a mistake."""
    here = ValueReader(values.document)
    here.roles.update(expectations.roles)
    sign = _sign(here, expectations, name, data, node, shared=True)
    if sign is not None:
        return sign, ""
    anywhere = ValueReader(values.document)
    anywhere.roles = EveryRole()
    general = _sign(anywhere, None, name, data, node, shared=True)
    if general is None:
        values.problems += anywhere.problems
        return None, ""
    asked = [role for state in (general.seen, general.while_) if state for role in roles_of(state.condition)]
    absent = [role for role in dict.fromkeys(asked) if role not in expectations.roles]
    return None, f"no role {' or '.join(absent)}" if absent else here.problems[0].problem.split("; ")[0]


def _sign(
    values: ValueReader,
    expectations: Expectations | None,
    name: str,
    data: Mapping[str, object],
    node: Node,
    *,
    shared: bool,
) -> Sign | None:
    """Return a sign, or None after noting what is wrong; without expectations its findings are not looked up."""
    before = len(values.problems)
    read, inner = values.table(SIGN, node, data, f"sign '{name}'"), node.table or {}
    ways = [way for way in ("findings", "seen", "recording") if way in data]
    if len(ways) != 1:
        values.wrong(node, f"sign '{name}' must have one of 'findings', 'seen' and 'recording', and it has {len(ways)}")
    for key, way in (("while", "seen"), ("times", "seen"), ("not_after", "findings")):
        if key in data and way not in data:
            values.wrong(inner[key].key, f"sign '{name}': '{key}' says something only with '{way}'")
    found = {}
    for key in ("findings", "accounts_for", "not_after"):
        if key in read and expectations is not None:
            # What a shared file accounts for, and this car has no rule for, needs no telling.
            notes = ValueReader(values.document) if shared and key != "findings" else values
            found[key] = read_patterns(notes, expectations, key, read[key], inner[key], shared=shared)
    if len(values.problems) > before:
        return None
    return Sign(
        name=name,
        shows=read["shows"],
        findings=found.get("findings", ()),
        seen=read.get("seen"),
        while_=read.get("while"),
        times=read.get("times", 1),
        discontinuity="recording" in read,
        accounts_for=found.get("accounts_for", ()),
        not_after=found.get("not_after", ()),
    )
