"""Runs the application on its doors: one event loop in a thread of its own, a server for each socket."""

from __future__ import annotations

import errno
import logging
import os
import socket
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from typing import TYPE_CHECKING, Any

from kojimon import logs

if TYPE_CHECKING:
    import asyncio

    import uvicorn

    from kojimon.contract.health import DoorHealth
from kojimon.web.http.gate import Gate

GRACE_S = 1
BACKLOG = 128
"""Connections taken at a stroke: until they are counted they cost a descriptor each."""
NONE_LEFT = (errno.EMFILE, errno.ENFILE)
THREADS = 4
"""Requests worked on at the same time; each may hold a slice of a curve in memory."""
BEAT_S = 1.0
_LOG = logs.get("web")


class ApiServer:
    """Serves an application until stopped.

    Args:
        make_app: builds the application; called in the server's thread, so that its libraries load there.
        doors: listening sockets, closed at the end.
        health: takes a change of `descriptors`: whether this process can open anything more.
    """

    name = "api"

    def __init__(
        self, make_app: Callable[[], Any], doors: Sequence[socket.socket],
        health: Callable[[str, bool, str], None] = lambda *_: None,
    ) -> None:  # fmt: skip
        self._make_app, self._doors, self._health = make_app, list(doors), health
        self._gates: dict[str, Gate] = {}
        self._short = False
        self._servers: list[uvicorn.Server] = []
        self._serving: set[asyncio.Task[None]] = set()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._app: Any = None
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self.ready = threading.Event()
        self._thread = threading.Thread(target=self._run, name="api", daemon=True)

    def start(self) -> None:
        """Starts the thread; requests made before it is ready wait in the socket."""
        self._thread.start()

    def add(self, door: socket.socket) -> None:
        """Serves one door more; from any thread."""
        with self._lock:
            self._doors.append(door)
            if self._loop is not None:
                self._loop.call_soon_threadsafe(self._open, door)

    def stop(self, timeout_s: float = 2.0) -> bool:
        """Lets running requests end for a second, then closes every connection. Whether it ended in time."""
        self._stopping.set()
        for server in self._servers:
            server.should_exit = True
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        import asyncio  # 30 ms to load, in this thread instead of before the first reading

        try:
            asyncio.run(self._serve())
        except Exception:
            _LOG.exception("the API ended")
        finally:
            for door in self._doors:
                door.close()

    async def _serve(self) -> None:
        import asyncio

        import anyio.to_thread

        anyio.to_thread.current_default_thread_limiter().total_tokens = THREADS
        # What strangers send wrong is answered and not logged: they would decide how much is written.
        logging.getLogger("uvicorn.error").setLevel(logging.ERROR)
        asyncio.get_running_loop().set_exception_handler(self._failed)
        self._app = self._make_app()
        if self._stopping.is_set():
            return
        with self._lock:
            self._loop = asyncio.get_running_loop()
            for door in self._doors:
                self._open(door)
        beat = asyncio.create_task(self._beat())
        try:
            while self._serving:
                ended, self._serving = await asyncio.wait(self._serving, return_when=asyncio.FIRST_COMPLETED)
                for task in ended:
                    task.result()
        finally:
            beat.cancel()

    def _open(self, door: socket.socket) -> None:
        """Begins to serve a door; in the loop."""
        import asyncio

        import uvicorn

        from kojimon.web.http.gate import MOST, Gate, Guarded

        if self._stopping.is_set():
            return
        local = door.family == socket.AF_UNIX
        gate = self._gates.setdefault("local" if local else "page", Gate(each=MOST) if local else Gate())
        http: Any = partial(Guarded, gate)
        config = uvicorn.Config(
            self._app, log_config=None, access_log=False, lifespan="off", ws="none", loop="asyncio", http=http,
            timeout_graceful_shutdown=GRACE_S, backlog=BACKLOG, server_header=False, proxy_headers=False,
        )  # fmt: skip
        server = uvicorn.Server(config)
        self._servers.append(server)
        self._serving.add(asyncio.create_task(server.serve(sockets=[door])))

    async def _beat(self) -> None:
        import asyncio

        while True:
            self._look()
            if self._servers and all(server.started for server in self._servers):
                self.ready.set()
            await asyncio.sleep(BEAT_S if self.ready.is_set() else 0.01)

    def facts(self) -> dict[str, DoorHealth]:
        """Connections of each door, for status."""
        return {name: gate.facts() for name, gate in self._gates.items()}

    def _look(self) -> None:
        """Tells once when nothing more can be opened, and once when it can again."""
        try:
            os.close(os.open(os.devnull, os.O_RDONLY | os.O_CLOEXEC))
        except OSError as error:
            if error.errno in NONE_LEFT:
                self._tell(True)
            return
        self._tell(False)

    def _tell(self, short: bool) -> None:
        if short == self._short:
            return
        self._short = short
        text = "files and connections can be opened again"
        if short:
            text = "nothing more can be opened: too many files and connections are open already; restart kojimon"
            _LOG.error("%s: %s", self.name, text)
        with suppress(Exception):
            self._health("descriptors", not short, text)

    def _failed(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """What went wrong outside of any request; a connection that could not be taken is told once, not each time."""
        error = context.get("exception")
        if isinstance(error, OSError) and error.errno in NONE_LEFT:
            self._tell(True)
        else:
            loop.default_exception_handler(context)
