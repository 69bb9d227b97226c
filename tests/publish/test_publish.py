"""State on a real broker: retained, complete after a restart of either side, never ahead of the journal; acts in."""

import json
import threading
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import msgspec
import pytest

from kojimon.contract.state import Foreseen
from kojimon.errors import RefusedError
from kojimon.links import mqtt_stranger
from kojimon.links.mqtt import Address
from kojimon.links.mqtt_stranger import lets_strangers_in
from kojimon.publish import retained_topics
from kojimon.settings.spec import MqttSource, PublishSettings, Secret, Settings
from tests.daemon.process import Process
from tests.daemon.running import Running, running
from tests.daemon.sites import probes_of, site
from tests.parts.broker import Broker, publish
from tests.parts.opened import reading
from tests.parts.statedoc import box, document, foreseen
from tests.parts.wait import DEADLINE_S, until

ROOT = "kojimon/home"


class Listener:
    """Somebody else's client: keeps the last payload of each topic, and every event."""

    def __init__(self, broker: Broker, user: str = "", password: str = "") -> None:
        import paho.mqtt.client as paho
        from paho.mqtt.enums import CallbackAPIVersion

        self.last: dict[str, bytes] = {}
        self.retained: set[str] = set()
        self.events: list[Any] = []
        self._subscribed = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        if user:
            self._client.username_pw_set(user, password)
        self._client.on_message = self._message
        self._client.on_connect = lambda client, *_: client.subscribe("kojimon/#", 1)
        self._client.on_subscribe = lambda *_: self._subscribed.set()
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()
        assert self._subscribed.wait(60)

    def _message(self, _client: Any, _data: Any, message: Any) -> None:
        self.last[message.topic] = message.payload
        if message.retain:
            self.retained.add(message.topic)
        if message.topic.endswith("/event"):
            self.events.append(json.loads(message.payload))

    def json(self, topic: str) -> Any:
        payload = self.last.get(f"{ROOT}/{topic}")
        return json.loads(payload) if payload else None

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def listen(request: pytest.FixtureRequest) -> Callable[..., Listener]:
    def make(*arguments: Any) -> Listener:
        one = Listener(*arguments)
        request.addfinalizer(one.close)
        return one

    return make


def publishing(folder: Path, broker: Broker, user: str = "", acts: bool = False) -> Settings:
    secret = None
    if user:
        (folder / "secret").write_text("hush\n")
        secret = Secret(file=str(folder / "secret"))
    source = MqttSource("mqtt", "127.0.0.1", broker.port, user=user, password=secret)
    return site(folder, (source,), probes_of("mqtt", prefix="k/"), publish=PublishSettings("mqtt", acts))


def settled(one: Running) -> bool:
    one.commit()
    return not one.daemon.health().parts.publish.events_waiting


def test_the_forecast_has_a_topic_of_its_own_that_says_none_where_there_is_none() -> None:
    known = foreseen()
    topics = retained_topics(document(box(forecast=known), box(name="attic")), "kojimon/home")
    told = json.loads(topics["kojimon/home/box/forecast"])
    assert "age_s" not in told and told["made_t_ms"] == known.made_t_ms
    assert msgspec.convert({**told, "age_s": known.age_s}, Foreseen) == known
    assert topics["kojimon/home/attic/forecast"] == b"null"
    assert "forecast" not in json.loads(topics["kojimon/home/box/state"])["incubator"]


def test_state_alarms_events_and_status(tmp_path: Path, listen: Callable[..., Listener]) -> None:
    with Broker(tmp_path / "b") as broker:
        ear = listen(broker)
        with running(publishing(tmp_path, broker)) as one:
            until(lambda: ear.last.get(f"{ROOT}/status") == b"online")
            one.act("batch.start", name="first")
            one.put("k/bed", 31.0)
            one.tick(10)
            one.act("step.done", step="inoculate")
            one.put("k/bed", 42.0)
            for _ in range(60):
                one.put("k/bed", 42.0)
                one.tick(10)
            key = "alarm/limit-bed-temperature-high"
            until(lambda: (ear.json(f"box/{key}") or {}).get("level") == "high")
            state = until(lambda: ear.json("box/state"))
            assert state["incubator"]["batch"]["name"] == "first"
            assert state["incubator"]["alarms"][0]["key"] == "limit/bed/temperature/high"
            assert {row["name"]: row["lacking"] for row in state["incubator"]["derived"]}["above_air_k"] == "fresh"
            assert state["incubator"]["question"] is None
            assert {"batch-start", "stage", "alarm"} <= {event["kind"] for event in ear.events}
            assert all("utc" in event for event in ear.events)
            late = listen(broker)
            until(lambda: f"{ROOT}/box/{key}" in late.retained and f"{ROOT}/status" in late.retained)
            one.put("k/bed", 38.0)
            for _ in range(60):
                one.put("k/bed", 38.0)
                one.tick(10)
            (alarm,) = [a for a in one.client.get("/v1/alarms")["alarms"] if a["key"] == "limit/bed/temperature/high"]
            one.act("alarm.acknowledge", key=alarm["key"], occurrence=alarm["occurrence"])
            until(lambda: ear.last.get(f"{ROOT}/box/{key}") == b"")
        until(lambda: ear.last.get(f"{ROOT}/status") == b"offline")


