"""GET /v1/openapi.json: the API described (OpenAPI 3.1), held against the server by a test."""

from __future__ import annotations

import inspect
import re
from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType
from typing import Any, Final

import msgspec

from kojimon import __version__
from kojimon.contract import events
from kojimon.contract.acts import OF_KIND
from kojimon.contract.health import DaemonHealth
from kojimon.contract.rows import Batch, ListedProbe
from kojimon.contract.state import Document as StateDocument
from kojimon.contract.state import ListedAlarm
from kojimon.journal.reading.facts import JournalFacts
from kojimon.web.api import readings

Document = dict[str, Any]
TEXT: Final[Document] = {"type": "string"}
INT: Final[Document] = {"type": "integer"}
TRUE: Final[Document] = {"type": "boolean"}
NUMBER: Final[Document] = {"type": "number"}
MOMENT: Final[Document] = {"anyOf": [{**TEXT, "format": "date-time"}, {**INT, "minimum": 0, "maximum": 2**53}]}


@lru_cache(maxsize=1)
def encoded() -> bytes:
    """The whole description as JSON."""
    return msgspec.json.encode(description())


def description() -> Document:
    """The whole description as plain data."""
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "kojimon",
            "version": __version__,
            "summary": "State, readings, events and acts of a koji incubation monitor.",
            "description": "Times are engine milliseconds (`t_ms`) with UTC beside them (`utc`). °C and % throughout. "
            "kojimon is no safety cut-out and cannot tell whether koji is safe to eat.",
            "license": {"name": "MIT", "identifier": "MIT"},
        },
        "servers": [{"url": "/"}],
        "security": [{}, {"token": []}],
        "paths": _paths(),
        "components": {
            "schemas": _schemas(),
            "securitySchemes": {"token": {"type": "http", "scheme": "bearer"}},
        },
    }


def _paths() -> Document:
    batch = _query("batch", "id of a batch")
    return {
        "/v1/state": _get("The state document: boxes, batches, values, steps, alarms.", "State"),
        "/v1/health": _get("How the daemon itself is.", "Health"),
        "/v1/alarms": _get("Alarms that are up, with their box.", "Alarms"),
        "/v1/probes": _get("What is measured, by whom, how fresh.", "Probes"),
        "/v1/batches": _get("Batches, the oldest first.", "Batches", [_query("incubator", "name of a box")], (400,)),
        "/v1/batches/{id}": _get("One batch.", "BatchAlone", [_path("id", "id of a batch")], (400, 404)),
        "/v1/events": _get(
            "Events by number.", "Events",
            [_query("after", "number of the last one seen", {**INT, "minimum": 0, "maximum": 2**53}), batch,
             _query("kinds", "kinds, separated by commas"),
             _query("limit", "how many at most", {**INT, "minimum": 1, "maximum": 1000})],
            (400,),
        ),
        "/v1/series": _get(
            "Readings of a probe or a place: page by page, or the lowest and highest of equal stretches.", "Series",
            [_query("probe", "names, separated by commas"), _query("place", "bed, air, room or wet-bulb"),
             _query("quantity", "temperature or humidity"), _query("incubator", "name of a box"), batch,
             _query("from", "ISO 8601 with zone, or engine ms", MOMENT),
             _query("to", "ISO 8601 with zone, or engine ms", MOMENT),
             _query("points", "so many stretches at most", {**INT, "minimum": 1, "maximum": 5000}),
             _query("after", "go on from this engine ms", {**INT, "minimum": 0, "maximum": 2**53}),
             _query("limit", "readings a page", {**INT, "minimum": 1, "maximum": 5000})],
            (400, 404),
        ),
        "/v1/curve": _get(
            "What is drawn of a batch: the open one, or the latest.", "DrawnCurve",
            [batch, _query("incubator", "name of a box"),
             _query("last", "only so many hours before its end", {**NUMBER, "minimum": 0.1, "maximum": 1000}),
             _query("points", "so many points a curve at most", {**INT, "minimum": 1, "maximum": 5000}),
             _query("unit", "c or f, for the words of its marks", {**TEXT, "enum": ["c", "f"]})],
            (400, 404),
        ),
        "/v1/journal": _get("The journal: its size, how far it has got.", "Journal"),
        "/v1/acts": {"post": _acts()},
        "/v1/readings": {"post": _posted(
            "Readings by hand, each with its own time: the same idempotency key twice is done once.", "readings",
            "Readings", "ReadingsTaken", (400, 401, 403, 411, 413, 429),
            "What came of each, in their order: one that is refused keeps none of the others out.",
            {"503": "Some could not be taken now, those with `later`; or the whole could not be looked at."},
        )},
        "/v1/openapi.json": _get("This description.", None),
        "/metrics": {"get": {
            "summary": "Values, ages and alarms for a scraper.", "operationId": "metrics",
            "responses": {"200": {"description": "OpenMetrics 1.0 text.",
                                  "content": {"application/openmetrics-text": {"schema": TEXT}}}},
        }},
    }  # fmt: skip


