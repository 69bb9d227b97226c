"""The TCP door: a listening socket where the settings want one.

That it cannot be had must not keep the alarms from starting: the daemon goes on without, tells it as an alarm
(`health/page`), and tries again until it can.
"""

from __future__ import annotations

import errno
import socket
import threading
from collections.abc import Callable
from typing import Final

from kojimon import logs
from kojimon.contract.health import PageHealth
from kojimon.settings.spec import WebSettings

BACKLOG: Final = 64
RETRY_S: Final = 5.0
"""Real seconds between two tries."""
IP_FREEBIND: Final = 15
"""linux/in.h; the socket module knows the name only from Python 3.13 on."""
WAYS_OUT: Final = {
    errno.EADDRINUSE: "another program has this port: end that one, or give the page another one (web.port). "
    "Who has it: ss -ltnp 'sport = :{port}'",
    errno.EACCES: "ports below 1024 are for root: give the page another one (web.port)",
    errno.EADDRNOTAVAIL: "this computer has no such address: web.host wants one of its own, or 0.0.0.0",
}
_LOG = logs.get("web")

Health = Callable[[str, bool, str], None]


def listen_on(web: WebSettings) -> socket.socket:
    """The listening socket of the page. Raises OSError where it cannot be had."""
    family = socket.AF_INET6 if ":" in web.host else socket.AF_INET
    door = socket.socket(family, socket.SOCK_STREAM)
    try:
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        # An address that the network gives only later can be listened on already (ip(7), IP_FREEBIND).
        if family == socket.AF_INET:
            door.setsockopt(socket.IPPROTO_IP, IP_FREEBIND, 1)
        door.bind((web.host, web.port))
        door.listen(BACKLOG)
    except OSError:
        door.close()
        raise
    door.setblocking(False)
    return door


def said(web: WebSettings, error: OSError) -> str:
    """What keeps the page shut, and the way out, in words."""
    way = WAYS_OUT.get(error.errno or 0, error.strerror or str(error)).format(port=web.port)
    return f"the page cannot listen on {web.host} port {web.port}: {way}. kojimon tries again by itself"


class Front:
    """The part of the daemon that opens the TCP door, at once or as soon as it can be had.

    Args:
        web: settings of the door; without a host there is none.
        health: takes a change (`core.health`).
        serve: takes a listening socket that came later (`ApiServer.add`).
    """

    name = "page"

    def __init__(self, web: WebSettings, health: Health, serve: Callable[[socket.socket], None]) -> None:
        self._web, self._health, self._serve = web, health, serve
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self.door: socket.socket | None = None
        self.trouble = ""

    def open(self) -> socket.socket | None:
        """Tries once. None where there is to be no door, or it cannot be had; then `trouble` says why."""
        if not self._web.host:
            return None
        try:
            self.door, self.trouble = listen_on(self._web), ""
        except OSError as error:
            if not self.trouble:
                _LOG.error("%s", said(self._web, error))
            self.trouble = said(self._web, error)
        return self.door

    def ports(self) -> list[int]:
        """The port the page is on; none while it is shut."""
        return [self.door.getsockname()[1]] if self.door is not None and self.door.fileno() >= 0 else []

    def start(self) -> None:
        """Tells how the door is; where it is shut, goes on trying in a thread of its own."""
        self._health("page", not self.trouble, self.trouble or "the page is open")
        if self.trouble:
            self._thread = threading.Thread(target=self._try, name="page-door", daemon=True)
            self._thread.start()

    def _try(self) -> None:
        while not self._stop.wait(RETRY_S):
            door = self.open()
            if door is not None:
                self._serve(door)
                self._health("page", True, "the page is open again")
                _LOG.info("the page is open on %s port %d", self._web.host, self._web.port)
                return

    def stop(self, timeout_s: float) -> bool:
        """Ends the trying. Whether in time."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout_s)
        return self._thread is None or not self._thread.is_alive()

    def facts(self) -> PageHealth:
        """For status."""
        return PageHealth(host=self._web.host, ports=self.ports(), trouble=self.trouble)
