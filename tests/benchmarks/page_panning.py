"""How large a page is and how fast it moves: an hour, 20 lanes, 200,000 changes of state, in headless Chromium.

    python tests/benchmarks/page_panning.py [--changes 200000] [--browser /usr/bin/chromium]

Prints the size of the page, and for several lengths of time in view the median and the 95th percentile of the time
from one picture to the next while every picture shows another stretch, with the share that is our own drawing. The
browser draws in software, without a graphics processor, so that it is the slow case. The capture is made up.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.handmade import read_stats
from support.handmade import result as handmade_result

from buslens.checks.findings import Verdict
from buslens.expectations.model import Expectations
from buslens.report.page import write_page
from buslens.timeline.model import Timeline
from buslens.units import NS_PER_MS, NS_PER_S

if TYPE_CHECKING:
    from buslens.checks.findings import Result

HOUR_NS = 3600 * NS_PER_S

PAN = """
async (seconds) => {
  const page = window.buslens;
  const frame = () => new Promise(requestAnimationFrame);
  const painted = [];
  const stamps = [];
  const paint = page.paint.bind(page);
  page.paint = (...given) => { paint(...given); painted.push(page.paintTime); stamps.push(performance.now()); };
  page.look(1e6, 1e6 + seconds * 1e6);
  for (let warm = 0; warm < 5; warm++) await frame();
  painted.length = 0;
  stamps.length = 0;
  const step = Math.min(seconds * 1e6 / 100, (3600e6 * 1.04 - seconds * 1e6) / 200);
  for (let k = 0; k < 150; k++) {
    const { start, end } = page.view;
    page.look(start + step, end + step);
    await frame();
  }
  page.paint = paint;
  const times = stamps.slice(1).map((stamp, k) => stamp - stamps[k]);
  const at = (list, share) => [...list].sort((a, b) => a - b)[Math.floor(share * (list.length - 1))];
  return { median: at(times, 0.5), slow: at(times, 0.95), own: at(painted, 0.5), pictures: painted.length };
}
"""


def crowded(changes: int, lanes: int = 20) -> Result:
    """Return an hour in which states and numbers change at random, in bursts and apart."""
    chance = np.random.default_rng(7)
    origin = 1_762_161_245_000_000_000
    end = origin + HOUR_NS
    timelines = {}
    for lane in range(lanes):
        count = changes // lanes
        seen = origin + np.sort(chance.choice(HOUR_NS // (10 * NS_PER_MS), count, replace=False)) * 10 * NS_PER_MS
        seen[0] = origin
        is_number = lane % 5 == 4
        states = () if is_number else ("off", "on") if lane % 2 else ("still", "moving", "blocked")
        timelines[f"lane_{lane:02d}"] = Timeline(
            role=f"lane_{lane:02d}",
            seen_ns=seen,
            gap_ns=chance.integers(1, 10 * NS_PER_MS, count),
            state=(np.zeros(count) if is_number else np.arange(count) % len(states)).astype(np.int32),
            raw=chance.integers(0, 400, count) / 25.0 if is_number else None,
            why=np.zeros(count, dtype=np.int8),
            states=states,
            unit="V" if is_number else "",
            last_frame_ns=end,
            period_ns=10 * NS_PER_MS,
            timeout_ns=None,
            end_ns=end,
        )
    return handmade_result(
        verdict=Verdict.UNDECIDED,
        summary="made up to be drawn",
        timelines=timelines,
        stats=read_stats(first_ns=origin, last_ns=end),
        expectations=Expectations(path="", roles={}, rules=()),
    )


def main() -> None:
    """Write the page and pan in it."""
    from playwright.sync_api import sync_playwright

    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--changes", type=int, default=200_000)
    parser.add_argument("--browser", default="/usr/bin/chromium")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        file = write_page(crowded(options.changes), Path(folder) / "crowded.html")
        print(f"{options.changes:,} changes in 20 lanes: {file.stat().st_size / 1e6:.2f} MB")
        browser = playwright.chromium.launch(
            executable_path=options.browser, args=["--headless", "--no-sandbox", "--disable-gpu"]
        )
        page = browser.new_page(viewport={"width": 1440, "height": 1000})
        page.goto(file.as_uri())
        page.wait_for_selector("html[data-ready]", state="attached")
        print(f"ready after {page.evaluate('performance.now()'):.0f} ms")
        for seconds in (1, 10, 60, 600, 3600):
            told = page.evaluate(PAN, seconds)
            print(
                f"{seconds:5} s in view: median {told['median']:.1f} ms, 95 of 100 below {told['slow']:.1f} ms, "
                f"our drawing {told['own']:.1f} ms, {told['pictures']} pictures"
            )
        browser.close()


if __name__ == "__main__":
    main()
