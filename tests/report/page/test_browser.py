"""The page in real Chromium.

The fixtures fail a test on whose page an error or a warning was told, or which asked for anything from outside.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from support.handmade import result as handmade_result
from support.sketches import SKETCHES

from buslens.checks.findings import Findings

if TYPE_CHECKING:
    from collections.abc import Callable

    from buslens import Result

SLOW = "car07_slow_motor.log"


def view(page: Any) -> tuple[float, float]:
    seen = page.evaluate("() => [buslens.view.start, buslens.view.end]")
    return seen[0], seen[1]


def dots(page: Any) -> int:
    """Return how many dots of the plot's canvas are drawn on."""
    drawn: int = page.evaluate(
        """() => {
          const canvas = document.getElementById('plot');
          const { data } = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
          let count = 0;
          for (let k = 3; k < data.length; k += 4) if (data[k] > 0) count++;
          return count;
        }"""
    )
    return drawn


def middle(page: Any) -> tuple[float, float]:
    box = page.locator("#sheet").bounding_box()
    return box["x"] + 168 + (box["width"] - 180) / 2, box["y"] + 100


class TestOpening:
    """The page opens with the verdict's moment in view and its lanes drawn."""

    @pytest.mark.parametrize("scheme", ["light", "dark"])
    def test_sample(self, scheme: str, show: Callable[..., Any], sample: Callable[[str], Result]) -> None:
        page = show(sample(SLOW), color_scheme=scheme)
        start, end = view(page)
        # The late release that the verdict names comes 4.426 s after the first frame.
        assert start < 4_425_699 < end < 8_000_000
        assert dots(page) > 10_000

    @pytest.mark.parametrize("sketch", ["missing", "silent", "seam", "no handshake"])
    def test_every_sketch(self, sketch: str, show: Callable[..., Any]) -> None:
        page = show(SKETCHES[sketch](), width=900)
        page.click("[data-do=whole]")
        assert dots(page) > 1000

    def test_without_script_the_text_is_there(self, show: Callable[..., Any], sample: Callable[[str], Result]) -> None:
        page = show(sample(SLOW), java_script_enabled=False, ready=False)
        assert "late by at least 87\N{NO-BREAK SPACE}ms" in page.inner_text("h1")
        assert page.locator(".finding.fault").count() == 2
        assert page.locator("#controls").is_hidden()

    def test_nothing_in_it(self, show: Callable[..., Any]) -> None:
        page = show(handmade_result())
        for key in "nevsabtx0+,.S":
            page.keyboard.press(key)
        assert page.inner_text("#status") != ""

    def test_narrow(self, show: Callable[..., Any], sample: Callable[[str], Result]) -> None:
        page = show(sample(SLOW), width=360, height=740, has_touch=True)
        assert page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
        assert dots(page) > 1000

    def test_hostile_names_are_text(self, show: Callable[..., Any]) -> None:
        evil = "<img src=x onerror=alert(1)><script>alert(2)</script>\"'\u202e"
        base = SKETCHES["late"]()
        lanes = {
            role: replace(line, role=evil if role == "door_open" else role) for role, line in base.timelines.items()
        }
        door = lanes.pop("door_open")
        result = replace(
            base,
            path=evil,
            summary=evil,
            findings=Findings.of([replace(it, reason=evil) for it in base.findings]),
            timelines={evil: replace(door, states=(evil, "closed")), **lanes},
        )
        page = show(result)
        page.click("[data-do=whole]")
        page.keyboard.press("s")
        assert "<img src=x" in page.inner_text("h1")
        assert "<img src=x" in page.inner_text("#readout")
        assert page.locator("img").count() == 0


class TestFindings:
    """Choosing a finding brings its moment and its allowed window into view."""

    def test_choosing(self, slow: Any) -> None:
        page = slow
        page.click("[data-finding='1']")
        start, end = view(page)
        allowed = page.evaluate("() => buslens.capture.findings[1].allowed")
        assert start < min(allowed) < max(allowed) < end
        assert page.get_attribute("[data-finding='1']", "aria-current") == "true"
        assert page.get_attribute("[data-finding='0']", "aria-current") == "false"
        assert page.locator("#cursor").is_visible()

    def test_by_keyboard(self, slow: Any) -> None:
        page = slow
        page.focus("[data-finding='1']")
        page.keyboard.press("Enter")
        assert view(page)[0] > 8_000_000
        # The keys are those of the sheet from now on.
        assert page.evaluate("() => document.activeElement.id") == "sheet"
        start = view(page)[0]
        page.keyboard.press("ArrowRight")
        assert view(page)[0] > start

    def test_skip_link(self, show: Callable[..., Any], sample: Callable[[str], Result]) -> None:
        page = show(sample(SLOW))
        page.keyboard.press("Tab")
        assert page.evaluate("() => document.activeElement.textContent") == "To the timing diagram"
        assert page.locator(".skip").bounding_box()["y"] >= 0
        page.keyboard.press("Enter")
        assert page.evaluate("() => document.activeElement.id") == "sheet"

    def test_a_hidden_lane_comes_back_with_its_finding(self, slow: Any) -> None:
        page = slow
        page.evaluate("() => { document.getElementById('lanes').open = true; }")
        page.uncheck("#lanes label:has-text('unlock feedback') input")
        assert page.locator("#readout th", has_text="unlock feedback").count() == 0
        page.click("[data-finding='0']")
        assert page.locator("#readout th", has_text="unlock feedback").count() == 1