def _get(
    summary: str, schema: str | None, parameters: list[Document] | None = None, errors: tuple[int, ...] = (400,)
) -> Document:
    shape: Document = {"$ref": f"#/components/schemas/{schema}"} if schema else {"type": "object"}
    word = "".join(char for char in re.split("[:.]", summary, maxsplit=1)[0].title() if char.isalnum())
    tag = {"ETag": {"description": "Send it back as If-None-Match.", "schema": TEXT}}
    answers: Document = {
        "200": {"description": "As asked.", "headers": tag, "content": {"application/json": {"schema": shape}}},
        "304": {"description": "Nothing new since the tag sent as If-None-Match."},
    }
    answers |= {str(status): _problem() for status in (*errors, 401, 429, 503)}
    return {"get": {
        "summary": summary, "operationId": word, "parameters": parameters or [], "responses": answers,
    }}  # fmt: skip


def _acts() -> Document:
    summary = "Do an act; kojimon/contract/README.md lists them. The same idempotency key twice is done once."
    return _posted(summary, "act", "Act", "Done", (400, 401, 403, 409, 411, 413, 429, 503))


def _posted(
    summary: str, name: str, takes: str, gives: str, errors: tuple[int, ...],
    done: str = "Done, and on the disk.", partly: Mapping[str, str] = MappingProxyType({}),
) -> Document:  # fmt: skip
    content = {"application/json": {"schema": _ref(gives)}}
    either = {"application/json": {"schema": {"anyOf": [_ref(gives), _ref("Problem")]}}}
    answers = {"200": {"description": done, "content": content}}
    answers |= {status: {"description": text, "content": either} for status, text in partly.items()}
    return {
        "summary": summary,
        "operationId": name,
        "parameters": [{"name": "Idempotency-Key", "in": "header", "schema": TEXT, "required": False}],
        "requestBody": {
            "required": True,
            "content": {"application/json": {"schema": _ref(takes)}},
        },
        "responses": {**answers, **{str(status): _problem() for status in errors}},
    }


