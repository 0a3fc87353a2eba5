"""What a worker does: reads a capture, works out what a job shows, writes its pages.

Each function takes and returns plain values or bytes, and works in the folder of the job, where every file is called
as a command run there would call it.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import os
import pickle
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeVar

from buslens.causes.model import Causes
from buslens.checks.findings import Result
from buslens.desk.task import Checked, DeskTask
from buslens.desk.view import JobView
from buslens.errors import BuslensError, UsageError
from buslens.expectations.model import Expectations
from buslens.files import os_error_text

if TYPE_CHECKING:
    from buslens.causes.session import Session

_MOST_KEPT: Final = 64
_MOST_KEPT_BYTES: Final = 24_000_000
"""Of results that a worker holds unpacked; the one that it needs next is held whatever its size."""


def prepare() -> None:
    """Load what every task needs, so that the first one does not wait; end with the desk, however that ends."""
    import multiprocessing
    import signal
    import threading

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # where it could not be started deaf
    parent = multiprocessing.parent_process()

    def watch() -> None:
        if parent is not None:
            parent.join()
            os._exit(0)

    threading.Thread(target=watch, daemon=True, name="parent").start()
    import buslens.causes.diagnosis
    import buslens.checks.check
    import buslens.desk.summary
    import buslens.report.page.page  # noqa: F401 - loaded for later
    from buslens.defaults import EXPECTATIONS_NAME, demonstration_folder

    # The grammars of both files are built when the first one is read; and a copy of these is what most jobs begin with.
    with suppress(BuslensError, OSError):
        folder = demonstration_folder()
        os.chdir(folder.parent)
        _causes(DeskTask(folder="", expectations=f"{folder.name}/{EXPECTATIONS_NAME}", setup="demonstration"))


def is_ready() -> bool:
    """Return that the worker is there."""
    return True


def expect(capture: str) -> None:
    """Load what reading a long log takes, while the log is still on its way."""
    from buslens.capture.open import open_capture
    from buslens.kernels import compiled

    with suppress(BuslensError, OSError):
        opened = open_capture(capture)
        if opened.format is not None:
            compiled(opened.format.compiled_kernel)


def check_capture(task: DeskTask, side: str, name: str, key: str) -> Checked:
    """Read one capture and check it."""
    from buslens.checks.check import check
    from buslens.desk.layouts import layout_of

    os.chdir(task.folder)
    try:
        result = check(Path(side) / name, expectations=_expectations(task), table=layout_of(task, f"{side}/{name}"))
    except BuslensError as error:
        return Checked(side=side, name=name, key=key, problem=str(error))
    except OSError as error:
        return Checked(side=side, name=name, key=key, problem=os_error_text(error))
    except MemoryError:
        return Checked(side=side, name=name, key=key, problem="there is not enough memory for this capture")
    packed = BytesIO()
    # The changes of a long capture are much alike: a tenth of the bytes to hand on and to keep.
    with gzip.GzipFile(fileobj=packed, mode="wb", compresslevel=1) as file:
        pickle.dump(result, file)
        _hold((task.folder, key), result, file.tell())
    return Checked(side=side, name=name, key=key, packed=packed.getvalue())


def summarise(task: DeskTask) -> JobView:
    """Return what a job shows."""
    from buslens.desk.summary import summary

    os.chdir(task.folder)
    try:
        causes, problem = _causes(task), ""
    except BuslensError as error:
        # What is wrong with a capture shows also where nothing explains it.
        causes, problem = None, str(error)
    view = summary(task, _of_side(task, "before"), _of_side(task, "after"), causes)
    return replace(view, problem=view.problem or problem)


def capture_page(task: DeskTask, side: str, name: str) -> str:
    """Return the page of one capture."""
    from buslens.report.dialogue_lane import with_dialogue
    from buslens.report.page.page import page

    os.chdir(task.folder)
    result = next(unpack(task, it) for it in task.checked if (it.side, it.name) == (side, name))
    causes = _causes(task)
    if causes is None:
        return page(with_dialogue(result))
    from buslens.causes.diagnosis import diagnose

    return page(with_dialogue(result), diagnose([result], causes))


def record_page(task: DeskTask) -> bytes:
    """Return the record of a job as it stands.

    Raises BuslensError or OSError if there is nothing to write one of, or a file has changed meanwhile.
    """
    from buslens.desk.summary import record_of

    os.chdir(task.folder)
    return record_of(_of_side(task, "before"), _of_side(task, "after"), _causes(task))


def unpack(task: DeskTask, checked: Checked) -> Result:
    """Return the result of a capture."""
    held = _results.get((task.folder, checked.key))
    if held is None:
        if checked.packed is None:
            raise UsageError(checked.problem)
        # Packed by another worker of this desk, never read from a file.
        with gzip.GzipFile(fileobj=BytesIO(checked.packed)) as file:
            held = pickle.load(file), file.tell()  # noqa: S301
        _hold((task.folder, checked.key), *held)
    else:
        _results.move_to_end((task.folder, checked.key))
    return held[0]


_K = TypeVar("_K")
_V = TypeVar("_V")
_results: OrderedDict[tuple[str, str], tuple[Result, int]] = OrderedDict()
_setups: OrderedDict[str, str] = OrderedDict()
_loaded: OrderedDict[str, Expectations] = OrderedDict()
_explained: OrderedDict[str, Causes | None] = OrderedDict()


def _remember(kept: OrderedDict[_K, _V], key: _K, value: _V) -> None:
    kept[key] = value
    kept.move_to_end(key)
    while len(kept) > _MOST_KEPT:
        kept.popitem(last=False)


def _hold(key: tuple[str, str], result: Result, size: int) -> None:
    """Hold a result for the next question, and let go of those that were asked for longest ago."""
    _remember(_results, key, (result, size))
    while len(_results) > 1 and sum(size for _, size in _results.values()) > _MOST_KEPT_BYTES:
        _results.popitem(last=False)


def _of_side(task: DeskTask, side: str) -> list[Result]:
    return [unpack(task, it) for it in task.checked if it.side == side and it.packed is not None]


def _setup(task: DeskTask) -> str:
    """Return what stands for a car's files, by name and content: each job has a copy, and few cars are many jobs."""
    if task.setup not in _setups:
        digest = hashlib.sha256(task.expectations.encode())
        for file in sorted(Path(task.expectations).parent.iterdir()):
            if file.suffix in {".toml", ".dbc"} and file.is_file():
                digest.update(f"{file.name}\n{file.stat().st_size}\n".encode())
                digest.update(file.read_bytes())
        _remember(_setups, task.setup, digest.hexdigest())
    return _setups[task.setup]