class TestMoving:
    """Wheel, mouse, fingers and keys move along and change how much is seen."""

    @pytest.mark.parametrize("modifier", ["Control", "Meta"])
    def test_wheel_with_a_modifier_zooms_about_the_pointer(self, modifier: str, slow: Any) -> None:
        page = slow
        page.locator("#sheet").scroll_into_view_if_needed()
        start, end = view(page)
        page.mouse.move(*middle(page))
        scrolled, pointed = page.evaluate("() => [scrollY, buslens.cursor]")
        page.keyboard.down(modifier)
        page.mouse.wheel(0, -240)
        page.wait_for_function("(was) => buslens.view.end - buslens.view.start < was", arg=(end - start) * 0.9)
        page.keyboard.up(modifier)
        after = view(page)
        assert start < after[0] < after[1] < end
        share = (pointed - after[0]) / (after[1] - after[0])
        assert share == pytest.approx((pointed - start) / (end - start), abs=0.01)
        assert page.evaluate("() => scrollY") == scrolled

    def test_wheel_alone_scrolls_the_page(self, slow: Any) -> None:
        page = slow
        page.set_viewport_size({"width": 1440, "height": 500})
        seen = view(page)
        page.locator("#sheet").scroll_into_view_if_needed()
        page.mouse.move(*middle(page))
        before = page.evaluate("() => scrollY")
        page.mouse.wheel(0, 120)
        page.wait_for_function("(before) => scrollY > before", arg=before)
        assert view(page) == seen
        page.set_viewport_size({"width": 1440, "height": 1000})

    @pytest.mark.parametrize(("keys", "by"), [(["Shift"], (0, 200)), ([], (200, 0))], ids=["Shift", "sideways"])
    def test_wheel_along(self, keys: list[str], by: tuple[int, int], slow: Any) -> None:
        page = slow
        start, end = view(page)
        page.mouse.move(*middle(page))
        for key in keys:
            page.keyboard.down(key)
        page.mouse.wheel(*by)
        page.wait_for_function("(was) => buslens.view.start > was", arg=start)
        for key in keys:
            page.keyboard.up(key)
        after = view(page)
        assert after[1] - after[0] == pytest.approx(end - start)
        share = page.evaluate("() => 200 / buslens.frame.width")
        assert after[0] - start == pytest.approx(share * (end - start), rel=0.01)

    def test_a_swipe_up_a_phone_scrolls_the_page(
        self, show: Callable[..., Any], sample: Callable[[str], Result]
    ) -> None:
        page = show(sample(SLOW), width=390, height=740, has_touch=True, is_mobile=True)
        assert page.evaluate("() => document.documentElement.scrollWidth <= innerWidth")
        page.locator("#sheet").scroll_into_view_if_needed()
        box = page.locator("#plot").bounding_box()
        seen, before = view(page), page.evaluate("() => scrollY")
        hand = page.context.new_cdp_session(page)
        x, y = box["x"] + box["width"] * 0.7, min(box["y"] + box["height"], 700) - 20
        hand.send("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": [{"x": x, "y": y}]})
        for step in range(1, 11):
            points = [{"x": x, "y": y - 20 * step}]
            hand.send("Input.dispatchTouchEvent", {"type": "touchMove", "touchPoints": points})
        hand.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
        page.wait_for_function("(before) => scrollY > before + 50", arg=before)
        assert view(page) == seen

    def test_drag(self, slow: Any) -> None:
        page = slow
        start, end = view(page)
        x, y = middle(page)
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x - 150, y, steps=5)
        page.mouse.up()
        page.wait_for_function("(was) => buslens.view.start > was", arg=start)
        moved = view(page)
        assert moved[1] - moved[0] == pytest.approx(end - start)
        # What was under the mouse is still: 150 dots are this share of the frame.
        share = page.evaluate("() => 150 / buslens.frame.width")
        assert moved[0] - start == pytest.approx(share * (end - start), rel=0.02)

    def test_fingers(self, show: Callable[..., Any], sample: Callable[[str], Result]) -> None:
        page = show(sample(SLOW), has_touch=True)
        start, end = view(page)
        x, y = middle(page)
        hand = page.context.new_cdp_session(page)

        def touch(kind: str, *places: float) -> None:
            points = [{"x": place, "y": y, "id": number} for number, place in enumerate(places)]
            hand.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

        touch("touchStart", x)
        for step in range(1, 9):
            touch("touchMove", x - 20 * step)
        touch("touchEnd")
        page.wait_for_function("(was) => buslens.view.start > was", arg=start + 1000)
        length = end - start
        touch("touchStart", x - 40, x + 40)
        for step in range(1, 9):
            touch("touchMove", x - 40 - 12 * step, x + 40 + 12 * step)
        touch("touchEnd")
        page.wait_for_function("(was) => buslens.view.end - buslens.view.start < was", arg=length * 0.8)

    def test_keys(self, slow: Any) -> None:
        page = slow
        page.focus("#sheet")
        start, end = view(page)
        page.keyboard.press("ArrowRight")
        assert view(page)[0] > start
        page.keyboard.press("ArrowLeft")
        assert view(page) == pytest.approx((start, end))
        page.keyboard.press("+")
        assert view(page)[1] - view(page)[0] < end - start
        page.keyboard.press("-")
        assert view(page)[1] - view(page)[0] == pytest.approx(end - start)
        page.keyboard.press("0")
        whole = page.evaluate("() => buslens.capture.end")
        assert view(page) == pytest.approx((0, whole))

    def test_nobody_gets_lost(self, slow: Any) -> None:
        page = slow
        page.focus("#sheet")
        for _ in range(30):
            page.keyboard.press("PageDown")
        start, end = view(page)
        assert start < page.evaluate("() => buslens.capture.end") < end * 1.1
        for _ in range(60):
            page.keyboard.press("+")
        assert view(page)[1] - view(page)[0] >= 20

    def test_the_strip_of_the_whole_capture(self, slow: Any) -> None:
        page = slow
        page.locator("#overview").scroll_into_view_if_needed()
        box = page.locator("#overview").bounding_box()
        frame = page.evaluate("() => [buslens.frame.left, buslens.frame.width]")
        page.mouse.click(box["x"] + frame[0] + frame[1] * 0.8, box["y"] + 12)
        start, end = view(page)
        assert (start + end) / 2 == pytest.approx(page.evaluate("() => buslens.capture.end") * 0.8, rel=0.01)


