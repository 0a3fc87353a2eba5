"""The running desk, asked as no browser would ask."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import socket
from dataclasses import replace
from html.parser import HTMLParser
from typing import TYPE_CHECKING

import pytest
from support.desks import RunningDesk, running_desk, start_desk
from support.patience import HANG_S

from buslens.desk.folder import JobFolder

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture
def job(desk: RunningDesk, let_in: dict[str, str]) -> str:
    """Begin a job; return its path."""
    answer = desk.send("/jobs", let_in, vehicle="Club car 4", car="Pinewick club car (demonstration)")
    assert answer.status == 303
    return answer.headers["location"]


class Tags(HTMLParser):
    """Collects the tags of a page with their attributes."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


class TestAddress:
    """It answers on this machine only, and only whom it let in."""

    def test_loopback_only(self, desk: RunningDesk) -> None:
        others = {info[4][0] for info in socket.getaddrinfo(socket.gethostname(), desk.port, socket.AF_INET)} - {
            "127.0.0.1"
        }
        for address in [*others, "127.0.0.2"]:
            with (
                pytest.raises(OSError, match=r"."),
                contextlib.closing(socket.create_connection((str(address), desk.port), 5)),
            ):
                pass

    def test_not_let_in(self, desk: RunningDesk) -> None:
        answer = desk.ask("GET", "/")
        assert answer.status == 403
        assert "Open the desk with the address" in answer.text

    def test_address_works_once(self, desk: RunningDesk, let_in: dict[str, str]) -> None:
        path = desk.address.removeprefix(desk.home.rstrip("/"))
        assert "used already" in desk.ask("GET", path).text
        assert desk.ask("GET", path, headers=let_in).status == 303
        shown = desk.send("/address", let_in).text
        found = re.search(r"http://127\.0\.0\.1:\d+(/enter/[\w-]+)", shown)
        assert found is not None
        assert "set-cookie" in desk.ask("GET", found[1]).headers
        assert "set-cookie" not in desk.ask("GET", found[1]).headers

    @pytest.mark.parametrize("path", ["/", "/static/desk.js", "/nothing", "/jobs/nothing"])
    def test_policy_on_every_answer(self, path: str, desk: RunningDesk, let_in: dict[str, str]) -> None:
        for headers in ({}, let_in):
            answer = desk.ask("GET", path, headers=headers)
            assert "script-src 'self'" in answer.headers["content-security-policy"]
            assert "unsafe" not in answer.headers["content-security-policy"]
            assert answer.headers["x-content-type-options"] == "nosniff"

    def test_pages_hold_no_script_of_their_own(self, desk: RunningDesk, let_in: dict[str, str], job: str) -> None:
        for path in ("/", job):
            tags = Tags()
            tags.feed(desk.ask("GET", path, headers=let_in).text)
            assert tags.found
            for tag, given in tags.found:
                assert tag != "script" or "src" in given
                assert not [name for name in given if name == "style" or name.startswith("on")]
                assert not [text for text in given.values() if text and "javascript:" in text]

    def test_first_page_is_small(self, desk: RunningDesk, let_in: dict[str, str]) -> None:
        page = desk.ask("GET", "/", headers=let_in).text
        named = re.findall(r'(?:href|src)="(/static/[^"]+)"', page)
        assert "/static/page.css" in named
        parts = [page, *(desk.ask("GET", name, headers=let_in).text for name in named)]
        assert sum(len(part.encode()) for part in parts) < 200_000


