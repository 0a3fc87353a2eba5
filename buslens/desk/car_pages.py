"""Pages for a new car: its files, the roles with their candidates, the rules with what was measured."""

import json
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from buslens.desk import work
from buslens.desk.car_view import DraftView
from buslens.desk.folder import FOUND, LAYOUT, CarFolder, DeskFolder
from buslens.desk.forms import read_form
from buslens.desk.pages import DeskPages
from buslens.desk.seek_pages import SeekPages
from buslens.desk.seek_state import state_stamp
from buslens.desk.upload import RefusedError, receive_file, received_answer
from buslens.desk.workers import Workers

_ACTIONS = (
    *("driver door opens", "driver door closes", "start pressed", "start released", "ignition on", "ignition off"),
    *("lock unlocks", "lock locks"),
)
"""What is done or heard at a car, in words by which roles are recognised."""
_NEEDED = ("driver door opens", "start pressed", "ignition on", "lock unlocks", "lock locks")
"""Of these, what every handshake needs."""
_TABLES = (".csv", ".tsv", ".xlsx")
"""A table of values, such as a tester's list, says itself what its columns are."""
_PICTURE_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'self'"
"""Of a drawing, which has no script and asks for nothing, but styles each line itself."""


class CarPages:
    """The pages on cars.

    Parameters
    ----------
    folder : DeskFolder
    workers : Workers
    pages : DeskPages
    most_bytes : int
        Of one file.
    """

    def __init__(self, folder: DeskFolder, workers: Workers, pages: DeskPages, most_bytes: int) -> None:
        self._folder, self._workers, self._pages, self._most_bytes = folder, workers, pages, most_bytes
        #: Name of a car -> files and choices, and the draft that was made from them.
        self._drafts: dict[str, tuple[str, DraftView]] = {}
        self._seek = SeekPages(workers, self._demanded, lambda car, problem: self._car_page(car, problem=problem))

    def routes(self) -> list[Route]:
        """Return where they are."""
        car = "/cars/{car}"
        return [
            Route("/cars", self._index),
            Route("/cars", self._new, methods=["POST"]),
            Route(car, self._car),
            Route(f"{car}/files", self._take, methods=["PUT"]),
            Route(f"{car}/remove", self._remove, methods=["POST"]),
            Route(f"{car}/layout", self._lay_out, methods=["POST"]),
            Route(f"{car}/draft", self._draft, methods=["POST"]),
            Route(f"{car}/choose", self._choose, methods=["POST"]),
            Route(f"{car}/save", self._save, methods=["POST"]),
            Route(f"{car}/candidates.svg", self._picture),
            *self._seek.routes(),
        ]

    async def _index(self, _: Request) -> Response:
        return self._pages.page("cars.html", cars=self._folder.car_folders(), known=self._folder.cars())

    async def _new(self, request: Request) -> Response:
        form = await read_form(request)
        return _to(self._folder.new_car(form.get("name", "")))

    async def _car(self, request: Request) -> Response:
        return self._car_page(self._demanded(request))

    async def _take(self, request: Request) -> Response:
        car = self._demanded(request)
        return received_answer(
            await receive_file(request, car.path, car.place, car.files, self._workers, self._most_bytes)
        )

    async def _remove(self, request: Request) -> Response:
        car, form = self._demanded(request), await read_form(request)
        for file in car.files():
            if file.name == form.get("name"):
                file.unlink()
        return _to(car, "files")

    async def _draft(self, request: Request) -> Response:
        car = self._demanded(request)
        await read_form(request)
        await self._drafted(car)
        return _to(car, "roles")

    async def _lay_out(self, request: Request) -> Response:
        """Keep how the car's tables are to be read, and read them so for whatever was asked for."""
        car, form = self._demanded(request), await read_form(request)
        problem = await self._workers.run(work.lay_out, str(car.path / LAYOUT), json.dumps(form))
        if problem:
            return self._car_page(car, layout_problem=problem, typed=form)
        if car.name in self._drafts:
            await self._drafted(car)
            return _to(car, "roles")
        return await self._seek.looked(car)

    async def _choose(self, request: Request) -> Response:
        car, form = self._demanded(request), await read_form(request)
        shown = self._drafts.get(car.name, ("", DraftView()))[1]
        known = {role.role: {it.name for it in role.candidates} for role in shown.roles}
        if form.get("signal", "") not in known.get(form.get("role", ""), ()):
            return self._car_page(car, problem="Draft the expectations anew, then choose among the signals below.")
        car.choose(form["role"], form["signal"])
        await self._drafted(car)
        return _to(car, "roles")

    async def _save(self, request: Request) -> Response:
        car = self._demanded(request)
        form = await read_form(request)
        made = await self._drafted(car)
        text = made.text_without_open_points if form.get("missing") == "left out" else made.text
        from buslens.desk import car_work

        problem = await self._workers.run(car_work.save, str(car.path), text) if text else "There is no draft to save."
        return self._car_page(car, problem=problem) if problem else _to(car, "save")

    async def _picture(self, request: Request) -> Response:
        shown = self._drafts.get(self._demanded(request).name)
        if shown is None or not shown[1].picture:
            raise RefusedError(404, "There is nothing drawn.")
        headers = {"content-security-policy": _PICTURE_POLICY}
        return Response(shown[1].picture, media_type="image/svg+xml", headers=headers)

    async def _drafted(self, car: CarFolder) -> DraftView:
        """Return the draft from the files and choices as they are."""
        from buslens.desk import car_work  # with what only a worker needs

        key = _key(car)
        known = self._drafts.get(car.name)
        if known is None or known[0] != key:
            known = key, await self._workers.run(car_work.draft, str(car.path), car.chosen())
            self._drafts[car.name] = known
        return known[1]

    def _car_page(
        self, car: CarFolder, *, problem: str = "", layout_problem: str = "", typed: dict[str, str] | None = None
    ) -> Response:
        key, shown = self._drafts.get(car.name, ("", None))
        state, found = self._seek.view(car)
        return self._pages.page(
            "car.html",
            status=422 if problem or layout_problem else 200,
            car=car,
            files=[it for it in car.files() if it.parent == car.path and it.name != LAYOUT],
            layout=next((it.layout for it in (found, shown) if it is not None and it.layout is not None), None),
            layout_problem=layout_problem,
            typed=typed or {},
            captures=[it for it in car.files() if it.parent != car.path],
            has_tables=any(it.parent != car.path and it.suffix.lower() in _TABLES for it in car.files()),
            draft=shown,
            seek=state,
            found=found,
            is_found=any(it.name == FOUND for it in car.files()),
            actions=_ACTIONS,
            unmarked=[it for it in _NEEDED if not any(it in line for line in state.marks)],
            is_current=key == _key(car),
            is_saved=car.is_complete
            and (shown is None or car.holds(shown.text) or car.holds(shown.text_without_open_points)),
            problem=problem or ("" if shown is None else shown.problem),
        )

    def _demanded(self, request: Request) -> CarFolder:
        car = self._folder.car_folder(request.path_params["car"])
        if car is None:
            raise RefusedError(404, "There is no such car, or its folder was removed.")
        return car


def _key(car: CarFolder) -> str:
    """Return text that is another one once a file that a draft is made from, or a choice, has changed."""
    stamps = [(it.name, it.stat().st_size, it.stat().st_mtime_ns) for it in car.files() if it.suffix != ".toml"]
    return f"{stamps} {sorted(car.chosen().items())} {state_stamp(car.path)}"


def _to(car: CarFolder, part: str = "") -> Response:
    return RedirectResponse(f"/cars/{quote(car.name)}{f'#{part}' if part else ''}", 303)