class TestJumping:
    """Next and previous lead to handshakes, events and violations in order, and say so when there is none."""

    def test_handshakes(self, show: Callable[..., Any], sample: Callable[[str], Result]) -> None:
        page = show(sample("car02_two_close_together.log.gz"))
        page.click("[data-do=whole]")
        page.evaluate("() => { buslens.cursor = 0; buslens.isHeld = true; }")
        reached = []
        for _ in range(4):
            page.keyboard.press("n")
            reached.append(page.inner_text("#status"))
        starts = page.evaluate("() => buslens.runs.map((run) => runName(run))")
        assert reached == starts[:4]
        page.keyboard.press("n")
        assert page.inner_text("#status") == "no handshake after this"
        page.keyboard.press("Shift+N")
        assert page.inner_text("#status") == starts[2]

    def test_events(self, slow: Any) -> None:
        page = slow
        page.evaluate("() => { buslens.cursor = 0; buslens.isHeld = true; buslens.look(0, 1e6); }")
        told = page.evaluate("() => buslens.capture.events.map((event) => event[1])")
        assert "start_button becomes pressed" in told
        for words in told[:3]:
            page.click("[data-do=nextEvent]")
            assert page.inner_text("#status").startswith(words)
        page.click("[data-do=previousEvent]")
        assert page.inner_text("#status").startswith(told[1])

    def test_violations(self, slow: Any) -> None:
        page = slow
        page.evaluate("() => { buslens.cursor = 0; buslens.isHeld = true; buslens.look(0, 1e6); }")
        page.keyboard.press("v")
        assert page.inner_text("#status") == "unlock handshake 1, wire feedback: too late"
        page.keyboard.press("v")
        assert page.inner_text("#status") == "lock handshake 1, wire feedback: too late"
        page.keyboard.press("Shift+V")
        assert page.inner_text("#status") == "unlock handshake 1, wire feedback: too late"

    def test_none(self, show: Callable[..., Any], sample: Callable[[str], Result]) -> None:
        page = show(sample("car01_healthy.log"))
        page.keyboard.press("v")
        assert page.inner_text("#status") == "no fault in this capture"


def states_at(result: Result, time_ns: int) -> dict[str, str]:
    """Return what each role shows at a moment, straight from the timelines; None where it is changing or a number."""
    told = {}
    for role, line in result.timelines.items():
        entry = int(np.searchsorted(line.seen_ns, time_ns, side="right")) - 1
        changing = entry + 1 < len(line) and line.changed_after_ns[entry + 1] < time_ns
        if not line.is_number and not changing and line.state[entry] >= 0:
            told[result.expectations.shown_name(role)] = line.states[line.state[entry]].replace("_", " ")
    return told


