"""What the fields of an act may hold, by whatever door it comes; refused in words, and nothing else is lost with it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from kojimon.contract.acts import TEXT_MOST, PlainAct, act_body
from kojimon.core.fields import checked
from kojimon.errors import RefusedError
from kojimon.publish import ActBody
from tests.web.pages import Door, page

LONG = "x" * (TEXT_MOST + 1)


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    with page(tmp_path_factory.mktemp("fields")) as one:
        one.act("batch.start", name="first")
        yield one


def api(door: Door, kind: str, data: dict[str, Any]) -> tuple[int, str]:
    sent = json.dumps({"kind": kind, "incubator": "box", "data": data}).encode()
    answer = door.ask("POST", "/v1/acts", sent, Content_Type="application/json")
    return answer.status, answer.json.get("error", "")


@pytest.mark.parametrize(
    "kind, data",
    [
        ("batch.note", {"text": "ok", "at_t_ms": "abc"}),
        ("batch.note", {"text": "ok", "at_t_ms": [1]}),
        ("batch.note", {"text": "ok", "at_t_ms": -(2**53)}),
        ("batch.note", {"text": LONG}),
        ("batch.start", {"hour0_ago_s": 1e308}),
        ("batch.start", {"name": {"a": 1}}),
        ("step.done", {"step": "inoculate", "override": LONG}),
        ("alarm.shelve", {"key": "test", "for_s": "abc"}),
        ("alarm.silence", {"key": "test", "for_s": 1e308}),
        ("alarm.out_of_service", {"key": "test", "reason": LONG}),
        ("alarm.probe_test", {"probe": "bed", "rise_k": {}}),
        ("probe.calibrate", {"probe": "bed", "points": [[1.0, 1.0]] * 21}),
        ("probe.calibrate", {"probe": "bed", "points": [["warm", 0.0]]}),
        ("batch.verdict", {"smell_score": 2.5}),
        ("batch.verdict", {"smell_score": True}),
        ("batch.verdict", {"smell_score": "5"}),
        ("batch.harvest", {"yield_kg": {"a": 1}}),
        ("batch.harvest", {"yield_kg": 10**19}),
        ("batch.harvest", {"yield_kg": 10**5000}),
        ("batch.harvest", {"yield_kg": True}),
        ("batch.harvest", {"yield_kg": 0}),
        ("batch.start", {"rice_kg": 200.5}),
        ("step.done", {"step": "mix", "value_c": 148.9}),
        ("step.done", {"step": "mix", "value_c": -5.1}),
        ("batch.harvest", {"other": {"deep": [1]}}),
        ("batch.harvest", {f"f{number}": 1 for number in range(50)}),
        ("batch.harvest", {"n" * 300: 1}),
        ("k" * 300, {}),
    ],
)  # fmt: skip
def test_what_no_field_may_hold_is_refused_and_the_readings_beside_it_stay(
    door: Door, kind: str, data: dict[str, Any]
) -> None:
    door.live.put("k/bed", 30.0)
    if any(isinstance(value, int) and value > 10**4000 for value in data.values()):
        text = '{"kind": "batch.harvest", "incubator": "box", "data": {"yield_kg": 1' + "0" * 5000 + "}}"
        answer = door.ask("POST", "/v1/acts", text.encode(), Content_Type="application/json")
        assert answer.status in (400, 409), answer.body
    else:
        status, words = api(door, kind, data)
        assert status == 409 and 10 < len(words) < 200, words
    door.live.tick(1)
    door.live.commit()
    state = door.live.client.get("/v1/state")
    assert state["incubators"][0]["batch"]["name"] == "first"
    last = door.live.client.get("/v1/series", probe="bed", **{"from": state["t_ms"] - 1_500})["series"][0]["rows"]
    assert last, "the reading beside the act is gone"


def test_one_limit_for_page_api_local_socket_and_the_command_without_a_daemon(door: Door, tmp_path: Path) -> None:
    wanted = f"{TEXT_MOST:,} are the most"
    assert wanted in api(door, "batch.note", {"text": LONG})[1]
    assert wanted in door.act("batch.note", text=LONG).json["error"]
    with pytest.raises(RefusedError, match=wanted):
        door.live.client.act({"kind": "batch.note", "incubator": "box", "data": {"text": LONG}})
    with pytest.raises(RefusedError, match=wanted):
        door.live.daemon.house.act(PlainAct("batch.note", "box", "me", "cli", "", {"text": LONG}))
    assert api(door, "batch.note", {"text": LONG[1:]})[0] == 200


@pytest.mark.parametrize(
    "sent, words",
    [
        (b'{"kind": "\xff"}', "utf-8"),
        (b'{"kind": "batch.note", "data": {"a":' + b"[" * 30_000 + b"]" * 30_000 + b"}}", "while de"),
        (b'{"kind": "batch.note", "kind": "batch.discard", "data": {}}', "`kind` stands there twice"),
        (b'{"kind": "step.done", "data": {"step": "a", "\\u0073tep": "b"}}', "`step` stands there twice"),
        (b'{"kind": "batch.note", "data": {"text": NaN}}', "invalid"),
        (b'{"kind": "batch.note", "data": {"text": "\\ud800"}}', "truncated"),
    ],
    ids=["bytes", "depth", "twins", "hidden twins", "nan", "surrogate"],
)  # fmt: skip
def test_what_cannot_be_read_in_one_way_is_refused(
    door: Door, sent: bytes, words: str, caplog: pytest.LogCaptureFixture
) -> None:
    answer = door.ask("POST", "/v1/acts", sent, Content_Type="application/json")
    assert answer.status == 400 and words in answer.json["error"].lower()
    assert not [record for record in caplog.records if record.exc_info]
    with pytest.raises(ValueError, match=r"."):
        act_body(sent, ActBody)
    assert door.live.client.get("/v1/state")["incubators"][0]["batch"]["name"] == "first"


def test_what_is_said_never_repeats_what_was_too_long() -> None:
    with pytest.raises(RefusedError) as said:
        checked(PlainAct("batch.note", "box", "x" * 5_000))
    assert len(str(said.value)) < 150
    with pytest.raises(RefusedError) as said:
        checked(PlainAct("step.undo", "box", data={"mark": int("9" * 400)}))
    assert len(str(said.value)) < 150


@pytest.mark.parametrize(("value_c", "taken"), [(31.0, True), (130.0, True), (212.0, False), (-40.0, False)])
def test_what_no_kitchen_thermometer_shows_is_refused(value_c: float, taken: bool) -> None:
    """212 is water that boils in °F; as °C it would pass for hot rice."""
    act = PlainAct("step.done", "box", data={"step": "inoculate", "value_c": value_c})
    if taken:
        assert checked(act).kind == "step.done"
    else:
        with pytest.raises(RefusedError, match="°F"):
            checked(act)
