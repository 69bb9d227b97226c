"""A small server that takes the InfluxDB v2 write request and answers as it is told; keeps what it accepted."""

from __future__ import annotations

import gzip
import re
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import NamedTuple
from urllib.parse import parse_qs, urlparse


class Reply(NamedTuple):
    """What to answer; status 0 cuts the connection, -1 never answers. `keep`: whether the lines count as stored."""

    status: int
    text: str = ""
    retry_after: str = ""
    keep: bool = False


LINE = re.compile(r"(?P<tags>(?:\\.|[^ \\])+) (?P<fields>.*) (?P<time_ns>\d+)")
"""A line of the protocol: a blank in a tag is escaped, one in a quoted text is not."""
Rule = Callable[[list[str]], Reply]
OK = Reply(204, keep=True)


class StandIn:
    """Set `rule` to say how the lines of a request are answered."""

    def __init__(self) -> None:
        self.rule: Rule = lambda lines: OK
        self.stored: dict[tuple[str, int], str] = {}
        """Replaced whole, never added to: a test reads it while a request is being answered."""
        self.requests: list[int] = []
        self.sizes: list[tuple[int, int]] = []
        """Bytes of each body as it came, and unpacked."""
        self.queries: list[dict[str, list[str]]] = []
        self.tokens: set[str] = set()
        self._over = threading.Event()
        standin = self

        class Handler(BaseHTTPRequestHandler):
            protocol_version = "HTTP/1.1"

            def do_POST(self) -> None:
                standin.answer(self)

            def log_message(self, format: str, *args: object) -> None:
                """Keeps quiet."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}"
        self._thread = threading.Thread(target=self._server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
        self._thread.start()

    def answer(self, request: BaseHTTPRequestHandler) -> None:
        """Answers one request."""
        body = request.rfile.read(int(request.headers["Content-Length"]))
        came = len(body)
        if request.headers.get("Content-Encoding") == "gzip":
            body = gzip.decompress(body)
        self.sizes.append((came, len(body)))
        lines = body.decode().splitlines()
        self.requests.append(len(lines))
        self.queries.append(parse_qs(urlparse(request.path).query))
        self.tokens.add(request.headers.get("Authorization", ""))
        reply = self.rule(lines)
        if reply.keep:
            self.keep(lines)
        if reply.status == -1:
            self._over.wait(30)
        if reply.status <= 0:
            request.close_connection = True
            return
        request.send_response(reply.status)
        if reply.retry_after:
            request.send_header("Retry-After", reply.retry_after)
        request.send_header("Content-Length", str(len(reply.text.encode())))
        request.end_headers()
        request.wfile.write(reply.text.encode())

    def keep(self, lines: list[str]) -> None:
        """Counts these lines as stored."""
        kept: dict[tuple[str, int], str] = {}
        for line in lines:
            parts = LINE.fullmatch(line)
            assert parts is not None, line
            kept[parts["tags"], int(parts["time_ns"])] = parts["fields"]
        self.stored = self.stored | kept

    def close(self) -> None:
        """Ends the server."""
        self._over.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(60)
