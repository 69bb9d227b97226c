"""Yesterday's journal, settings and schedules mean today what they meant, but for what was changed on purpose."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
import yaml

from kojimon.contract import earlier
from kojimon.contract.events import OF_KIND
from kojimon.settings.description import SITE
from kojimon.settings.load import load_settings
from tests.golden import meaning

VERSIONS = sorted(path for path in meaning.GOLDEN.iterdir() if path.is_dir())


@pytest.mark.parametrize("version", VERSIONS, ids=lambda version: version.name)
def test_the_golden_files_mean_what_they_meant(version: Path, tmp_path: Path) -> None:
    """`python -m tests.golden.show` prints every difference. One made on purpose goes into `accepted.yaml`."""
    found, known = meaning.differences(version, tmp_path), meaning.accepted(version)
    assert [line for line in found if not meaning.reason_of(line, known)] == []
    idle = [one for one in known if not any(meaning.reason_of(line, [one]) for line in found)]
    assert idle == [], "these fit no difference any more: take them out"


@pytest.mark.parametrize("version", VERSIONS, ids=lambda version: version.name)
def test_every_field_of_a_golden_event_has_its_place_in_a_record(version: Path) -> None:
    for line in (version / "events.jsonl").read_text().splitlines():
        event = earlier.plain(json.loads(line))
        assert set(event["data"]) <= set(OF_KIND[event["kind"]].__struct_encode_fields__), event


@pytest.mark.parametrize("version", VERSIONS, ids=lambda version: version.name)
def test_the_golden_journal_holds_a_whole_batch(version: Path) -> None:
    events = [json.loads(line) for line in (version / "events.jsonl").read_text().splitlines()]
    kinds = {event["kind"] for event in events}
    assert kinds >= {"batch-start", "batch-harvest", "probe-moved", "calibration", "verdict", "task-undone", "refused",
                     "forecast", "probe-back", "mix-guess", "summary"}  # fmt: skip
    assert [event["data"]["clean"] for event in events if event["kind"] == "start"] == [True, True, False]
    rung = {event["key"] for event in events if event["kind"] == "alarm" and event["data"]["event"] == "on"}
    assert rung >= {"limit/bed/temperature/high", "time-to-limit/bed/temperature", "silent/bed-2", "test"}


def test_the_fullest_settings_name_everything_there_is_to_set() -> None:
    named = yaml.safe_load(meaning.EVERYTHING.read_text())
    assert set(named) == {field.key for field in SITE.fields}
    load_settings(meaning.EVERYTHING)


def test_a_difference_is_found_named_and_accepted_with_its_reason(tmp_path: Path) -> None:
    was = [{"t_ms": 1, "kind": "alarm", "key": "box/hot", "data": {"event": "on", "level": "high"}},
           {"t_ms": 2, "kind": "stage", "key": "growing", "data": {"label": "Growing"}}]  # fmt: skip
    now = [{"t_ms": 5, "kind": "stage", "key": "growing", "data": {"label": "Warm", "more": 1}}]
    found = list(meaning.changed_events(was, now))
    assert found == [
        "gone: alarm box/hot on at 1",
        "stage growing: t_ms 2 -> 5",
        'stage growing: data.label "Growing" -> "Warm"',
    ]
    known = [("gone: alarm box/hot *", "not judged there any more")]
    assert [meaning.reason_of(line, known) for line in found] == ["not judged there any more", "", ""]
    probes = [{"name": "a", "v": 1}, {"name": "b", "v": 2.0}]
    named = meaning.changed({"probes": probes}, {"probes": [{"name": "b", "v": 2}]})
    assert list(named) == ['probes.a is gone, was {"name": "a", "v": 1}']