class TestHostile:
    """What no page of the desk sends."""

    @pytest.mark.parametrize(
        ("method", "path"),
        [
            ("GET", "/static/../app.py"),
            ("GET", "/static/%2e%2e%2fapp.py"),
            ("GET", "/jobs/%2e%2e"),
            ("GET", "/jobs/..%2f..%2fetc"),
            ("GET", "/jobs/none/lanes/before/x"),
            ("GET", "/jobs/none/record"),
            ("DELETE", "/jobs/none"),
            ("PUT", "/jobs/none/captures/before?name=x.log"),
        ],
    )
    def test_nothing_there(self, method: str, path: str, desk: RunningDesk, let_in: dict[str, str]) -> None:
        assert desk.ask(method, path, headers=let_in).status in {404, 405}

    @pytest.mark.parametrize("side", ["removed", "signal_defs", "..", "%2e%2e", "before%2f..%2fsignal_defs"])
    def test_captures_go_to_their_folders_only(
        self, side: str, desk: RunningDesk, let_in: dict[str, str], job: str, desk_folder: Path
    ) -> None:
        folder = desk_folder / job.rpartition("/")[2]
        before = sorted(folder.rglob("*"))
        assert desk.ask("PUT", f"{job}/captures/{side}?name=steering_lock.toml", b"x", let_in).status in {404, 405}
        assert sorted(folder.rglob("*")) == before

    @pytest.mark.parametrize("name", ["../../job.toml", "..%2f..%2fjob.toml", "C:%5Cx.log", "%00", "", "a%0d%0ab.log"])
    def test_names_never_become_paths(
        self, name: str, desk: RunningDesk, let_in: dict[str, str], job: str, desk_folder: Path
    ) -> None:
        folder = desk_folder / job.rpartition("/")[2]
        others = {it for it in desk_folder.rglob("*") if it.parent != folder / "before"}
        answer = desk.ask(
            "PUT", f"{job}/captures/before?name={name}", f"(1.0) can0 123#{len(name):02}".encode(), let_in
        )
        assert answer.status == 201
        assert len(list((folder / "before").iterdir())) == 1
        assert {it for it in desk_folder.rglob("*") if it.parent != folder / "before"} == others

    def test_text_is_never_markup(self, desk: RunningDesk, let_in: dict[str, str]) -> None:
        mean = '"><img src=x onerror=alert(1)></textarea><script>alert(1)</script>{{ 7 * 7 }}'
        fields = dict.fromkeys(("vehicle", "complaint", "customer", "odometer"), mean)
        path = desk.send("/jobs", let_in, **fields).headers["location"]
        for page in (path, "/"):
            text = desk.ask("GET", page, headers=let_in).text
            assert "<img" not in text
            assert "<script>" not in text
            assert "&lt;img" in text
        assert "&lt;img" in desk.ask("GET", "/?q=%3Cimg", headers=let_in).text

    def test_form_of_another_kind(self, desk: RunningDesk, let_in: dict[str, str]) -> None:
        plain = {**let_in, "Content-Type": "text/plain"}
        assert desk.ask("POST", "/jobs", "vehicle=x", plain).status == 415

    def test_form_without_end(self, desk: RunningDesk, let_in: dict[str, str]) -> None:
        assert desk.send("/jobs", let_in, vehicle="x" * 300_000).status == 413

    def test_form_of_many_fields(self, desk: RunningDesk, let_in: dict[str, str]) -> None:
        assert desk.send("/jobs", let_in, **{f"f{n}": "x" for n in range(500)}).status == 400

    def test_job_file_that_somebody_broke(
        self, desk: RunningDesk, let_in: dict[str, str], job: str, desk_folder: Path
    ) -> None:
        file = desk_folder / job.rpartition("/")[2] / "job.toml"
        file.write_text("vehicle = ", "utf-8")
        answer = desk.ask("GET", job, headers=let_in)
        assert answer.status == 200
        assert "this is not valid TOML" in answer.text
        assert desk.send(f"{job}/done", let_in, done="something").status == 422
        assert file.read_text("utf-8") == "vehicle = "
        file.unlink()


class TestUpload:
    """A capture is there whole, or not at all."""

    def test_same_bytes(self, desk: RunningDesk, let_in: dict[str, str], job: str, desk_folder: Path) -> None:
        data = b"(1.000000) can0 123#0011\n" * 400_000
        assert desk.ask("PUT", f"{job}/captures/before?name=a.log", data, let_in).status == 201
        assert (desk_folder / job.rpartition("/")[2] / "before" / "a.log").read_bytes() == data

    def test_twice(self, desk: RunningDesk, let_in: dict[str, str], job: str) -> None:
        assert desk.ask("PUT", f"{job}/captures/before?name=a.log", b"(1.0) can0 123#00", let_in).status == 201
        answer = desk.ask("PUT", f"{job}/captures/after?name=b.log", b"(1.0) can0 123#00", let_in)
        assert answer.status == 409
        assert "here already: a.log" in answer.text

    def test_empty(self, desk: RunningDesk, let_in: dict[str, str], job: str) -> None:
        assert desk.ask("PUT", f"{job}/captures/before?name=a.log", b"", let_in).status == 400

    def test_too_large(self, desk: RunningDesk, let_in: dict[str, str], job: str) -> None:
        headers = {**let_in, "Content-Length": str(10**15)}
        assert desk.ask("PUT", f"{job}/captures/before?name=a.log", b"x", headers).status == 413

    def test_cut_off(self, desk: RunningDesk, let_in: dict[str, str], job: str, desk_folder: Path) -> None:
        folder = desk_folder / job.rpartition("/")[2]
        before = sorted(folder.rglob("*"))
        head = "".join(f"{name}: {value}\r\n" for name, value in let_in.items())
        with socket.create_connection(("127.0.0.1", desk.port), HANG_S) as line:
            line.sendall(
                f"PUT {job}/captures/before?name=a.log HTTP/1.1\r\nHost: 127.0.0.1:{desk.port}\r\n{head}"
                f"Content-Length: 9000000\r\n\r\n".encode()
            )
            line.sendall(b"x" * 6_000_000)
        # The next one is answered after the first was noticed, or while it is being put away.
        for _ in range(HANG_S * 10):
            if sorted(folder.rglob("*")) == before:
                break
            desk.ask("GET", job, headers=let_in)
        assert sorted(folder.rglob("*")) == before


