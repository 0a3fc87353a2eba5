"""Pages for recording at the car: what to heed, which adapter, what has still to happen, lanes, marks."""

import asyncio
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response, StreamingResponse
from starlette.routing import Route

from buslens.desk import recorder
from buslens.desk.folder import SIDES, DeskFolder, RecordingPlace
from buslens.desk.forms import read_form
from buslens.desk.pages import DeskPages
from buslens.desk.recorder import MARK, RecordingState, RecordingTask
from buslens.desk.running import STOP, AllRunning
from buslens.desk.upload import RefusedError
from buslens.desk.workers import Workers
from buslens.errors import BuslensError
from buslens.report.safety_notes import RECORDING_CAUTIONS

_OPEN_S: Final = 6.0
"""Seconds that a bus is given to open before the page shows that it still does."""
_MOST_WANTED: Final = 200
_MOST_MARK: Final = 60


@dataclass(frozen=True, slots=True, kw_only=True)
class _Owner:
    """What a recording belongs to."""

    name: str
    #: Address of the recording's pages, and of the page to which one goes back.
    at: str
    back: str
    #: What the recording will be.
    title: str
    place: RecordingPlace
    expectations: Path | None


class RecordingPages:
    """The pages on recording.

    Parameters
    ----------
    folder : DeskFolder
    workers : Workers
    pages : DeskPages
    is_ending : asyncio.Event
        Set once the desk is to end.
    """

    def __init__(self, folder: DeskFolder, workers: Workers, pages: DeskPages, is_ending: asyncio.Event) -> None:
        self._folder, self._workers, self._pages, self._is_ending = folder, workers, pages, is_ending
        self.recordings = AllRunning(recorder.run, RecordingState())
        self._search: asyncio.Task[list[tuple[str, str]]] | None = None

    def routes(self) -> list[Route]:
        """Return where they are."""
        found = []
        for at in ("/jobs/{job}/recording/{side}", "/cars/{car}/recording"):
            found += [
                Route(at, self._show),
                Route(at, self._begin, methods=["POST"]),
                Route(f"{at}/adapters", self._adapters),
                Route(f"{at}/events", self._events),
                Route(f"{at}/mark", self._mark, methods=["POST"]),
                Route(f"{at}/stop", self._stop, methods=["POST"]),
            ]
        return found

    async def _show(self, request: Request) -> Response:
        return self._page(self._owner(request), typed={"wanted": request.query_params.get("wanted", "")})

    async def _begin(self, request: Request) -> Response:
        owner, form = self._owner(request), await read_form(request)
        interface = form.get("typed", "") or form.get("interface", "")
        try:
            await self._workers.run(recorder.require_interface, interface)
            task = RecordingTask(
                interface=interface,
                bitrate=_number(form.get("bitrate", ""), "bit rate", 10_000_000),
                path=owner.place.path,
                temporary=owner.place.temporary,
                marks=owner.place.marks,
                expectations="" if owner.expectations is None else str(owner.expectations),
                wanted=_number(form.get("wanted", ""), "number of times", _MOST_WANTED),
            )
        except BuslensError as error:
            return self._page(owner, problem=error.problem, typed=form)
        begun = self.recordings.begin(owner.name, task, owner.at)
        await begun.changed(_OPEN_S)
        if begun.state.has_ended:
            self.recordings.forget(owner.name)
            return self._page(owner, problem=begun.state.problem, typed=form)
        return RedirectResponse(begun.at, 303)

    async def _mark(self, request: Request) -> Response:
        owner, form = self._owner(request), await read_form(request)
        running = self.recordings.going(owner.name)
        words = " ".join(form.get("words", "").replace("#", "").split())[:_MOST_MARK] or "mark"
        if running is not None:
            running.order(MARK, words)
            await running.changed(1.0)
        return RedirectResponse(owner.at, 303)

    async def _stop(self, request: Request) -> Response:
        owner = self._owner(request)
        await read_form(request)
        running = self.recordings.of(owner.name)
        if running is None:
            return RedirectResponse(owner.back, 303)
        running.order(STOP)
        last = await running.ended()
        self.recordings.forget(owner.name)
        return self._page(owner, problem=last.problem) if last.problem else RedirectResponse(owner.back, 303)

    async def _adapters(self, _: Request) -> Response:
        """Return the choice of adapters once all drivers have answered, as a part of the page."""
        return self._pages.page("adapters.html", adapters=await self._searched(), chosen="")

    async def _events(self, request: Request) -> Response:
        running = self.recordings.going(self._owner(request).name)
        if running is None:
            raise RefusedError(404, "Nothing is being recorded.")
        return StreamingResponse(running.events(request, self._is_ending), media_type="text/event-stream")

    # --- what they share ------------------------------------------------------------------------------------

    async def _searched(self) -> list[tuple[str, str]]:
        """Return the adapters that are there; several windows share one search."""
        if self._search is None or self._search.done():
            self._search = asyncio.create_task(self._workers.run(recorder.interfaces))
        return await asyncio.shield(self._search)

    def _owner(self, request: Request) -> _Owner:
        if "car" in request.path_params:
            car = self._folder.car_folder(request.path_params["car"])
            if car is None:
                raise RefusedError(404, "There is no such car, or its folder was removed.")
            back = f"/cars/{quote(car.name)}"
            return _Owner(
                name=back,
                at=f"{back}/recording",
                back=f"{back}#files",
                title=f"{car.name}, a healthy car",
                place=car.recording_place(),
                expectations=car.expectations(),
            )
        side = request.path_params["side"]
        job = self._folder.job(request.path_params["job"])
        if job is None or side not in SIDES:
            raise RefusedError(404, "There is no such job, or its folder was removed.")
        back = f"/jobs/{quote(job.name)}"
        return _Owner(
            name=back,
            at=f"{back}/recording/{side}",
            back=f"{back}#{'captures' if side == 'before' else 'proof'}",
            title=f"{job.name}, {'the fault' if side == 'before' else 'after the repair'}",
            place=job.recording_place(side),
            expectations=job.expectations(),
        )

    def _page(self, owner: _Owner, *, problem: str = "", typed: dict[str, str] | None = None) -> Response:
        running = self.recordings.going(owner.name)
        values: dict[str, Any] = {
            "owner": owner,
            "problem": problem,
            "typed": defaultdict(str, typed or {}),
            "cautions": RECORDING_CAUTIONS,
            "can_be_judged": owner.expectations is not None,
        }
        if running is not None:
            return self._pages.page("recording.html", at=running.at, state=running.state, **values)
        return self._pages.page("record_now.html", status=422 if problem else 200, **values)


def _number(text: str, what: str, most: int) -> int | None:
    """Return a whole number above 0; None for no text."""
    if not text:
        return None
    if not (text.isascii() and text.isdecimal() and 0 < int(text) <= most):
        from buslens.errors import UsageError

        raise UsageError(f"'{text}' is no {what}; type a whole number from 1 to {most}")
    return int(text)
