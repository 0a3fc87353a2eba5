"""What the documents say of the program is what the program says of itself."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from buslens.checks.findings import Outcome
from buslens.cli import COMMANDS
from buslens.expectations.schema import describe
from buslens.rehearsal.faults import FAULTS

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
REFERENCE = (ROOT / "signal_defs" / "README.md").read_text(encoding="utf-8")


def key_tables() -> str:
    """Return the reference of all keys of an expectations file, as it has to stand in the document."""
    lines: list[str] = []
    table = None
    for row in describe():
        if row.table != table:
            table = row.table
            lines += [
                "",
                f"### {table}",
                "",
                "| key | what it takes | left away | meaning | example |",
                "|---|---|---|---|---|",
            ]
        cells = (
            f"`{row.key}`",
            row.type,
            "not allowed" if row.required else row.default,
            row.meaning,
            f"`{row.example}`",
        )
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(lines).strip()


class TestReference:
    """The reference of the expectations file is made from the table that validates it."""

    def test_every_key(self) -> None:
        assert key_tables() in REFERENCE, f"put this into signal_defs/README.md:\n\n{key_tables()}"

    @pytest.mark.parametrize("outcome", Outcome)
    def test_every_outcome(self, outcome: Outcome) -> None:
        assert f"| `{outcome.value}` |" in REFERENCE

    @pytest.mark.parametrize("name", ["steering_lock.toml", "pinewick.dbc"])
    def test_every_file(self, name: str) -> None:
        assert f"`{name}`" in REFERENCE


class TestReadme:
    """The first page names every command, and every sample is told of."""

    @pytest.mark.parametrize("command", COMMANDS)
    def test_every_command(self, command: str) -> None:
        assert f"| `buslens {command}" in README

    def test_blocks_stand_in_front(self) -> None:
        before, *blocks = re.split(r"^```(?:sh)?\n", README, flags=re.MULTILINE)[:4]
        assert "\n\n" not in before.strip(), "one paragraph stands before the first command"
        assert blocks[0].count("\n") == 1, "the first block is one line"
        assert blocks[2].count("\n") == 1, "the second block is one line"

    @pytest.mark.parametrize("path", sorted((ROOT / "sample_logs").glob("car*.*")), ids=lambda path: path.name)
    def test_every_sample(self, path: Path) -> None:
        assert path.suffix == ".png" or f"`{path.name}`" in (ROOT / "sample_logs" / "README.md").read_text(
            encoding="utf-8"
        )

    @pytest.mark.parametrize("text", [README, DEVELOPERS, REFERENCE], ids=["README", "DEVELOPERS", "signal_defs"])
    def test_links_lead_somewhere(self, text: str) -> None:
        links = re.findall(r"\]\(([^)#:]+)\)", text)
        missing = [
            link for link in links if not any((folder / link).exists() for folder in (ROOT, ROOT / "signal_defs"))
        ]
        assert not missing

    def test_faults_have_a_sentence(self) -> None:
        assert FAULTS
        assert all(fault.sentence.endswith(".") for fault in FAULTS.values())
