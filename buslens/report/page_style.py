"""The page's style: the tones of the figure's ink, the evidence strip, the page itself; loads nothing else."""

import hashlib
from base64 import b64encode
from importlib.resources import files
from string import Template

from buslens.report.style import Tone


def light_ink(*, bare: bool = False) -> str:
    """Return the figure's colours as the page's, with or without the selector."""
    tones = "; ".join(f"--{tone.name.lower().replace('_', '-')}: {tone.value.lower()}" for tone in Tone)
    return f"{tones};" if bare else f":root {{ {tones}; }}\n"


def strip_css() -> str:
    """Return the style rules that the evidence strip needs; they use the tones of the page as variables."""
    return resource("buslens.report.page", "strip.css")


def style() -> str:
    """Return the page's style sheet."""
    page = Template(resource("buslens.report.page", "page.css")).substitute(light=light_ink(bare=True))
    return light_ink() + strip_css() + page


def resource(package: str, name: str) -> str:
    """Return the text of a file that lies in a package."""
    return files(package).joinpath(name).read_text("utf-8").replace("\r\n", "\n")


def policy_hash(content: str) -> str:
    """Return the name of a style sheet or script in the policy of a page (Content Security Policy Level 3)."""
    return "sha256-" + b64encode(hashlib.sha256(content.encode("utf-8")).digest()).decode("ascii")