def readings(page: Any, place: int) -> dict[str, str]:
    rows = page.locator("#readout tbody tr").all()
    return {row.locator("th").inner_text(): row.locator("td").nth(place).inner_text() for row in rows}


class TestReadOut:
    """The cursor reads out every lane."""

    def test_follows_the_mouse(self, slow: Any, sample: Callable[[str], Result], still: Callable[..., None]) -> None:
        result = sample(SLOW)
        page = slow
        page.click("[data-do=whole]")
        box = page.locator("#sheet").bounding_box()
        left, width = page.evaluate("() => [buslens.frame.left, buslens.frame.width]")
        for share in (0.1, 0.35, 0.62, 0.9):
            page.mouse.move(box["x"] + left + width * share, box["y"] + 80)
            still(page)
            time_ns = result.origin_ns + round(page.evaluate("() => buslens.cursor") * 1000)
            told = readings(page, 0)
            assert len(told) == sum(it.is_carried for it in result.timelines.values())
            for role, state in states_at(result, time_ns).items():
                assert told[role] == state

    def test_a_click_holds_it(self, slow: Any, still: Callable[..., None]) -> None:
        page = slow
        x, y = middle(page)
        page.mouse.click(x, y)
        held = page.evaluate("() => buslens.cursor")
        page.mouse.move(x + 90, y, steps=3)
        still(page)
        assert page.evaluate("() => buslens.cursor") == held
        page.mouse.click(x + 90, y)
        page.mouse.move(x - 90, y, steps=3)
        still(page)
        assert page.evaluate("() => buslens.cursor") < held

    def test_escape_lets_it_go(self, slow: Any, still: Callable[..., None]) -> None:
        page = slow
        page.locator("#sheet").scroll_into_view_if_needed()
        x, y = middle(page)
        page.mouse.click(x, y)
        still(page)
        assert page.inner_text("#cursor-name") == "cursor, held"
        held = page.evaluate("() => buslens.cursor")
        page.keyboard.press("Escape")
        page.mouse.move(x + 90, y, steps=3)
        still(page)
        assert page.evaluate("() => buslens.cursor") > held
        assert page.inner_text("#cursor-name") == "cursor"
        page.keyboard.press("Escape")
        still(page)
        assert page.locator("#cursor").is_hidden()

    def test_unknown_is_told_with_its_reason(self, show: Callable[..., Any], still: Callable[..., None]) -> None:
        page = show(SKETCHES["silent"]())
        page.evaluate("() => { buslens.cursor = 2e6; buslens.isHeld = true; buslens.later(); }")
        still(page)
        assert readings(page, 0)["data feedback"] == "unknown: message timeout"

    def test_between_two_frames_it_is_either(self, show: Callable[..., Any], still: Callable[..., None]) -> None:
        page = show(SKETCHES["healthy"]())
        page.evaluate(
            """() => {
              const lane = buslens.capture.lanes.find((one) => one.role === 'unlock_feedback');
              const last = lane.seen.length - 1;
              buslens.cursor = (lane.since[last] + lane.seen[last]) / 2;
              buslens.isHeld = true;
              buslens.later();
            }"""
        )
        still(page)
        assert readings(page, 0)["unlock feedback"] == "unlocked or locked"


