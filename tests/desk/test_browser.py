"""The desk in real Chromium: a whole job, and what comes between.

The fixture fails a test on whose pages an error or a warning was told, or which asked for anything from outside.
"""

from __future__ import annotations

import json
import shutil
import zipfile
from typing import TYPE_CHECKING, Any

import can
import pytest
from support.accessible import violations
from support.desks import RunningDesk, running_desk
from support.multicast import group_of_our_own, listening
from support.patience import HANG_S

from buslens.cli import main
from buslens.report.record.job import load_job

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

SCREEN = {"width": 1440, "height": 1000}
GROUND_OPEN, FUSE, HEALTHY = "car04_ground_open.log", "car03_load_fuse_blown.log", "car01_healthy.log"


class Window:
    """A window of the browser, and what a person does in it."""

    def __init__(self, page: Any, home: str) -> None:
        self.page, self.home = page, home

    @property
    def headline(self) -> str:
        text: str = self.page.inner_text("h1")
        return text

    def begin(self, **entries: str) -> str:
        """Begin a job; return its name."""
        self.page.goto(self.home)
        if self.page.locator("details.new:not([open])").count():
            self.page.click("details.new > summary")
        for name, text in entries.items():
            self.page.fill(f"[name={name}]", text)
        self.page.click(".new button.go")
        self.ready()
        return str(self.page.url).rpartition("/")[2]

    def ready(self) -> None:
        self.page.wait_for_selector("html[data-ready]", state="attached")

    def rest(self) -> None:
        """Wait until no worker is at it, and all is shown."""
        self.page.wait_for_selector("#job[data-busy=no]")

    def add(self, side: str, *files: Path) -> None:
        """Choose captures, and wait until they were read."""
        self.page.set_input_files(f".drop[data-side={side}] input", [str(file) for file in files])
        part = "#captures" if side == "before" else "#proof"
        for file in files:
            self.page.wait_for_selector(f"{part} .capture:has-text('{file.name}') a")
        self.page.wait_for_selector("#wrong .say" if side == "before" else "#proof .say")
        self.rest()

    def says(self, words: str) -> None:
        """Wait until the headline holds words."""
        self.page.wait_for_function("(words) => document.querySelector('h1').textContent.includes(words)", arg=words)


@pytest.fixture(scope="module")
def shared(browser: Any, desk: RunningDesk, let_in: dict[str, str]) -> Iterator[tuple[Window, list[str]]]:
    """Lend one window of the common desk to all tests that need none of their own, which takes long to open."""
    trouble: list[str] = []
    context = browser.new_context()
    yield opened(context, desk, trouble, let_in), trouble
    context.close()


@pytest.fixture
def window(browser: Any, request: pytest.FixtureRequest) -> Iterator[Callable[..., Window]]:
    """Open a window of a browser that a desk lets in; with the headers for the common desk, it is the shared one."""
    contexts: list[Any] = []
    troubles: list[list[str]] = [[]]

    def open_window(desk: RunningDesk, headers: dict[str, str] | None = None, **options: Any) -> Window:
        if headers is not None and not options:
            lent, trouble = request.getfixturevalue("shared")
            page = lent.page
            page.goto("about:blank")
            page.set_viewport_size(SCREEN)
            page.emulate_media(color_scheme="light")
            trouble.clear()
            troubles.append(trouble)
            page.goto(desk.home)
            return Window(page, desk.home)
        contexts.append(browser.new_context(**options))
        return opened(contexts[-1], desk, troubles[0], headers)

    yield open_window
    for context in contexts:
        context.close()
    if troubles[1:]:
        page = request.getfixturevalue("shared")[0].page
        for other in page.context.pages:
            if other is not page:
                other.close()
    # What the desk refuses with a reason, the browser tells as an error, too, and that a desk has ended.
    refused = ("422", "409", "415", "ERR_CONNECTION_REFUSED")
    assert [it for trouble in troubles for it in trouble if not any(code in it for code in refused)] == []


def opened(context: Any, desk: RunningDesk, trouble: list[str], headers: dict[str, str] | None) -> Window:
    """Return a window on the desk's first page; what goes wrong in it is trouble."""
    context.set_default_timeout(HANG_S * 1000)
    if headers is not None:
        name, _, value = headers["Cookie"].partition("=")
        context.add_cookies([{"name": name, "value": value, "url": desk.home}])
    page = context.new_page()
    page.set_viewport_size(SCREEN)
    page.on("console", lambda told: told.type in {"error", "warning"} and trouble.append(told.text))
    page.on("pageerror", lambda error: trouble.append(str(error)))
    page.on("request", lambda asked: asked.url.startswith((desk.home, "data:")) or trouble.append(asked.url))
    page.goto(desk.home if headers is not None else desk.address)
    page.wait_for_url(desk.home)
    return Window(page, desk.home)


