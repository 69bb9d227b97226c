"""Tags for the API's answers: a program that has one already is told so instead of sent it again (RFC 9110, 13.1.2)."""

from __future__ import annotations

import hashlib

from starlette.types import ASGIApp, Message, Receive, Scope, Send


def not_modified(wanted: str, tag: str) -> bool:
    """Whether an If-None-Match header names the tag. Weak tags count as equal (RFC 9110, 8.8.3.2)."""
    if wanted.strip() == "*":
        return True
    return tag.removeprefix("W/") in [part.strip().removeprefix("W/") for part in wanted.split(",")]


class Etags:
    """Gives every JSON answer to a GET below /v1 a tag, and answers 304 where the asker has it."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http" or scope["method"] != "GET" or not str(scope["path"]).startswith("/v1/"):
            await self._app(scope, receive, send)
            return
        asked = next((value.decode("latin-1") for name, value in scope["headers"] if name == b"if-none-match"), "")
        start: Message = {}
        parts: list[bytes] = []

        async def collect(message: Message) -> None:
            if message["type"] == "http.response.start":
                start.update(message)
                return
            parts.append(message.get("body", b""))
            if not message.get("more_body"):
                await _answer(start, b"".join(parts), asked, send)

        await self._app(scope, receive, collect)


async def _answer(start: Message, body: bytes, asked: str, send: Send) -> None:
    if start["status"] == 200:
        tag = f'"{hashlib.sha256(body).hexdigest()[:24]}"'
        kept = [pair for pair in start["headers"] if pair[0].lower() not in (b"cache-control", b"etag")]
        headers = [*kept, (b"etag", tag.encode()), (b"cache-control", b"private, no-cache")]
        if asked and not_modified(asked, tag):
            headers = [pair for pair in headers if pair[0].lower() not in (b"content-length", b"content-type")]
            start, body = {**start, "status": 304, "headers": headers}, b""
        else:
            start = {**start, "headers": headers}
    await send(start)
    await send({"type": "http.response.body", "body": body})
