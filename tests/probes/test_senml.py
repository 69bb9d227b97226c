"""SenML packs: the examples of RFC 8428, and what must not be read as a number."""

import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.model import Arrival, Quality
from kojimon.probes.formats.senml import Record, in_our_unit, resolve
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.spec import MqttSource, Probe

NAME = "urn:dev:ow:10e2073a01080063"


def records(text: str) -> list[Record]:
    found = resolve(json.loads(text))
    assert found is not None
    return found


def test_example_5_1_1() -> None:
    assert records(f'[{{"n":"{NAME}","u":"Cel","v":23.1}}]') == [Record(NAME, "Cel", 23.1, 0.0)]


def test_third_example_of_5_1_2() -> None:
    pack = f'[{{"bn":"{NAME}","bt":1.320067464e+09,"bu":"%RH","v":21.2}},{{"t":10,"v":21.3}},{{"t":20,"v":21.4}}]'
    assert [(one.unit, one.value, one.time) for one in records(pack)] == [
        ("%RH", 21.2, 1320067464.0),
        ("%RH", 21.3, 1320067474.0),
        ("%RH", 21.4, 1320067484.0),
    ]


def test_a_mix_of_quantities_as_in_5_1_3() -> None:
    pack = (
        f'[{{"bn":"{NAME}","bt":1.320067464e+09,"bu":"%RH","v":20}},{{"u":"lon","v":24.30621}},'
        f'{{"u":"lat","v":60.07965}},{{"t":60,"v":20.3}},{{"u":"%EL","t":150,"v":98}},{{"t":180,"v":21.2}}]'
    )
    humidities = [in_our_unit(one, "humidity") for one in records(pack)]
    assert humidities == [20.0, None, None, 20.3, None, 21.2]


def test_several_devices_as_in_5_1_6() -> None:
    pack = (
        '[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},'
        '{"n":"humidity","u":"%RH","v":30},{"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},'
        '{"n":"humidity","u":"%RH","v":67}]'
    )
    found = records(pack)
    assert len(found) == 4
    assert found[-1] == Record("2001:db8::1/humidity", "%RH", 67.0, 1320078429.0)


def test_texts_and_booleans_beside_a_temperature_as_in_5_1_5() -> None:
    pack = (
        f'[{{"bn":"{NAME}:","n":"temp","u":"Cel","v":23.1}},{{"n":"label","vs":"Machine Room"}},'
        '{"n":"open","vb":false},{"n":"nfc-reader","vd":"aGkgCg"}]'
    )
    assert records(pack) == [Record(f"{NAME}:temp", "Cel", 23.1, 0.0)]


@pytest.mark.parametrize(
    ("record", "quantity", "value"),
    # RFC 8428, 12.1: `%` and `/` are ratios; K counts from absolute zero.
    [
        ({"u": "%", "v": 0.9}, "humidity", 90.0),
        ({"u": "/", "v": 0.9}, "humidity", 90.0),
        ({"u": "%RH", "v": 90}, "humidity", 90.0),
        ({"u": "K", "v": 303.15}, "temperature", 30.0),
        ({"u": "%RH", "v": 90}, "temperature", None),
        ({"u": "Cel", "v": 30}, "humidity", None),
        ({"v": 30}, "temperature", None),
    ],
)
def test_units(record: dict[str, Any], quantity: str, value: float | None) -> None:
    found = resolve([record])
    assert found is not None
    got = in_our_unit(found[0], quantity)
    assert got == (None if value is None else pytest.approx(value))


@pytest.mark.parametrize(
    "document",
    [
        [],
        {},
        [1],
        [{"v": "21.5"}],
        [{"v": True}],
        [{"v": None}],
        [{"bt": "now", "v": 1}],
        [{"bn": 5, "v": 1}],
        [{"bver": 11, "v": 1}],
        [{"v": 1, "critical_": 2}],
        [{"v": 10**30}],
        [{"v": 1}] * 257,
    ],
)
def test_what_is_no_pack_or_may_not_be_read(document: Any) -> None:
    assert resolve(document) is None


def test_a_base_value_alone_is_no_reading() -> None:
    assert resolve([{"bn": "a", "bv": 20.0}, {"v": 1.5}]) == [Record("a", "", 21.5, 0.0)]


def take(payload: bytes, *probes: Probe) -> list[tuple[int, float | None, int]]:
    pipe = Pipeline(probes, {one.name: at for at, one in enumerate(probes, 1)}, [MqttSource("m", "h")])
    return [(one.probe, one.value, one.quality) for one in pipe.take(Arrival("m", 0, "pack", payload), 0)]


def probe(name: str, quantity: str, key: str) -> Probe:
    unit = "%" if quantity == "humidity" else "C"
    return Probe(name, "box", "air", quantity, "m", topic="pack", key=key, unit=unit)


def test_through_the_pipeline_the_newest_counts_and_history_is_late() -> None:
    pack = (
        b'[{"bn":"a/","bt":100,"n":"t","u":"Cel","v":30.5},{"n":"rh","u":"%RH","v":80},'
        b'{"n":"t","t":-60,"u":"Cel","v":30}]'
    )
    probes = (probe("t", "temperature", "senml:a/t"), probe("h", "humidity", "senml:a/rh"))
    assert take(pack, *probes) == [(1, 30.0, Quality.LATE), (1, 30.5, Quality.GOOD), (2, 80.0, Quality.GOOD)]
    assert take(b'[{"n":"a/t","u":"%RH","v":30}]', probes[0]) == [(1, None, Quality.UNREADABLE)]
    assert take(b'[{"n":"other","u":"Cel","v":30}]', probes[0]) == []
    assert take(b'[{"n":"a/t","u":"Cel","v":30,"v":31}]', probes[0]) == [(1, None, Quality.UNREADABLE)]
    assert take(b"31.5", probes[0]) == [(1, None, Quality.UNREADABLE)]


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=4),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["n", "bn", "v", "bv", "t", "bt", "u", "bu", "vs", "bver", "x_"]), inner, max_size=4
        )
    ),
    max_leaves=10,
)


@given(JSON)
def test_no_document_makes_it_raise(document: Any) -> None:
    for one in resolve(document) or []:
        assert isinstance(one.value, float)
        assert isinstance(one.name, str)


@given(st.binary(max_size=200))
def test_no_payload_makes_the_route_raise(payload: bytes) -> None:
    for _, value, quality in take(payload, probe("t", "temperature", "senml:a")):
        assert value is None or quality in (Quality.GOOD, Quality.LATE, Quality.RANGE, Quality.SENTINEL)


def test_units_of_the_pack_outdo_those_of_the_settings() -> None:
    fahrenheit = Probe("t", "box", "air", "temperature", "m", topic="pack", key="senml:a", unit="F", scale=0.1)
    assert take(b'[{"n":"a","u":"Cel","v":30}]', fahrenheit) == [(1, 30.0, Quality.GOOD)]