class TestMarks:
    """Two marks measure the time between them, with the doubt of the changes that they are set at."""

    def test_measured_as_judged(self, slow: Any, still: Callable[..., None]) -> None:
        """Marks at the two edges of the late release measure the delay that the finding tells."""
        page = slow
        for mark, share in (("a", 0), ("b", 3)):
            page.evaluate(
                "(at) => { buslens.cursor = buslens.capture.findings[0].measured[at ? 3 : 1]; buslens.isHeld = true; }",
                share,
            )
            page.keyboard.press(mark)
        still(page)
        assert page.inner_text("#measured") == "A to B: 687 to 733 ms"
        assert page.inner_text("#between") == "687 to 733 ms"
        a, reading, b = (page.locator(at).bounding_box() for at in ("#mark-a", "#between span", "#mark-b"))
        assert a["x"] < reading["x"] < reading["x"] + reading["width"] < b["x"]
        page.keyboard.press("x")
        still(page)
        assert page.inner_text("#measured") == ""
        assert page.locator("#mark-a").is_hidden()
        assert page.locator("#between").is_hidden()

    @pytest.mark.parametrize("by", ["keys", "buttons"])
    def test_set_at_a_cursor_that_follows_the_pointer(self, by: str, slow: Any, still: Callable[..., None]) -> None:
        """Nobody has clicked: each mark is where the cursor was last seen, or at the change right beside it."""
        page = slow
        left, width = page.evaluate("() => [buslens.frame.left, buslens.frame.width]")
        start, end = view(page)
        beside = 8 / width * (end - start)
        for mark, share in (("a", 0.21), ("b", 0.83)):
            # A button above may have been scrolled to.
            page.locator("#sheet").scroll_into_view_if_needed()
            box = page.locator("#sheet").bounding_box()
            page.mouse.move(box["x"] + left + width * share, box["y"] + 80)
            still(page)
            cursor = page.evaluate("() => buslens.cursor")
            assert cursor == pytest.approx(start + share * (end - start), abs=beside)
            if by == "buttons":
                page.hover(f"[data-do=mark{mark.upper()}]")
                still(page)
                # It stays where the pointer left the sheet.
                cursor = page.evaluate("() => buslens.cursor")
                assert page.locator("#cursor").is_visible()
                page.click(f"[data-do=mark{mark.upper()}]")
            else:
                page.keyboard.press(mark)
            told = page.evaluate("(mark) => [buslens.marks[mark].time, buslens.cursor]", mark)
            assert told[0] == told[1] == pytest.approx(cursor, abs=beside)

    def test_no_mark_without_a_cursor(self, slow: Any) -> None:
        page = slow
        for key in "ab":
            page.keyboard.press(key)
            assert page.inner_text("#status").startswith("no cursor in view")
        assert page.evaluate("() => buslens.marks") == {"a": None, "b": None}
        page.evaluate("() => { buslens.cursor = buslens.view.end + 1; buslens.isHeld = true; }")
        page.keyboard.press("a")
        assert page.evaluate("() => buslens.marks.a") is None

    def test_dragged_by_its_letter(self, slow: Any, still: Callable[..., None]) -> None:
        page = slow
        page.mouse.click(*middle(page))
        page.click("[data-do=markA]")
        still(page)
        before = page.evaluate("() => buslens.marks.a.time")
        grip = page.locator("#mark-a .grip")
        grip.scroll_into_view_if_needed()
        box = grip.bounding_box()
        seen = view(page)
        page.mouse.move(box["x"] + 5, box["y"] + 5)
        page.mouse.down()
        page.mouse.move(box["x"] + 155, box["y"] + 5, steps=4)
        page.mouse.up()
        assert page.evaluate("() => buslens.marks.a.time") > before
        assert view(page) == seen


class TestTime:
    """Time is relative or that of the wall clock."""

    def test_wall_clock(self, slow: Any, still: Callable[..., None]) -> None:
        page = slow
        assert "shown: 3." in page.inner_text("#shown")
        page.keyboard.press("t")
        still(page)
        assert page.inner_text("#shown").startswith("shown: 07:30:03.")
        assert page.get_attribute("#clock", "aria-pressed") == "true"

    def test_nanoseconds_of_the_calendar_are_kept(self, slow: Any) -> None:
        told = slow.evaluate(
            """() => {
              const words = new TimeWords({ origin_ns: '1762161245000000123', clock: 'wall' });
              words.byCalendar = true;
              return [words.moment(1_999_600), words.moment(1_999_400), words.clock(-245e6, 0)];
            }"""
        )
        # 2025-11-03 09:14:05 UTC, by Python's datetime.
        assert told == ["09:14:07.000", "09:14:06.999", "09:10:00"]

    def test_no_calendar(self, show: Callable[..., Any]) -> None:
        from buslens.capture.frames import Clock

        base = SKETCHES["healthy"]()
        page = show(replace(base, stats=replace(base.stats, clock=Clock.RELATIVE)))
        assert page.is_disabled("#clock")


class TestMinutes:
    """From a minute on a moment reads in minutes too."""

    @pytest.mark.parametrize(
        ("time", "words"),
        [(59_999_400, "59.999 s"), (59_999_600, "1 min 0.000 s"), (5_025_100_000, "1 h 23 min 45.100 s")],
    )
    def test_words(self, time: int, words: str, slow: Any) -> None:
        assert slow.evaluate("(time) => buslens.words.moment(time)", time) == words


class TestLanes:
    """Lanes are shown, hidden and ordered."""

    def test_hide_and_order(self, slow: Any, still: Callable[..., None]) -> None:
        page = slow
        page.evaluate("() => { document.getElementById('lanes').open = true; }")
        names = list(readings(page, 0))
        height = page.evaluate("() => buslens.layout.height")
        page.uncheck(f"#lanes label:has-text('{names[3]}') input")
        page.click(f"[aria-label='{names[0]} down']")
        still(page)
        assert list(readings(page, 0)) == [names[1], names[0], names[2], *names[4:]]
        assert page.evaluate("() => buslens.layout.height") < height
        page.click("[data-do=allLanes]")
        assert sorted(readings(page, 0)) == sorted(names)

    def test_a_fault_is_never_hidden_with_its_lane(self, slow: Any) -> None:
        page = slow
        page.evaluate("() => { document.getElementById('lanes').open = true; }")
        page.uncheck("#lanes label:has-text('unlock feedback') input")
        above = page.evaluate("() => buslens.layout.overhead.flat().map((item) => item.index)")
        assert sorted(above) == [0, 1]