class TestReadings:
    """What is typed counts at once, or says why it cannot be."""

    def test_comma_and_unit(self, desk: RunningDesk, let_in: dict[str, str], job: str, desk_folder: Path) -> None:
        answer = desk.send(f"{job}/reading", let_in, measurement="supply_at_lock", reading="12,4", unit="V")
        assert answer.status == 303
        session = (desk_folder / job.rpartition("/")[2] / "session.json").read_text("utf-8")
        assert '"reading": "12.4 V"' in session
        assert '"result": "good"' in session

    @pytest.mark.parametrize("reading", ["", "much", "12 A", "1e999", "nan"])
    def test_no_reading(self, reading: str, desk: RunningDesk, let_in: dict[str, str], job: str) -> None:
        answer = desk.send(f"{job}/reading", let_in, measurement="supply_at_lock", reading=reading, unit="V")
        assert answer.status == 422

    def test_skip_and_undo(self, desk: RunningDesk, let_in: dict[str, str], job: str, desk_folder: Path) -> None:
        file = desk_folder / job.rpartition("/")[2] / "session.json"
        assert desk.send(f"{job}/skip", let_in, measurement="load_fuse").status == 303
        assert '"load_fuse"' in file.read_text("utf-8")
        assert desk.send(f"{job}/undo", let_in, measurement="load_fuse").status == 303
        assert '"load_fuse"' not in file.read_text("utf-8")
        assert desk.send(f"{job}/skip", let_in, measurement="loadfuse").status == 422

    @pytest.mark.parametrize(
        ("failed", "status"), [("3/30", 303), ("1 in 10", 303), ("", 303), ("31/30", 422), ("often", 422)]
    )
    def test_how_often(self, failed: str, status: int, desk: RunningDesk, let_in: dict[str, str], job: str) -> None:
        assert desk.send(f"{job}/history", let_in, failed=failed).status == status

    def test_cause_that_no_file_knows(
        self, desk: RunningDesk, let_in: dict[str, str], job: str, desk_folder: Path
    ) -> None:
        """A cause that was confirmed is shown before any causes file was read, and after it was taken away."""
        folder = JobFolder(desk_folder / job.rpartition("/")[2])
        folder.save_details(replace(folder.details(), confirmed="worn_brush"))
        page = desk.ask("GET", job, headers=let_in)
        assert "Confirmed cause: worn brush" in page.text

    def test_entries_that_were_changed_elsewhere(self, desk: RunningDesk, let_in: dict[str, str], job: str) -> None:
        text = desk.ask("GET", job, headers=let_in).text
        seen = re.findall(r'name="seen" value="(\w+)"', text)[0]
        assert desk.send(f"{job}/details", let_in, seen=seen, complaint="first").status == 303
        late = desk.send(f"{job}/details", let_in, seen=seen, complaint="second")
        assert late.status == 422
        assert "changed in another window" in late.text
        assert "second" in late.text


@pytest.mark.slow
class TestEnding:
    """It ends when asked, says so, and starts again where it was."""

    def test_by_its_page(self, tmp_path: Path) -> None:
        with running_desk(tmp_path) as desk:
            answer = desk.send("/end", desk.enter())
            assert "The desk has ended" in answer.text
            said = desk.process.communicate(timeout=HANG_S)[0]
            assert "The desk has ended" in said
            assert desk.process.returncode == 0

    @pytest.mark.skipif(os.name == "nt", reason="Ctrl-C goes to a whole console there")
    def test_by_ctrl_c_with_a_page_open(self, tmp_path: Path) -> None:
        with running_desk(tmp_path) as desk:
            headers = desk.enter()
            job = desk.send("/jobs", headers, vehicle="x").headers["location"]
            with socket.create_connection(("127.0.0.1", desk.port), HANG_S) as line:
                head = f"Host: 127.0.0.1:{desk.port}\r\nCookie: {headers['Cookie']}\r\n\r\n"
                line.sendall(f"GET {job}/events HTTP/1.1\r\n{head}".encode())
                heard = line.recv(100_000)
                assert b"200" in heard
                said = desk.end(signal.SIGINT)
                while chunk := line.recv(100_000):
                    heard += chunk
            assert b"event: end" in heard
            assert "The desk has ended" in said
            assert "Traceback" not in said
            assert desk.process.returncode == 130

    def test_one_desk_for_one_folder(self, tmp_path: Path) -> None:
        with running_desk(tmp_path) as desk:
            with pytest.raises(AssertionError, match=r"(?s)another desk is open on this folder.*Its page: http"):
                start_desk(tmp_path)
            assert desk.ask("GET", "/").status == 403

    def test_port_that_is_taken(self, desk: RunningDesk, tmp_path: Path) -> None:
        with pytest.raises(AssertionError, match=r"another program uses it; leave --port out"):
            start_desk(tmp_path, "--port", str(desk.port))
        with pytest.raises(AssertionError, match=r"ports end at 65535; leave --port out"):
            start_desk(tmp_path, "--port", "65536")

    def test_an_old_cookie_is_worth_nothing(self, tmp_path: Path) -> None:
        with running_desk(tmp_path) as first:
            old = first.enter()
            port = first.port
        with running_desk(tmp_path, "--port", str(port)) as second:
            assert second.ask("GET", "/", headers=old).status == 403
