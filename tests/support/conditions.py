"""Conditions from text, as the reader of a file reads them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from buslens.errors import ExpectationError, SourceLocation
from buslens.expectations._problems import raise_all
from buslens.expectations.conditions import read_condition

if TYPE_CHECKING:
    from collections.abc import Mapping

    from buslens.expectations.model import Role, WrittenCondition


def parse_condition(text: str, roles: Mapping[str, Role]) -> WrittenCondition:
    """Return what a text asks to hold; ExpectationError, with places in the text, if it asks for nothing."""
    problems: list[ExpectationError] = []
    state = read_condition(text, roles, lambda offset: SourceLocation("condition", 1, offset + 1), problems)
    if state is None:
        raise_all(problems)
    return state
