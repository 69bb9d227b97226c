"""Server-sent events: the latest state only, eight streams at most, an end when the daemon ends."""

from __future__ import annotations

import asyncio
import http.client
import json
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from kojimon.web.page import live as page_live
from kojimon.web.page.live import STREAMS_MOST, Document, Hub
from tests.parts.wait import until
from tests.web.pages import TOKEN, Door, page
from tests.web.raw import Raw, head


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    with page(tmp_path) as one:
        one.act("batch.start", name="first")
        yield one


class Stream:
    """One viewer."""

    def __init__(self, door: Door, query: str = "") -> None:
        self.link = http.client.HTTPConnection("127.0.0.1", door.port, timeout=60)
        self.link.request("GET", f"/live{query}", headers={"Host": door.host})
        self.response = self.link.getresponse()

    def events(self) -> Iterator[tuple[str, Any]]:
        """(name, data) of each event, as HTML's event streams are read (WHATWG HTML, 9.2.6)."""
        name, data = "message", ""
        while line := self.response.readline():
            text = line.decode().rstrip("\n")
            if text.startswith("event: "):
                name = text[7:]
            elif text.startswith("data: "):
                data += text[6:]
            elif not text and data:
                yield name, json.loads(data)
                name, data = "message", ""

    def close(self) -> None:
        self.response.close()
        self.link.close()


def test_a_stream_begins_with_everything_and_goes_on_with_what_changed(door: Door) -> None:
    one = Stream(door)
    assert one.response.headers["content-type"].startswith("text/event-stream")
    assert one.response.headers["cache-control"] == "no-store"
    events = one.events()
    name, first = next(events)
    assert name == "regions"
    assert {"head-box", "now-box", "values-box", "steps-box", "curve-box", "clock", "site"} <= first.keys()
    door.live.put("k/bed", 37.5)
    door.live.tick(61)
    for _, regions in events:
        if "37.5" in regions.get("head-box", ""):
            assert "site" not in regions
            break
    one.close()


def test_a_slow_viewer_gets_the_latest_and_no_backlog(door: Door) -> None:
    one = Stream(door)
    events = one.events()
    next(events)
    for number in range(40):
        door.live.put("k/bed", 30.0 + number / 10)
        door.live.tick(20)
    seen = 0
    for _, regions in events:
        seen += 1
        if "33.9" in regions.get("head-box", ""):
            break
    assert seen < 10
    one.close()


def test_the_ninth_viewer_is_asked_to_come_back(door: Door) -> None:
    viewers = [Stream(door) for _ in range(STREAMS_MOST)]
    for viewer in viewers:
        next(viewer.events())
    ninth = door.get("/live")
    assert ninth.status == 503 and ninth.headers["retry-after"] == "10"
    assert door.get("/regions").status == 200
    viewers.pop().close()
    # The place is free again once the server has noticed; it writes at least every ten seconds.
    until(lambda: _status(door) == 200, what="a place for another viewer")
    for viewer in viewers:
        viewer.close()


def test_many_who_come_at_once_get_no_more_places(door: Door) -> None:
    links = [Raw(door.port).say(head(door, "GET /live", "Connection: close")[:-2]) for _ in range(20)]
    for link in links:  # the last line of all of them, at a stroke
        link.say("\r\n")
    statuses = [link.status() for link in links]
    for link in links:
        link.close()
    assert sorted(statuses) == [200] * STREAMS_MOST + [503] * (20 - STREAMS_MOST)


