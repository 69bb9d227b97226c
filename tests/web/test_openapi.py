"""The description of the API held against the server: every address in it answers as it says, and none is missing."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote, urlencode

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator

from kojimon.contract import health
from kojimon.contract.acts import OF_KIND, deed_of
from kojimon.web.api.app import create_app
from kojimon.web.api.openapi import description
from tests.parts.size import size
from tests.web.pages import Door, page

METHODS = ("get", "post", "put", "patch", "delete")
RECORDS = (
    "Box", "OpenBatch", "Stage", "Place", "Extreme", "Probe", "Derived", "Band", "Pending", "Step", "Mark", "Gate",
    "Next", "Question", "Foreseen", "Alarm", "Now", "Units",
)  # fmt: skip


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    with page(tmp_path_factory.mktemp("api")) as one:
        one.act("batch.start", name="first", rice_kg="2")
        one.live.put("k/bed", 31.0)
        one.live.tick(10)
        one.act("step.done", step="inoculate")
        for minute in range(10):
            one.live.put("k/bed", 31.0 + minute / 10)
            one.live.tick(60)
        one.act("alarm.test", text="hello")
        one.live.commit()
        yield one


def validator(shape: dict[str, Any]) -> Draft202012Validator:
    """OpenAPI 3.1 schemas are JSON Schema 2020-12 (OpenAPI Specification 3.1.0, 4.8.24)."""
    resolved = {**shape, "components": description()["components"]}
    return Draft202012Validator(resolved)


def answers(path: str, method: str, status: int) -> dict[str, Any] | None:
    found = description()["paths"][path][method]["responses"].get(str(status))
    assert found is not None, f"{method} {path}: {status} is not described"
    content = found.get("content", {}).get("application/json")
    return content["schema"] if content else None


def ask(door: Door, path: str) -> Any:
    where = path.format(id=door.live.client.get("/v1/batches")["batches"][0]["id"])
    query = {"/v1/series": "?place=bed&points=5", "/v1/events": "?limit=5"}.get(path, "")
    return door.get(where + query)


def test_the_description_is_served(door: Door) -> None:
    assert door.get("/v1/openapi.json").json == json.loads(json.dumps(description()))
    assert description()["openapi"].startswith("3.1.")


def test_it_describes_every_address_of_the_api_and_no_other(door: Door) -> None:
    routes = {route.path_format: route.methods for route in create_app(None).routes}  # type: ignore[arg-type, attr-defined]
    wanted = {(path, method.lower()) for path, methods in routes.items() for method in methods - {"HEAD"}}
    wanted |= {("/v1/openapi.json", "get"), ("/metrics", "get"), ("/v1/curve", "get")}
    described = {
        (path, method) for path, item in description()["paths"].items() for method in item if method in METHODS
    }
    assert described == wanted


def test_names_of_operations_are_their_own() -> None:
    names = [item[method]["operationId"] for item in description()["paths"].values() for method in item]
    assert len(set(names)) == len(names)


def test_every_reference_leads_somewhere() -> None:
    schemas = description()["components"]["schemas"]
    references = re.findall(r'"#/components/schemas/(\w+)"', json.dumps(description()))
    assert set(references) <= set(schemas)
    assert set(schemas) <= set(references)
    for shape in schemas.values():
        Draft202012Validator.check_schema(shape)


POSTED = ("/v1/acts", "/v1/readings", "/metrics")


@pytest.mark.parametrize("path", [path for path in description()["paths"] if path not in POSTED])
def test_answers_are_as_described(door: Door, path: str) -> None:
    answer = ask(door, path)
    assert answer.status == 200
    shape = answers(path, "get", 200)
    assert shape is not None
    validator(shape).validate(answer.json)


def test_the_state_has_no_field_that_is_not_described_and_lacks_none(door: Door) -> None:
    closed = json.loads(json.dumps(description()["components"]["schemas"]))
    for name in ("State", *RECORDS):
        assert sorted(closed[name]["properties"]) == closed[name]["required"]
        closed[name]["additionalProperties"] = False
    shape = {"$ref": "#/components/schemas/State", "components": {"schemas": closed}}
    state = door.get("/v1/state").json
    assert state["alarms"] and state["incubators"][0]["batch"] and state["incubators"][0]["steps"][0]["marks"] == []
    Draft202012Validator(shape).validate(state)


def test_the_health_has_no_field_that_is_not_described_but_what_a_source_adds(door: Door) -> None:
    closed = json.loads(json.dumps(description()["components"]["schemas"]))
    for name in (one.__name__ for one in vars(health).values() if isinstance(one, type)):
        if name in closed and name != "SourceHealth":
            assert sorted(closed[name]["properties"]) == closed[name]["required"]
            closed[name]["additionalProperties"] = False
    closed["Health"]["additionalProperties"] = False
    told = door.get("/v1/health").json
    assert told["parts"]["notify"]["night_check"] and told["parts"]["publish"] is None
    shape = {"$ref": "#/components/schemas/Health", "components": {"schemas": closed}}
    Draft202012Validator(shape).validate(told)


@pytest.mark.parametrize(
    ("path", "query"),
    [
        ("/v1/state", "?x=1"),
        ("/v1/events", "?limit=0"),
        ("/v1/series", ""),
        ("/v1/series", "?place=nowhere"),
        ("/v1/batches", "?nonsense=1"),
        ("/v1/journal", "?x=1"),
        ("/v1/curve", "?unit="),
        ("/v1/curve", "?last=nan"),
        ("/v1/curve", "?points=0"),
    ],
)
def test_wrong_questions_are_answered_as_described(door: Door, path: str, query: str) -> None:
    answer = door.get(path + query)
    assert answer.status == (404 if "nowhere" in query else 400)
    shape = answers(path, "get", answer.status)
    assert shape is not None
    validator(shape).validate(answer.json)


@pytest.mark.parametrize("kind", OF_KIND)
def test_a_field_of_an_act_that_is_null_counts_as_absent_and_may_be_so(kind: str) -> None:
    nothing = dict.fromkeys(OF_KIND[kind].__struct_encode_fields__)
    assert deed_of(kind, nothing) == OF_KIND[kind]()
    validator({"$ref": "#/components/schemas/Act"}).validate({"kind": kind, "data": nothing})


def test_acts_are_as_described(door: Door) -> None:
    own = {"Content_Type": "application/json"}
    done = door.ask("POST", "/v1/acts", b'{"kind": "alarm.test"}', **own)
    wrong = door.ask("POST", "/v1/acts", b'{"kind": 1}', **own)
    refused = door.ask("POST", "/v1/acts", b'{"kind": "batch.start", "incubator": "box"}', **own)
    for answer, status in ((done, 200), (wrong, 400), (refused, 409)):
        assert answer.status == status
        shape = answers("/v1/acts", "post", status)
        assert shape is not None
        validator(shape).validate(answer.json)


FIELDS = ["after", "batch", "kinds", "limit", "probe", "place", "quantity", "incubator", "from", "to", "points", "x"]
VALUES = ["bed", "air", "0", "-1", "1e9", "2026-01-01T00:00:00Z"]
QUERY = st.dictionaries(
    st.sampled_from(FIELDS), st.text(max_size=30) | st.integers().map(str) | st.sampled_from(VALUES), max_size=4
)
PATHS = ["/v1/state", "/v1/events", "/v1/series", "/v1/curve", "/v1/batches", "/v1/batches/{id}", "/v1/probes",
         "/v1/journal"]  # fmt: skip
FUZZ = settings(max_examples=size(30, 100), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


@FUZZ
@given(st.sampled_from(PATHS), QUERY, st.text(min_size=1, max_size=12))
def test_whatever_is_asked_the_answer_is_described(door: Door, path: str, query: dict[str, str], name: str) -> None:
    answer = door.get(f"{path.format(id=quote(name, safe=''))}?{urlencode(query)}")
    if answer.status == 404 and not answers_json(answer):
        return
    assert answer.status < 500, answer.text
    shape = answers(path, "get", answer.status)
    if shape is not None:
        validator(shape).validate(answer.json)


@pytest.mark.parametrize("name", ["/", "//", "a/b", "a/", "\n", "."])
def test_an_id_that_is_no_plain_word_is_one_nobody_has(door: Door, name: str) -> None:
    """Answered as described, never sent elsewhere: `%2F` looked like a slash too many."""
    answer = door.get(f"/v1/batches/{quote(name, safe='')}")
    assert answer.status == 404
    validator(answers("/v1/batches/{id}", "get", 404)).validate(answer.json)


def answers_json(answer: Any) -> bool:
    return bool(answer.headers.get("content-type", "").startswith("application/json"))


PLAIN = st.none() | st.booleans() | st.floats() | st.text(max_size=20)
NAMES = st.sampled_from(["kind", "incubator", "data", "who", "x"])
BODY = st.recursive(PLAIN, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(NAMES, inner, max_size=4))


@FUZZ
@given(st.binary(max_size=200) | BODY.map(lambda value: json.dumps(value).encode()))
def test_whatever_is_sent_as_an_act_the_answer_is_described(door: Door, body: bytes) -> None:
    answer = door.ask("POST", "/v1/acts", body, Content_Type="application/json")
    assert answer.status < 500, answer.text
    shape = answers("/v1/acts", "post", answer.status)
    if shape is not None:
        validator(shape).validate(answer.json)
