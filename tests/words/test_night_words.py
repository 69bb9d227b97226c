"""The night in one line, and the digest of the morning that begins with it."""

from __future__ import annotations

from typing import Any

import pytest

from kojimon.model import Event
from kojimon.notify.records import Send
from kojimon.notify.text import Desk, compose
from kojimon.words.events import line
from kojimon.words.speech import Speech
from tests.parts.inputs import event_row
from tests.parts.statedoc import NOW_MS, document

SPEECH = Speech(zone="America/Chicago", steps={"mix": "Break up and mix", "look": "Look"})
HOT = {"key": "limit/bed/temperature/high", "tray": "top", "side": "high", "since_ms": NOW_MS - 7_200_000}


def night(**data: Any) -> Event:
    facts = {"low_c": 34.81, "high_c": 37.94, "woke": [], "told": 0, "done": [], "missed": [], **data}
    return event_row(6, NOW_MS, "summary", "box", "b", "night", facts)


@pytest.mark.parametrize(
    ("data", "text", "tone"),
    [
        ({}, "The night: koji 34.8 to 37.9 °C. No alarm woke you.", "good"),
        ({"low_c": None}, "The night: the koji was not measured. No alarm woke you.", "good"),
        ({"told": 1}, "The night: koji 34.8 to 37.9 °C. No alarm woke you. 1 thing to know.", "good"),
        (
            {"woke": [{**HOT, "lasted_ms": 2_100_000}], "told": 2, "done": ["mix"]},
            "The night: koji 34.8 to 37.9 °C. You were woken: top tray too warm for 35 min. 2 things to know. "
            "Done: break up and mix.",
            "look",
        ),
        ({"unheard": ["phone"]}, "The night: koji 34.8 to 37.9 °C. No message was sent over phone.", "look"),
        (
            {"woke": [{**HOT, "lasted_ms": 2_100_000}], "unheard": ["mail", "phone"]},
            "The night: koji 34.8 to 37.9 °C. Alarm: top tray too warm for 35 min. "
            "No message was sent over mail and phone.",
            "look",
        ),
        (
            {"woke": [{**HOT, "lasted_ms": None}], "missed": ["look", "mix"]},
            "The night: koji 34.8 to 37.9 °C. You were woken: top tray too warm for 2 h, still so. "
            "Missed: look and break up and mix.",
            "look",
        ),
    ],
)
def test_the_night_in_one_line(data: dict[str, Any], text: str, tone: str) -> None:
    told = line(night(**data), SPEECH)
    assert told is not None and (told.text, told.tone) == (text, tone)


def test_the_digest_of_the_morning_begins_with_the_night() -> None:
    """Whatever waited for the end of sleep goes out in one message."""
    window = event_row(5, NOW_MS - 1_800_000, "step-due", "box", "b", "mix", {"label": "Break up and mix"})
    send = Send("digest-5", "phone", "digest", messages=(), events=())
    text = compose(send, [window, night()], Desk(document(), lambda t_ms: (1_769_889_600_000, True), NOW_MS))
    assert text.title == "The night: koji 95 to 100 °F. No alarm woke you."
    assert text.body.splitlines() == [
        "14:00 The night: koji 95 to 100 °F. No alarm woke you.",
        "14:00 Due now: break up and mix.",
    ]
