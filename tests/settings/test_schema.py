"""The JSON Schema printed for editors says the same as the loader."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from jsonschema import Draft202012Validator  # type: ignore[import-untyped]

from kojimon.document.read import read_text
from kojimon.document.report import Report
from kojimon.document.shapes import FAILED, Map, document_schema
from kojimon.schedule.description import SCHEDULE
from kojimon.settings import load
from kojimon.settings.description import SITE
from kojimon.settings.devices import SOURCES
from tests.document.nearby import JUNK, Validator, as_yaml, near
from tests.parts.size import size

SCHEMAS = [(SITE, load.schema()), (SCHEDULE, document_schema(SCHEDULE, "kojimon schedule"))]
NAMES = ["settings", "schedule"]


@pytest.mark.parametrize(("shape", "schema"), SCHEMAS, ids=NAMES)
def test_the_schema_is_one(shape: Map, schema: dict[str, Any]) -> None:
    Draft202012Validator.check_schema(schema)
    assert set(schema["properties"]) == {field.key for field in shape.fields}
    assert all(part["description"].strip().endswith(".") for part in schema["properties"].values())
    assert json.loads(json.dumps(schema)) == schema


def held_together(shape: Map, schema: dict[str, Any], value: Any) -> None:
    report = Report("f")
    node = read_text(as_yaml(value), report)
    read = shape.read(node, "", report) if node is not None else FAILED
    wrong = [error.message for error in Validator(schema).iter_errors(value)]
    if not wrong:
        assert report.form_faults == 0, (value, report.faults)
    if not report.faults:
        assert read is not FAILED
        assert not wrong, (value, wrong)


@pytest.mark.slow
@pytest.mark.parametrize(("shape", "schema"), SCHEMAS, ids=NAMES)
def test_loader_and_schema_agree(shape: Map, schema: dict[str, Any]) -> None:
    """On values from the schema and near it. What the loader takes the schema takes; what the schema takes has the
    right form for the loader, which may still refuse what a schema cannot say: ranges of values with a unit, names
    that stand for nothing, things that do not go together."""

    @settings(max_examples=size(40, 100), suppress_health_check=list(HealthCheck), deadline=None)
    @given(near(schema))
    def agree(value: Any) -> None:
        held_together(shape, schema, value)

    agree()


def test_loader_and_schema_agree_on_every_field_and_every_junk() -> None:
    """Without chance: each field of the settings with each of a list of awkward values."""
    tried = 0
    for source in SOURCES.value.maps.values():  # type: ignore[attr-defined]
        for field in source.fields:
            schema: dict[str, Any] = {}
            schema = {**field.shape.schema(schema), "$defs": schema}
            for junk in JUNK:
                held_together(_Alone(field.shape), schema, junk)  # type: ignore[arg-type]
                tried += 1
    for shape, schema in SCHEMAS:
        for field in shape.fields:
            for junk in JUNK:
                held_together(shape, schema, {field.key: junk})
                tried += 1
    assert tried > 1000


class _Alone:
    """A shape at the root of a file, where an empty text counts as nothing."""

    def __init__(self, shape: Any) -> None:
        self._shape = shape

    def read(self, node: Any, path: str, report: Report) -> Any:
        return self._shape.read(node, path, report)
