"""Whether the probe is back, in a whole daemon: asked with the work, the judge told at once and after a restart."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from kojimon import engine
from kojimon.clock import ManualClock
from kojimon.probes.judging.neighbours import Closer
from tests.daemon.running import WALL_MS, Running, broker_site, running
from tests.parts.inputs import says
from tests.parts.opened import reading


def judged(one: Running) -> Closer | None:
    """What the judge of the box has been told."""
    closer: Closer | None = one.daemon.house._pipeline._incubators["box"]._closer
    return closer


def question(one: Running) -> Any:
    return one.client.get("/v1/state")["incubators"][0]["question"]


def test_asked_answered_restarted_and_replayed(tmp_path: Path) -> None:
    settings, clock = broker_site(tmp_path), ManualClock(WALL_MS)
    with running(settings, clock) as one:
        one.act("batch.start", id="b1", name="first")
        one.act("step.done", step="inoculate", override="by hand")
        one.tick(15 * 3600)
        done = one.act("step.done", step="mix", override="by hand")
        asked = next(event for event in done["events"] if event["kind"] == "probe-back")
        assert asked["key"] == "asked" and judged(one) == Closer(asked["t_ms"], asked["data"]["until_ms"])
        assert question(one)["until_utc"].startswith("20"), "the door adds the time of day"
        one.commit()
    with running(settings, clock) as one:
        assert judged(one) == Closer(asked["t_ms"], asked["data"]["until_ms"]), "a restart forgets no question"
        one.tick(60)
        said = one.act("probe.back")["events"]
        assert [event["key"] for event in said if event["kind"] == "probe-back"] == ["said"]
        closer = judged(one)
        assert closer is not None and closer.until_ms == said[0]["t_ms"] and question(one) is None
        one.commit()
    reader = reading(Path(settings.journal.path))
    rows, horizon_ms = list(reader.rows_after(0)), reader.horizon_ms()
    stored = [(e.t_ms, e.kind, e.key, says(e)) for e in reader.events(0, limit=100_000) if e.kind == "probe-back"]
    reader.close()
    _, outcome = engine.advance(engine.initial_state(), rows, horizon_ms)
    assert [(e.t_ms, e.kind, e.key, says(e)) for e in outcome.events if e.kind == "probe-back"] == stored
    assert [key for _, _, key, _ in stored] == ["asked", "said"]
