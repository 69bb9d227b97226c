"""A stand-in for the monitor's two doors: checks the driver's order and serves a state document."""

from __future__ import annotations

import http.server
import json
import socket
import socketserver
import threading
from pathlib import Path
from typing import Any

from kojimon.sockets import name_of


class DriverDoor:
    """Speaks the driver protocol and writes down what it hears."""

    def __init__(self, path: Path, wall_ms: int, refuse_at: int = 0) -> None:
        self.heard: list[dict[str, Any]] = []
        self._wall_ms, self._refuse_at = wall_ms, refuse_at
        self._listener = socket.socket(socket.AF_UNIX)
        with name_of(path) as name:
            self._listener.bind(name)
        self._listener.listen(1)
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def _serve(self) -> None:
        link, _ = self._listener.accept()
        with link, link.makefile("rw", encoding="utf-8") as file:
            self._say(file, {"hello": {"wall_ms": self._wall_ms}})
            for line in file:
                message = json.loads(line)
                self.heard.append(message)
                if self._refuse_at and len(self.heard) >= self._refuse_at:
                    self._say(file, {"error": "3 messages of mqtt are missing"})
                elif "begin" in message:
                    self._say(file, {"ok": True})
                else:
                    self._say(file, {"done": message["end"], "events": 1})

    def _say(self, file: Any, message: dict[str, Any]) -> None:
        file.write(json.dumps(message) + "\n")
        file.flush()

    def close(self) -> None:
        """Stop listening."""
        self._listener.close()
        self._thread.join(60)


class ApiDoor:
    """Serves one state document on a Unix socket and keeps the acts it gets; refuses those in `refuse`."""

    def __init__(self, path: Path, state: dict[str, Any], refuse: tuple[str, ...] = ()) -> None:
        door = self
        self.state, self.acts = state, list[dict[str, Any]]()
        self.on_act: Any = None

        class Handler(http.server.BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_GET(self) -> None:
                self._answer(200 if self.path == "/v1/state" else 404, door.state)

            def do_POST(self) -> None:
                act = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                door.acts.append({**act, "header": self.headers["Idempotency-Key"], "path": self.path})
                if act["kind"] in refuse:
                    self._answer(409, {"error": "not now"})
                    return
                if door.on_act is not None:
                    door.on_act(act)
                self._answer(200, {"events": []})

            def _answer(self, status: int, body: dict[str, Any]) -> None:
                text = json.dumps(body).encode()
                self.send_response(status)
                self.send_header("Content-Length", str(len(text)))
                self.end_headers()
                self.wfile.write(text)

            def address_string(self) -> str:
                return "local"

            def log_message(self, format: str, *args: Any) -> None:
                pass

        class Server(socketserver.ThreadingUnixStreamServer):
            daemon_threads = True

        with name_of(path) as name:
            self._server = Server(name, Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop serving."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(60)
