"""The program: a socket on the loopback address, the address for the browser, and an orderly end."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import socket
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Final

from buslens.desk.folder import DeskFolder
from buslens.errors import UsageError
from buslens.files import os_error_text, write_atomically

if TYPE_CHECKING:
    import uvicorn

_RUNNING: Final = ".desk.json"
"""Says on which port the desk of a folder answers, for a second start of it."""
_LOCK: Final = ".desk.lock"
_LAST_REQUESTS_S: Final = 3
_LAST_PORT: Final = 65535


def serve(folder: Path, *, port: int, say: Callable[[str], None], show: Callable[[str], object] | None) -> None:
    """Serve a folder of jobs until somebody ends it.

    Parameters
    ----------
    folder : Path
        It is made if it is not there.
    port : int
        0 for any that is free.
    say : callable
        Prints a line.
    show : callable or None
        Opens an address in a browser; None to leave that to the person.

    Raises
    ------
    UsageError
        If the port is taken.
    OSError
        If the folder cannot be used.
    """
    from buslens.desk.workers import Workers
    from buslens.fleet.ledger_lock import WriterLock

    desk_folder = DeskFolder(folder)
    try:
        lock = WriterLock(desk_folder.path / _LOCK, desk_folder.path, "another desk is open on this folder")
    except UsageError as error:
        running = _running(desk_folder.path)
        if running is None:
            raise
        say(f"{error}\nIts page: http://127.0.0.1:{running}/")
        if show is not None:
            show(f"http://127.0.0.1:{running}/")
        return
    workers = Workers()
    listening: socket.socket | None = None
    try:
        listening = _listen(port)
        # The first worker loads what it needs while this process loads the server.
        workers.warm()
        import uvicorn

        from buslens.desk.app import Desk
        from buslens.desk.guard import Access

        taken: int = listening.getsockname()[1]
        access = Access(taken)
        server: uvicorn.Server

        def end() -> None:
            server.should_exit = True

        desk = Desk(desk_folder, access, end, workers)
        config = uvicorn.Config(
            desk.app(),
            http="h11",
            ws="none",
            lifespan="on",
            log_config=None,
            access_log=False,
            server_header=False,
            date_header=False,
            proxy_headers=False,
            timeout_graceful_shutdown=_LAST_REQUESTS_S,
        )
        server = _server(config, desk.is_ending.set)
        write_atomically(desk_folder.path / _RUNNING, json.dumps({"port": taken, "process": os.getpid()}).encode())
        address = access.address()
        say(f"Jobs: {desk_folder.path}\nOpen: {address}\nThe address works once. Ctrl-C ends the desk.")
        if show is not None:
            show(address)
        server.run(sockets=[listening])
    finally:
        if listening is not None:
            listening.close()
        workers.close()
        with contextlib.suppress(OSError):
            (desk_folder.path / _RUNNING).unlink()
        lock.release()
        say("The desk has ended. Everything that was saved is in its folder.")


def _server(config: uvicorn.Config, before_end: Callable[[], None]) -> uvicorn.Server:
    import uvicorn

    class Server(uvicorn.Server):
        """Ends what is sent without end before it waits for the last answers."""

        async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
            before_end()
            await super().shutdown(sockets)

    return Server(config)


def _listen(port: int) -> socket.socket:
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        if port > _LAST_PORT:
            raise UsageError(f"--port {port}: ports end at {_LAST_PORT}; leave --port out to use one that is free")
        if os.name != "nt":  # there it lets two programs share a port
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind(("127.0.0.1", port))
        listening.listen(64)
    except OSError as error:
        listening.close()
        if error.errno in {errno.EADDRINUSE, errno.EACCES}:
            why = "another program uses it" if error.errno == errno.EADDRINUSE else os_error_text(error)
            raise UsageError(f"--port {port}: {why}; leave --port out to use one that is free") from None
        raise
    return listening


def _running(folder: Path) -> int | None:
    """Return the port of the desk that is open on a folder."""
    try:
        return int(json.loads((folder / _RUNNING).read_bytes())["port"])
    except (OSError, ValueError, KeyError, TypeError):
        return None
