"""The card dies in the night, the probes speak over a real Mosquitto at QoS 1: whoever sleeps must be got up.

The koji goes to 45 °C after the card has died; more messages come than a broker keeps unacknowledged (100).
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from kojimon.clock import real_s
from kojimon.core import loop
from kojimon.daemon import run
from kojimon.journal.reading.reader import Reader
from kojimon.journal.writing import storage, writer
from kojimon.settings.spec import CommandChannel, JournalSettings
from tests.daemon.running import Running, broker_site, running
from tests.parts.broker import Broker
from tests.parts.card import Card, new_card
from tests.parts.wait import until

HOT = "box/limit/bed/temperature/high"
FAULTS: dict[str, tuple[Callable[[Card], Any], *tuple[str, ...]]] = {
    "full": (Card.fill, "The card is full. Free some space"),
    "read-only": (Card.make_read_only, "The card is read-only. Check it, or change it"),
    # What is told is what was last seen: on the next try the file cannot even be opened.
    "failing": (Card.break_down, "The card cannot be written. Check it, or change it", "The journal cannot be opened"),
    "hung": (Card.freeze, "The card does not answer. Check it, or change it"),
}


class Kitchen:
    """A daemon whose journal lies on a card, with a phone that notes what reaches it."""

    def __init__(self, one: Running, client: Client, calls: Path) -> None:
        self.one, self._client, self._calls, self.sent = one, client, calls, 0

    def say(self, koji_c: float) -> None:
        """One round of readings by MQTT, and what the engine makes of them ten seconds later."""
        values = {"bed": koji_c, "bed-2": koji_c - 1, "bed-3": koji_c - 1, "air": 31, "air-humidity": 90, "room": 20}
        for topic, value in values.items():
            self._client.publish(f"k/{topic}", f"{value}", 1).wait_for_publish(60)
            self.sent += 1
        # Ticks while waiting: a daemon whose time is driven looks at its writer only then.
        intake, sent = self.one.daemon.house.intake, {"mqtt": self.sent}
        until(lambda: self.one.tick() or not intake.wait_arrived(sent, 0.0), what=f"all {self.sent} are taken")
        self.one.tick(10)

    def calls(self) -> str:
        return self._calls.read_text() if self._calls.exists() else ""

    def alarms(self) -> dict[str, Any]:
        return dict(self.one.daemon.house.core.present().state.alarms)


@pytest.fixture
def card(tmp_path: Path) -> Iterator[Card]:
    with new_card(tmp_path, 16) as one:
        yield one


@pytest.fixture
def kitchen(tmp_path: Path, card: Card, monkeypatch: pytest.MonkeyPatch) -> Iterator[Kitchen]:
    monkeypatch.setattr(writer, "HUNG_S", 0.3)
    monkeypatch.setattr(loop, "STUCK_S", 0.6)
    monkeypatch.setattr(run, "ESSENTIAL_S", 5.0)
    monkeypatch.setattr(run, "COMMIT_S", 0.5)  # what is on no card at the end is lost: nobody waits for it here
    monkeypatch.setattr(storage, "RETRY_MOST_S", 1.0)
    calls = tmp_path / "calls"
    phone = CommandChannel("phone", ("sh", "-c", f"cat >> {calls}; echo >> {calls}"))
    journal = JournalSettings(path=str(card.folder / "kojimon.journal"), ballast_mb=0)
    with Broker(tmp_path / "broker") as broker:
        settings = broker_site(tmp_path, broker.port, channels=(phone,), journal=journal)
        client = Client(CallbackAPIVersion.VERSION2, client_id="probes")
        client.connect("127.0.0.1", broker.port)
        client.loop_start()
        try:
            with running(settings) as one:
                until(lambda: getattr(one.daemon._by_source["mqtt"].facts(), "subscribed", False), what="subscribed")
                one.act("batch.start", name="first")
                one.act("step.done", step="inoculate", value_c=31.0)
                one.commit()
                yield Kitchen(one, client, calls)
        finally:
            client.loop_stop()


@pytest.mark.slow(10)
@pytest.mark.parametrize("fault", FAULTS)
def test_the_koji_gets_too_hot_after_the_card_has_died(kitchen: Kitchen, card: Card, fault: str) -> None:
    kill, *lines = FAULTS[fault]
    for _ in range(3):
        kitchen.say(33.0)
    until(lambda: kitchen.one.daemon.house.writer.flush(1.0), what="stored before")
    with contextlib.ExitStack() as after:
        if fault == "hung":
            after.callback(card.thaw)
        kill(card)
        for _ in range(40):  # 240 messages: twice what may be unacknowledged
            kitchen.say(45.6)
        alarms = kitchen.alarms()
        assert alarms[HOT].active and alarms[HOT].priority == "wake"
        until(lambda: "45.6 °C (limit" in kitchen.calls(), what="called because of the koji")
        until(lambda: kitchen.one.tick() or kitchen.alarms()["/health/disk"].priority == "wake", what="the card wakes")
        until(lambda: any(line in kitchen.calls() for line in lines), what="called because of the card")
        assert not [key for key, one in kitchen.alarms().items() if "/silent/" in key and one.active]
        assert "plug and cable" not in kitchen.calls()
        if fault == "hung":
            daemon = kitchen.one.daemon
            until(lambda: daemon.house.writer.busy_s() > run.ESSENTIAL_S, what="it hangs for long")
            daemon._supervisor.check(real_s())
            assert daemon.health().stale == [], "a restart would hang on the same card, and alarm nobody"
            assert kitchen.one.client.get("/v1/state")["incubators"][0]["batch"]["name"] == "first", "the page answers"


def test_what_was_kept_in_memory_is_written_when_the_card_answers_again(kitchen: Kitchen, card: Card) -> None:
    kitchen.say(33.0)
    house = kitchen.one.daemon.house
    card.freeze()
    try:
        for _ in range(40):
            kitchen.say(34.0)
        until(lambda: kitchen.one.tick() or house.writer.facts().trouble, what="told")
    finally:
        card.thaw()
    until(lambda: kitchen.one.tick() or not house.writer.facts().trouble, what="well again")
    kitchen.one.commit()
    with closing(Reader(house.path)) as reader:  # before the card is taken away
        rows = [row for page in reader.pages_after(0) for row in page if isinstance(row, tuple)]
        shot = reader.last_snapshot()
    assert len(rows) == kitchen.sent, "each once"
    assert shot is not None and shot.seq > rows[-1][0] - 20, "closed by a snapshot"
    until(lambda: kitchen.one.tick() or not kitchen.alarms()["/health/disk"].active, what="over")
