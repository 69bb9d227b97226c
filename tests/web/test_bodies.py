"""What is sent with a request: counted as it comes, one stated length, at the page's door and at the local socket."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from starlette.types import Message, Receive, Scope, Send

from kojimon.web.http import body
from kojimon.web.http.body import BODY_MOST, PHOTO_MOST, Bodies
from tests.web.pages import Door, page
from tests.web.raw import Raw, head, local

CHUNK = b"10000\r\n" + b"x" * 65_536 + b"\r\n"
CHUNKED = "Transfer-Encoding: chunked"


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    with page(tmp_path_factory.mktemp("bodies"), token=True) as one:
        yield one


def resident_kb() -> int:
    """Memory of this process, which is the daemon's as well."""
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS:"))


@pytest.mark.parametrize("path", ["/enter", "/act", "/v1/acts", "/photo"])
@pytest.mark.parametrize("where", ["page", "local"])
def test_two_lengths_are_refused_before_anything_is_kept(door: Door, path: str, where: str) -> None:
    before_kb = resident_kb()
    with Raw(door.port if where == "page" else local(door)) as raw:
        raw.say(head(door, f"POST {path}", "Content-Length: 5", CHUNKED))
        for _ in range(160):  # 10 MB, never ended
            raw.say(CHUNK)
        assert raw.status() in ((400, 401) if where == "page" else (400,))
    assert resident_kb() - before_kb < 8_000


@pytest.mark.parametrize("path", ["/enter", "/v1/acts", "/v1/page", "/photo"])
def test_a_body_without_a_length_is_refused_at_the_local_socket_too(door: Door, path: str) -> None:
    with Raw(local(door)) as raw:
        raw.say(head(door, f"POST {path}", CHUNKED))
        for _ in range(40):
            raw.say(CHUNK)
        assert raw.status() == 411


@pytest.mark.parametrize("length", [BODY_MOST + 1, PHOTO_MOST + 1, 10**11, 10**19])
def test_too_long_a_body_is_refused_by_its_announcement(door: Door, length: int) -> None:
    for path in ("/v1/acts", "/photo") if length > PHOTO_MOST else ("/v1/acts", "/enter"):
        with Raw(local(door)) as raw:
            assert raw.say(head(door, f"POST {path}", f"Content-Length: {length}")).status() == 413


def test_bodies_together_have_a_limit(door: Door) -> None:
    """Two photos under way and no third: the photos' places cannot fill the memory."""
    photos = [Raw(local(door)).say(head(door, "POST /photo", f"Content-Length: {PHOTO_MOST}") + "x") for _ in range(2)]
    third = Raw(local(door)).say(head(door, "POST /photo", f"Content-Length: {PHOTO_MOST}"))
    assert third.status() == 503 and b"retry-after: 5" in third.say("x").link.recv(4096).lower()
    with Raw(local(door)) as act:  # what is small goes on
        sent = b'{"kind": "alarm.test", "data": {"text": "x"}}'
        act.say(head(door, "POST /v1/acts", f"Content-Length: {len(sent)}")).say(sent)
        assert act.status() == 200
    for photo in (*photos, third):
        photo.close()


def test_who_goes_away_in_the_middle_of_a_body_leaves_no_line_in_the_log(
    door: Door, caplog: pytest.LogCaptureFixture
) -> None:
    for path in ("/enter", "/act", "/v1/acts", "/photo"):
        with Raw(local(door)) as raw:
            raw.say(head(door, f"POST {path}", "Content-Length: 500") + "half")
    assert door.get("/static/page.js").status == 200
    assert not [record for record in caplog.records if record.name.startswith(("uvicorn", "kojimon.web"))]


def test_more_than_was_announced_is_not_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever a server lets through."""
    seen: list[Message] = []

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        seen.append(await receive())

    async def run() -> list[Message]:
        answers: list[Message] = []

        async def receive() -> Message:
            return {"type": "http.request", "body": b"x" * 100, "more_body": True}

        async def send(message: Message) -> None:
            answers.append(message)

        scope = {"type": "http", "method": "POST", "path": "/act", "headers": [(b"content-length", b"150")]}
        await Bodies(app)(scope, receive, send)
        return answers

    monkeypatch.setattr(body, "IN_ALL_MOST", 1_000)
    with ThreadPoolExecutor(1) as thread:  # this one may have a browser's loop
        answers = thread.submit(lambda: asyncio.run(run())).result(60)
    assert answers[0]["status"] == 413 and not seen
