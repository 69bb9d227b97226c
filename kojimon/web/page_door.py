"""The TCP door: a listening socket where the settings want one. That it cannot be had must not keep the alarms from
starting, so it is logged and the daemon goes on without."""

from __future__ import annotations

import socket

from kojimon import logs
from kojimon.settings.spec import WebSettings

BACKLOG = 64
_LOG = logs.get("web")


def tcp_doors(web: WebSettings) -> list[socket.socket]:
    """The listening sockets of the page: one, or none where there is no host or it cannot be had."""
    if not web.host:
        return []
    family = socket.AF_INET6 if ":" in web.host else socket.AF_INET
    door = socket.socket(family, socket.SOCK_STREAM)
    try:
        door.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        # An address that the network gives only later can be listened on already (ip(7), IP_FREEBIND).
        if family == socket.AF_INET:
            door.setsockopt(socket.IPPROTO_IP, IP_FREEBIND, 1)
        door.bind((web.host, web.port))
        door.listen(BACKLOG)
    except OSError as error:
        door.close()
        _LOG.error("web.host: the page cannot listen on %s port %d: %s", web.host, web.port, error.strerror or error)
        return []
    door.setblocking(False)
    return [door]


IP_FREEBIND = 15
"""linux/in.h; the socket module knows the name only from Python 3.13 on."""