def _problem() -> Document:
    content = {"application/json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
    return {"description": "What is wrong and what is expected, in words.", "content": content}


def _query(name: str, text: str, schema: Document | None = None) -> Document:
    return {"name": name, "in": "query", "required": False, "description": text, "schema": schema or TEXT}


def _path(name: str, text: str) -> Document:
    return {"name": name, "in": "path", "required": True, "description": text, "schema": {**TEXT, "minLength": 1}}


def _object(required: Document, **more: Document) -> Document:
    return {"type": "object", "required": sorted(required), "properties": {**required, **more}}


def _list(items: Document) -> Document:
    return {"type": "array", "items": items}


def _maybe(schema: Document) -> Document:
    return {"anyOf": [schema, {"type": "null"}]}


def _ref(name: str) -> Document:
    return {"$ref": f"#/components/schemas/{name}"}


def _records() -> Document:
    """Schemas of answers that are records, made of these.

    In an answer every field stands, whatever a record fills in for a reader; so all are required here.
    """
    template = "#/components/schemas/{name}"
    answers = [StateDocument, ListedAlarm, Batch, ListedProbe, DaemonHealth, JournalFacts, readings.Answer]
    _, found = msgspec.json.schema_components(answers, ref_template=template)
    for schema in found.values():
        schema["description"] = inspect.cleandoc(schema["description"])
        schema["required"] = sorted(schema["properties"])
        for one in schema["properties"].values():
            one.pop("default", None)
    own = {"Document": "State", "DaemonHealth": "Health", "JournalFacts": "Journal", "Answer": "ReadingsTaken"}
    return {own.get(name, name): schema for name, schema in found.items()}


def _readings_told() -> Document:
    """Schemas of what POST /v1/readings takes."""
    template = "#/components/schemas/{name}"
    _, found = msgspec.json.schema_components([readings.Body[readings.HandReading]], ref_template=template)
    return {"Readings": found.pop("Body_HandReading_"), **found}


def _acts_told() -> Document:
    """Schemas of what POST /v1/acts takes: for each kind its own fields."""
    template = "#/components/schemas/{name}"
    data, found = msgspec.json.schema_components(OF_KIND.values(), ref_template=template)
    for schema in found.values():
        schema["description"] = inspect.cleandoc(schema["description"])
        schema["additionalProperties"] = False  # the doors refuse what they do not know
        for name, one in schema["properties"].items():  # and take null for what is absent (`deed_of`)
            schema["properties"][name] = one if {"type": "null"} in one.get("anyOf", ()) else _maybe(one)
    kinds = [
        {**_object({"kind": {"const": kind}}, incubator=TEXT, who=TEXT, channel=TEXT, idempotency=TEXT, data=ref),
         "additionalProperties": False}
        for kind, ref in zip(OF_KIND, data, strict=True)
    ]  # fmt: skip
    return {**found, "Act": {"oneOf": kinds}}


def _events_told() -> Document:
    """Schemas of events: for each kind its own fields; a kind of another version has any."""
    template = "#/components/schemas/Stated{name}"
    data, found = msgspec.json.schema_components(events.OF_KIND.values(), ref_template=template)
    for schema in found.values():
        schema["description"] = inspect.cleandoc(schema["description"])
    whose = {"no": INT, "t_ms": INT, "incubator": TEXT, "batch": TEXT, "key": TEXT}
    names: list[Document] = [{"const": kind} for kind in events.OF_KIND]
    names.append({**TEXT, "not": {"enum": list(events.OF_KIND)}})
    facts: list[Document] = [*data, {"type": "object"}]
    told = zip(names, facts, strict=True)
    kinds = [_object({**whose, "kind": kind, "data": ref}, utc=_maybe(TEXT)) for kind, ref in told]
    return {**{f"Stated{name}": schema for name, schema in found.items()}, "Event": {"oneOf": kinds}}


def _schemas() -> Document:
    """What the records say, and by hand what is plain data all the way."""
    row = _list({"type": ["integer", "number", "string", "null"]})
    curve = _object({"probe": TEXT, "columns": _list(TEXT), "rows": _list(row)}, after=_maybe(INT), unit=TEXT)
    return {
        **_records(),
        "Alarms": _object({"alarms": _list(_ref("ListedAlarm"))}),
        "Probes": _object({"probes": _list(_ref("ListedProbe"))}),
        "Batches": _object({"batches": _list(_ref("Batch"))}),
        "BatchAlone": _object({"batch": _ref("Batch")}),
        **_events_told(),
        "Events": _object({"events": _list(_ref("Event")), "after": INT, "more": TRUE}),
        "Series": _object({"series": _list(curve), "from_t_ms": INT, "to_t_ms": INT}),
        "DrawnCurve": _object({"batch": TEXT, "unit": TEXT, "zone": TEXT, "sheet": _object(
            {"title": TEXT, "from_h": NUMBER, "to_h": NUMBER, "tracks": _list({"type": "object"}),
             "bands": _list({"type": "object"}), "windows": _list({"type": "object"}),
             "marks": _list({"type": "object"}), "inoculated": TRUE, "clock_sure": TRUE},
            now_h=_maybe(NUMBER), fan=_maybe({"type": "object"}), earlier=_maybe({"type": "object"}),
        )}),
        **_acts_told(),
        **_readings_told(),
        "Done": _object({"seq": INT, "events": _list(_ref("Event")), "repeated": TRUE, "recorded": TRUE}),
        "Problem": _object({"error": TEXT}, wanted=TEXT, exit=INT),
    }  # fmt: skip
