"""Events, one line each, as a cook would tell them."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from kojimon.contract.events import OF_KIND
from kojimon.model import Event
from kojimon.words.alarms import Work
from kojimon.words.events import Line, Teller, line
from kojimon.words.speech import Speech
from tests.parts.inputs import event_row

SPEECH = Speech(
    fahrenheit=True,
    pounds=True,
    zone="America/Chicago",
    steps={"mix": "Break up and mix"},
    probes={"k": ("bed", "top")},
)
T_MS = 1_000_000_000


def event(kind: str, key: str = "", utc: str | None = "2026-01-31T20:20:00.000Z", **data: Any) -> Event:
    return replace(event_row(1, T_MS, kind, "box", "b", key, data), utc=utc)


def alarm(signal: str, to: str, key: str = "limit/bed/temperature/high", **data: Any) -> Event:
    facts = {
        "from": "NORM", "to": to, "event": signal, "level": "high", "priority": "wake", "occurrence": 1, "value": 43.2,
        "limit": 43.0, "probe": "k", "rate_per_h": 2.0, "since_ms": T_MS,
    }  # fmt: skip
    return event("alarm", key, **(facts | data))


@pytest.mark.parametrize(
    ("happened", "text", "tone"),
    [
        (event("batch-start", "b", name="first", rice_kg=1.8143695), "Batch first begins with 4.0 lb of rice.", "good"),
        (event("stage", "warming", label="Warming by itself"), "Stage: warming by itself.", "plain"),
        (event("step-open", "mix"), "You can now: break up and mix.", "plain"),
        (event("step-due", "mix"), "Due now: break up and mix.", "look"),
        (event("step-missed", "mix"), "Missed: break up and mix (until 14:20).", "look"),
        (event("step-missed", "mix", closes_ms=T_MS - 3_600_000), "Missed: break up and mix (until 13:20).", "look"),
        (event("step-done", "mix", at_ms=T_MS), "Done: break up and mix.", "good"),
        (event("step-done", "mix", at_ms=T_MS - 2_400_000), "Done: break up and mix, at 13:40.", "good"),
        (event("forecast", "learnt", batches=3), "The forecasts have learned from 3 batches so far.", "plain"),
        (event("forecast", "agrees"), "The koji follows the forecast again.", "plain"),
        (event("step-done", "mix", at_ms=T_MS, opens_ms=T_MS + 1_740_000), "Done: break up and mix.", "good"),
        (
            event("step-done", "mix", at_ms=T_MS, opens_ms=T_MS + 17_520_000),
            "Done: break up and mix. That is 4 h 52 min early. By mistake? Take it back (kojimon undo).", "good",
        ),
        (event("step-done", "mix", utc=None, at_ms=T_MS - 2_400_000), "Done: break up and mix, 40 min before.", "good"),
        (
            event("step-done", "mix", at_ms=T_MS, gate={"value": 31.0, "by": "k", "at_least": None, "at_most": 32.2}),
            "Done: break up and mix. Cool enough? Yes, 87.8 °F.",
            "good",
        ),
        (
            event("step-done", "mix", at_ms=T_MS, gate={"value": 31.0, "by": "thermometer", "at_most": 32.2}),
            "Done: break up and mix. Cool enough? Yes, 87.8 °F by the kitchen thermometer.",
            "good",
        ),
        (
            event("step-done", "mix", at_ms=T_MS, gate={"value": 36.0, "by": "k", "at_most": 32.2, "override": "late"}),
            "Done: break up and mix. Done anyway: late.",
            "good",
        ),
        (event("step-undone", "mix", mark=2), "Taken back: break up and mix.", "plain"),
        (event("step-corrected", "mix", at_ms=T_MS - 60_000), "Corrected: break up and mix, at 14:19.", "plain"),
        (event("note", "b", text="smells of chestnuts"), "Note: smells of chestnuts", "plain"),
        (
            event("refused", "step.done", code="gate", value=45.0, at_least=None, at_most=32.2, reason="it is 45 °C"),
            "Not done: Cool enough? No, it is at 113.0 °F; expected at most 90.0 °F.",
            "look",
        ),
        (
            event("refused", "reading", code="implausible", reason="no koji is at -11.1 °C (12 °F): expected 0 to 60 °C"
                  " (32 to 140 °F)"),
            "Not saved: no koji is at 12 °F (-11.1 °C): expected 32 to 140 °F (0 to 60 °C).",
            "look",
        ),
        (
            event("refused", "step.done", code="gate-unknown", value=None, at_least=None, at_most=32.2, reason="x"),
            "Not done: Cool enough? No probe shows it; expected at most 90.0 °F.",
            "look",
        ),
        (event("refused", "x", code="no-batch", reason="no batch is open"), "Not done: no batch is open.", "look"),
        (alarm("on", "UNACK"), "Top tray 110 °F (limit 109), rising. Less heat, or open it.", "wrong"),
        (alarm("up", "UNACK"), "Worse: Top tray 110 °F (limit 109), rising. Less heat, or open it.", "wrong"),
        (alarm("ack", "ACKED"), "Acknowledged: top tray too warm.", "plain"),
        (alarm("ack", "NORM", **{"from": "RTNUN"}), "Acknowledged: top tray too warm.", "good"),
        (
            alarm("off", "RTNUN", lasted_ms=2_400_000),
            "Back to normal, not acknowledged: top tray was too warm, for 40 min.",
            "good",
        ),
        (alarm("off", "NORM", lasted_ms=2_400_000), "Back to normal: top tray was too warm, for 40 min.", "good"),
        (alarm("shelve", "SHLVD", until_ms=T_MS + 1_800_000), "Shelved until 14:50: top tray too warm.", "plain"),
        (alarm("down", "UNACK"), "Within the critical limit again, but still: top tray 110 °F (limit 109).", "look"),
        (
            alarm("down", "UNACK", limit_now=43.0),
            "The schedule has come to another limit, but still: top tray 110 °F (limit 109).",
            "look",
        ),
        (
            alarm("off", "NORM", limit_now=44.0),
            "The schedule has come to another limit, 111 °F: top tray 110 °F is within it.",
            "plain",
        ),
        (alarm("off", "NORM", "silent/k-1", lasted_ms=7_200_000), "Good readings again: probe k-1, after 2 h.", "good"),
        (alarm("off", "RTNUN", "test"), "The test alarm is over, and nobody acknowledged it.", "plain"),
        (alarm("off", "RTNUN", "blind/bed"), "Readings again, not acknowledged: the koji.", "good"),
        (alarm("off", "NORM", "box/off"), "Back to normal: the box seemed to be off.", "good"),
        (alarm("off", "NORM", "box/hot"), "Back to normal: the box was too hot.", "good"),
        (
            alarm("off", "NORM", "time-to-limit/bed/temperature"), "Back to normal: top tray was soon to be too hot.",
            "good",
        ),
        (
            alarm("on", "UNACK", "expect/warming", label="No warming of its own", causes=["cold", "dry"], value=None,
                  priority="tell"),
            "No warming of its own. Look and feel. Check: cold and dry.",
            "look",
        ),
        (
            alarm("on", "UNACK", "health/disk", value=None, limit=None, text="the card is full"),
            "Disk trouble. Free space, check card. (the card is full)",
            "wrong",
        ),
        (
            event("clock-step", step_ms=-3_600_000),
            "The clock was set back by 1 h. Nothing in the schedule moved.",
            "plain",
        ),
        (event("start", gap_ms=0), "kojimon is watching.", "plain"),
        (event("start", gap_ms=7_200_000), "kojimon is watching again. No readings for 2 h.", "look"),
        (
            event("batch-harvest", "b", yield_kg=2.0, hours=44.0),
            "Harvested: 4.4 lb of koji. Look and smell before any taste; a good smell does not prove it safe.",
            "good",
        ),
        (event("batch-discard", "b", reason="slimy"), "Thrown away: slimy.", "look"),
        (
            event("warmth", "unknown", doubt="heater"),
            "The koji should warm itself by now. What heats the koji is not measured: whether it has warmed itself"
            " cannot be known. Look and smell before you go on; rice without white fuzz has not grown.",
            "look",
        ),
        (
            event("warmth", "late", hour=33.6, opens_hour=47.6),
            "The koji began late, about hour 34, so it is done later: harvest from hour 48.",
            "look",
        ),
    ],
)  # fmt: skip
def test_an_event_in_words(happened: Event, text: str, tone: str) -> None:
    told = line(happened, SPEECH, Work(hour=12.0))
    assert told is not None
    assert (told.text, told.tone) == (text, tone)


def test_a_mixing_that_comes_right_after_another_says_so() -> None:
    speech = replace(SPEECH, works={"mix": "mix"})
    due, doubted = (line(event("step-due", "mix", **more), speech, Work(mixed_ago_s=600, mixes=1))
                    for more in ({}, {"doubt": "not-warmed"}))  # fmt: skip
    assert due is not None and doubted is not None
    assert due.text == "Due now, 10 min after the last mixing: break up and mix. See first whether it is still hot."
    assert "after the last mixing: break up and mix. This koji has not been seen" in doubted.text
    assert line(event("step-due", "mix"), speech, Work(mixed_ago_s=7200)) == Line("Due now: break up and mix.", "look")


def test_what_was_done_before_decides_what_to_do_next() -> None:
    teller = Teller(Speech(works={"mix": "mix", "harvest": "harvest"}))
    hour = 3_600_000

    def hot(at_ms: int) -> str:
        told = teller.tell(replace(alarm("on", "UNACK"), t_ms=at_ms))
        assert told is not None
        return told.text.partition(". ")[2]

    teller.tell(event("batch-start", "b", name="first"))
    assert hot(T_MS) == "Less heat, or open it."
    teller.tell(event("step-done", "inoculate", mark=1, at_ms=T_MS))
    assert hot(T_MS + hour) == "Less heat, or open it."
    teller.tell(event("step-open", "mix"))
    assert hot(T_MS + 20 * hour) == "Break up, spread."
    teller.tell(event("step-done", "mix", mark=2, at_ms=T_MS + 21 * hour))
    assert hot(T_MS + 21 * hour + 60_000) == "Less heat, or open it."
    assert hot(T_MS + 25 * hour) == "Furrow, spread thin."
    teller.tell(event("step-undone", "mix", mark=2))
    assert hot(T_MS + 25 * hour) == "Less heat, or open it."
    teller.tell(event("step-open", "harvest"))
    assert hot(T_MS + 42 * hour) == "Look: harvest or spread thin."


def test_every_event_that_the_contract_names_has_words_of_its_own() -> None:
    def bare(kind: str) -> bool:
        told = line(event(kind, "k"), SPEECH)
        return told is not None and told.text == f"{kind.replace('-', ' ')}: k"

    assert [kind for kind in OF_KIND if bare(kind)] == []
