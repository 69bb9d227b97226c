"""A restart in mid-batch changes nothing of what a cook is told: all of it is restored from the journal."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from msgspec import to_builtins

from kojimon.clock import ManualClock
from kojimon.contract.state import Document
from kojimon.settings.spec import ForecastSettings
from kojimon.words import outlook, standing, status
from tests.daemon.running import WALL_MS, Running, broker_site, running

STEP_S = 60.0


def told(document: Document) -> list[Any]:
    """Every sentence of the card of each box."""
    speech, now, found = status.speech_of(document), document.now.utc, list[Any]()
    for box in document.incubators:
        found.append(status.sentence(box, speech, document.t_ms))
        found.append(status.next_step(box, speech, document.t_ms, now))
        found.append(outlook.rest(box, speech, document.t_ms, now))
        found.append(standing.standing(box, speech, document.t_ms))
    return found


def feed(one: Running, hours: float, koji_c: Callable[[float], float]) -> None:
    for number in range(round(hours * 3600 / STEP_S)):
        warm = koji_c(number * STEP_S / 3600)
        for topic, value in (("bed", warm), ("bed-2", warm - 0.4), ("bed-3", warm - 0.6), ("air", 29.0 + number % 2),
                             ("air-humidity", 88.0), ("room", 20.0)):  # fmt: skip
            one.put(f"k/{topic}", value)
        one.tick(STEP_S)


def test_the_card_says_after_a_restart_what_it_said_before(tmp_path: Path) -> None:
    settings, clock = broker_site(tmp_path, forecast=ForecastSettings(use=False)), ManualClock(WALL_MS)
    with running(settings, clock) as one:
        one.act("batch.start", id="b1", name="first")
        feed(one, 0.2, lambda hour: 31.5)
        one.act("step.done", step="inoculate")
    shown: list[Any] = []
    for begin_c in (31.0, 36.0, 46.0):
        with running(settings, clock) as one:
            feed(one, 0.6, lambda hour, begin_c=begin_c: begin_c + 2.5 * hour)  # type: ignore[misc]
            before = one.daemon.house.state()
            one.commit()
        with running(settings, clock) as one:
            after = one.daemon.house.state()
        assert told(after) == told(before)
        assert to_builtins(after) == to_builtins(before)
        shown.append(told(after))
    assert shown[0] != shown[1] != shown[2], "there was something to say each time"
    assert after.incubators[0].alarms, "the last with an alarm"
