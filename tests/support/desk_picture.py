"""The picture of the desk in the README: a job whose first capture was just dropped.

python tests/support/desk_picture.py sample_logs/desk.png
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from support.chromium import running_browser
from support.desks import running_desk

SAMPLES = Path(__file__).parents[2] / "sample_logs"
SIZE = {"width": 1180, "height": 900}


def draw(target: str) -> None:
    """Begin a job as a person would, and take its picture."""
    with tempfile.TemporaryDirectory() as folder, running_desk(Path(folder)) as desk, running_browser() as browser:
        page = browser.new_context(viewport=SIZE, color_scheme="light").new_page()
        page.goto(desk.address)
        page.wait_for_url(desk.home)
        page.fill("[name=vehicle]", "Club car 7, green")
        page.fill("[name=complaint]", "Warning lamp at times, start answers late")
        page.click(".new button.go")
        page.wait_for_selector("html[data-ready]", state="attached")
        page.set_input_files(".drop[data-side=before] input", str(SAMPLES / "car07_slow_motor.log"))
        page.wait_for_selector("#wrong .say")
        page.wait_for_selector("#job[data-busy=no]")
        page.screenshot(path=target, animations="disabled")


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("picture")
    draw(parser.parse_args().picture)


if __name__ == "__main__":
    main()
