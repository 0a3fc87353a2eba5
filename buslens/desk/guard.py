"""Who may ask: only a browser on this machine that was given the address, and only from pages of this desk.

===================================  =============================================================================
another machine                      the socket is bound to the loopback address
another name for this machine        the Host header must be the address that was printed
(DNS rebinding)
another program, another user        a cookie, given once for the token of the first address (128 bits and more)
another site's form, image, script   the cookie is SameSite=Strict; what changes anything needs an Origin of this desk
script in a name or a text           a policy that allows the desk's own files only, and no inline script
another site's frame                 frame-ancestors
===================================  =============================================================================
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Mapping
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING, Final
from urllib.parse import quote

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY: Final = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data:",
        "connect-src 'self'",
        "frame-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
"""Of every page of the desk; a page that carries a stricter one of its own by hashes is sent with that."""

_HEADERS: Final = {
    b"content-security-policy": POLICY.encode(),
    b"x-content-type-options": b"nosniff",
    # Not 'no-referrer', with which a browser names no origin for a form.
    b"referrer-policy": b"same-origin",
    b"cross-origin-opener-policy": b"same-origin",
    b"cross-origin-resource-policy": b"same-origin",
    b"cache-control": b"no-store",
}
_SAFE: Final = frozenset({"GET", "HEAD"})
_DAYS_S: Final = 30 * 86_400


class Access:
    """The secrets of one run of the desk.

    Parameters
    ----------
    port : int
        Where the desk is served; cookies of one machine do not tell ports apart, so it is part of the cookie's name.
    """

    def __init__(self, port: int) -> None:
        self.port = port
        self.hosts = frozenset({f"127.0.0.1:{port}", f"localhost:{port}"})
        self._cookie = f"buslens-desk-{port}"
        self._secret = secrets.token_urlsafe(32)
        self._tokens: set[str] = set()

    def address(self) -> str:
        """Return an address that lets one browser in, once."""
        token = secrets.token_urlsafe(24)
        self._tokens.add(token)
        return f"http://127.0.0.1:{self.port}/enter/{quote(token)}"

    def spend(self, token: str) -> bool:
        """Whether a token is good; it is not a second time."""
        found = [one for one in self._tokens if hmac.compare_digest(one.encode(), token.encode())]
        self._tokens.difference_update(found)
        return bool(found)

    def cookie(self) -> str:
        """Return the header that gives a browser the cookie."""
        return f"{self._cookie}={self._secret}; Path=/; Max-Age={_DAYS_S}; HttpOnly; SameSite=Strict"

    def is_known(self, headers: Mapping[str, str]) -> bool:
        """Whether a request carries the cookie."""
        try:
            found = SimpleCookie(headers.get("cookie", "")).get(self._cookie)
        except CookieError:
            return False
        return found is not None and hmac.compare_digest(found.value.encode(), self._secret.encode())

    def refusal(self, scope: Scope) -> tuple[int, str]:
        """Return why a request is not answered, with its status; 0 if it is."""
        # Of two headers of one name either could be the one that somebody else reads.
        names = [name for name, _ in scope["headers"]]
        if any(names.count(name) > 1 for name in (b"host", b"origin", b"cookie", b"content-length")):
            return 400, "A header was sent twice."
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        host = headers.get("host", "").lower()
        if host not in self.hosts:
            return 403, "This desk answers at its own address only."
        is_safe = scope["method"] in _SAFE
        if headers.get("sec-fetch-site", "none") not in {"none", "same-origin"} and not (
            is_safe and headers.get("sec-fetch-mode") == "navigate" and scope["path"].startswith("/enter/")
        ):
            return 403, "This desk answers its own pages only."
        if not is_safe and headers.get("origin", "").lower() != f"http://{host}":
            return 403, "This desk takes changes from its own pages only."
        if not scope["path"].startswith("/enter/") and not self.is_known(headers):
            return 403, "Open the desk with the address that it printed when it was started."
        return 0, ""


class Guard:
    """Lets through what `Access` allows, and puts the headers on every answer."""

    def __init__(self, app: ASGIApp, access: Access) -> None:
        self._app, self._access = app, access

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        status, why = self._access.refusal(scope)

        async def send_on(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = {name for name, _ in message["headers"]}
                more = [(name, value) for name, value in _HEADERS.items() if name not in given]
                message = {**message, "headers": [*message["headers"], *more]}
            await send(message)

        if status:
            await _refuse(send_on, status, why)
        else:
            await self._app(scope, receive, send_on)


async def _refuse(send: Send, status: int, why: str) -> None:
    body = why.encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": [*headers, (b"connection", b"close")]})
    await send({"type": "http.response.body", "body": body})