class TestWholeJob:
    """From the complaint to the record, in the browser only; then the commands go on from there."""

    def test_ground_wire(
        self,
        window: Callable[..., Window],
        desk: RunningDesk,
        let_in: dict[str, str],
        desk_folder: Path,
        sample: Path,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        it = window(desk, let_in)
        name = it.begin(vehicle="Club car 4, blue", complaint="warning, start does nothing")
        page = it.page
        assert it.headline == "Next: add a capture of the fault"
        it.add("before", sample / GROUND_OPEN)
        it.says("Next: look whether the plug is latched")
        # Cautions stand above what is to be done.
        cautions = page.locator(".next > *").evaluate_all("(all) => all.map((it) => it.className)")
        assert cautions.index("heed") < cautions.index("do")
        # The step that comes now is in the first screen.
        assert page.evaluate("document.querySelector('#measure').getBoundingClientRect().top + scrollY") < 900
        page.click(".next button:has-text('seated')")
        it.says("Next: feed a 21 W lamp from the battery into the ground pin")
        page.fill(".next input[name=reading]", "12,4")
        page.keyboard.press("Enter")
        it.says("Next: repair. Ground wire open, 92 %")
        page.fill("#done [name=done]", "Cleaned the ground point\nNew ring terminal")
        page.select_option("#done [name=confirmed]", "ground_open")
        page.click("#done button.go")
        it.says("record the car again")
        it.add("after", sample / HEALTHY)
        it.says("Next: record 4 more unlock handshakes without a fault")
        assert page.locator("#proof .boxes .on").count() == 1
        assert page.locator("#proof .boxes .off").count() == 4
        with page.context.expect_page() as opened_page:
            page.click("#record a:has-text('Preview')")
        assert "Cleaned the ground point" in opened_page.value.inner_text(".front")
        page.click("#record button:has-text('Save')")
        page.wait_for_selector("#record code")
        monkeypatch.chdir(desk_folder / name)
        assert main(["record", "--verify", "record.html"]) == 0
        job = load_job("job.toml")
        assert (job.confirmed, job.done) == ("ground_open", ("Cleaned the ground point", "New ring terminal"))
        assert main(["diagnose", "--session", "session.json", "--json"]) == 1
        assert main(["compare", f"before/{GROUND_OPEN}", f"after/{HEALTHY}"]) == 0

    def test_commands_tell_the_same(
        self,
        window: Callable[..., Window],
        desk: RunningDesk,
        let_in: dict[str, str],
        desk_folder: Path,
        sample: Path,
        monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        """A reading that a command adds shows at once, and undo in the browser counts for the command."""
        it = window(desk, let_in)
        name = it.begin(vehicle="Club car 3")
        it.add("before", sample / FUSE)
        monkeypatch.chdir(desk_folder / name)
        main(["diagnose", "--session", "session.json", "--measured", "load_fuse=blown", f"before/{FUSE}"])
        it.page.wait_for_selector(".made >> text=load fuse")
        it.rest()
        shown = it.page.locator(".causes tbody tr").first.inner_text().replace("\t", " ")
        capsys.readouterr()
        main(["diagnose", "--session", "session.json", "--json"])
        told = json.loads(capsys.readouterr().out)["groups"][0][0]
        assert f"{100 * told['posterior']:.0f} %" in shown
        it.page.click(".made button:has-text('undo')")
        it.page.wait_for_selector(".made", state="detached")
        capsys.readouterr()
        main(["diagnose", "--session", "session.json", "--json"])
        assert json.loads(capsys.readouterr().out)["measured"] == []


class TestRecordingAtTheCar:
    """A bus over the network stands for the car; what is judged of it is tested with `buslens.desk.recorder`."""

    def test_marks_and_stop(self, window: Callable[..., Window], desk: RunningDesk, let_in: dict[str, str]) -> None:
        it = window(desk, let_in)
        page = it.page
        it.begin(vehicle="Club car 2")
        page.click("#captures a:has-text('Record at the car')")
        group = group_of_our_own()
        with listening(group), can.Bus(group, "udp_multicast", ignore_config=True) as sender:
            page.fill("[name=typed]", f"udp_multicast:{group}")
            page.keyboard.press("Enter")
            page.wait_for_selector("#guide li:has-text('0 of 5') >> nth=1")
            for number in range(50):
                sender.send(can.Message(arbitration_id=0x123, data=[number]))
            page.wait_for_function("() => document.querySelector('#sofar').textContent.includes('50 frames')")
            page.keyboard.press("m")
            page.wait_for_selector("#marks li:has-text('mark')")
            page.reload()
            page.wait_for_selector("#marks li:has-text('mark')")
            page.click("#stop")
        page.wait_for_selector("#captures .capture:has-text('recorded-')")


class TestNewCar:
    """A car without definitions: a press on the time line is a mark, a press on a signal chooses it."""

    def test_mark_and_choose(
        self, window: Callable[..., Window], desk: RunningDesk, let_in: dict[str, str], sample: Path
    ) -> None:
        car = desk.send("/cars", let_in, name="Marked").headers["location"]
        desk.ask("PUT", f"{car}/files?name={HEALTHY}", (sample / HEALTHY).read_bytes(), let_in)
        page = window(desk, let_in).page
        page.goto(f"{desk.home}{car.lstrip('/')}")
        page.click("button:has-text('Show its time line')")
        page.check("[name=words][value='driver door opens']")
        for number, x in enumerate((100, 300), 1):
            page.click(".timeline", position={"x": x, "y": 20})
            page.wait_for_selector(f"summary:text-matches('^{number} mark')")
            assert page.is_checked("[name=words][value='driver door opens']")
        page.click(".role summary:has-text('more after')")
        place = page.inner_text(".role [aria-pressed=false]:visible >> nth=0")
        page.click(f".role .btn:text-is('{place}')")
        page.wait_for_selector(f".role [aria-pressed=true]:text-is('{place}')")


class TestForEverybody:
    """No page breaks a rule that axe-core can test: names, contrasts, landmarks, what a keyboard reaches."""

    def test_axe(self, window: Callable[..., Window], desk: RunningDesk, let_in: dict[str, str], sample: Path) -> None:
        it = window(desk, let_in, bypass_csp=True)
        page = it.page
        name = it.begin(vehicle="Club car 4", complaint="no start")
        it.add("before", sample / GROUND_OPEN)
        car = desk.send("/cars", let_in, name="For axe").headers["location"].lstrip("/")

        for width, scheme in ((390, "dark"), (1440, "light")):
            assert violations(page, width, scheme) == [], f"{width} {scheme}"
        for path in ("", f"jobs/{name}/recording/before", "cars", car, "fleets"):
            page.goto(f"{it.home}{path}")
            assert violations(page, 390, "light") == [], path


class TestBetween:
    """Reloads, restarts, other windows, mistakes."""

    @pytest.fixture
    def it(
        self, window: Callable[..., Window], desk: RunningDesk, let_in: dict[str, str], sample: Path, desk_folder: Path
    ) -> Window:
        """Return a window with a job of its own, whose capture was read: a copy of the first one."""
        it = window(desk, let_in)
        first = desk_folder / "first"
        if not first.exists():
            name = it.begin(vehicle="Club car 4", complaint="no start")
            it.add("before", sample / GROUND_OPEN)
            shutil.copytree(desk_folder / name, first)
        name = f"copy-{sum(1 for _ in desk_folder.iterdir())}"
        shutil.copytree(first, desk_folder / name)
        it.page.goto(f"{it.home}jobs/{name}")
        it.page.wait_for_selector("#wrong .say")
        it.rest()
        return it

    def test_two_windows(self, it: Window) -> None:
        """Both show the same, and what is being typed in one of them stays."""
        other = it.page.context.new_page()
        other.goto(it.page.url)
        for page in (it.page, other):
            page.wait_for_selector("#windows:not([hidden])")
        other.click("#done summary")
        other.fill("#done [name=done]", "half a sentence")
        it.page.click(".next button:has-text('seated')")
        other.wait_for_selector(".made >> text=plug at lock")
        assert other.input_value("#done [name=done]") == "half a sentence"
        other.close()
        it.page.wait_for_selector("#windows", state="hidden")

    def test_readings(self, it: Window) -> None:
        """They outlive a reload; what is none is said beside what was typed; there are ways around a measurement."""
        page = it.page
        page.click(".next button:has-text('seated')")
        it.says("ground pin")
        address = page.url
        page.reload()
        it.says("ground pin")
        page.goto(it.home)
        page.go_back()
        assert page.url == address
        it.says("ground pin")
        page.fill(".next input[name=reading]", "much")
        page.keyboard.press("Enter")
        page.wait_for_selector(".next .trouble")
        assert page.input_value(".next input[name=reading]") == "much"
        assert page.evaluate("document.activeElement.name") == "reading"
        page.click(".next button:has-text('not possible')")
        page.wait_for_selector(".made >> text=not possible at this car")
        it.rest()
        assert "ground pin" not in it.headline
        page.click("summary:has-text('something else was measured')")
        page.click(".other > summary:text-is('load fuse')")
        page.click(".other[open] button:text-is('whole')")
        page.wait_for_selector(".made >> text=load fuse")

    def test_what_is_dropped(self, it: Window, sample: Path, tmp_path: Path) -> None:
        """The same file again, a picture, a text, an archive of several captures, and a capture."""
        page = it.page
        page.set_input_files(".drop[data-side=after] input", str(sample / GROUND_OPEN))
        page.wait_for_selector(".sending .trouble >> text=here already")
        page.click("#proof button:text-is('close this message')")
        (tmp_path / "holiday.jpg").write_bytes(b"\xff\xd8\xff\xe0" + bytes(range(256)) * 40)
        (tmp_path / "notes.txt").write_text("hello", "utf-8")
        (tmp_path / "saved.html").write_text("<html><p>hello", "utf-8")
        page.set_input_files(".drop[data-side=before] input", str(tmp_path / "saved.html"))
        page.wait_for_selector(".sending .trouble >> text=This is a web page, not a recording of the bus")
        page.click("#captures button:text-is('close this message')")
        files = [str(tmp_path / name) for name in ("notes.txt", "holiday.jpg")]
        page.set_input_files(".drop[data-side=before] input", files)
        page.wait_for_selector(".sending .trouble >> text=This is a picture, not a recording of the bus")
        page.click("#captures button:text-is('close this message')")
        page.wait_for_selector(".capture .trouble >> text=Cannot be read")
        assert "--" not in page.inner_text(".capture .trouble")
        page.click("button[aria-label='take out notes.txt']")
        page.wait_for_selector("text=notes.txt", state="detached")
        with zipfile.ZipFile(tmp_path / "week.zip", "w") as archive:
            for name in (FUSE, GROUND_OPEN):
                archive.write(sample / name, f"week/{name}")
        page.set_input_files(".drop[data-side=after] input", str(tmp_path / "week.zip"))
        page.wait_for_selector(f"#proof .capture:has-text('{FUSE}')")
        page.wait_for_selector(f"#told >> text=week.zip: 1 taken. Left out: week/{GROUND_OPEN}: This recording is here")
        page.click("#told button")
        page.evaluate(
            """(text) => {
              const data = new DataTransfer();
              data.items.add(new File([text], 'dropped.log'));
              const drop = new DragEvent('drop', { dataTransfer: data, bubbles: true });
              document.querySelector('.drop').dispatchEvent(drop);
            }""",
            (sample / "car05_enable_open.log").read_text("utf-8"),
        )
        page.wait_for_selector("#captures .capture >> text=dropped.log")
        it.rest()

    def test_all_lanes_on_the_spot(self, it: Window) -> None:
        it.page.click(".findings [data-finding] >> nth=0")
        frame = it.page.frame_locator(".lanes iframe")
        frame.locator("html[data-ready]").wait_for(state="attached")
        it.page.wait_for_function(
            "() => document.querySelector('.lanes iframe').contentWindow.buslens?.selected !== null"
        )
        assert "rule broken" in frame.locator("#status").inner_text()

    def test_found_again_by_search(
        self, window: Callable[..., Window], desk: RunningDesk, let_in: dict[str, str]
    ) -> None:
        it = window(desk, let_in)
        name = it.begin(vehicle="Club car 9, green", registration="PW 009")
        it.page.goto(it.home)
        it.page.fill("[name=q]", "green pw")
        it.page.keyboard.press("Enter")
        it.page.wait_for_selector("a:has-text('all jobs')")
        assert it.page.locator(".jobs tbody tr").count() == 1
        it.page.click(f".jobs a:text-is('{name}')")
        it.ready()

    def test_without_script_all_but_adding_captures(
        self, it: Window, window: Callable[..., Window], desk: RunningDesk, let_in: dict[str, str]
    ) -> None:
        plain = window(desk, let_in, java_script_enabled=False)
        plain.page.goto(it.page.url)
        plain.page.click(".next button:has-text('seated')")
        plain.page.wait_for_selector(".made >> text=plug at lock")

    def test_phone(self, it: Window) -> None:
        it.page.set_viewport_size({"width": 390, "height": 844})
        for scheme in ("light", "dark"):
            it.page.emulate_media(color_scheme=scheme)
            assert it.page.evaluate("document.documentElement.scrollWidth") == 390
            buttons = it.page.locator(".btn:visible")
            assert buttons.evaluate_all("(all) => all.filter((it) => it.offsetHeight < 40).length") == 0

    def test_restart(self, window: Callable[..., Window], tmp_path: Path) -> None:
        """The page says that the desk has ended; what was confirmed is there again (`test_killed` has the readings)."""
        with running_desk(tmp_path) as first:
            it = window(first)
            name = it.begin(vehicle="Club car 4", complaint="no start")
            first.end()
            it.page.wait_for_selector("#gone:not([hidden])")
            it.page.context.close()
        with running_desk(tmp_path) as second:
            again = window(second)
            again.page.goto(f"{second.home}jobs/{name}")
            assert again.page.inner_text("#complaint .say") == "no start"
