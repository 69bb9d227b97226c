"""Runs the application on its doors: one event loop in a thread of its own, a server for each socket."""

from __future__ import annotations

import logging
import socket
import threading
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from kojimon import logs
from kojimon.clock import real_s

if TYPE_CHECKING:
    import asyncio

    import uvicorn

GRACE_S = 1
CONNECTIONS = 64
THREADS = 4
"""Requests worked on at the same time; each may hold a slice of a curve in memory."""
BEAT_S = 1.0
_LOG = logs.get("web")


class ApiServer:
    """Serves an application until stopped.

    Args:
        make_app: builds the application; called in the server's thread, so that its libraries load there.
        doors: listening sockets, closed at the end.
    """

    name = "api"

    def __init__(self, make_app: Callable[[], Any], doors: Sequence[socket.socket]) -> None:
        self._make_app, self._doors = make_app, list(doors)
        self._servers: list[uvicorn.Server] = []
        self._serving: set[asyncio.Task[None]] = set()
        self._loop: asyncio.AbstractEventLoop | None = None
        self._app: Any = None
        self._lock = threading.Lock()
        self._stopping = threading.Event()
        self._beat_s = real_s()
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

    def alive(self) -> bool:
        """Whether the thread runs and its loop turns."""
        return self._thread.is_alive() and real_s() - self._beat_s < 30 * BEAT_S

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
        logging.getLogger("uvicorn.error").setLevel(logging.WARNING)
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

        if self._stopping.is_set():
            return
        config = uvicorn.Config(
            self._app, log_config=None, access_log=False, lifespan="off", ws="none", loop="asyncio", http="h11",
            timeout_graceful_shutdown=GRACE_S, limit_concurrency=CONNECTIONS, server_header=False,
            proxy_headers=False,
        )  # fmt: skip
        server = uvicorn.Server(config)
        self._servers.append(server)
        self._serving.add(asyncio.create_task(server.serve(sockets=[door])))

    async def _beat(self) -> None:
        import asyncio

        while True:
            self._beat_s = real_s()
            if self._servers and all(server.started for server in self._servers):
                self.ready.set()
            await asyncio.sleep(BEAT_S if self.ready.is_set() else 0.01)
