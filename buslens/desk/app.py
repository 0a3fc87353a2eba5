"""The pages of the desk, as one ASGI application."""

import asyncio
import hashlib
import json
from collections import defaultdict
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import datetime
from typing import Any, Final
from urllib.parse import quote

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp

from buslens.desk import work
from buslens.desk.car_pages import CarPages
from buslens.desk.checking import Checking, Standing
from buslens.desk.fleet_pages import FleetPages
from buslens.desk.folder import SIDES, DeskFolder, JobFolder, lines_of, not_saved, steps_taken
from buslens.desk.forms import read_form
from buslens.desk.guard import Access, Guard
from buslens.desk.pages import DeskPages, own_page
from buslens.desk.recording_pages import RecordingPages
from buslens.desk.steps import progress
from buslens.desk.upload import MOST_BYTES, RefusedError, receive_capture, received_answer
from buslens.desk.workers import Workers
from buslens.errors import BuslensError
from buslens.files import os_error_text, write_atomically
from buslens.report.record.job import JobDetails, stated_rate

ENTERED: Final = (
    *("vehicle", "complaint", "registration", "odometer", "customer", "technician", "workshop", "number", "date"),
)
"""What the first step asks for."""
DONE: Final = ("done", "replaced", "confirmed", "remarks")
"""What is asked for after the repair."""
_WAIT_S: Final = 0.06
"""Seconds that a page waits for a worker; after that it shows what was known, and is told when there is more."""
_PATIENCE_S: Final = 5.0
"""Seconds that a page without a script waits."""
_LOOK_S: Final = 0.3
"""Seconds between two looks at the files of a job that is open."""
_QUIET_S: Final = 15.0