class TestStillLanes:
    """Lanes that never change stand in one line of words until somebody asks for them."""

    def test_words_instead_of_lanes(self, show: Callable[..., Any], sample: Callable[[str], Result]) -> None:
        page = show(sample("car08_jammed_bolt.asc"))
        told = page.inner_text("#still")
        assert "pairing state paired" in told
        assert "speed 0 km/h" in told
        # It never changes either, but that is the fault.
        assert "unlock feedback" not in told
        assert "pairing state" not in readings(page, 0)
        assert "unlock feedback" in readings(page, 0)
        page.click("#still button")
        assert "pairing state" in readings(page, 0)
        assert page.locator("#still").is_hidden()


class TestLink:
    """A link keeps what is seen, the marks and the finding."""

    def test_there_and_back(self, show: Callable[..., Any], sample: Callable[[str], Result]) -> None:
        page = show(sample(SLOW))
        page.click("[data-finding='1']")
        page.evaluate("() => { buslens.marks.a = { time: 8100000, since: 8090000 }; buslens.look(8e6, 9e6); }")
        page.wait_for_function("() => location.hash.includes('finding=1')")
        link = page.evaluate("() => location.hash")
        page.evaluate("() => { buslens.clearMarks(); buslens.selected = null; buslens.look(0, 1e6); }")
        page.evaluate("(link) => { location.hash = '#'; location.hash = link; }", link)
        page.wait_for_function("() => buslens.selected === 1")
        assert view(page) == (8_000_000, 9_000_000)
        assert page.evaluate("() => buslens.marks.a") == {"time": 8_100_000, "since": 8_090_000}

    @pytest.mark.parametrize("link", ["#view=9,1", "#view=x,y&finding=99&a=1", "#sheet", "#finding=__proto__"])
    def test_a_broken_one_is_no_harm(self, link: str, slow: Any) -> None:
        page = slow
        before = view(page)
        page.evaluate("(link) => { location.hash = link; }", link)
        assert view(page) == before


class TestKeeping:
    """What is seen is kept as a picture and as numbers."""

    def test_picture(self, show: Callable[..., Any], sample: Callable[[str], Result]) -> None:
        page = show(sample(SLOW))
        with page.expect_download() as waiting:
            page.click("[data-do=savePicture]")
        assert waiting.value.suggested_filename == "car07_slow_motor.png"
        data = waiting.value.path().read_bytes()
        assert data[:8] == b"\x89PNG\r\n\x1a\n"
        width, height = (int.from_bytes(data[at : at + 4], "big") for at in (16, 20))
        assert width > 1400
        assert height > 1000

    def test_table(self, show: Callable[..., Any], sample: Callable[[str], Result]) -> None:
        """The table holds each lane at its beginning and each change in what is shown, and follows the view."""
        result = sample(SLOW)
        page = show(result)
        page.click("[data-do=whole]")
        page.click("#table summary")
        page.wait_for_selector("#table td")
        whole = page.eval_on_selector_all("#table tbody tr", "rows => rows.map(row => row.innerText)")
        assert any("unlock feedback" in row and "unlocked" in row for row in whole)
        assert min(500, sum(map(len, result.timelines.values()))) == len(whole)
        for _ in range(6):
            page.click("[data-do=closer]")
        page.wait_for_timeout(400)
        assert page.locator("#table tbody tr").count() < len(whole)

    def test_numbers(self, show: Callable[..., Any], sample: Callable[[str], Result]) -> None:
        result = sample(SLOW)
        page = show(result)
        page.click("[data-do=whole]")
        with page.expect_download() as waiting:
            page.click("[data-do=saveNumbers]")
        text = waiting.value.path().read_text("utf-8-sig")
        rows = list(csv.DictReader(io.StringIO(text)))
        for role, line in ((role, it) for role, it in result.timelines.items() if it.is_carried):
            mine = [row for row in rows if row["lane"] == role]
            assert len(mine) == len(line)
            for row, seen, state, value in zip(mine, line.seen_ns, line.state, line.value, strict=True):
                assert float(row["time_s"]) == pytest.approx((int(seen) - result.origin_ns) / 1e9, abs=1e-6)
                if line.is_number and state >= 0:
                    assert float(row["value"]) == value
                elif state >= 0:
                    assert row["state"] == line.states[state].replace("_", " ")
                else:
                    assert row["state"].startswith("unknown")

    def test_no_formula_gets_into_a_spreadsheet(self, show: Callable[..., Any]) -> None:
        page = show(SKETCHES["healthy"]())
        told = page.evaluate("""() => ['=1+1', '@x', 'a,"b"', -3].map(csvCell)""")
        assert told == ["'=1+1", "'@x", '"a,""b"""', "-3"]


