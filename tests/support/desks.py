"""A desk that runs as users run it, and asking it as no browser would."""

from __future__ import annotations

import http.client
import re
import signal
import subprocess
import sys
import threading
from contextlib import contextmanager
from typing import TYPE_CHECKING, NamedTuple

from support.patience import HANG_S

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

_MOST_LINES = 6


class Answer(NamedTuple):
    """What came back."""

    status: int
    headers: Mapping[str, str]
    text: str


class RunningDesk(NamedTuple):
    """The process, where it answers, and the cookie that lets one in."""

    process: subprocess.Popen[str]
    #: That opens one browser.
    address: str
    port: int

    @property
    def home(self) -> str:
        """Its first page."""
        return f"http://127.0.0.1:{self.port}/"

    def ask(self, method: str, path: str, body: bytes | str = b"", headers: Mapping[str, str] | None = None) -> Answer:
        """Send one request, with these headers and no others but Host and the length."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=HANG_S)
        try:
            connection.request(method, path, body or None, dict(headers or {}))
            answer = connection.getresponse()
            named = {name.lower(): value for name, value in answer.getheaders()}
            return Answer(answer.status, named, answer.read().decode("utf-8"))
        finally:
            connection.close()

    def enter(self) -> dict[str, str]:
        """Spend the address; return the headers of a browser that was let in, on a page of this desk."""
        answer = self.ask("GET", self.address.removeprefix(self.home.rstrip("/")))
        cookie = answer.headers["set-cookie"].partition(";")[0]
        return {"Cookie": cookie, "Origin": self.home.rstrip("/")}

    def send(self, path: str, headers: Mapping[str, str], **fields: str) -> Answer:
        """Send a form."""
        from urllib.parse import urlencode

        kind = {"Content-Type": "application/x-www-form-urlencoded"}
        return self.ask("POST", path, urlencode(fields), {**headers, **kind})

    def end(self, how: signal.Signals = signal.SIGTERM) -> str:
        """Ask it to end; return what it said since."""
        # Not as Ctrl-C does: what a shell has put into the background does not hear that.
        if self.process.poll() is None:
            self.process.send_signal(how)
        return self.process.communicate(timeout=HANG_S)[0]

    def kill(self) -> None:
        """End it as a power cut would."""
        self.process.kill()
        self.process.communicate(timeout=HANG_S)


@contextmanager
def running_desk(folder: Path, *words: str) -> Iterator[RunningDesk]:
    """Run a desk on a folder; it is ended afterwards if it has not been."""
    desk = start_desk(folder, *words)
    try:
        yield desk
    finally:
        if desk.process.poll() is None:
            desk.end()


def start_desk(folder: Path, *words: str) -> RunningDesk:
    """Start a desk, and wait until it says where it is."""
    process = subprocess.Popen(
        [sys.executable, "-m", "buslens", "desk", str(folder), "--no-browser", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    assert process.stdout is not None
    # Who never says anything must not be waited for.
    watch = threading.Timer(HANG_S, process.kill)
    watch.start()
    lines = []
    for _ in range(_MOST_LINES):
        lines.append(process.stdout.readline())
        found = re.match(r"Open: (http://127\.0\.0\.1:(\d+)/\S+)", lines[-1])
        if found:
            watch.cancel()
            return RunningDesk(process, found[1], int(found[2]))
    watch.cancel()
    process.kill()
    rest = process.communicate(timeout=HANG_S)[0]
    raise AssertionError(f"the desk did not say where it is: {''.join(lines)}{rest}")
