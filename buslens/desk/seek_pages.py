"""Forms for a car without definitions: marks on the time line, a choice among what follows them, definitions."""

from collections.abc import Callable
from dataclasses import replace
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response
from starlette.routing import Route

from buslens.desk import seek_work
from buslens.desk.folder import CarFolder
from buslens.desk.forms import read_form
from buslens.desk.seek_state import SeekState, load_state, save_marks, save_state
from buslens.desk.seek_work import SeekView
from buslens.desk.workers import Workers
from buslens.errors import BuslensError

_MOST_MARKS = 400


class SeekPages:
    """The forms.

    Parameters
    ----------
    workers : Workers
    demanded : callable
        Returns the car of a request.
    page : callable
        Shows the page of a car, with a problem.
    """

    def __init__(
        self, workers: Workers, demanded: Callable[[Request], CarFolder], page: Callable[[CarFolder, str], Response]
    ) -> None:
        self._workers, self._demanded, self._page = workers, demanded, page
        #: Name of a car -> what it was found from, and what was found.
        self._found: dict[str, tuple[SeekState, SeekView]] = {}

    def routes(self) -> list[Route]:
        """Return where they are."""
        at = "/cars/{car}/seek"
        return [
            Route(f"{at}/capture", self._choose_capture, methods=["POST"]),
            Route(f"{at}/mark", self._mark, methods=["POST"]),
            Route(f"{at}/unmark", self._unmark, methods=["POST"]),
            Route(f"{at}/choose", self._choose, methods=["POST"]),
            Route(f"{at}/write", self._write, methods=["POST"]),
        ]

    def view(self, car: CarFolder) -> tuple[SeekState, SeekView | None]:
        """Return what was marked, and what was found from that; None while that has not been looked for."""
        state = load_state(car.path)
        known = self._found.get(car.name)
        return state, known[1] if known is not None and known[0] == state else None

    async def _choose_capture(self, request: Request) -> Response:
        car, form = self._demanded(request), await read_form(request)
        state = replace(load_state(car.path), capture=form.get("capture", ""))
        if any(it.name == state.capture for it in car.files()):
            save_state(car.path, state)
        return await self.looked(car)

    async def _mark(self, request: Request) -> Response:
        from buslens.discovery.marks import parse_mark

        car, form = self._demanded(request), await read_form(request)
        state = load_state(car.path)
        words = form.get("other", "").strip() or form.get("words", "")
        line = f"{form.get('time', '').replace(',', '.')} {words.replace('#', '')}"
        try:
            mark = parse_mark(line)
        except BuslensError as error:
            return self._page(car, error.problem.removeprefix(f"--mark '{line}': "))
        lines = {*state.marks, f"{mark.time_ns / 1e9:.2f} {mark.words}"}
        if len(lines) <= _MOST_MARKS:
            save_marks(car.path, replace(state, marks=tuple(sorted(lines, key=_time_of))))
        return await self.looked(car)

    async def _unmark(self, request: Request) -> Response:
        car, form = self._demanded(request), await read_form(request)
        state = load_state(car.path)
        save_marks(car.path, replace(state, marks=tuple(it for it in state.marks if it != form.get("mark"))))
        return await self.looked(car)

    async def _choose(self, request: Request) -> Response:
        """Take a signal for an action, or take it back."""
        car, form = self._demanded(request), await read_form(request)
        state, shown = self.view(car)
        for action in () if shown is None else shown.actions:
            if action.words[0] == form.get("thing"):
                taken = {it.place: it.is_taken for it in action.signals}
                if form.get("place") in taken:
                    taken[form["place"]] = not taken[form["place"]]
                places = [it for it, is_taken in taken.items() if is_taken]
                chosen = {**state.chosen, **{words.casefold(): places for words in action.words}}
                save_state(car.path, replace(state, chosen=chosen))
        return await self.looked(car)

    async def _write(self, request: Request) -> Response:
        car = self._demanded(request)
        await read_form(request)
        problem = await self._workers.run(seek_work.write_found, str(car.path))
        return self._page(car, problem) if problem else _to(car, "files")

    async def looked(self, car: CarFolder) -> Response:
        """Look for the signals, and show what was found."""
        state = load_state(car.path)
        if state.capture:
            self._found[car.name] = state, await self._workers.run(seek_work.seek_signals, str(car.path))
        return _to(car, "find")


def _time_of(line: str) -> float:
    try:
        return float(line.split(maxsplit=1)[0])
    except ValueError:
        return 0.0


def _to(car: CarFolder, part: str) -> Response:
    return RedirectResponse(f"/cars/{quote(car.name)}#{part}", 303)
