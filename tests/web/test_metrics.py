"""The metrics, read by a parser that did not write them: each label comes back, each family has its kind."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as some
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from kojimon.contract.health import ClockHealth, CoreHealth, DaemonHealth, JournalHealth, Parts
from kojimon.contract.state import Document
from kojimon.web.api.metrics import Family, exposed
from tests.parts.statedoc import box, document

HEALTH = DaemonHealth(
    ok=True, version="1.2", pid=1, site="home", clock=ClockHealth(utc="", trusted=True, t_ms=0), stale=[], settings="",
    journal=JournalHealth(
        path="", commits=0, rows=0, waiting_rows=0, dropped_rows=0, refused_chunks=0, busy_s=0.0, sync_last_s=0.0,
        sync_most_s=0.0, trouble="",
    ),
    core=CoreHealth(seq=12, t_ms=0, waiting=0, bytes=0, dropped=3, pipeline={}, unread=0),
    sources={}, parts=Parts(), doors={},
)  # fmt: skip


@given(some.text(max_size=30), some.floats(allow_nan=False, allow_infinity=False))
def test_a_label_comes_back_as_it_was(text: str, value: float) -> None:
    lines = Family("kojimon_alarms", "Said.", "state", "priority").add(value, text, "").lines
    (family,) = text_string_to_metric_families("\n".join([*lines, "# EOF\n"]))
    assert family.samples[0].labels == {"state": text, "priority": ""} and family.samples[0].value == value


def test_kinds_and_units_are_those_of_the_format() -> None:
    state: Document = document(box())
    found = {one.name: one for one in text_string_to_metric_families(exposed(state, HEALTH).decode())}
    assert found["kojimon"].type == "info" and found["kojimon"].samples[0].labels["version"] == "1.2"
    assert found["kojimon_journal_rows"].type == "counter" and found["kojimon_journal_rows"].samples[0].value == 12.0
    assert found["kojimon_temperature_celsius"].unit == "celsius" and found["kojimon_ok"].samples[0].value == 1.0
