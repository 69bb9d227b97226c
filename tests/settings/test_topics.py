"""MQTT topic filters: which overlap, which are refused."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from paho.mqtt.client import topic_matches_sub

from kojimon.settings.checks import overlap
from kojimon.settings.kinds import topic_filter
from tests.settings.files import SMALL, refusal


def filters() -> list[str]:
    """Every filter of up to three levels of two words and a wildcard, with and without `#`."""
    found = ["#"]
    for count in (1, 2, 3):
        for levels in itertools.product("ab+", repeat=count):
            found += ["/".join(levels), "/".join([*levels, "#"])]
    return found


def test_overlap_is_a_topic_that_both_match() -> None:
    """Reference library: paho-mqtt's matcher, over every topic of up to five levels."""
    topics = ["/".join(levels) for count in range(1, 6) for levels in itertools.product("ab", repeat=count)]
    matched = {one: {topic for topic in topics if topic_matches_sub(one, topic)} for one in filters()}
    wrong = [(a, b) for a in matched for b in matched if bool(matched[a] & matched[b]) != overlap(a, b)]
    assert wrong == []
    assert len(matched) == 79


@pytest.mark.parametrize(
    ("first", "second", "both"),
    [
        # OASIS MQTT 5.0, 4.7.1.2: "sport/tennis/player1/#" takes in "sport/tennis/player1", its /ranking and
        # /score/wimbledon; "sport/#" also matches "sport". 4.7.1.3: "sport/tennis/+" does not take in
        # "sport/tennis/player1/ranking"; "sport/+" does not match "sport" but "sport/"; "/finance" matches "+/+"
        # and "/+", not "+".
        ("sport/tennis/player1/#", "sport/tennis/player1", True),
        ("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
        ("sport/#", "sport", True),
        ("sport/tennis/+", "sport/tennis/player1/ranking", False),
        ("sport/+", "sport", False),
        ("sport/+", "sport/", True),
        ("+/+", "/finance", True),
        ("/+", "/finance", True),
        ("+", "/finance", False),
    ],
)
def test_the_standards_own_examples(first: str, second: str, both: bool) -> None:
    assert overlap(first, second) is both
    assert overlap(second, first) is both


@pytest.mark.parametrize(
    ("text", "valid"),
    [
        # OASIS MQTT 5.0, 4.7.1.2 and 4.7.1.3: filters as printed there; 4.7.3: one character at least.
        ("sport/tennis/#", True), ("#", True), ("sport/tennis#", False), ("sport/tennis/#/ranking", False),
        ("+", True), ("+/tennis/#", True), ("sport+", False), ("sport/+/player1", True), ("", False), ("/", True),
        ("/finance", True), ("a//b", True), ("a/b\0", False),
    ],
)  # fmt: skip
def test_filters_of_the_standard(text: str, valid: bool) -> None:
    assert topic_filter().fits(text) is valid


def test_one_topic_may_carry_several_quantities(tmp_path: Path) -> None:
    """One JSON carries temperature and humidity; the same filter with another path is no overlap."""
    two = "{place: bed, topic: +/k, path: t}, damp: {place: air, quantity: humidity, topic: +/k, path: h}"
    assert refusal(tmp_path, SMALL.replace("{place: bed, topic: koji}", two)) == []


def test_topics_on_different_brokers_do_not_meet(tmp_path: Path) -> None:
    text = SMALL.replace("house: {", "barn: {kind: mqtt, host: b}, house: {")
    two = "{place: bed, from: house, topic: +/k}, k2: {place: air, from: barn, topic: a/k}"
    assert refusal(tmp_path, text.replace("{place: bed, topic: koji}", two)) == []