def test_events_are_sent_once_in_order_and_never_ahead_of_the_journal(
    tmp_path: Path, listen: Callable[..., Listener]
) -> None:
    with Broker(tmp_path / "b") as broker:
        ear = listen(broker)
        with running(publishing(tmp_path, broker)) as one:
            until(lambda: ear.last.get(f"{ROOT}/status") == b"online")
            one.act("batch.start", name="first")
            for number in range(30):
                one.act("batch.note", text=f"note {number}")
            until(lambda: len(ear.events) >= 33)
            stored = [event.no for event in reading(Path(one.daemon.settings.journal.path)).events(limit=1000)]
            until(lambda: settled(one))
            numbers = [event["no"] for event in ear.events]
            assert numbers == sorted(set(numbers))
            assert numbers == stored[: len(numbers)]


def test_a_broker_that_lost_everything_gets_the_state_again(tmp_path: Path, listen: Callable[..., Listener]) -> None:
    with Broker(tmp_path / "b") as broker, running(publishing(tmp_path, broker)) as one:
        one.act("batch.start", name="first")
        until(lambda: settled(one))
        broker.restart()
        ear = listen(broker)
        until(lambda: ear.json("box/state"))
        until(lambda: ear.last.get(f"{ROOT}/status") == b"online")
        assert ear.json("box/state")["incubator"]["batch"]["name"] == "first"


def test_alarms_that_an_earlier_run_left_are_taken_back(tmp_path: Path, listen: Callable[..., Listener]) -> None:
    with Broker(tmp_path / "b") as broker:
        publish(broker, f"{ROOT}/box/alarm/silent-ghost", b'{"key": "silent/ghost"}', retain=True)
        ear = listen(broker)
        until(lambda: f"{ROOT}/box/alarm/silent-ghost" in ear.retained)
        with running(publishing(tmp_path, broker)):
            until(lambda: ear.last.get(f"{ROOT}/box/alarm/silent-ghost") == b"")


def test_acts_come_in_where_the_broker_knows_its_users(tmp_path: Path, listen: Callable[..., Listener]) -> None:
    with Broker(tmp_path / "b", users={"koji": "hush"}) as broker:
        ear = listen(broker, "koji", "hush")
        with running(publishing(tmp_path, broker, "koji", acts=True)) as one:
            until(lambda: ear.last.get(f"{ROOT}/status") == b"online")
            act = {"kind": "batch.start", "who": "button", "idempotency": "b1", "data": {"name": "pressed"}}
            for _ in range(2):
                publish(broker, f"{ROOT}/box/act", json.dumps(act), user="koji", password="hush")
            publish(broker, f"{ROOT}/box/act", b"\xff{", user="koji", password="hush")
            until(lambda: any(event["kind"] == "repeated" for event in ear.events))
            started = [event for event in ear.events if event["kind"] == "batch-start"]
            assert [event["data"]["name"] for event in started] == ["pressed"]
            until(lambda: one.daemon.health().parts.publish.acts_refused == 1)