class TestReplay:
    """The play head runs in real time or faster or slower, and tells what is awaited."""

    @pytest.mark.parametrize("speed", [0.1, 1, 10])
    def test_speed(self, speed: float, slow: Any) -> None:
        page = slow
        page.select_option("#speed", str(speed))
        # The browser's clock, and with it the pictures, are moved by hand: however busy the machine, 24 of them come
        # in 400 ms.
        head = page.evaluate(
            """() => {
              buslens.head = 0;
              buslens.look(0, buslens.capture.end);
              const ask = window.requestAnimationFrame;
              let asked = [];
              let now = performance.now();
              performance.now = () => now;
              window.requestAnimationFrame = (paint) => asked.push(paint);
              buslens.play();
              for (let picture = 0; picture < 24; picture++) {
                now += 400 / 24;
                const due = asked;
                asked = [];
                due.forEach((paint) => paint(now));
              }
              buslens.play();
              window.requestAnimationFrame = ask;
              delete performance.now;
              asked.forEach((paint) => ask(paint));
              return buslens.head;
            }""",
        )
        assert head == pytest.approx(400_000 * speed)

    def test_pause(self, slow: Any) -> None:
        page = slow
        page.keyboard.press("Space")
        assert page.inner_text("#play") == "pause"
        page.wait_for_function("() => buslens.head > buslens.view.start")
        page.keyboard.press("Space")
        assert page.inner_text("#play") == "play"
        head = page.evaluate("() => buslens.head")
        page.wait_for_timeout(60)
        assert page.evaluate("() => buslens.head") == head

    def test_step_by_step(self, slow: Any, sample: Callable[[str], Result], still: Callable[..., None]) -> None:
        result = sample(SLOW)
        page = slow
        page.evaluate("() => { buslens.head = 3e6; }")
        edges = sorted(
            {
                int(t)
                for line in result.timelines.values()
                if not line.is_number
                for t in line.seen_ns - result.origin_ns
            }
        )
        after = [edge for edge in edges if edge > 3e9][:5]
        for edge in after:
            page.keyboard.press("s")
            assert page.evaluate("() => buslens.head") * 1000 == pytest.approx(edge, abs=500)
        page.keyboard.press("Shift+S")
        assert page.evaluate("() => buslens.head") * 1000 == pytest.approx(after[3], abs=500)
        still(page)
        told = readings(page, 1)
        for role, state in states_at(result, result.origin_ns + after[3] + 500).items():
            assert told[role].split(" or ")[0] == state

    def test_what_is_awaited(self, slow: Any, sample: Callable[[str], Result], still: Callable[..., None]) -> None:
        result = sample(SLOW)
        page = slow
        release = next(finding for finding in result.findings if finding.step == "wire feedback")
        reference = release.reference
        assert reference is not None
        assert reference.latest_ns is not None
        for after_ms, words in ((30, "too early for another"), (200, "left of 600 ms"), (650, "over by")):
            time = (reference.latest_ns - result.origin_ns) // 1000 + after_ms * 1000
            page.evaluate("(time) => { buslens.head = time; buslens.later(); }", time)
            still(page)
            told = page.inner_text("#awaited")
            assert "unlock handshake 1 awaits wire feedback (unlock_feedback becomes unlocked)" in told
            assert words in next(part for part in told.splitlines() if "awaits wire feedback" in part)
        least = (reference.earliest_ns - result.origin_ns) / 1e6 + 600
        time = (reference.latest_ns - result.origin_ns) / 1e6 + 200
        page.evaluate("(time) => { buslens.head = time; buslens.later(); }", time * 1000)
        still(page)
        left = re.search(r"awaits wire feedback [^:]*: (\d+) to (\d+) ms left", page.inner_text("#awaited"))
        assert left
        assert int(left[1]) == pytest.approx(least - time, abs=1.01)
        assert int(left[2]) == pytest.approx(400, abs=1.01)

    def test_between_tries_the_second_step_is_awaited(
        self, show: Callable[..., Any], sample: Callable[[str], Result], still: Callable[..., None]
    ) -> None:
        page = show(sample("car05_enable_open.log"))
        told = page.evaluate(
            """() => {
              const run = buslens.capture.handshakes[1];
              const [enable, release] = run.steps;
              return [run.tries, (enable.came + release.from[1]) / 2];
            }"""
        )
        assert told[0] == 3
        page.evaluate("(time) => { buslens.head = time; buslens.later(); }", told[1])
        still(page)
        assert "unlock handshake 2 awaits wire feedback" in page.inner_text("#awaited")
        assert "comes again (3 tries)" in page.inner_text("#awaited")

    def test_the_view_follows(self, slow: Any) -> None:
        page = slow
        page.evaluate("() => { buslens.look(0, 400000); buslens.head = 300000; }")
        page.select_option("#speed", "10")
        page.click("#play")
        page.wait_for_function("() => buslens.view.start > 1e6")
        page.click("#play")
        head, seen = page.evaluate("() => buslens.head"), view(page)
        assert seen[0] <= head <= seen[1]


