"""What a person enters, from a TOML file and from options."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.examples import examples

from buslens.errors import UsageError
from buslens.report.record.job import EnteredReading, JobDetails, job_text, load_job, merged, stated_rate


def written(folder: Path, document: str) -> str:
    """Return the name of a job file."""
    file = folder / "job.toml"
    file.write_text(document, "utf-8")
    return str(file)


class TestLoad:
    """Keys become fields."""

    def test_empty(self, tmp_path: Path) -> None:
        assert load_job(written(tmp_path, "")) == JobDetails()

    def test_everything(self, tmp_path: Path) -> None:
        document = (
            'vehicle = "Car 3"\ncomplaint = "no start"\nworkshop = "w"\ntechnician = "t"\ncustomer = "c"\n'
            'number = 117\ndate = 2026-03-14\nregistration = "r"\nodometer = "o"\ndone = ["a", "b"]\n'
            'replaced = "fuse"\nremarks = "m"\n[[readings]]\nwhat = "supply"\nreading = "0.1 V"\n'
            'limit = "at least 9.5 V"\nsource = "manual"\n[[readings]]\nwhat = "drop"\nreading = 2\n'
        )
        job = load_job(written(tmp_path, document))
        assert (job.number, job.date, job.done, job.replaced) == ("117", "2026-03-14", ("a", "b"), ("fuse",))
        assert job.readings == (
            EnteredReading(what="supply", reading="0.1 V", limit="at least 9.5 V", source="manual"),
            EnteredReading(what="drop", reading="2"),
        )

    def test_numbers_stay_as_they_were_written(self, tmp_path: Path) -> None:
        job = load_job(written(tmp_path, 'odometer = 1.20\n[[readings]]\nwhat = "supply, V"\nreading = 11.90\n'))
        assert (job.odometer, job.readings[0].reading) == ("1.20", "11.90")

    def test_byte_order_mark(self, tmp_path: Path) -> None:
        assert load_job(written(tmp_path, '\ufeffvehicle = "Car 3"')).vehicle == "Car 3"

    @pytest.mark.parametrize(
        ("document", "said"),
        [
            ('vehicle = "a"\nvehicel = "b"', r"job\.toml:2:1: unknown key 'vehicel'; did you mean 'vehicle'\?"),
            ("vehicle = [1]", r"job\.toml:1:1: 'vehicle' is text in quotes"),
            ("\n  date = true", r"job\.toml:2:3: 'date' is text in quotes"),
            ("done = 3", r"job\.toml:1:1: 'done' is text, or a list of texts"),
            ("done = [3]", r"job\.toml:1:1: 'done' is text, or a list of texts"),
            ("vehicle = ", r"job\.toml:1:11: this is not valid TOML: invalid value"),
            ("odometer = " + "1" * 5000, r"job\.toml: this is not valid TOML"),
            ("done = " + "[" * 5000 + "]" * 5000, r"job\.toml: arrays or tables are nested too deeply"),
            ('vehicle = "a\u2028b"\nnumbr = 1', r"job\.toml:2:1: unknown key 'numbr'"),
            ("readings = 3", r"job\.toml:1:1: write each reading as a table of its own: \[\[readings\]\]"),
            ('[[readings]]\nwhat = "a"', r"job\.toml:1:1: a reading needs 'reading'"),
            (
                '[[readings]]\nwhat = "a"\nreading = "b"\nlimits = "c"',
                r"job\.toml:4:1: unknown key 'limits' of a reading",
            ),
        ],
    )
    def test_wrong(self, document: str, said: str, tmp_path: Path) -> None:
        with pytest.raises(UsageError, match=said):
            load_job(written(tmp_path, document))

    def test_not_utf8(self, tmp_path: Path) -> None:
        file = tmp_path / "job.toml"
        file.write_bytes(b'vehicle = "\xe4"')
        with pytest.raises(UsageError, match=r"job\.toml:1:12: byte 0xe4 is not UTF-8"):
            load_job(str(file))


class TestMerged:
    """Options stand above the file; what they leave out stays."""

    def test_rows(self) -> None:
        job = JobDetails(vehicle="a", complaint="b", done=("c",))
        assert merged(job, {"vehicle": "x", "complaint": None, "done": ["y"], "replaced": None}) == JobDetails(
            vehicle="x", complaint="b", done=("y",)
        )


TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\r"), max_size=30)
READINGS = st.builds(EnteredReading, what=TEXTS, reading=TEXTS, limit=TEXTS, source=TEXTS)
JOBS = st.builds(
    JobDetails,
    **dict.fromkeys(("vehicle", "complaint", "number", "date", "customer", "remarks", "failed", "confirmed"), TEXTS),
    **{name: st.lists(TEXTS, max_size=3).map(tuple) for name in ("done", "replaced")},
    readings=st.lists(READINGS, max_size=2).map(tuple),
)


class TestWrite:
    """What is written is read back the same."""

    @given(JOBS)
    @settings(max_examples=examples(60))
    def test_round_trip(self, job: JobDetails) -> None:
        with TemporaryDirectory() as folder:
            assert load_job(written(Path(folder), job_text(job))) == job

    def test_looks_as_a_person_would_write_it(self) -> None:
        job = JobDetails(vehicle="Club car 3", done=("new fuse", 'says "ok"'))
        assert job_text(job) == 'vehicle = "Club car 3"\ndone = ["new fuse", "says \\"ok\\""]\n'


class TestHowOftenItFailed:
    """A count, or a rate that is known."""

    @pytest.mark.parametrize(
        ("failed", "stated"),
        [("", {}), ("3/30", {"history": (3, 30)}), ("1 in 10", {"known_rate": (1, 10)})],
    )
    def test_stated(self, failed: str, stated: dict[str, tuple[int, int]]) -> None:
        assert stated_rate(JobDetails(failed=failed)) == stated

    @pytest.mark.parametrize("failed", ["often", "31/30", "0/3", "1 in 1", "3 of 30"])
    def test_neither(self, failed: str) -> None:
        with pytest.raises(UsageError):
            stated_rate(JobDetails(failed=failed))
