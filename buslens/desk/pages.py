"""Templates and the files that they name, all from the package."""

import html
import re
from importlib.resources import files
from typing import Any, Final

from starlette.responses import HTMLResponse, Response

_KINDS: Final = {
    "desk.css": "text/css",
    "page.css": "text/css",
    "desk.js": "text/javascript",
    "recording.js": "text/javascript",
    "fleet.js": "text/javascript",
}
"""Every file that a page of the desk names."""
_POLICY: Final = re.compile(r'<meta http-equiv="Content-Security-Policy" content="([^"]*)">')


def own_page(text: str) -> Response:
    """Return a page that carries a policy of its own, by hashes, and is shown within the desk's pages only."""
    found = _POLICY.search(text)
    policy = html.unescape(found[1]) if found else "default-src 'none'"
    return HTMLResponse(text, headers={"content-security-policy": f"{policy}; frame-ancestors 'self'"})


class DeskPages:
    """Fills templates; what is put into them is text, unless it was made as HTML by the reports."""

    def __init__(self) -> None:
        from jinja2 import Environment, PackageLoader, StrictUndefined

        self._templates = Environment(
            loader=PackageLoader("buslens.desk", "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self._static: dict[str, tuple[str, str]] = {}

    def prepare(self) -> None:
        """Compile every template, so that no page waits for that."""
        for name in self._templates.list_templates():
            self._templates.get_template(name)

    def render(self, template: str, **values: Any) -> str:
        """Return a page."""
        from buslens.report.versions import version_of

        return self._templates.get_template(template).render(version=version_of(), **values)

    def page(
        self, template: str, *, status: int = 200, headers: dict[str, str] | None = None, **values: Any
    ) -> Response:
        """Return the answer that shows a page."""
        return HTMLResponse(self.render(template, **values), status, headers)

    def static(self, name: str) -> tuple[str, str] | None:
        """Return the text of a file and its media type; None if there is no such file."""
        if name not in _KINDS:
            return None
        if name not in self._static:
            from buslens.report.page_style import style

            text = style() if name == "page.css" else files(__package__).joinpath("static", name).read_text("utf-8")
            self._static[name] = (text, _KINDS[name])
        return self._static[name]
