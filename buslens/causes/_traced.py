"""Which role of a recording answers a measurement, read for one car's expectations."""

from buslens.causes._schema import TRACE
from buslens.causes._signs import EveryRole
from buslens.causes.model import TracedReading
from buslens.expectations._toml import Node
from buslens.expectations._values import ValueReader, type_text
from buslens.expectations.model import Expectations


def read_trace(
    values: ValueReader, expectations: Expectations, data: object, node: Node, unit: str
) -> TracedReading | None:
    """Return what answers a measurement; None where no role of these expectations does, or after noting a mistake."""
    if not isinstance(data, dict):
        values.wrong(node, f"'trace' must be a table, and this is {type_text(data)}; write trace = {{ of = ... }}")
        return None
    if not unit:
        values.wrong(node, "'trace' needs the measurement to have a unit, such as unit = \"V\"")
        return None
    here, anywhere = ValueReader(values.document), ValueReader(values.document)
    here.roles.update(expectations.roles)
    anywhere.roles = EveryRole()
    anywhere.table(TRACE, node, data, "this trace")
    values.problems += anywhere.problems
    read = here.table(TRACE, node, data, "this trace")
    if here.problems:
        return None
    role = expectations.roles[read["of"]]
    if role.unit != unit:
        values.wrong(node, f"role '{role.name}' is in {role.unit}, and the measurement in {unit}; write the same unit")
        return None
    return TracedReading(role=read["of"], while_=read["while"], takes=read["takes"], lasting_ns=read["lasting"])
