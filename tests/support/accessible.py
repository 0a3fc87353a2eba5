"""What axe-core finds wrong on a page: names, contrasts, landmarks, what a keyboard reaches."""

from __future__ import annotations

from typing import Any

import pytest


def violations(page: Any, width: int, scheme: str) -> list[str]:
    """Return what breaks a rule with everything open, and how wide the page is if it sticks out.

    The page must have been opened with ``bypass_csp``.
    """
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="pip install axe-playwright-python")
    page.set_viewport_size({"width": width, "height": 900})
    page.emulate_media(color_scheme=scheme)
    page.evaluate("document.querySelectorAll('details').forEach((it) => { it.open = true; })")
    page.evaluate("document.querySelectorAll('iframe').forEach((it) => it.remove())")
    found = axe.Axe().run(page, options={"resultTypes": ["violations"]}).response["violations"]
    wide = page.evaluate("document.documentElement.scrollWidth")
    return [*(f"{rule['id']} {rule['nodes'][0]['target']}" for rule in found), *([f"{wide}"] * (wide > width))]