def test_strangers_leave_a_stream_to_who_is_signed_in(tmp_path: Path) -> None:
    """Where looking is free: two an address for who only looks, and those go when all places are taken."""
    with page(tmp_path, token=True, look_free=True) as door:
        asked = head(door, "GET /live")
        crowd = [Raw(door.port, f"127.0.0.{2 + number // 3}").say(asked) for number in range(12)]
        assert [one.status() for one in crowd] == [200, 200, 503] * 4
        owners = [Raw(door.port).say(head(door, "GET /live", f"Authorization: Bearer {TOKEN}")) for _ in range(9)]
        assert [one.status() for one in owners] == [200] * STREAMS_MOST + [503]
        for number, one in enumerate(crowd):
            if number % 3 < 2:
                one.rest()  # times out, and so fails, where the stream goes on
        late = Raw(door.port, "127.0.0.9").say(asked)
        assert late.status() == 503
        for one in (*crowd, *owners, late):
            one.close()


def _status(door: Door) -> int:
    one = Stream(door)
    status = one.response.status
    one.close()
    return status


def test_viewers_do_not_hold_up_the_end(tmp_path: Path) -> None:
    with page(tmp_path) as door:
        viewers = [Stream(door) for _ in range(3)]
        for viewer in viewers:
            next(viewer.events())
        ended = threading.Event()
        reader = threading.Thread(target=lambda: (list(viewers[0].events()), ended.set()), daemon=True)
        reader.start()
        assert door.live.end() == 0, "though a stream has no end"
        assert ended.wait(60)
        for viewer in viewers:
            viewer.close()


def test_only_one_box_where_only_one_is_asked_for(door: Door) -> None:
    one = Stream(door, "?box=other")
    _, regions = next(one.events())
    assert set(regions) == {"site", "brief", "clock"}
    one.close()


@pytest.mark.parametrize("another", [False, True], ids=["after a time without viewers", "while another looks on"])
def test_who_comes_sees_no_old_state(another: bool) -> None:
    """A stream begins with what is, never with what was when somebody last looked: the page would go back in time."""
    count = iter(range(1_000_000))

    async def render(document: Document) -> dict[str, str]:
        return {"t": str(document["t_ms"])}

    async def first(stream: Any) -> int:
        async for part in stream:
            if b"regions" in part:
                return int(json.loads(part.decode().partition("data: ")[2])["t"])
        raise AssertionError("the stream ended")

    async def twice() -> tuple[int, int]:
        hub = Hub(lambda: {"t_ms": next(count)})
        one, two = hub.stream(render), hub.stream(render)
        before = await first(one)
        if not another:
            await one.aclose()
        after = await first(two)
        await one.aclose()
        await two.aclose()
        return before, after

    # In a thread of its own: a browser that is driven from this one has a loop running.
    with ThreadPoolExecutor(1) as thread:
        before, after = thread.submit(lambda: asyncio.run(twice())).result(30)
    assert after > before


def test_viewers_who_leave_in_the_middle_take_nobody_elses_lock(monkeypatch: pytest.MonkeyPatch) -> None:
    """A server cancels a stream again and again until it has ended; those who stay must not notice."""
    for name, value in (("BEAT_S", 0.002), ("EVERY_S", 0.0), ("LOOK_S", 0.0)):
        monkeypatch.setattr(page_live, name, value)

    async def render(document: Document) -> dict[str, str]:
        return {"t": str(document["t_ms"])}

    async def view(hub: Hub) -> None:
        async for _ in hub.stream(render):
            await asyncio.sleep(0)

    async def run() -> None:
        count = iter(range(1_000_000))
        hub = Hub(lambda: {"t_ms": next(count)})
        stay = [asyncio.create_task(view(hub)) for _ in range(2)]
        for turn in range(600):
            leave = [asyncio.create_task(view(hub)) for _ in range(3)]
            for _ in range(turn % 97):
                await asyncio.sleep(0)
            for _ in range(2):
                for one in leave:
                    one.cancel()
                await asyncio.sleep(0)
            await asyncio.gather(*leave, return_exceptions=True)
        for one in stay:
            one.cancel()
        for outcome in await asyncio.gather(*stay, return_exceptions=True):
            assert isinstance(outcome, asyncio.CancelledError)

    with ThreadPoolExecutor(1) as thread:
        thread.submit(lambda: asyncio.run(run())).result(300)
