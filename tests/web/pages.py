"""A daemon with its page on a free port of the loopback, and an HTTP client that sends what a test says and no more."""

from __future__ import annotations

import http.client
import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlencode

from kojimon.settings.spec import Secret, WebSettings
from tests.daemon.running import Running, broker_site, running

TOKEN = "steamed rice at dawn, 41"


class Answer(NamedTuple):
    """What came back."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode()

    @property
    def json(self) -> Any:
        return json.loads(self.body)


class Door:
    """The TCP door of a running daemon."""

    def __init__(self, live: Running) -> None:
        self.live = live
        (self.port,) = live.daemon.front.ports()
        self.host = f"127.0.0.1:{self.port}"
        self.origin = f"http://{self.host}"

    def ask(self, method: str, path: str, body: bytes | None = None, **headers: str) -> Answer:
        """Header names are written with underscores; `Host` is added unless given."""
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            link.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            sent = {"Host": self.host, **{name.replace("_", "-"): value for name, value in headers.items()}}
            if body is not None:
                sent.setdefault("Content-Length", str(len(body)))
            for name, value in sent.items():
                if value:
                    link.putheader(name, value)
            link.endheaders(body)
            response = link.getresponse()
            found = {name.lower(): value for name, value in response.getheaders()}
            return Answer(response.status, found, response.read())
        finally:
            link.close()

    def get(self, path: str, **headers: str) -> Answer:
        return self.ask("GET", path, **headers)

    def form(self, path: str, fields: dict[str, str], **headers: str) -> Answer:
        """A form as our own page sends it."""
        own = {"Origin": self.origin, "Content_Type": "application/x-www-form-urlencoded"} | headers
        return self.ask("POST", path, urlencode(fields).encode(), **own)

    def act(self, kind: str, **fields: str) -> Answer:
        """A form of the page as the script sends it."""
        return self.form("/act", {"kind": kind, "incubator": "box", **fields}, Accept="application/json")


@contextmanager
def page(
    folder: Path, token: bool = False, host: str = "127.0.0.1", look_free: bool = False, **more: Any
) -> Iterator[Door]:
    """A daemon with its page."""
    secret = None
    if token:
        file = folder / "token"
        file.write_text(TOKEN, encoding="utf-8")
        file.chmod(0o600)
        secret = Secret(file=str(file))
    web = WebSettings(host=host, port=0, token=secret, look_free=look_free, allowed_hosts=("kojimon.example",))
    with running(broker_site(folder, web=web, **more)) as live:
        yield Door(live)
