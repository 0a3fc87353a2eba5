"""A page for each faulty capture, made by the same workers that check.

A page bears the hash of what it was made from in its name, so that one that is there need not be made again.
"""

import hashlib
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, cast

from buslens.checks.findings import Verdict
from buslens.errors import BuslensError
from buslens.files import os_error_text, write_atomically
from buslens.fleet.check_job import defect_text, load
from buslens.fleet.ledger import Ledger
from buslens.fleet.ledger_file import as_text
from buslens.fleet.model import Group
from buslens.fleet.page.recheck import check_again
from buslens.fleet.query_scope import CURRENT_CAPTURES, corruption_guard
from buslens.fleet.result_folder import PAGES_FOLDER
from buslens.fleet.worker_pool import Failure, WorkerPool
from buslens.report.page.page import page

_LONGEST_NAME: Final = 80


@dataclass(frozen=True, slots=True, kw_only=True)
class PageTask:
    """A page that is to be made."""

    address: str
    group: Group
    #: In the folder of the pages.
    name: str


@dataclass(slots=True, kw_only=True)
class Pages:
    """What came of making pages."""

    #: Address of a capture to the path of its page, seen from the folder of the results.
    paths: dict[str, str]
    made: int = 0
    #: One sentence for each page that could not be made.
    problems: list[str]


def write_pages(
    ledger: Ledger,
    pool: WorkerPool,
    groups: Mapping[str, Group],
    folder: Path,
    *,
    on_page: Callable[[int, int], object] = lambda _done, _total: None,
) -> Pages:
    """Write the pages of all faulty captures that have none yet.

    Parameters
    ----------
    folder : Path
        Of the results; the pages lie in a folder in it.

    Raises
    ------
    OSError
        If the folder does not take a page.
    """
    target = folder / PAGES_FOLDER
    target.mkdir(exist_ok=True)
    pages = Pages(paths=pages_there(ledger, folder), problems=[])
    tasks = [
        PageTask(address=address, group=groups[group_name], name=name)
        for address, group_name, name in _faulty(ledger)
        if address not in pages.paths and group_name in groups
    ]
    for done, (task, outcome) in enumerate(pool.each(make_page, iter(tasks)), start=1):
        if isinstance(outcome, Failure | str):
            reason = outcome if isinstance(outcome, str) else outcome.reason
            pages.problems.append(f"no page of {task.address}: {reason}")
        else:
            write_atomically(target / task.name, outcome)
            pages.made += 1
            pages.paths[task.address] = f"{PAGES_FOLDER}/{task.name}"
        on_page(done, len(tasks))
    return pages


def pages_there(ledger: Ledger, folder: Path) -> dict[str, str]:
    """Return the pages that earlier runs have made of faulty captures, as in `Pages.paths`."""
    target = folder / PAGES_FOLDER
    if not target.is_dir():
        return {}
    there = {path.name for path in target.iterdir()}
    return {address: f"{PAGES_FOLDER}/{name}" for address, _, name in _faulty(ledger) if name in there}


def make_page(task: PageTask) -> bytes | str:
    """Return the page of a capture, or why there is none."""
    try:
        ready, _ = load(task.group)
        return page(check_again(task.address, task.group, ready, workers=1)).encode()
    except BuslensError as exc:
        return str(exc)
    except OSError as exc:
        return os_error_text(exc)
    except MemoryError:
        raise
    except Exception as exc:  # a defect of ours: what was checked must still be told
        return defect_text(exc)


def page_name(address: str, made_of: str) -> str:
    """Return the name of a page: readable, of one kind of letters on every system, and no other's."""
    plain = re.sub(r"[^A-Za-z0-9]+", "-", "-".join(re.split(r"[/\\]", address.partition("::")[0])[-2:])).strip("-")
    digest = hashlib.sha256(f"{address}\0{made_of}".encode("utf-8", "surrogateescape")).hexdigest()[:12]
    return f"{plain[-_LONGEST_NAME:].strip('-')}-{digest}.html"


def _faulty(ledger: Ledger) -> Iterator[tuple[str, str, str]]:
    """Yield address, group and name of the page of every faulty capture."""
    query = (
        "SELECT address, capture.grouping, judgement.content, judgement.ground "  # noqa: S608  # text of ours
        f"FROM {CURRENT_CAPTURES} WHERE copy = 0 AND verdict = ? ORDER BY address"
    )
    with corruption_guard(ledger):
        for row in ledger.rows(query, (Verdict.FAULTY.value,)):
            stored, group, content, ground = cast("tuple[str | bytes, str | bytes, object, object]", row)
            address = as_text(stored)
            yield address, as_text(group), page_name(address, f"{content!r} {ground!r}")
