"""What the documents say of the program is what the program says of itself."""

from __future__ import annotations

import ast
import re
import shutil
from dataclasses import fields
from pathlib import Path

import pytest
from support.key_reference import describe
from test_layers import LAYERS

from buslens.checks.findings import Outcome, Verdict
from buslens.cli import COMMANDS, main
from buslens.definitions.load import load_definitions
from buslens.expectations.load import parse_expectations
from buslens.expectations.resolve import validate_against
from buslens.expectations.schema import KINDS
from buslens.fleet.listing import SUFFIXES
from buslens.rehearsal.faults import FAULTS
from buslens.report.record.job import EnteredReading, load_job

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
REFERENCE = (ROOT / "signal_defs" / "README.md").read_text(encoding="utf-8")
DOCUMENTS = [
    ROOT / name
    for name in (
        "README.md",
        "DEVELOPERS.md",
        "signal_defs/README.md",
        "signal_defs/ERRORS.md",
        "sample_logs/README.md",
        "tests/PROOFS.md",
    )
]


def headings(path: Path) -> set[str]:
    """Return the headings of a document as links name them."""
    lines = re.findall(r"^#+ (.*)$", path.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return {re.sub(r"[^\w -]", "", line.lower()).replace(" ", "-") for line in lines}


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
                "| key | what it takes | default | meaning | example |",
                "|---|---|---|---|---|",
            ]
        cells = (
            f"`{row.key}`",
            row.type,
            "required" if row.required else row.default,
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

    def test_examples_of_rules_are_rules(self) -> None:
        """One of each kind, and together a file that can be used with the demonstration's definitions."""
        roles = (ROOT / "signal_defs" / "steering_lock.toml").read_text(encoding="utf-8").partition("\n[[rules]]\n")[0]
        examples = re.findall(r"^```toml\n(\[\[rules\]\].*?)^```$", REFERENCE, flags=re.MULTILINE | re.DOTALL)
        path = ROOT / "signal_defs" / "README.md"
        expected = parse_expectations("\n".join([roles, *examples]).encode(), str(path))
        validate_against(expected, load_definitions(*expected.definitions))
        assert [type(rule).__name__.lower() for rule in expected.rules] == list(KINDS)

    def test_example_of_a_job_says_everything(self, tmp_path: Path) -> None:
        (example,) = re.findall(r"^```toml\n(workshop.*?)^```$", REFERENCE, flags=re.MULTILINE | re.DOTALL)
        path = tmp_path / "job.toml"
        path.write_text(example, encoding="utf-8")
        job = load_job(str(path))
        assert all(getattr(job, field.name) for field in fields(job))
        assert all(getattr(job.readings[0], field.name) for field in fields(EnteredReading))

    @pytest.mark.parametrize("kind", KINDS)
    def test_every_kind_of_rule(self, kind: str) -> None:
        assert f"### `{kind}`: " in REFERENCE
        assert f"`{kind}` (" in README

    @pytest.mark.parametrize("verdict", Verdict)
    def test_every_verdict(self, verdict: Verdict) -> None:
        assert f", `{verdict.value}` |" in REFERENCE

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

    def test_faults_have_a_sentence(self) -> None:
        assert FAULTS
        assert all(fault.sentence.endswith(".") for fault in FAULTS.values())

    @pytest.mark.parametrize("suffix", SUFFIXES)
    def test_every_suffix_of_a_fleet(self, suffix: str) -> None:
        assert f"`{suffix}`" in README

    def test_the_example_for_python_runs(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """It says the verdict and its reason, and leaves a picture."""
        (example,) = re.findall(r"^```python\n(.*?)^```$", README, flags=re.MULTILINE | re.DOTALL)
        shutil.copytree(ROOT / "signal_defs", tmp_path / "signal_defs")
        (tmp_path / "sample_logs").mkdir()
        shutil.copy(ROOT / "sample_logs" / "car07_slow_motor.log", tmp_path / "sample_logs")
        monkeypatch.chdir(tmp_path)
        names: dict[str, object] = {}
        exec(compile(example, "README.md", "exec"), names)  # noqa: S102 - it is ours, and this is what it is for
        assert capsys.readouterr().out.startswith("faulty\nunlock feedback became unlocked ")
        assert (tmp_path / "handshake.svg").stat().st_size > 10_000
        assert 0 < len(names["frames"]) < len(names["values"])  # type: ignore[arg-type]

    @pytest.mark.parametrize("sample", ["car03_load_fuse_blown.log", "car07_sluggish_slow_recording.asc"])
    def test_what_is_quoted_is_what_is_printed(self, sample: str, capsys: pytest.CaptureFixture[str]) -> None:
        quoted = re.search(rf"buslens check sample_logs/{sample}.*?\n", README)
        assert quoted is not None
        main(["check", str(ROOT / "sample_logs" / sample)])
        printed = " ".join(capsys.readouterr().out.split())
        part = {"car03": "The first prints", "car07": "and the second"}[sample[:5]]
        excerpt = README.partition(f"\n{part}")[2].partition("\n\n")[2].partition("\n\n")[0]
        parts = re.split(r"^ x  ", "\n".join(line[4:] for line in excerpt.splitlines()), flags=re.MULTILINE)
        assert len(excerpt) > 100
        for words in parts:
            assert " ".join(words.split()) in printed


class TestLinks:
    """Every link leads to a file that is there, and to a heading in it."""

    @pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: path.relative_to(ROOT).as_posix())
    def test_lead_somewhere(self, path: Path) -> None:
        for link in re.findall(r"\]\(([^):]+)\)", path.read_text(encoding="utf-8")):
            name, _, place = link.partition("#")
            target = path.parent / name if name else path
            assert target.exists(), link
            assert not place or place in headings(target), link

    def test_there_are_some(self) -> None:
        assert "what-comes-out" in headings(ROOT / "signal_defs" / "README.md")
        assert "nothing-of-the-kind" not in headings(ROOT / "signal_defs" / "README.md")


class TestDevelopers:
    """Whoever works on it finds every layer, script and benchmark."""

    def test_layers_stand_in_their_order(self) -> None:
        assert tuple(re.findall(r"^\| `(\w+)/` \|", DEVELOPERS, flags=re.MULTILINE)) == LAYERS

    @pytest.mark.parametrize(
        "path",
        [*(ROOT / ".ci").glob("[!.]*"), *(ROOT / "tests" / "benchmarks").glob("*.py")],
        ids=lambda path: path.name,
    )
    def test_every_script(self, path: Path) -> None:
        if path.parent.name == ".ci" and path.suffix == ".py":
            assert path.name in "".join(script.read_text("utf-8") for script in path.parent.glob("[!.]*[!y]"))
        else:
            assert f"`{path.name}` |" in DEVELOPERS or f"`.ci/{path.name}` |" in DEVELOPERS


class TestDocstrings:
    """What a module's docstring lists is there, under that name."""

    ROW = re.compile(r"(\w+(?:, \w+)*)\s{2,}\S")

    def test_names_in_a_table(self) -> None:
        unknown = {path.name: names for path in (ROOT / "buslens").rglob("*.py") if (names := self._unknown(path))}
        assert not unknown

    def _unknown(self, path: Path) -> set[str]:
        text = path.read_text(encoding="utf-8")
        if not re.search(rf"^{self.ROW.pattern}", text, flags=re.MULTILINE):
            return set()
        tree = ast.parse(text)
        rows = map(self.ROW.match, (ast.get_docstring(tree) or "").splitlines())
        listed = {name for row in rows if row for name in row[1].split(", ")}
        nodes = list(ast.walk(tree))
        known = {node.name for node in nodes if isinstance(node, (ast.FunctionDef, ast.ClassDef))}
        known |= {node.id for node in nodes if isinstance(node, ast.Name)}
        known |= {name.name for node in nodes if isinstance(node, ast.ImportFrom) for name in node.names}
        # Fewer names than other words: a table of something else.
        return listed - known if 2 * len(listed & known) >= len(listed) else set()
