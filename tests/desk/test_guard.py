"""Whom the desk answers: a browser that was let in, from the desk's own pages, by the desk's own name."""

from __future__ import annotations

import pytest

from buslens.desk.guard import Access

PORT = 8000
HOST = f"127.0.0.1:{PORT}"
ORIGIN = f"http://{HOST}"


@pytest.fixture
def access() -> Access:
    return Access(PORT)


def refusal(access: Access, method: str, path: str = "/", **headers: str | None) -> int:
    """Return the status of a refusal, 0 for none; a browser's usual headers unless they are given, None for without."""
    usual: dict[str, str | None] = {"host": HOST, "cookie": access.cookie().partition(";")[0]}
    if method != "GET":
        usual["origin"] = ORIGIN
    given = {**usual, **{name.replace("_", "-"): value for name, value in headers.items()}}
    raw = [(name.encode(), value.encode()) for name, value in given.items() if value is not None]
    return access.refusal({"type": "http", "method": method, "path": path, "headers": raw})[0]


class TestAnswered:
    """What a browser sends from the desk's own pages."""

    @pytest.mark.parametrize("method", ["GET", "HEAD", "POST", "PUT"])
    def test_own_page(self, method: str, access: Access) -> None:
        assert refusal(access, method, sec_fetch_site="same-origin") == 0

    def test_other_name_of_this_machine(self, access: Access) -> None:
        host = f"localhost:{PORT}"
        assert refusal(access, "POST", host=host, origin=f"http://{host}") == 0

    def test_address_that_was_typed(self, access: Access) -> None:
        assert refusal(access, "GET", sec_fetch_site="none") == 0

    def test_first_address_from_a_message(self, access: Access) -> None:
        fetched = {"sec_fetch_site": "cross-site", "sec_fetch_mode": "navigate"}
        assert refusal(access, "GET", "/enter/x", cookie=None, **fetched) == 0

    def test_other_cookies_beside_it(self, access: Access) -> None:
        cookie = f"theme=dark; {access.cookie().partition(';')[0]}; x=y"
        assert refusal(access, "GET", cookie=cookie) == 0


class TestRefused:
    """Everything else."""

    @pytest.mark.parametrize(
        "host",
        [None, "", "evil.example", f"evil.example:{PORT}", "127.0.0.1", "127.0.0.1:80",
         f"127.0.0.1.evil.example:{PORT}",
         f"0.0.0.0:{PORT}", f"[::1]:{PORT}", f"127.1:{PORT}", f"{HOST}@evil.example", f"{HOST}, evil.example"],
    )  # fmt: skip
    @pytest.mark.parametrize("method", ["GET", "POST"])
    def test_another_name(self, host: str | None, method: str, access: Access) -> None:
        """A name of somebody else's that leads here: DNS rebinding."""
        assert refusal(access, method, host=host, origin=None if host is None else f"http://{host}") == 403

    @pytest.mark.parametrize(
        "origin",
        [None, "null", "", "https://evil.example", f"https://{HOST}", "http://127.0.0.1", f"http://localhost:{PORT}",
         "http://127.0.0.1:8001", f"http://evil.example:{PORT}", f"{ORIGIN}.evil.example"],
    )  # fmt: skip
    @pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH"])
    def test_another_origin(self, origin: str | None, method: str, access: Access) -> None:
        """A form or a script of another site, or of another program on this machine."""
        assert refusal(access, method, origin=origin) == 403

    @pytest.mark.parametrize("cookie", [None, "", "buslens-desk-8000=", "buslens-desk-8000=x", "x=1", "=;;;", "\xff"])
    @pytest.mark.parametrize("path", ["/", "/jobs/1", "/static/desk.js", "/enterx", "/ENTER/x"])
    def test_not_let_in(self, cookie: str | None, path: str, access: Access) -> None:
        assert refusal(access, "GET", path, cookie=cookie) == 403

    def test_cookie_of_another_run(self, access: Access) -> None:
        assert refusal(access, "GET", cookie=Access(PORT).cookie().partition(";")[0]) == 403

    @pytest.mark.parametrize("site", ["cross-site", "same-site"])
    @pytest.mark.parametrize("mode", ["no-cors", "navigate", "cors"])
    def test_drawn_in_by_another_site(self, site: str, mode: str, access: Access) -> None:
        assert refusal(access, "GET", sec_fetch_site=site, sec_fetch_mode=mode) == 403
        if mode != "navigate":
            assert refusal(access, "GET", "/enter/x", sec_fetch_site=site, sec_fetch_mode=mode) == 403

    @pytest.mark.parametrize("name", ["host", "origin", "cookie", "content-length"])
    def test_a_header_twice(self, name: str, access: Access) -> None:
        raw = [(b"host", HOST.encode()), (name.encode(), HOST.encode()), (name.encode(), b"1")]
        assert access.refusal({"type": "http", "method": "GET", "path": "/", "headers": raw})[0] == 400


class TestAddress:
    """The printed address opens one browser, once."""

    def test_once(self, access: Access) -> None:
        token = access.address().rpartition("/")[2]
        assert access.spend(token)
        assert not access.spend(token)

    @pytest.mark.parametrize("token", ["", "x", "\u00e9", "%00"])
    def test_another_token(self, token: str, access: Access) -> None:
        access.address()
        assert not access.spend(token)

    def test_each_is_another_one(self, access: Access) -> None:
        assert len({access.address() for _ in range(50)}) == 50

    def test_cookie_is_out_of_reach_for_scripts_and_other_sites(self, access: Access) -> None:
        assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(access.cookie().split("; "))
