"""A Homie device's word on whether it is there. States after Homie 4.0.0, "Device lifecycle", and 5, "$state".

https://homieiot.github.io/specification/spec-core-v4_0_0/ and homieiot/convention (commit 063301d).
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.model import Arrival, Measured, Quality
from kojimon.probes.formats.homie import state_topic
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.spec import MqttSource, Probe

LOST, SIGNED_OFF = Quality.LOST, Quality.SIGNED_OFF
STATE = "homie/shelf/$state"


def pipeline() -> Pipeline:
    probes = (
        Probe("bed", "box", "bed", "temperature", "house", topic="homie/shelf/koji/temperature"),
        Probe("air", "box", "air", "temperature", "house", topic="homie/shelf/air/temperature"),
        Probe("room", "box", "room", "temperature", "house", topic="homie/wall/room/temperature"),
    )
    return Pipeline(probes, {"bed": 1, "air": 2, "room": 3}, (MqttSource("house", "127.0.0.1", 1883),))


def take(pipe: Pipeline, topic: str, payload: bytes, late: bool = False) -> list[Measured]:
    return pipe.take(Arrival("house", 0, topic, payload, False, late), 1000)


@pytest.mark.parametrize(
    ("topic", "state"),
    [
        ("homie/shelf/koji/temperature", "homie/shelf/$state"),  # version 4
        ("homie/5/shelf/koji/temperature", "homie/5/shelf/$state"),  # version 5
        ("homie/shelf/$stats/uptime", "homie/shelf/$state"),
        ("homie/shelf/koji/$name", ""),
        ("homie/shelf/temperature", ""),
        ("homie/+/koji/temperature", ""),
        ("homie/shelf/koji/#", ""),
        ("cellar/shelf/koji/temperature", ""),
        ("", ""),
    ],
)
def test_the_topic_of_a_reading_says_which_device_it_hangs_on(topic: str, state: str) -> None:
    assert state_topic(topic) == state


@pytest.mark.parametrize(("word", "verdict"), [(b"lost", LOST), (b"disconnected", SIGNED_OFF)])
def test_gone_voids_the_readings_of_that_device_until_it_is_ready(word: bytes, verdict: Quality) -> None:
    pipe = pipeline()
    assert take(pipe, "homie/shelf/koji/temperature", b"33.5") == [Measured(1, 33.5, 33.5, 0)]
    assert take(pipe, STATE, word) == [Measured(1, None, None, verdict), Measured(2, None, None, verdict)]
    assert take(pipe, STATE, word) == []
    assert take(pipe, "homie/shelf/koji/temperature", b"33.6") == [Measured(1, 33.6, 33.6, verdict)]
    assert take(pipe, "homie/shelf/air/temperature", b"nan") == [Measured(2, None, None, verdict)]
    assert take(pipe, "homie/wall/room/temperature", b"18.0") == [Measured(3, 18.0, 18.0, 0)]
    assert take(pipe, STATE, b"ready") == []
    assert take(pipe, "homie/shelf/koji/temperature", b"33.7") == [Measured(1, 33.7, 33.7, 0)]


@pytest.mark.parametrize("word", [b"init", b"ready", b"sleeping", b"alert", b"READY ", b""])
def test_every_other_state_leaves_readings_as_they_are(word: bytes) -> None:
    pipe = pipeline()
    take(pipe, STATE, b"lost")
    assert take(pipe, STATE, word) == []
    assert take(pipe, "homie/shelf/koji/temperature", b"33.5") == [Measured(1, 33.5, 33.5, 0)]


def test_a_word_that_is_none_changes_nothing_and_is_counted() -> None:
    pipe = pipeline()
    take(pipe, STATE, b"lost")
    assert take(pipe, STATE, b"offline") == [] and take(pipe, STATE, b"\xff\xfe") == []
    assert take(pipe, "homie/shelf/koji/temperature", b"33.5")[0].quality == LOST
    assert pipe.counts()["undecodable"] == 2


def test_what_was_queued_up_is_known_but_makes_no_reading_of_now() -> None:
    pipe = pipeline()
    assert take(pipe, STATE, b"lost", late=True) == []
    assert take(pipe, "homie/shelf/koji/temperature", b"33.5")[0].quality == LOST
    assert take(pipe, STATE, b"ready", late=True) == []
    assert take(pipe, "homie/shelf/koji/temperature", b"33.5")[0].quality == 0


@given(st.binary(max_size=64))
def test_no_payload_makes_it_raise_or_invent_a_value(payload: bytes) -> None:
    for reading in take(pipeline(), STATE, payload):
        assert reading.value is None and reading.quality in (LOST, SIGNED_OFF)