def _expectations(task: DeskTask) -> Expectations:
    from buslens.expectations.load import load_expectations

    setup = _setup(task)
    if setup not in _loaded:
        _remember(_loaded, setup, load_expectations(task.expectations))
    return _loaded[setup]


def _causes(task: DeskTask) -> Causes | None:
    """Return the causes file that lies beside the expectations; None if there is none."""
    from buslens.causes.load import find_causes, load_causes

    setup = _setup(task)
    if setup not in _explained:
        path = Path(find_causes(task.expectations))
        _remember(_explained, setup, load_causes(path, _expectations(task)) if path.is_file() else None)
    return _explained[setup]


def lay_out(file: str, form: str) -> str:
    """Keep in a file what a person says about how tables are to be read; return why it cannot be so, or nothing."""
    from buslens.desk.folder import not_saved
    from buslens.desk.layouts import save_layout

    try:
        save_layout(Path(file), json.loads(form))
    except UsageError as error:
        return error.problem
    except OSError as error:
        return not_saved(error)
    return ""


def enter(task: DeskTask, measurement: str, text: str) -> str:
    """Keep a reading in the job's session; return why it cannot be one, or nothing."""
    from buslens.causes.readings import read_reading

    return _change(task, lambda session, causes: session.with_reading(read_reading(f"{measurement}={text}", causes)))


def undo(task: DeskTask, measurement: str) -> str:
    """Take a reading, or the note that it cannot be made, out of the session; return why that cannot be, or nothing."""
    return _change(task, lambda session, _: session.without(measurement))


def skip(task: DeskTask, measurement: str) -> str:
    """Note that a measurement cannot be made at this car; return why that cannot be, or nothing."""

    def skipped(session: Session, causes: Causes) -> Session:
        if measurement not in causes.measurements:
            raise UsageError(f"no measurement is called '{measurement}'")
        return session.with_skipped(measurement)

    return _change(task, skipped)


def _change(task: DeskTask, change: Callable[[Session, Causes], Session]) -> str:
    from buslens.causes.session import load_session, save_session
    from buslens.desk.folder import SESSION_FILE, not_saved

    os.chdir(task.folder)
    try:
        causes = _causes(task)
        if causes is None:
            raise UsageError("this car has no causes file, so nothing says what a reading means")
        session = change(load_session(SESSION_FILE), causes)
        captures = [f"{it.side}/{it.name}" for it in task.checked if it.side == "before"]
        save_session(SESSION_FILE, captures, session.readings(causes), session.skipped)
    except BuslensError as error:
        return str(error)
    except OSError as error:
        return not_saved(error)
    return ""
