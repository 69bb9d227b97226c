"""What a request may bring: a body of a stated length, whole before a handler sees it, and never more in memory in all.

Stands behind the checks of the TCP door, which read headers alone, and before everything else for both doors.
"""

from __future__ import annotations

from typing import Final

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from kojimon.web.http.access import Turned, turn_away

BODY_MOST: Final = 65_536
PHOTO_MOST: Final = 9 * 1024 * 1024
PHOTO_PATH: Final = "/photo"
IN_ALL_MOST: Final = 20 * 1024 * 1024
"""Bytes of all bodies under way together: two photos and the acts beside them."""


class Bodies:
    """The application behind limits on what is sent to it.

    Args:
        app: what lies behind; a handler of it gets the whole body with its first `receive`.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app, self._held = app, 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        try:
            length = declared(scope)
            if scope["method"] != "POST":
                await self._app(scope, receive, send)
                return
            if self._held + length > IN_ALL_MOST:
                raise Turned(503, "others are sending much at the moment; try again in a few seconds", Retry_After="5")
        except Turned as turned:
            await turn_away(turned, scope, send)
            return
        self._held += length
        try:
            await self._post(length, scope, receive, send)
        finally:
            self._held -= length

    async def _post(self, length: int, scope: Scope, receive: Receive, send: Send) -> None:
        try:
            body = await whole(receive, length)
        except Turned as turned:
            await turn_away(turned, scope, send)
            return
        if body is None:  # the sender has gone: nobody waits for an answer
            return
        waiting: list[Message] = [{"type": "http.request", "body": body, "more_body": False}]

        async def again() -> Message:
            return waiting.pop() if waiting else await receive()

        await self._app(scope, again, send)


def declared(scope: Scope) -> int:
    """The length a request states. Raises Turned where it is missing, too much, or stated in two ways.

    With two ways of saying where a body ends a proxy and we may disagree on it (RFC 9112, 6.1).
    """
    names = [name for name, _ in scope["headers"]]
    if b"content-length" in names and b"transfer-encoding" in names:
        raise Turned(400, "found both Content-Length and Transfer-Encoding; expected one of them, not both")
    if scope["method"] != "POST":
        return 0
    text = next((value.decode("latin-1") for name, value in scope["headers"] if name == b"content-length"), "")
    if not (text.isascii() and text.isdecimal()):
        raise Turned(411, "expected a Content-Length")
    most = PHOTO_MOST if scope["path"] == PHOTO_PATH else BODY_MOST
    if len(text) > 12 or int(text) > most:
        raise Turned(413, f"{most} bytes at most are taken")
    return int(text)


async def whole(receive: Receive, length: int) -> bytes | None:
    """The body, counted as it comes; None where the sender went away. Raises Turned where there is more than stated."""
    parts: list[bytes] = []
    size = 0
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return None
        part = message.get("body", b"")
        size += len(part)
        if size > length:
            raise Turned(413, f"more came than the {length} bytes that were announced")
        parts.append(part)
        if not message.get("more_body", False):
            return b"".join(parts)
