"""Pages for fleets: where the captures lie, checking what is new, the sheet."""

import asyncio
from collections import defaultdict
from typing import Final
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from buslens.desk import fleet_work
from buslens.desk.fleet_work import FleetState, FleetTask
from buslens.desk.fleets import FleetFolder, FleetSettings, fleets_in, new_fleet
from buslens.desk.folder import DeskFolder
from buslens.desk.forms import read_form
from buslens.desk.pages import DeskPages, own_page
from buslens.desk.running import STOP, AllRunning
from buslens.desk.upload import RefusedError
from buslens.errors import BuslensError

BESIDE: Final = "what lies beside each capture"


class FleetPages:
    """The pages on fleets.

    Parameters
    ----------
    folder : DeskFolder
    pages : DeskPages
    is_ending : asyncio.Event
        Set once the desk is to end.
    """

    def __init__(self, folder: DeskFolder, pages: DeskPages, is_ending: asyncio.Event) -> None:
        self._folder, self._pages, self._is_ending = folder, pages, is_ending
        self.runs = AllRunning(fleet_work.run, FleetState())

    def routes(self) -> list[Route]:
        """Return where they are."""
        at = "/fleets/{fleet}"
        return [
            Route("/fleets", self._index),
            Route("/fleets", self._new, methods=["POST"]),
            Route(at, self._show),
            Route(f"{at}/check", self._check, methods=["POST"]),
            Route(f"{at}/stop", self._stop, methods=["POST"]),
            Route(f"{at}/events", self._events),
            Route(f"{at}/sheet/{{file:path}}", self._sheet),
        ]

    async def _index(self, _: Request) -> Response:
        return self._list()

    async def _new(self, request: Request) -> Response:
        form = await read_form(request)
        settings = FleetSettings(source=form.get("source", "").strip().strip('"'), pattern=form.get("pattern", ""))
        try:
            fleet = new_fleet(self._folder.path, form.get("name", ""), settings, self._folder.car(form.get("car", "")))
        except BuslensError as error:
            return self._list(problem=str(error), typed=form)
        return self._begun(fleet)

    async def _show(self, request: Request) -> Response:
        fleet = self._demanded(request)
        run = self.runs.of(fleet.name)
        return self._pages.page(
            "fleet.html",
            fleet=fleet,
            settings=fleet.settings(),
            expectations=fleet.expectations(),
            state=None if run is None else run.state,
            is_going=self.runs.going(fleet.name) is not None,
        )

    async def _check(self, request: Request) -> Response:
        fleet = self._demanded(request)
        await read_form(request)
        return self._begun(fleet)

    async def _stop(self, request: Request) -> Response:
        fleet = self._demanded(request)
        await read_form(request)
        run = self.runs.going(fleet.name)
        if run is not None:
            run.order(STOP)
            await run.ended()
        return _to(fleet)

    async def _events(self, request: Request) -> Response:
        run = self.runs.of(self._demanded(request).name)
        if run is None:
            raise RefusedError(404, "Nothing is being checked.")
        return StreamingResponse(run.events(request, self._is_ending), media_type="text/event-stream")

    async def _sheet(self, request: Request) -> Response:
        name = request.path_params["file"] or "index.html"
        found = self._demanded(request).written(name)
        if found is None:
            raise RefusedError(404, "There is no such file of this fleet.")
        if found.suffix == ".html":
            return own_page(await asyncio.to_thread(found.read_text, "utf-8"))
        return FileResponse(found, filename=found.name)

    def _begun(self, fleet: FleetFolder) -> Response:
        settings, expectations = fleet.settings(), fleet.expectations()
        task = FleetTask(
            source=settings.source,
            out=str(fleet.out),
            pattern=settings.pattern,
            expectations="" if expectations is None else str(expectations),
        )
        self.runs.begin(fleet.name, task, f"/fleets/{quote(fleet.name)}")
        return _to(fleet)

    def _list(self, *, problem: str = "", typed: dict[str, str] | None = None) -> Response:
        return self._pages.page(
            "fleets.html",
            status=422 if problem else 200,
            fleets=[(it, it.settings()) for it in fleets_in(self._folder.path)],
            cars=self._folder.cars(),
            beside=BESIDE,
            problem=problem,
            typed=defaultdict(str, typed or {}),
        )

    def _demanded(self, request: Request) -> FleetFolder:
        name = request.path_params["fleet"]
        found = next((it for it in fleets_in(self._folder.path) if it.name == name), None)
        if found is None:
            raise RefusedError(404, "There is no such fleet, or its folder was removed.")
        return found


def _to(fleet: FleetFolder) -> Response:
    return RedirectResponse(f"/fleets/{quote(fleet.name)}", 303)
