"""Limits that are passed while their delay runs: what the state document says of them before any alarm does."""

from __future__ import annotations

from kojimon.contract.state import Pending
from kojimon.engine import advance, initial_state, view
from tests.engine.build import AIR, BED, HUMIDITY, MIDDLE, Rows, alarms

HOT = "limit/bed/temperature/high"
AROUND = {AIR: 30.0, HUMIDITY: 85.0}


class Koji:
    """A batch that has warmed itself for an hour."""

    def __init__(self) -> None:
        self.rows = Rows()
        self.rows.act("batch.start", name="first")
        self.rows.act("step.done", step="inoculate", value_c=31.0)
        self.state = initial_state()
        self.rows.hold(3600, {BED: 36.0, MIDDLE: 35.0, **AROUND})
        assert self.take() == [] and self.pending() == []

    def take(self) -> list[tuple[str, str, str]]:
        self.state, outcome = advance(self.state, self.rows.take(), self.rows.t_ms)
        return alarms(outcome, [HOT])

    def hot(self, seconds: float, bed_c: float, middle_c: float = 36.0) -> list[tuple[str, str, str]]:
        """Holds the koji there for so long."""
        at_s = (self.rows.t_ms - self.rows.t0_ms) / 1000
        self.rows.hold(at_s + seconds, {BED: bed_c, MIDDLE: middle_c, **AROUND})
        return self.take()

    def pending(self) -> list[Pending]:
        return list(view(self.state, self.rows.t_ms).incubators[0].pending)


def test_a_limit_whose_delay_runs_says_since_when_and_when_its_message_goes_out() -> None:
    koji = Koji()
    assert koji.hot(60, 45.6) == []
    (first, second) = koji.pending()
    began_ms = koji.rows.t_ms - 50_000
    assert first == Pending(
        HOT, "high_high", "wake", "koji-top", "top", 45.6, 45.0, began_ms, began_ms + 120_000
    )  # fmt: skip
    assert (second.level, second.limit, second.due_t_ms) == ("high", 43.0, began_ms + 600_000)
    # The message goes out at the moment that was said.
    koji.rows.at((first.due_t_ms - koji.rows.t0_ms) / 1000 - 10)
    koji.rows.read(BED, 45.6)
    assert koji.take() == []
    koji.hot(10, 45.6)
    assert koji.pending() == [], "the outermost limit is an alarm now, and nothing worse can come"


def test_what_comes_back_in_time_is_pending_no_more() -> None:
    koji = Koji()
    koji.hot(60, 43.4)
    assert [row.level for row in koji.pending()] == ["high"]
    koji.hot(10, 42.0)
    assert koji.pending() == []


def test_of_two_trays_the_first_to_come_due_is_listed_and_under_an_alarm_only_what_is_worse() -> None:
    koji = Koji()
    koji.hot(60, 43.4)
    koji.hot(60, 43.4, 43.6)
    (row,) = koji.pending()
    assert row.probe == "koji-top"
    koji.hot(500, 43.4, 43.6)
    assert koji.pending() == [], "the alarm stands; the second tray adds no message"
    koji.hot(30, 45.2, 43.6)
    assert [row.level for row in koji.pending()] == ["high_high"]


def test_while_hands_are_in_the_koji_its_limit_is_held_but_not_the_outermost() -> None:
    koji = Koji()
    koji.rows.act("step.done", step="mix")
    koji.hot(60, 45.6)
    assert {row.level: row.held for row in koji.pending()} == {"high_high": False, "high": True}


def test_a_probe_that_has_fallen_silent_promises_no_message() -> None:
    koji = Koji()
    koji.hot(30, 45.6)
    koji.rows.at((koji.rows.t_ms - koji.rows.t0_ms) / 1000 + 100)
    koji.take()
    assert koji.pending() == []
