"""Requests of people nobody knows are worked on a few at a time; the others wait, and who is known passes them by.

A request that waits counts as waiting for the door too (`web.gate`), so its place can go to a newcomer; one whose
connection has gone is worked on no more.
"""

from __future__ import annotations

import asyncio
from collections import defaultdict
from typing import Final

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from kojimon.web.api.app import FROM_MEMORY
from kojimon.web.http.access import is_local
from kojimon.web.http.gate import LINK, Guarded

AT_ONCE: Final = 8
"""Of each door, from the whole request until its answer is made: twice the worker threads."""
MAKING: Final = "kojimon.making"
"""Whether the answer of a request's scope has begun before it was made."""


class Turns:
    """The application behind two queues for each door: of what needs the journal, and of what does not.

    Args:
        app: what lies behind.
    """

    def __init__(self, app: ASGIApp) -> None:
        self._app = app
        self._turns: defaultdict[tuple[bool, bool], asyncio.Semaphore] = defaultdict(lambda: asyncio.Semaphore(AT_ONCE))

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http" or scope.get("kojimon.known"):
            await self._app(scope, receive, send)
            return
        link: Guarded = scope[LINK]
        turn = self._turns[is_local(scope), scope["path"] in FROM_MEMORY]
        with link.in_line():
            await link.flow.drain()  # who has not read the answer before this one would keep a turn from others
            await turn.acquire()
        held = True

        def release() -> None:
            nonlocal held
            if held:
                turn.release()
            held = False

        async def answering(message: Message) -> None:
            if not scope.get(MAKING):
                release()  # what is left is the other side's reading, and a stream never ends
            await send(message)

        try:
            if not link.gone:
                await self._app(scope, receive, answering)
        finally:
            release()
