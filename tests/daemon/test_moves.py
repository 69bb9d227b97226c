"""A probe moved to another tray in a whole daemon: the journal's places, the judge, a restart, the end of the batch."""

from __future__ import annotations

import json
from pathlib import Path

from msgspec.structs import replace

from kojimon.clock import ManualClock
from kojimon.settings.spec import MqttSource, Probe, PublishSettings, Secret, Settings
from tests.daemon.running import WALL_MS, Running, broker_site, running
from tests.parts.broker import Broker, publish
from tests.parts.opened import reading
from tests.parts.wait import until

EVERY_S = 10


def two_trays(folder: Path) -> Settings:
    plain = broker_site(folder)
    boxes = tuple(replace(box, trays=("top", "bottom")) for box in plain.incubators)
    probes = tuple(replace(probe, tray="top") if probe.place == "bed" else probe for probe in plain.probes)
    return replace(plain, incubators=boxes, probes=probes)


def bed_of(settings: Settings) -> Probe:
    return next(probe for probe in settings.probes if probe.place == "bed" and probe.quantity == "temperature")


def show(one: Running, probe: Probe, values: list[float]) -> None:
    for value in values:
        one.put(probe.topic, value)
        one.tick(EVERY_S)


def tray(one: Running, probe: Probe) -> str:
    rows = one.client.get("/v1/state")["incubators"][0]["probes"]
    return str(next(row["tray"] for row in rows if row["name"] == probe.name))


def stored(settings: Settings, probe: Probe) -> list[tuple[int, str]]:
    reader = reading(Path(settings.journal.path))
    no = next(row.no for row in reader.probes() if row.name == probe.name)
    found = [(site.from_seq, site.tray) for site in reader.placings() if site.probe == no]
    reader.close()
    return found


def verdicts(settings: Settings, probe: Probe) -> list[int]:
    reader = reading(Path(settings.journal.path))
    no = next(row.no for row in reader.probes() if row.name == probe.name)
    found = [row[5] for page in reader.stored_pages(0) for row in page if row[2] == no]
    reader.close()
    return found


def test_a_move_is_in_force_at_once_after_a_restart_and_until_the_batch_ends(tmp_path: Path) -> None:
    settings = two_trays(tmp_path)
    probe, clock = bed_of(settings), ManualClock(WALL_MS)
    with running(settings, clock) as one:
        one.act("batch.start", id="b1", name="first")
        show(one, probe, [38.0] * 12)
        moved = one.act("probe.move", probe=probe.name, tray="bottom")
        show(one, probe, [29.0, 33.0, 33.1])
        assert tray(one, probe) == "bottom"
        one.commit()
    assert stored(settings, probe) == [(0, "top"), (moved["seq"], "bottom")]
    with running(settings, clock) as one:
        assert tray(one, probe) == "bottom"
        show(one, probe, [33.1, 33.2, 38.0, 33.2])  # still settling: no step is a fault
        one.commit()
        assert stored(settings, probe) == [(0, "top"), (moved["seq"], "bottom")]
        assert set(verdicts(settings, probe)) == {0}
        ended = one.act("batch.discard", reason="over")
        assert tray(one, probe) == "top"
        one.commit()
        assert stored(settings, probe) == [(0, "top"), (moved["seq"], "bottom"), (ended["seq"], "top")]


def test_settings_that_name_another_tray_end_the_move(tmp_path: Path) -> None:
    settings = two_trays(tmp_path)
    probe, clock = bed_of(settings), ManualClock(WALL_MS)
    boxes = tuple(replace(box, trays=("top", "bottom", "low")) for box in settings.incubators)
    with running(replace(settings, incubators=boxes), clock) as one:
        one.act("batch.start", id="b1", name="first")
        one.act("probe.move", probe=probe.name, tray="bottom")
        one.commit()
    other = tuple(replace(row, tray="low") if row.name == probe.name else row for row in settings.probes)
    changed = replace(settings, incubators=boxes, probes=other)
    with running(changed, clock) as one:
        one.commit()
        assert tray(one, probe) == "low"
        assert [where for _, where in stored(changed, probe)] == ["top", "bottom", "low"]


def test_a_button_on_the_broker_moves_a_probe(tmp_path: Path) -> None:
    """Over a real Mosquitto that wants a user and a password."""
    with Broker(tmp_path / "broker", users={"box": "steam"}) as broker:
        (tmp_path / "word").write_text("steam", encoding="utf-8")
        (tmp_path / "word").chmod(0o600)
        source = MqttSource("mqtt", "127.0.0.1", broker.port, user="box", password=Secret(file=str(tmp_path / "word")))
        settings = replace(
            two_trays(tmp_path), sources=(source,), publish=PublishSettings("mqtt", accept_acts=True)
        )  # fmt: skip
        probe = bed_of(settings)
        body = json.dumps({"kind": "probe.move", "data": {"probe": probe.name, "tray": "bottom"}, "idempotency": "b1"})
        with running(settings) as one:
            one.act("batch.start", id="b1", name="first")

            def pressed() -> bool:
                publish(broker, "kojimon/home/box/act", body, user="box", password="steam")
                one.tick(1)
                return tray(one, probe) == "bottom"

            until(pressed)
            one.commit()  # the state is of memory, events are of the journal
            moved = [event for event in one.client.get("/v1/events")["events"] if event["kind"] == "probe-moved"]
            assert [(event["key"], event["data"]["channel"]) for event in moved] == [(probe.name, "mqtt")]
