"""Koji that nobody watches in its hot hours: told once, until the harvest opens, and nobody is woken for it."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from kojimon.engine import advance, initial_state
from kojimon.model import Event, Outcome, Priority
from kojimon.words.events import line
from kojimon.words.speech import Speech
from tests.engine.build import AIR, BED, H, Rows
from tests.engine.test_doubts import KOJI_C, mat, slid, wakes
from tests.engine.test_own_heat import Kitchen
from tests.parts.inputs import says


def unseen(outcome: Outcome, rows: Rows) -> list[tuple[float, str]]:
    told = [event for event in outcome.events if (event.kind, event.key) == ("warmth", "unseen")]
    assert {event.no for event in told} <= {one.event for one in outcome.messages if one.priority is Priority.TELL}
    return [(round((event.t_ms - rows.t0_ms) / 3_600_000, 1), says(event)["doubt"]) for event in told]


def words(outcome: Outcome) -> str:
    (event,) = [event for event in outcome.events if (event.kind, event.key) == ("warmth", "unseen")]
    said = line(event, Speech(fahrenheit=False))
    assert isinstance(event, Event) and said is not None
    return said.text


def test_a_probe_out_of_the_koji_in_its_hot_hours_is_told_again_after_two_hours_and_wakes_nobody() -> None:
    rows = slid(mat(), 9.0)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    (told,) = unseen(outcome, rows)
    assert 24.2 <= told[0] <= 24.6 and told[1] == "probe-out" and wakes(outcome) == []
    assert words(outcome).endswith("Put it back, or feel the koji every two hours.")


@pytest.mark.parametrize("back", ["seen", "before the hot hours", "the harvest opened"])
def test_koji_that_is_seen_again_or_not_in_its_hot_hours_is_not_told_of(back: str) -> None:
    hours = {"seen": 22.0, "before the hot hours": 14.0, "the harvest opened": 39.0}[back]
    rows = slid(mat(hours=hours), 1.0)
    if back != "the harvest opened":
        slid(rows, 24.0 - hours, KOJI_C)
    else:
        slid(rows, 3.0)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert [event.key for event in outcome.events if event.key == "fell"], "it was doubted"
    assert unseen(outcome, rows) == []


@pytest.mark.parametrize("read", [False, True], ids=["no probe", "by hand"])
def test_without_a_probe_in_the_koji_its_hot_hours_are_told_as_they_begin(read: bool) -> None:
    rows = Rows(replace(Kitchen.setup("heat-mat", "cloth", False), probes=()))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate", value_c=31.0)
    if read:
        rows.at(20 * H).act("reading", value_c=33.0, place="bed")
    rows.at(30 * H)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert unseen(outcome, rows) == [(22.0, "by-hand" if read else "no-probe")]
    assert "mix it when it is hot" in words(outcome)


def test_koji_that_is_watched_is_not_told_of() -> None:
    rows = mat()
    rows.hold(39 * H, {BED: KOJI_C, AIR: 18.5}, every_s=60)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    assert unseen(outcome, rows) == []
