"""A real HTTP receiver on a loopback port: records what comes, answers as told, may be taken away and brought back."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, NamedTuple

from kojimon.clock import real_s
from tests.parts.broker import free_port


class Got(NamedTuple):
    at_s: float
    path: str
    headers: dict[str, str]
    body: dict[str, Any]

    @property
    def title(self) -> str:
        return str(self.body.get("title", ""))

    @property
    def id(self) -> str:
        return self.headers.get("X-Kojimon-Id", "")


class Receiver:
    """Args: status: what it answers; hang: whether it takes the request and never answers (until stopped)."""

    def __init__(self) -> None:
        self.port = free_port()
        self.status, self.hang = 200, False
        self.got: list[Got] = []
        self.before_answer: Callable[[], object] | None = None
        self._released = threading.Event()
        self._server: ThreadingHTTPServer | None = None
        self.start()

    @property
    def url(self) -> str:
        """Its address as apprise knows it."""
        return f"json://127.0.0.1:{self.port}/told"

    def start(self) -> None:
        owner = self
        self._released.clear()

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
                owner._take(self, json.loads(body or b"{}"))

            def do_GET(self) -> None:
                owner._take(self, {})

            def log_message(self, *_: Any) -> None:
                pass

        class Server(ThreadingHTTPServer):
            daemon_threads = True
            allow_reuse_address = True

            def handle_error(self, *_: Any) -> None:
                pass

        self._server = Server(("127.0.0.1", self.port), Handler)
        threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True).start()

    def _take(self, handler: BaseHTTPRequestHandler, body: dict[str, Any]) -> None:
        if self.hang:
            self._released.wait(60)
            return
        if self.status == 200:
            self.got.append(Got(real_s(), handler.path, dict(handler.headers), body))
        if self.before_answer is not None:
            self.before_answer()
        handler.send_response(self.status)
        handler.send_header("Content-Length", "0")
        handler.end_headers()

    def stop(self) -> None:
        """Taken away: connections are refused from now on."""
        self._released.set()
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
            self._server = None

    def __enter__(self) -> Receiver:
        return self

    def __exit__(self, *_: object) -> None:
        self.stop()
