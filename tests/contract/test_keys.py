"""Alarm keys as values: the text of each kind, and that none is lost on the way there and back."""

from __future__ import annotations

import json
from typing import get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.contract import keys
from tests.golden.meaning import GOLDEN

WORD = st.text(st.characters(exclude_characters="/", exclude_categories=["Cs"]), min_size=1)
PARTS = ["", "limit", "rate", "box", "test", "silent", "exposure", "high", "falling", "off"]
TEXTS = {
    "limit/bed/temperature/high": keys.HOT_KOJI,
    "limit/wet-bulb/temperature/low": keys.Limit("wet-bulb", "temperature", "low"),
    "silent/koji-top": keys.Silent("koji-top"),
    "blind/bed": keys.BLIND,
    "expect/self-warming": keys.Expect("self-warming"),
    "health/broker:house": keys.Health("broker:house"),
    "health/delivery:a/b": keys.Health("delivery:a/b"),
    "box/off": keys.BOX_OFF,
    "box/hot": keys.BOX_HOT,
    "deviation/air/temperature": keys.Deviation("air", "temperature"),
    "exposure/bed/temperature": keys.Exposure("bed", "temperature"),
    "time-to-limit/bed/temperature": keys.SOON_HOT,
    "test": keys.TEST,
}


@pytest.mark.parametrize("text", TEXTS)
def test_each_kind_has_the_text_that_journals_and_topics_hold(text: str) -> None:
    assert keys.parse(text) == TEXTS[text]
    assert str(TEXTS[text]) == text


def test_every_kind_is_among_them() -> None:
    assert {type(key) for key in TEXTS.values()} == set(keys.AlarmKey.__subclasses__()) - {keys.Other}


@given(st.text() | st.lists(WORD | st.sampled_from(PARTS)).map("/".join))
def test_any_text_comes_back_as_it_was(text: str) -> None:
    assert str(keys.parse(text)) == text


@given(st.one_of(
    st.builds(keys.Limit, WORD, WORD, st.sampled_from(["high", "low"])),
    *(st.builds(kind, WORD, WORD) for kind in get_args(keys.Watch)),
    *(st.builds(kind, WORD) for kind in (keys.Silent, keys.Blind, keys.Expect, keys.Health)),
), WORD)  # fmt: skip
def test_any_key_comes_back_as_it_was(key: keys.AlarmKey, incubator: str) -> None:
    assert keys.parse(str(key)) == key
    assert keys.parse_named(keys.named(incubator, key)) == (incubator, key)
    assert keys.parse_named(keys.named("", key)) == ("", key)


@pytest.mark.parametrize(
    "text",
    ["limit/bed/temperature", "limit/bed/temperature/high_high", "rate/bed/temperature/rising", "exposure/bed/a/b",
     "box/else", "test/more", "silent", "noise/fan", "", "/"],
)  # fmt: skip
def test_what_is_no_known_key_stays_as_it_was_written(text: str) -> None:
    assert keys.parse(text) == keys.Other(text)


def test_every_key_of_the_golden_journals_is_known() -> None:
    lines = [line for file in sorted(GOLDEN.glob("*/events.jsonl")) for line in file.read_text().splitlines()]
    found = {event["key"] for event in map(json.loads, lines) if event["kind"] == "alarm"}
    assert len(found) >= 4
    for text in found:
        key = keys.parse(text)
        assert not isinstance(key, keys.Other) and str(key) == text


def test_whose_alarm_it_is_shows_in_its_key() -> None:
    assert [text for text, key in TEXTS.items() if keys.of_site(key)] == [
        "health/broker:house", "health/delivery:a/b", "test"
    ]  # fmt: skip


def test_a_part_of_kojimon_is_named_by_kind_and_name() -> None:
    assert [(keys.Health(what).part, keys.Health(what).name) for what in ("disk", "broker:a:b")] == [
        ("disk", ""), ("broker", "a:b")
    ]  # fmt: skip
