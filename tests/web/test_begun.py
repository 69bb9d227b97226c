"""A page whose head goes out before its curve is drawn: the turn it takes, and what fails once the head is out."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from kojimon.web.api.curves import Curves
from kojimon.web.http import gate, strangers
from kojimon.web.page import shared
from tests.parts.wait import until
from tests.web.pages import Door, page
from tests.web.raw import Raw, head

TURNS = 2


@pytest.fixture
def door(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Door]:
    """A box with a batch whose curve is at hand, and fewer turns than worker threads."""
    monkeypatch.setattr(strangers, "AT_ONCE", TURNS)
    with page(tmp_path) as one:
        one.act("batch.start", name="first", hour0_ago_s="2")
        one.live.put("k/bed", 31.0)
        one.live.tick(60)
        one.live.commit()
        assert one.get("/curve/box.svg").status == 200
        yield one


class Pen:
    """Draws when it is let, and notes the drawings begun."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.begun: list[str] = []
        self.free = threading.Event()
        draw = Curves.svg

        def waits(*given: Any) -> str:
            self.begun.append(given[1])
            assert self.free.wait(60)
            return draw(*given)

        monkeypatch.setattr(Curves, "svg", waits)


def test_the_head_is_out_before_the_curve_is_drawn(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    pen = Pen(monkeypatch)
    with Raw(door.port) as viewer:
        viewer.say(head(door, "GET /", "Connection: close"))
        assert viewer.status() == 200
        assert not pen.free.is_set()
        pen.free.set()
        rest = viewer.rest()
    assert len(pen.begun) == 1 and b"<svg " in rest and b"</html>" in rest


def test_a_turn_lasts_until_the_page_is_made(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    """The head alone gives none to the next: there would be as many drawings at once as there are connections."""
    pen = Pen(monkeypatch)
    asked = head(door, "GET /", "Connection: close")
    with ExitStack() as opened:
        crowd = [opened.enter_context(Raw(door.port, f"127.0.0.{2 + number}")) for number in range(2 * TURNS)]
        for one in crowd:
            one.say(asked)
        until(lambda: len(pen.begun) >= TURNS)
        for _ in range(5):
            assert door.get("/v1/state").status == 200
        assert len(pen.begun) == TURNS
        pen.free.set()
        for one in crowd:
            assert one.status() == 200 and b"</html>" in one.rest()
    assert len(pen.begun) == 2 * TURNS


def test_who_reads_no_answer_keeps_no_turn(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    """More than turns ask for a page behind an answer they do not read: a newcomer is served all the same."""
    monkeypatch.setattr(gate, "WRITE_S", 600.0)
    made = gate.Guarded.connection_made

    def narrow(self: gate.Guarded, transport: Any) -> None:
        transport.set_write_buffer_limits(high=0)
        transport.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, 2_048)
        made(self, transport)

    monkeypatch.setattr(gate.Guarded, "connection_made", narrow)
    with ExitStack() as opened:
        for number in range(2 * TURNS):
            one = opened.enter_context(Raw(door.port, f"127.0.0.{2 + number}", room=2_048))
            one.say(head(door, "GET /v1/openapi.json", "Connection: keep-alive"))
            assert one.status() == 200
            one.say(head(door, "GET /"))
        assert door.get("/").status == 200


def test_a_curve_that_cannot_be_drawn_leaves_the_page_whole(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*given: Any) -> str:
        raise ZeroDivisionError

    monkeypatch.setattr(Curves, "svg", broken)
    found = door.get("/")
    assert found.status == 200 and "<svg " not in found.text
    assert '<img src="/curve/box.svg' in found.text and found.text.endswith("</html>")


def test_what_fails_behind_the_head_is_told_in_words(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    render = shared.render

    def broken(template: str, **content: Any) -> str:
        if template == "home.html":
            raise ZeroDivisionError
        return render(template, **content)

    monkeypatch.setattr(shared, "render", broken)
    found = door.get("/")
    assert "That did not work" in found.text and "a fault in kojimon" in found.text
    assert found.text.count("<!doctype html>") == 1 and found.text.endswith("</html>")
