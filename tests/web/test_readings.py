"""POST /v1/readings: of several at once the answer says what came of each, and nothing is lost unsaid."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any, cast

import pytest

from kojimon.contract.acts import PlainAct
from kojimon.contract.state import Document
from kojimon.core.acts import busy
from kojimon.errors import RefusedError
from kojimon.model import Reply
from kojimon.web.api.backend import Backend
from kojimon.web.api.readings import take
from tests.web.pages import Door, page
from tests.web.test_openapi import answers, validator


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    with page(tmp_path_factory.mktemp("readings")) as one:
        one.act("batch.start", name="first", rice_kg="2")
        one.live.tick(7200)
        yield one


def post(door: Door, *readings: Any, **more: Any) -> tuple[int, Any]:
    body = json.dumps({"readings": readings, **more}).encode()
    told = door.ask("POST", "/v1/readings", body, Content_Type="application/json")
    shape = answers("/v1/readings", "post", told.status)
    assert shape is not None
    validator(shape).validate(told.json)
    return told.status, told.json


def kept(door: Door) -> list[float]:
    return [row["data"]["value"] for row in door.get("/v1/events?kinds=reading").json["events"]]


def test_each_with_its_own_time_and_a_bad_one_keeps_none_of_the_others_out(door: Door) -> None:
    before = kept(door)
    status, told = post(
        door,
        {"value": 31.0, "unit": "C", "at_ago_s": 600},
        {"value": 32.0, "unit": "C", "at_ago_s": -600},
        {"value": 300.0, "unit": "C"},
        {"value": 33.0, "unit": "C", "at_utc": "yesterday"},
        {"value": 34.0, "unit": "C", "at_ago_s": 60},
    )  # fmt: skip
    rows = told["readings"]
    assert (status, told["error"]) == (200, "")
    assert [row["taken"] for row in rows] == [True, False, False, False, True]
    assert [bool(row["error"]) for row in rows] == [False, True, True, True, False]
    assert not any(row["later"] for row in rows)
    assert "lies in the future" in rows[1]["error"] and "a time with its zone" in rows[3]["error"]
    assert kept(door) == [*before, 31.0, 34.0]


def test_what_has_not_the_form_is_named_each_and_nothing_is_taken(door: Door) -> None:
    before = kept(door)
    status, told = post(
        door, {"value": 31.0, "unit": "C"}, {"value": "warm", "unit": "C"}, {"value": 31.0}, {"value": 1, "unit": "K"}
    )
    assert status == 400
    assert all(f"readings[{place}]: " in told["error"] for place in (1, 2, 3)) and "readings[0]" not in told["error"]
    assert "none was taken" in told["error"]
    assert kept(door) == before


class Tired:
    """A daemon that takes the first reading, refuses the second, and has too much to do for the third."""

    def __init__(self) -> None:
        self.asked: list[PlainAct] = []

    def act(self, asked: PlainAct) -> Reply:
        self.asked.append(asked)
        if len(self.asked) == 2:
            raise RefusedError("no")
        if len(self.asked) == 3:
            raise busy()
        return Reply(7)

    def state(self) -> Document:
        return Document(0)


@pytest.mark.parametrize(("key", "again"), [("board-1", "send the same again"), ("", "send those marked `later`")])
def test_where_acts_cannot_be_taken_half_way_it_says_which_were(key: str, again: str) -> None:
    backend, one = Tired(), {"value": 31.0, "unit": "C"}
    told = take(cast(Backend, backend), json.dumps({"readings": [one] * 5}).encode(), key)
    assert told.status == 503
    assert [(row.taken, row.later) for row in told.readings] == [
        (True, False), (False, False), (False, True), (False, True), (False, True)
    ]  # fmt: skip
    assert len(backend.asked) == 3, "the rest is not tried"
    assert again in told.error and all("busy" in row.error for row in told.readings[2:])