class Desk:
    """The pages.

    Parameters
    ----------
    folder : DeskFolder
        Jobs and cars.
    access : Access
        Who may ask.
    end : callable
        Ends the server.
    workers : Workers
        Closed with it.
    most_bytes : int
        Of one capture.
    """

    def __init__(
        self,
        folder: DeskFolder,
        access: Access,
        end: Callable[[], None],
        workers: Workers,
        *,
        most_bytes: int = MOST_BYTES,
    ) -> None:
        self._folder, self._access, self._end, self._most_bytes = folder, access, end, most_bytes
        self._workers = workers
        self._checking = Checking(self._workers)
        self._pages = DeskPages()
        #: The page that was made last, by what it was made from.
        self._shown: dict[str, bytes] = {}
        self._last_record: tuple[tuple[str, str], bytes] = (("", ""), b"")
        self._cars = CarPages(folder, self._workers, self._pages, most_bytes)
        #: Set once the desk is to end, so that what is sent without end ends, too.
        self.is_ending = asyncio.Event()
        self._fleets = FleetPages(folder, self._pages, self.is_ending)
        self._recording = RecordingPages(folder, self._workers, self._pages, self.is_ending)

    def app(self) -> ASGIApp:
        """Return the application."""
        job = "/jobs/{job}"
        routes = [
            Route("/", self._index),
            Route("/enter/{token}", self._enter),
            Route("/static/{name}", self._static),
            Route("/jobs", self._new_job, methods=["POST"]),
            Route(job, self._job),
            Route(f"{job}/details", self._save_details, methods=["POST"]),
            Route(f"{job}/car", self._choose_car, methods=["POST"]),
            Route(f"{job}/captures/{{side}}", self._take_capture, methods=["PUT"]),
            Route(f"{job}/layout", self._lay_out, methods=["POST"]),
            Route(f"{job}/remove", self._remove_capture, methods=["POST"]),
            Route(f"{job}/reading", self._enter_reading, methods=["POST"]),
            Route(f"{job}/undo", self._undo_reading, methods=["POST"]),
            Route(f"{job}/skip", self._skip_reading, methods=["POST"]),
            Route(f"{job}/done", self._save_done, methods=["POST"]),
            Route(f"{job}/history", self._save_history, methods=["POST"]),
            Route(f"{job}/lanes/{{side}}/{{name}}", self._lanes),
            Route(f"{job}/record", self._record),
            Route(f"{job}/record", self._save_record, methods=["POST"]),
            Route(f"{job}/events", self._events),
            *self._cars.routes(),
            *self._recording.routes(),
            *self._fleets.routes(),
            Route("/address", self._address, methods=["POST"]),
            Route("/end", self._end_desk, methods=["POST"]),
        ]
        handlers: dict[Any, Any] = {
            RefusedError: self._refused,
            BuslensError: self._refused,
            OSError: self._refused,
            404: self._not_found,
        }
        inner = Starlette(routes=routes, exception_handlers=handlers, lifespan=self._lifespan)
        return Guard(inner, self._access)

    @asynccontextmanager
    async def _lifespan(self, _: Starlette) -> AsyncIterator[None]:
        self._folder.sweep()
        self._pages.prepare()
        yield
        await self._recording.recordings.close()
        await self._fleets.runs.close()
        self._workers.close()

    # --- the desk -------------------------------------------------------------------------------------------

    async def _enter(self, request: Request) -> Response:
        if self._access.spend(request.path_params["token"]):
            # Not redirected by the server: a cookie of this kind is not sent on when another site led here.
            return self._pages.page("enter.html", headers={"set-cookie": self._access.cookie()})
        if self._access.is_known(request.headers):
            return RedirectResponse("/", 303)
        return self._pages.page("used.html", status=403)

    async def _static(self, request: Request) -> Response:
        found = self._pages.static(request.path_params["name"])
        if found is None:
            return self._missing()
        content, kind = found
        return Response(content, media_type=kind)

    async def _index(self, request: Request) -> Response:
        sought = request.query_params.get("q", "").strip()[:200]
        rows = []
        for job in self._folder.jobs():
            try:
                details, problem = job.details(), ""
            except (BuslensError, OSError) as error:
                details, problem = JobDetails(), str(error)
            text = " ".join((job.name, *(getattr(details, name) for name in ENTERED), *details.done)).lower()
            if all(word in text for word in sought.lower().split()):
                sides = {it.side for it in job.captures()}
                rows.append(
                    {"job": job, "details": details, "problem": problem, "step": steps_taken(job, details, sides)}
                )
        return self._pages.page(
            "index.html",
            rows=rows,
            sought=sought,
            cars=self._folder.cars(),
            folder=self._folder.path,
            blank=JobDetails(),
        )

    async def _new_job(self, request: Request) -> Response:
        form = await read_form(request)
        details = entered(JobDetails(), form)
        if not details.date:
            details = replace(details, date=f"{datetime.now().astimezone():%Y-%m-%d}")
        car = self._folder.car(form.get("car", ""))
        job = self._folder.new_job(details, car)
        return _to(job)

    async def _address(self, _: Request) -> Response:
        return self._pages.page("address.html", address=self._access.address())

    async def _end_desk(self, _: Request) -> Response:
        asyncio.get_running_loop().call_later(0.2, self._end)
        self.is_ending.set()
        return self._pages.page("ended.html")

    # --- one job --------------------------------------------------------------------------------------------

    async def _job(self, request: Request) -> Response:
        job = self._job_of(request)
        if job is None:
            return self._missing()
        self._workers.warm()
        return await self._job_page(job)

    async def _job_page(
        self, job: JobFolder, *, errors: dict[str, str] | None = None, typed: dict[str, str] | None = None
    ) -> Response:
        try:
            details, problem = job.details(), ""
        except (BuslensError, OSError) as error:
            details, problem = JobDetails(), str(error)
        standing = await self._checking.renewed(job, _WAIT_S)
        revision, cars = self._version(job, standing), self._folder.cars()
        asked = f"{job.name}|{revision}|{','.join(car.title for car in cars)}"
        is_plain = not errors and not typed
        if is_plain and asked in self._shown:
            return HTMLResponse(self._shown[asked])
        has_car = job.expectations() is not None
        is_recorded = job.record_file.is_file()
        reading = standing.reading if standing.is_renewing else ""
        known = {(it.side, it.name): it for it in standing.view.captures}
        answer = self._pages.page(
            "job.html",
            status=422 if errors else 200,
            job=job,
            details=details,
            problem=problem or standing.problem or standing.view.problem,
            view=standing.view,
            captures=[(it, known.get((it.side, it.name))) for it in job.captures()],
            reading=reading,
            is_busy=standing.is_renewing,
            revision=revision,
            seen_details=seen(details, ENTERED),
            seen_done=seen(details, DONE),
            progress=progress(details, standing.view, has_car=has_car, is_recorded=is_recorded, reading=reading),
            has_car=has_car,
            cars=cars,
            is_recorded=is_recorded,
            errors=defaultdict(str, errors or {}),
            typed=defaultdict(str, typed or {}),
        )
        if is_plain and not problem:
            # Asked for again and again while a long capture is read.
            self._shown = {asked: bytes(answer.body)}
        return answer

    async def _save_details(self, request: Request) -> Response:
        job, form = self._demanded(request), await read_form(request)
        details = job.details()
        if form.get("seen") != seen(details, ENTERED):
            return await self._job_page(job, errors={"details": _CHANGED}, typed=form)
        job.save_details(entered(details, form))
        return _to(job, "complaint")

    async def _choose_car(self, request: Request) -> Response:
        job, form = self._demanded(request), await read_form(request)
        car = self._folder.car(form.get("car", ""))
        if car is None:
            return await self._job_page(job, errors={"car": "Choose one of the cars."})
        job.choose(car)
        return _to(job, "captures")

    async def _take_capture(self, request: Request) -> Response:
        job, side = self._demanded(request), request.path_params["side"]
        if side not in SIDES:
            raise RefusedError(404, "There is no such part of a job.")
        return received_answer(await receive_capture(request, job, side, self._workers, self._most_bytes))

    async def _remove_capture(self, request: Request) -> Response:
        job, form = self._demanded(request), await read_form(request)
        capture = job.capture(form.get("side", ""), form.get("name", ""))
        if capture is not None:
            job.remove(capture)
        return _to(job, "captures" if form.get("side") == "before" else "proof")

    async def _lay_out(self, request: Request) -> Response:
        job, form = self._demanded(request), await read_form(request)
        side, _, name = form.get("capture", "").partition("/")
        capture = job.capture(side, name)
        if capture is None:
            raise RefusedError(404, "This capture is not there any more.")
        problem = await self._workers.run(work.lay_out, str(job.layout_file(capture.name)), json.dumps(form))
        if problem:
            return await self._job_page(job, errors={f"layout {side}/{name}": problem}, typed=form)
        return _to(job, "captures" if capture.side == "before" else "proof")

    async def _enter_reading(self, request: Request) -> Response:
        job, form = self._demanded(request), await read_form(request)
        name, text = form.get("measurement", ""), form.get("result", "") or form.get("reading", "")
        unit = form.get("unit", "")
        if form.get("reading") and not form.get("result"):
            text = text.replace(",", ".")
            if unit and not any(char.isalpha() for char in text):
                text = f"{text} {unit}"
        problem = await self._checking.change(job, work.enter, name, text) if text else "Type what the meter shows."
        if problem:
            told = problem.removeprefix(f"{name}={text}: ")
            return await self._job_page(job, errors={f"reading {name}": told}, typed=form)
        return await self._after(request, job)

    async def _undo_reading(self, request: Request) -> Response:
        job, form = self._demanded(request), await read_form(request)
        problem = await self._checking.change(job, work.undo, form.get("measurement", ""))
        return await self._after(request, job, problem)

    async def _skip_reading(self, request: Request) -> Response:
        job, form = self._demanded(request), await read_form(request)
        problem = await self._checking.change(job, work.skip, form.get("measurement", ""))
        return await self._after(request, job, problem)

    async def _after(self, request: Request, job: JobFolder, problem: str = "") -> Response:
        """Show what a reading changes; a page without a script is not told of it later, and so waits for it."""
        if problem:
            return await self._job_page(job, errors={"measure": problem})
        if request.headers.get("sec-fetch-mode") == "navigate":
            await self._checking.renewed(job, _PATIENCE_S)
        return _to(job, "measure")

    async def _save_done(self, request: Request) -> Response:
        job, form = self._demanded(request), await read_form(request)
        before = job.details()
        if form.get("seen") != seen(before, DONE):
            return await self._job_page(job, errors={"done": _CHANGED}, typed=form)
        details = replace(
            before,
            done=lines_of(form.get("done", "")),
            replaced=lines_of(form.get("replaced", "")),
            confirmed=form.get("confirmed", ""),
            remarks=form.get("remarks", ""),
        )
        job.save_details(details)
        return _to(job, "done")

    async def _save_history(self, request: Request) -> Response:
        job, form = self._demanded(request), await read_form(request)
        details = replace(job.details(), failed=form.get("failed", ""))
        try:
            stated_rate(details)
        except BuslensError as error:
            return await self._job_page(job, errors={"history": error.problem}, typed=form)
        job.save_details(details)
        return _to(job, "proof")

    # --- pages of a job -------------------------------------------------------------------------------------

    async def _lanes(self, request: Request) -> Response:
        job = self._demanded(request)
        capture = job.capture(request.path_params["side"], request.path_params["name"])
        if capture is None or job.expectations() is None:
            return self._missing()
        text = await self._checking.ask(job, work.capture_page, capture.side, capture.name)
        return own_page(text)

    async def _record(self, request: Request) -> Response:
        return own_page((await self._record_of(self._demanded(request))).decode("utf-8"))

    async def _save_record(self, request: Request) -> Response:
        job = self._demanded(request)
        await read_form(request)
        write_atomically(job.record_file, await self._record_of(job))
        return _to(job, "record")

    async def _record_of(self, job: JobFolder) -> bytes:
        """Return the record as it stands; the one that was looked at last is at hand to be printed and saved."""
        key = job.name, job.key()
        if self._last_record[0] != key:
            self._last_record = key, await self._checking.ask(job, work.record_page)
        return self._last_record[1]

    async def _events(self, request: Request) -> Response:
        job = self._demanded(request)
        return StreamingResponse(self._told(request, job), media_type="text/event-stream")

    async def _told(self, request: Request, job: JobFolder) -> AsyncIterator[str]:
        """Yield an event whenever something of a job has changed."""
        standing = self._checking.standing(job)
        standing.windows += 1
        last, quiet_s = "", 0.0
        try:
            while not self.is_ending.is_set() and not await request.is_disconnected():
                if self._folder.job(job.name) is None:
                    break
                await self._checking.renewed(job, 0.0)
                seconds = int(asyncio.get_running_loop().time() - standing.since) if standing.reading else 0
                version = self._version(job, standing)
                state = f"{version} {standing.windows} {seconds}"
                if state != last:
                    last, quiet_s = state, 0.0
                    words = {
                        "version": version,
                        "windows": standing.windows,
                        "reading": standing.reading,
                        "seconds": seconds,
                    }
                    yield f"data: {json.dumps(words)}\n\n"
                elif quiet_s >= _QUIET_S:
                    quiet_s = 0.0
                    yield ": still here\n\n"
                if not await self._pause(standing):
                    quiet_s += _LOOK_S
            if self.is_ending.is_set():
                yield "event: end\ndata: {}\n\n"
        finally:
            standing.windows -= 1

    async def _pause(self, standing: Standing) -> bool:
        """Wait a little; return whether something came sooner: an end, or what a worker has made."""
        ending = asyncio.ensure_future(self.is_ending.wait())
        awaited: set[asyncio.Future[Any]] = {ending}
        if standing.renewal is not None and standing.is_renewing:
            awaited.add(standing.renewal)
        done, _ = await asyncio.wait(awaited, timeout=_LOOK_S, return_when=asyncio.FIRST_COMPLETED)
        ending.cancel()
        return bool(done)

    # --- what they share ------------------------------------------------------------------------------------

    def _job_of(self, request: Request) -> JobFolder | None:
        return self._folder.job(request.path_params["job"])

    def _demanded(self, request: Request) -> JobFolder:
        job = self._job_of(request)
        if job is None:
            raise RefusedError(404, "There is no such job, or its folder was removed.")
        return job

    def _version(self, job: JobFolder, standing: Standing) -> str:
        busy = standing.reading if standing.is_renewing else ""
        return hashlib.sha256(f"{job.key()}|{standing.key}|{busy}|{standing.problem}".encode()).hexdigest()[:16]

    async def _refused(self, request: Request, error: Exception) -> Response:
        is_form = request.method in {"POST", "PUT"}
        match error:
            case RefusedError():
                status, problem = error.status, error.problem
            case OSError():
                status, problem = 500, not_saved(error) if is_form else os_error_text(error)
            case _:
                status, problem = 422, str(error)
        if request.headers.get("sec-fetch-mode") == "navigate":
            return self._missing(problem, status)
        return PlainTextResponse(problem, status)

    async def _not_found(self, _: Request, __: Exception) -> Response:
        return self._missing()

    def _missing(self, problem: str = "", status: int = 404) -> Response:
        return self._pages.page("missing.html", status=status, problem=problem)


_CHANGED: Final = (
    "This was changed in another window while you typed. What you typed still stands here; save once more to keep it "
    "in place of the other."
)


def _to(job: JobFolder, part: str = "") -> Response:
    return RedirectResponse(f"/jobs/{quote(job.name)}{f'#{part}' if part else ''}", 303)


def entered(details: JobDetails, form: Mapping[str, str]) -> JobDetails:
    """Return the entries of a job with those of the first step as they stand in a form."""
    given: dict[str, Any] = {name: form[name] for name in ENTERED if name in form}
    return replace(details, **given)


def seen(details: JobDetails, names: Sequence[str]) -> str:
    """Return text that is another one once one of these entries has changed."""
    values = [getattr(details, name) for name in names]
    return hashlib.sha256(repr(values).encode("utf-8", "replace")).hexdigest()[:16]
