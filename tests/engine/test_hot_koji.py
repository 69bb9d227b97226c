"""Hot koji that heats itself: every surface says the same of it, at each limit, and it is not to open a box."""

from __future__ import annotations

from typing import Any

import pytest

from kojimon.contract import keys
from kojimon.contract.state import Box
from kojimon.model import Outcome
from kojimon.words import status
from kojimon.words.events import Teller
from kojimon.words.speech import Speech
from tests.engine.test_harvest import batch
from tests.engine.test_own_heat import At

COOL: At = lambda h: 29.0  # noqa: E731


def climbs(h: float) -> float:
    """1.2 K an hour from hour 18 on: 43 °C at hour 28.4, 45 °C at hour 30."""
    return 30.5 + max(0.0, h - 18) * 1.2


def hot(kind: str, air: At = COOL) -> tuple[Box, list[str]]:
    box, outcome = batch(climbs, 30.9, kind, air=air)
    return box, told(outcome)


def told(outcome: Outcome) -> list[str]:
    teller = Teller(Speech(fahrenheit=True))
    events = [(event, teller.tell(event)) for event in outcome.events]
    what: Any = [(event.what, line) for event, line in events if event.key == str(keys.HOT_KOJI) and line]
    return [line.text for change, line in what if change.event in ("on", "up")]


@pytest.mark.parametrize("kind", ["still", "fan", "oven-light"])
def test_koji_in_cool_steady_air_is_broken_up_first_and_stays_so_as_it_gets_worse(kind: str) -> None:
    box, lines = hot(kind)
    assert len(lines) == 2 and lines[1].startswith("Worse: ")
    assert all("Break up, spread" in line for line in lines)
    assert "Break up, spread" in status.sentence(box, Speech(fahrenheit=True), 0).text
    alarm = next(alarm for alarm in box.alarms if alarm.key == str(keys.HOT_KOJI))
    assert alarm.own_heat and alarm.air_c is None


@pytest.mark.parametrize(("kind", "air"), [
    ("heat-mat", COOL),  # its heat comes from below
    ("still", lambda h: climbs(h) - 2.0),  # air that heats the koji, or did
    ("still", lambda h: 29.0 if h < 28 else 29.0 + (h - 28) * 3),  # air that rises
])  # fmt: skip
def test_where_the_heat_may_be_the_boxs_it_goes_off_first(kind: str, air: At) -> None:
    box, lines = hot(kind, air)
    alarm = next(alarm for alarm in box.alarms if alarm.key == str(keys.HOT_KOJI))
    assert not alarm.own_heat and "Break up" not in lines[-1]