def test_an_act_that_is_retained_or_of_any_size_is_never_carried_out(
    tmp_path: Path, listen: Callable[..., Listener]
) -> None:
    """A broker hands a retained one to each new connection: nobody asks for it now."""
    with Broker(tmp_path / "b", users={"koji": "hush"}) as broker:
        ear = listen(broker, "koji", "hush")

        def say(name: str, retain: bool = False, blanks: int = 0) -> None:
            act = json.dumps({"kind": "batch.start", "who": "button", "data": {"name": name}}) + " " * blanks
            publish(broker, f"{ROOT}/box/act", act, 1, retain, user="koji", password="hush")

        say("of last week", retain=True)
        with running(publishing(tmp_path, broker, "koji", acts=True)) as one:
            until(lambda: one.daemon.health().parts.publish.acts_refused == 1)
            until(lambda: one.daemon.health().parts.publish.acts_on)
            say("of any size", blanks=70_000)
            until(lambda: one.daemon.health().parts.publish.acts_refused == 2)
            say("of now")
            until(lambda: any(event["kind"] == "batch-start" for event in ear.events))
            assert [e["data"]["name"] for e in ear.events if e["kind"] == "batch-start"] == ["of now"]


ALARM_ACTS: dict[str, tuple[dict[str, Any], str, str]] = {
    "alarm.silence": ({"for_s": 300}, "silenced", ""), "alarm.shelve": ({"for_s": 600}, "alarm", "SHLVD"),
    "alarm.unshelve": ({}, "alarm", "UNACK"), "alarm.out_of_service": ({}, "alarm", "OOSRV"),
    "alarm.in_service": ({}, "alarm", "UNACK"), "alarm.reset": ({}, "unchanged", ""),
    "alarm.confirm": ({"text": "heard"}, "confirmed", ""), "alarm.acknowledge": ({"occurrence": 9}, "refused", ""),
}  # fmt: skip
"""Each act on an alarm, in an order that makes sense: its data beside the key, and what the engine says to it."""


def said(events: list[Any], kind: str, to: str) -> bool:
    return any(event["kind"] == kind and event["data"].get("to", "") == to for event in events)


def test_every_act_on_an_alarm_is_taken_over_mqtt_and_over_the_api(
    tmp_path: Path, listen: Callable[..., Listener]
) -> None:
    with Broker(tmp_path / "b", users={"koji": "hush"}) as broker:
        ear = listen(broker, "koji", "hush")
        with running(publishing(tmp_path, broker, "koji", acts=True)) as one:
            until(lambda: ear.last.get(f"{ROOT}/status") == b"online")

            def over_mqtt(kind: str, data: dict[str, Any]) -> None:
                payload = json.dumps({"kind": kind, "who": "button", "data": data})
                publish(broker, f"{ROOT}/act", payload, user="koji", password="hush")

            over_mqtt("alarm.test", {"wake": True})
            until(lambda: said(ear.events, "alarm", "UNACK"))
            for kind, (data, answer, to) in ALARM_ACTS.items():
                ear.events.clear()  # only what this act brings forth
                over_mqtt(kind, {"key": "test", **data})
                until(partial(said, ear.events, answer, to))
            one.act("alarm.test", wake=True)
            for kind, (data, answer, to) in ALARM_ACTS.items():
                if answer == "refused":
                    with pytest.raises(RefusedError, match="has come again since"):
                        one.act(kind, key="test", **data)
                else:
                    assert said(one.act(kind, key="test", **data)["events"], answer, to), kind


def test_no_acts_from_an_open_broker(tmp_path: Path, listen: Callable[..., Listener]) -> None:
    with Broker(tmp_path / "b") as broker:
        ear = listen(broker)
        with running(publishing(tmp_path, broker, acts=True)) as one:
            until(lambda: ear.last.get(f"{ROOT}/status") == b"online")
            until(lambda: one.client.get("/v1/health")["sources"]["mqtt"]["subscribed"])
            publish(broker, f"{ROOT}/box/act", b'{"kind": "batch.start", "data": {"name": "x"}}')
            publish(broker, "k/bed", b"31.5")
            assert one.daemon.house.intake.wait_arrived({"mqtt": 1}, DEADLINE_S) == {}
            assert one.client.get("/v1/batches")["batches"] == []


DISCARD = b'{"kind": "batch.discard", "data": {"reason": "a stranger"}}'


def health_alarm(one: Running) -> bool:
    return any(alarm["key"] == "health/acts" for alarm in one.client.get("/v1/alarms")["alarms"])


