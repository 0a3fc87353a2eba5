"""The timing diagram as part of a page that allows no style but its own."""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import pytest
from support.stage import becomes, perform, sampled, step

from buslens.expectations.model import Sequence
from buslens.report.record.diagram import diagram

if TYPE_CHECKING:
    from collections.abc import Iterator


@pytest.fixture(scope="module")
def elements() -> list[ET.Element]:
    """Return the picture of a handshake whose answer is late."""
    rule = Sequence(name="r", start=becomes("a", "on"), steps=(step("s", "b", "on", within=50),))
    samples = {role: sampled([(0, "off"), (at, "on")], every=10, until=400) for role, at in (("a", 100), ("b", 200))}
    drawn, _ = diagram(perform(samples, rule), label='a "picture"')
    return list(ET.fromstring(drawn).iter())  # noqa: S314 - made by the program that is tested


def looks(elements: list[ET.Element]) -> Iterator[str]:
    """Yield every class."""
    for element in elements:
        yield from (element.get("class") or "").split()


class TestDiagram:
    """Every look is a class of the record's style sheet, words are words."""

    def test_no_style_of_its_own(self, elements: list[ET.Element]) -> None:
        assert not {key for element in elements for key in element.attrib} & {"style", "fill", "stroke"}

    def test_every_class_has_a_rule(self, elements: list[ET.Element]) -> None:
        css = files("buslens.report.record").joinpath("record.css").read_text("utf-8")
        used = set(looks(elements))
        assert used >= {"diagram", "ink", "accent"}
        assert {look for look in used if f".{look} " not in css} == set()

    def test_label(self, elements: list[ET.Element]) -> None:
        assert (elements[0].get("role"), elements[0].get("aria-label")) == ("img", 'a "picture"')

    def test_words_are_words(self, elements: list[ET.Element]) -> None:
        assert any("late" in (element.text or "") for element in elements if element.tag == "text")
