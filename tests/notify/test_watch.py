"""Another kojimon watched over a real broker: its silence wakes here, its return is told."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from kojimon.settings.spec import (
    HeartbeatSettings,
    PublishSettings,
    Secret,
    ServiceChannel,
    SpeakerSettings,
    WatchedSite,
)
from tests.daemon.running import Running, broker_site, running
from tests.parts.broker import Broker, publish
from tests.parts.receiver import Receiver
from tests.parts.wait import until

SILENT = SpeakerSettings(use=False)


def part(one: Running) -> Any:
    return next(found for found in one.daemon.parts if found.name == "watch")


def test_a_watched_daemon_that_falls_silent_wakes_over_the_watcher_s_channels(tmp_path: Path) -> None:
    with Broker(tmp_path / "mqtt") as broker, Receiver() as receiver:
        (tmp_path / "url").write_text(receiver.url + "\n")
        cellar = broker_site(
            tmp_path / "a", broker.port, site="cellar", heartbeat=HeartbeatSettings(0.1), speaker=SILENT,
            publish=PublishSettings("mqtt"),
        )  # fmt: skip
        attic = broker_site(
            tmp_path / "b", broker.port, site="attic", watch=(WatchedSite("cellar", "mqtt", 1.0),), speaker=SILENT,
            channels=(ServiceChannel("phone", Secret(file=str(tmp_path / "url"))),),
        )  # fmt: skip
        with running(attic) as watcher:
            with running(cellar) as watched:
                until(lambda: watched.daemon.people.heartbeat.sent >= 3)
                until(lambda: part(watcher).facts().silent_s["cellar"] < 0.5)
                watcher.tick()
                assert receiver.got == []

            def told(text: str) -> bool:
                watcher.tick()
                return any(text in got.title for got in receiver.got)

            until(lambda: told("No heartbeat (cellar)"))
            publish(broker, "kojimon/cellar/heartbeat", "{}")
            until(lambda: told("Back to normal"))


def test_what_a_broker_kept_is_no_sign_of_life(tmp_path: Path) -> None:
    with Broker(tmp_path / "mqtt") as broker:
        publish(broker, "kojimon/cellar/heartbeat", "{}", retain=True)
        attic = broker_site(
            tmp_path / "b", broker.port, site="attic", watch=(WatchedSite("cellar", "mqtt", 0.5),), speaker=SILENT
        )
        with running(attic) as watcher:
            until(lambda: part(watcher).facts().links[0].subscribed)

            def silent() -> bool:
                watcher.tick()
                return any(alarm["key"] == "health/site:cellar" for alarm in watcher.client.get("/v1/alarms")["alarms"])

            until(silent)