def test_acts_are_off_where_a_stranger_can_connect(tmp_path: Path, listen: Callable[..., Listener]) -> None:
    """Users with passwords, and a door beside them for who has none."""
    with Broker(tmp_path / "b", users={"koji": "hush"}, strangers=True) as broker:
        ear = listen(broker, "koji", "hush")
        with running(publishing(tmp_path, broker, "koji", acts=True)) as one:
            until(lambda: ear.last.get(f"{ROOT}/status") == b"online")
            one.act("batch.start", name="dear")
            publish(broker, f"{ROOT}/box/act", DISCARD)
            publish(broker, f"{ROOT}/box/act", DISCARD, user="koji", password="hush")
            until(lambda: one.daemon.health().parts.publish.acts_refused == 2)
            assert not one.daemon.health().parts.publish.acts_on
            until(lambda: health_alarm(one))
            assert [row["outcome"] for row in one.client.get("/v1/batches")["batches"]] != ["discard"]


def test_a_broker_that_is_set_right_is_believed_at_the_next_connection(tmp_path: Path) -> None:
    with (
        Broker(tmp_path / "b", users={"koji": "hush"}, strangers=True) as broker,
        running(publishing(tmp_path, broker, "koji", acts=True)) as one,
    ):
        until(lambda: health_alarm(one))
        config = broker.folder / "mosquitto.conf"
        config.write_text(config.read_text().replace("allow_anonymous true", "allow_anonymous false"))
        broker.restart()
        until(lambda: one.daemon.health().parts.publish.acts_on)
        start = b'{"kind": "batch.start", "data": {"name": "x"}}'
        publish(broker, f"{ROOT}/box/act", start, user="koji", password="hush")
        until(lambda: one.client.get("/v1/batches")["batches"])


def test_a_broker_opened_while_we_are_connected_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its settings are read anew and no connection ends."""
    monkeypatch.setattr(mqtt_stranger, "AGAIN_S", 0.5)
    with (
        Broker(tmp_path / "b", users={"koji": "hush"}) as broker,
        running(publishing(tmp_path, broker, "koji", acts=True)) as one,
    ):
        until(lambda: one.daemon.health().parts.publish.acts_on)
        broker.set_strangers(True)
        until(lambda: health_alarm(one))
        assert not one.daemon.health().parts.publish.acts_on
        broker.set_strangers(False)
        until(lambda: one.daemon.health().parts.publish.acts_on)


def test_an_open_standard_port_beside_ours_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with Broker(tmp_path / "open") as beside, Broker(tmp_path / "shut", users={"koji": "hush"}) as broker:
        monkeypatch.setattr(mqtt_stranger, "STANDARD_PORT", beside.port)
        monkeypatch.setattr(mqtt_stranger, "AGAIN_S", 0.2)
        with running(publishing(tmp_path, broker, "koji", acts=True)) as one:
            until(lambda: health_alarm(one))
            publish(broker, f"{ROOT}/box/act", DISCARD, user="koji", password="hush")
            until(lambda: one.daemon.health().parts.publish.acts_refused == 1)
            beside.stop()
            until(lambda: one.daemon.health().parts.publish.acts_on)


def test_what_a_trial_of_a_broker_comes_to(tmp_path: Path) -> None:
    assert lets_strangers_in(Address("127.0.0.1", 1)) is None
    for version in (5, 3):
        with Broker(tmp_path / f"open-{version}") as broker:
            assert lets_strangers_in(Address("127.0.0.1", broker.port, version, "koji", lambda: "hush")) is True
        with Broker(tmp_path / f"shut-{version}", users={"koji": "hush"}) as broker:
            assert lets_strangers_in(Address("127.0.0.1", broker.port, version, "koji", lambda: "hush")) is False
            broker.freeze()
            assert lets_strangers_in(Address("127.0.0.1", broker.port, version, "koji", lambda: "hush")) is None
            broker.thaw()


def test_a_kill_shows_as_offline(tmp_path: Path, listen: Callable[..., Listener]) -> None:
    """The last will: nobody says goodbye for a process that is gone."""
    with Broker(tmp_path / "b") as broker, Process(tmp_path, broker.port) as one:
        one.config.write_text(one.config.read_text() + "publish: {to: house}\n")
        ear = listen(broker)
        one.start()
        until(lambda: ear.last.get(f"{ROOT}/status") == b"online")
        one.kill()
        until(lambda: ear.last.get(f"{ROOT}/status") == b"offline")
        one.start()
        until(lambda: ear.last.get(f"{ROOT}/status") == b"online")
        assert one.stop() == 0
        until(lambda: ear.last.get(f"{ROOT}/status") == b"offline")
