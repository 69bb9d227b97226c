"""The page kept up to date: server-sent events that carry only what has changed for that viewer, never a backlog.

One task asks for the state while anybody watches; every stream sends the latest, and skips what it was too slow for.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Final

import msgspec
from starlette.concurrency import run_in_threadpool

from kojimon import logs
from kojimon.clock import real_s
from kojimon.contract.state import Document
from kojimon.errors import KojimonError

STREAMS_MOST: Final = 8
STRANGER_STREAMS_MOST: Final = 2
"""From one address, of people who only look while others are signed in."""
EVERY_S: Final = 1.0
LOOK_S: Final = 0.2
BEAT_S: Final = 10.0
"""A sign of life so often, so that a page can tell a quiet box from a dead connection."""
RETRY_MS: Final = 2_000
_LOG = logs.get("web")

Regions = Mapping[str, str]
"""Parts of the page by id, as markup."""


class Place:
    """One stream's.

    Args:
        stranger: the address of who only looks; None for who is signed in, and for everybody where nobody can be.
    """

    def __init__(self, stranger: str | None) -> None:
        self.stranger, self.lost = stranger, False
        """`lost`: it went to somebody signed in, and the stream is to end."""


class Hub:
    """Hands the latest state to every stream.

    Args:
        state: fetches the state document; called in a worker thread.
        stopping: whether the daemon ends; every stream then ends by itself instead of being cut off.
    """

    def __init__(self, state: Callable[[], Document], stopping: Callable[[], bool] = lambda: False) -> None:
        self._state, self._stopping = state, stopping
        self._latest: Document | None = None
        self._number = 0
        self._changed = asyncio.Condition()
        self._streams = 0
        self._places: list[Place] = []
        self._task: asyncio.Task[None] | None = None

    @contextmanager
    def place(self, stranger: str | None = None) -> Iterator[Place | None]:
        """One of the streams' places for as long as it is held; None where all are taken.

        Taken by who sends the answer, in one step with the look whether there is one: between a look and a first byte
        others would have looked as well. Who is signed in takes a stranger's where there is no other.
        """
        place = self._take(stranger)
        try:
            yield place
        finally:
            if place is not None and not place.lost:
                self._places.remove(place)

    def _take(self, stranger: str | None) -> Place | None:
        strangers = [one for one in self._places if one.stranger is not None]
        if stranger is not None and [one.stranger for one in strangers].count(stranger) >= STRANGER_STREAMS_MOST:
            return None
        if len(self._places) >= STREAMS_MOST:
            if stranger is not None or not strangers:
                return None
            strangers[0].lost = True
            self._places.remove(strangers[0])
        place = Place(stranger)
        self._places.append(place)
        return place

    async def stream(
        self, render: Callable[[Document], Awaitable[Regions]], still: Callable[[], bool] = lambda: True
    ) -> AsyncIterator[bytes]:
        """One viewer's stream of events.

        Args:
            render: a state document to the parts of that viewer's page.
            still: whether the viewer may still look; the stream ends when not.
        """
        self._streams += 1
        try:
            if self._task is None or self._task.done():
                self._task = asyncio.create_task(self._ask())
            yield f"retry: {RETRY_MS}\n\n".encode()
            sent: dict[str, str] = {}
            # Not what others were last sent: the page was made a moment ago, and would go back to before that.
            number, beat_s = self._number, real_s()
            while not self._stopping():
                number, document = await self._next(number)
                if not still():
                    break
                if document is not None:
                    regions = await render(document)
                    fresh = {name: text for name, text in regions.items() if sent.get(name) != text}
                    if fresh:
                        sent.update(fresh)
                        beat_s = real_s()
                        yield b"event: regions\ndata: " + msgspec.json.encode(fresh) + b"\n\n"
                        continue
                if real_s() - beat_s >= BEAT_S:
                    beat_s = real_s()
                    yield b"event: beat\ndata: {}\n\n"
        finally:
            self._streams -= 1
            if not self._streams and self._task is not None:
                self._task.cancel()
                self._task = None

    async def _next(self, seen: int) -> tuple[int, Document | None]:
        """The latest state, once it is another than the one seen; None when nothing came for a while."""
        async with self._changed:
            try:
                # Not asyncio.wait_for: before Python 3.12 it waits in a task of its own, and a viewer who leaves then
                # may let go of a lock that another stream holds.
                async with asyncio.timeout(BEAT_S / 2):
                    await self._changed.wait_for(lambda: self._number > seen or self._stopping())
            except TimeoutError:
                return seen, None
            return (self._number, self._latest) if self._number > seen else (seen, None)

    async def _ask(self) -> None:
        due_s = 0.0
        while not self._stopping():
            if real_s() >= due_s:
                due_s = real_s() + EVERY_S
                await self._fetch()
            await asyncio.sleep(LOOK_S)
        async with self._changed:
            self._changed.notify_all()

    async def _fetch(self) -> None:
        try:
            document = await run_in_threadpool(self._state)
        except KojimonError as error:
            _LOG.warning("the page cannot be kept up to date: %s", error)
            return
        async with self._changed:
            self._latest, self._number = document, self._number + 1
            self._changed.notify_all()
