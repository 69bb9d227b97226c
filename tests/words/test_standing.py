"""Over a limit while the delay runs: said as such, and never in green."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from kojimon.contract.state import Box
from kojimon.words import outlook
from kojimon.words.status import sentence, speech_of
from tests.parts.statedoc import (
    BOX,
    NOW_MS,
    NOW_UTC,
    at,
    batched,
    document,
    foreseen,
    hot_alarm,
    hot_pending,
    placed,
    probed,
)  # fmt: skip

SPEECH = speech_of(document())


def hot(value: float = 45.6, **changes: Any) -> Box:
    """Top tray at so many °C, the other at 35.1."""
    return replace(probed(placed(BOX, {"value": value}), "koji-top", value=value), **changes)


def said(box: Box) -> tuple[str, str]:
    found = sentence(box, SPEECH, NOW_MS)
    return found.text.removeprefix("The koji is at 95.2 to 114.1 °F and rising"), found.tone


@pytest.mark.parametrize(
    ("changes", "text"),
    [
        ({}, ", the top tray over 113 for 1 min, message in 1 min."),
        ({"since_t_ms": NOW_MS - 30_000, "due_t_ms": NOW_MS + 90_000}, ", the top tray over 113, message in 2 min."),
        ({"due_t_ms": NOW_MS + 40_000}, ", the top tray over 113 for 1 min, message in less than a minute."),
        ({"due_t_ms": NOW_MS - 5_000}, ", the top tray over 113 for 1 min, message at the next reading."),
        ({"priority": "tell"}, ", the top tray over 113 for 1 min, message by day."),
        ({"priority": "log"}, ", the top tray over 113 for 1 min."),
        ({"held": True}, ", the top tray over 113 for 1 min, alarm held while you work."),
    ],
)  # fmt: skip
def test_a_limit_passed_with_a_running_delay_is_said_with_the_time_left(changes: dict[str, Any], text: str) -> None:
    assert said(hot(pending=(hot_pending(**changes),))) == (text, "look")


def test_of_several_delays_the_one_whose_message_goes_out_first_is_said() -> None:
    later = hot_pending(level="high", limit=43.0, due_t_ms=NOW_MS + 300_000)
    by_day = hot_pending(level="high", limit=41.0, priority="tell", due_t_ms=NOW_MS + 1_000)
    rows = (later, by_day, hot_pending())
    assert said(hot(pending=rows)) == (", the top tray over 113 for 1 min, message in 1 min.", "look")


def test_with_one_probe_no_tray_is_named_and_cold_is_under() -> None:
    probes = tuple(probe for probe in BOX.probes if probe.name != "koji-low")
    cold = hot_pending(key="limit/bed/temperature/low", level="low", limit=26.0)
    assert said(hot(pending=(cold,), probes=probes)) == (", under 79 for 1 min, message in 1 min.", "look")


@pytest.mark.parametrize("state", ["SHLVD", "DSUPR", "OOSRV"])
def test_an_alarm_set_aside_over_its_limit_is_not_within_limits(state: str) -> None:
    text, tone = said(hot(alarms=(hot_alarm(state=state),)))
    assert text.startswith(", the top tray over 109, alarm ") and tone == "look"


def test_a_value_beyond_a_limit_is_never_within_limits_though_nothing_runs_yet() -> None:
    assert said(hot()) == (", over 113.", "look")
    assert said(hot(bands=())) == (".", "plain"), "without a limit nothing is within limits"


def test_rice_before_the_spores_over_a_limit_is_said_too() -> None:
    found = sentence(batched(hot(pending=(hot_pending(),)), hour=None), SPEECH, NOW_MS)
    assert found.text.endswith("over 113 for 1 min, message in 1 min; no spores on it yet.") and found.tone == "look"


def test_nobody_is_sent_to_sleep_while_such_a_delay_runs() -> None:
    forecast = foreseen(calm_until_t_ms=at(7))
    calm = hot(36.0, forecast=forecast)
    assert outlook.brief(calm, SPEECH, NOW_MS, NOW_UTC) is not None
    box = hot(pending=(hot_pending(),), forecast=forecast)
    assert outlook.brief(box, SPEECH, NOW_MS, NOW_UTC) is None
    found = outlook.rest(box, SPEECH, NOW_MS, NOW_UTC)
    assert found.text.startswith("Not now. The koji is at 95.2 to 114.1 °F") and found.tone == "look"