class TestPaper:
    """Printed, there are the findings and the sheet in ink on white, whatever the screen shows."""

    def test_print(self, show: Callable[..., Any], sample: Callable[[str], Result]) -> None:
        page = show(sample(SLOW), color_scheme="dark")
        page.evaluate("() => buslens.paintForPaper()")
        page.emulate_media(media="print", color_scheme="dark")
        assert page.locator("#print").is_visible()
        assert page.locator("#controls").is_hidden()
        assert page.locator("#desk").is_hidden()
        ground = page.evaluate("() => getComputedStyle(document.documentElement).backgroundColor")
        assert ground == "rgb(255, 255, 255)"
        corner = page.evaluate(
            "() => [...document.getElementById('print').getContext('2d').getImageData(1, 1, 1, 1).data]"
        )
        assert corner == [255, 255, 255, 255]


class TestEverybody:
    """The keyboard reaches everything, and everything has a name."""

    def test_every_control_has_a_name_and_a_visible_focus(self, slow: Any) -> None:
        page = slow
        page.evaluate("() => document.querySelectorAll('details').forEach((one) => { one.open = true; })")
        nameless = page.evaluate(
            """() => [...document.querySelectorAll('button, select, input, summary, [tabindex]')]
              .filter((one) => !(one.getAttribute('aria-label') || one.textContent.trim() || one.labels?.length))
              .map((one) => one.outerHTML)"""
        )
        assert nameless == []
        wanted = page.evaluate(
            "() => document.querySelectorAll('button:not(:disabled), select, input, summary, #sheet').length"
        )
        reached, unseen = set(), []
        page.evaluate("() => { scrollTo(0, 0); document.activeElement.blur(); }")
        for _ in range(wanted + 20):
            page.keyboard.press("Tab")
            told = page.evaluate(
                """() => {
                  const one = document.activeElement;
                  one.dataset.reached ??= String(document.querySelectorAll('[data-reached]').length);
                  return [one.tagName, one.dataset.reached, getComputedStyle(one).outlineStyle];
                }"""
            )
            if told[0] == "BODY":  # beyond the last: from the first on again
                continue
            reached.add(told[1])
            if told[2] == "none":
                unseen.append(told)
        assert unseen == []
        assert len(reached) >= wanted

    def test_controls_are_large_enough_to_hit(self, slow: Any) -> None:
        """WCAG 2.2, 2.5.8: 24 by 24 CSS pixels."""
        page = slow
        small = page.evaluate(
            """() => [...document.querySelectorAll('#controls button, #controls select')]
              .filter((one) => one.getBoundingClientRect().height < 24 || one.getBoundingClientRect().width < 24)
              .map((one) => one.outerHTML)"""
        )
        assert small == []


class TestMany:
    """Two hundred thousand changes are drawn as few marks, at every length of time."""

    def test_work_is_bounded(self, show: Callable[..., Any]) -> None:
        base = SKETCHES["healthy"]()
        seen = base.origin_ns + np.arange(50_000) * 40_000_000
        line = next(iter(base.timelines.values()))
        many = replace(
            line,
            seen_ns=seen,
            gap_ns=np.full(50_000, 1_000_000, np.uint32),
            state=(np.arange(50_000) % 2).astype(np.int32),
            why=np.zeros(50_000, np.int8),
            end_ns=int(seen[-1]) + 1,
        )
        lanes = {f"lane_{number}": replace(many, role=f"lane_{number}") for number in range(4)}
        page = show(replace(base, timelines=lanes, findings=(), handshakes=()), width=1200)
        counted = page.evaluate(
            """() => {
              const counts = [];
              const fill = CanvasRenderingContext2D.prototype.fillRect;
              let count = 0;
              CanvasRenderingContext2D.prototype.fillRect = function (...given) { count++; fill.apply(this, given); };
              for (const seconds of [1, 10, 100, 1000, 2000]) {
                count = 0;
                buslens.look(0, seconds * 1e6);
                const { ink, layout, capture, view, words } = buslens;
                const ctx = document.createElement('canvas').getContext('2d');
                new Painter(ctx, capture, layout, { left: 168, top: 0, width: 1000 }, view, ink, { words }).paint();
                counts.push(count);
              }
              CanvasRenderingContext2D.prototype.fillRect = fill;
              return counts;
            }"""
        )
        assert all(count < 4 * 1000 * 3 for count in counted)
        # The whole is one block a lane.
        assert counted[-1] < 100
