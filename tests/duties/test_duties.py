"""Calendar duties over nights in which the hour changes, jumps of the clock and a clock that is not set."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.duties import RETRY_MS, Calendar, Duty, daily_at, last_before, next_after

MIN = 60_000
HOUR = 60 * MIN
DAY = 24 * HOUR


ZONES = [
    "Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Asia/Tokyo", "America/St_Johns",
    "America/Santiago", "Africa/Cairo", "America/Havana",
]  # fmt: skip
"""Among them zones whose hour changes at midnight."""


def ms(text: str) -> int:
    return round(datetime.fromisoformat(text).timestamp() * 1000)


def nothing() -> None:
    """A duty that succeeds."""


def runs(duty: Duty, zone: str, first_ms: int, last_ms: int, every_ms: int = MIN) -> list[str]:
    """Local times at which a duty was done when looked at each minute."""
    calendar = Calendar([duty], {})
    done = []
    for now_ms in range(first_ms, last_ms, every_ms):
        for found in calendar.due(now_ms, True, zone):
            calendar.done(found, now_ms)
            done.append(datetime.fromtimestamp(now_ms / 1000, ZoneInfo(zone)).isoformat(timespec="minutes"))
    return done


@pytest.mark.parametrize(
    ("zone", "at", "first", "expected"),
    [
        # Last Sunday of March and of October at 01:00 UTC (Directive 2000/84/EC).
        ("Europe/Berlin", "02:30", "2026-03-28T12:00Z", ["2026-03-29T03:30+02:00", "2026-03-30T02:30+02:00"]),
        ("Europe/Berlin", "02:30", "2026-10-24T12:00Z", ["2026-10-25T02:30+02:00", "2026-10-26T02:30+01:00"]),
        ("Europe/London", "01:30", "2026-10-24T12:00Z", ["2026-10-25T01:30+01:00", "2026-10-26T01:30+00:00"]),
        # Second Sunday of March, first Sunday of November, 02:00 local (15 U.S.C. 260a).
        ("America/New_York", "02:30", "2026-03-07T12:00Z", ["2026-03-08T03:30-04:00", "2026-03-09T02:30-04:00"]),
        ("America/New_York", "01:30", "2026-10-31T12:00Z", ["2026-11-01T01:30-04:00", "2026-11-02T01:30-05:00"]),
        # Half an hour, in the tz database (2026a): Lord Howe Island, first Sunday of April.
        ("Australia/Lord_Howe", "01:45", "2026-04-04T00:00Z", ["2026-04-05T01:45+11:00", "2026-04-06T01:45+10:30"]),
        # The night after the hour was put forward, in its first hour.
        ("Europe/Berlin", "00:30", "2026-03-28T12:00Z", ["2026-03-29T00:30+01:00", "2026-03-30T00:30+02:00"]),
        # Midnight does not exist (tz database 2026a: Chile, first Sunday on or after 2 September, 04:00 UTC).
        ("America/Santiago", "00:00", "2026-09-05T12:00Z", ["2026-09-06T01:00-03:00", "2026-09-07T00:00-03:00"]),
        ("Asia/Tokyo", "06:30", "2026-03-28T12:00Z", ["2026-03-29T06:30+09:00", "2026-03-30T06:30+09:00"]),
    ],
)
def test_once_a_night_whatever_the_hour_does(zone: str, at: str, first: str, expected: list[str]) -> None:
    begin_ms = ms(first)
    assert runs(Duty("backup", daily_at(at), nothing), zone, begin_ms, begin_ms + 2 * DAY) == expected


@given(st.sampled_from(ZONES),
       st.integers(0, 23), st.sampled_from([0, 15, 30, 45]), st.integers(0, 364))  # fmt: skip
def test_each_local_day_has_one_run(zone: str, hour: int, minute: int, day: int) -> None:
    trigger = daily_at(f"{hour:02}:{minute:02}")
    moment_ms = ms("2026-01-01T12:00Z") + day * DAY
    moments = []
    for _ in range(5):
        found_ms = next_after(trigger, moment_ms, zone)
        assert found_ms is not None and found_ms > moment_ms
        moments.append(datetime.fromtimestamp(found_ms / 1000, ZoneInfo(zone)))
        moment_ms = found_ms
    days = [moment.date() for moment in moments]
    assert [day - days[0] for day in days] == [timedelta(days=n) for n in range(5)]


@given(st.sampled_from(ZONES), st.integers(0, 23), st.integers(0, 365 * 24 * 4))
def test_the_last_moment_before_is_the_one_before_the_next(zone: str, hour: int, quarter: int) -> None:
    trigger, now_ms = daily_at(f"{hour:02}:30"), ms("2026-01-01T12:00Z") + quarter * HOUR // 4
    last_ms, next_ms = last_before(trigger, now_ms, zone), next_after(trigger, now_ms - 1, zone)
    assert last_ms is not None and next_ms is not None and last_ms < now_ms <= next_ms
    assert next_after(trigger, last_ms, zone) == next_ms


def test_a_jump_of_180_days_runs_it_once() -> None:
    duty = Duty("summary", daily_at("07:00"), nothing)
    start_ms = ms("2026-01-10T12:00Z")
    calendar = Calendar([duty], {"summary": start_ms})
    later_ms = start_ms + 180 * DAY
    assert calendar.due(later_ms, True, "Europe/Berlin") == [duty]
    calendar.done(duty, later_ms)
    assert calendar.due(later_ms, True, "Europe/Berlin") == []
    assert calendar.due(later_ms + DAY, True, "Europe/Berlin") == [duty]


@pytest.mark.parametrize("back", [HOUR, 6 * HOUR, 180 * DAY])
def test_a_step_back_neither_doubles_a_night_nor_ends_the_duty(back: int) -> None:
    duty = Duty("backup", daily_at("03:40"), nothing)
    ran_ms = ms("2026-05-10T03:40Z")
    calendar = Calendar([duty], {"backup": ran_ms})
    now_ms = ran_ms + MIN - back
    done = []
    for minute in range(0, 2 * DAY + 7 * HOUR, MIN):
        for found in calendar.due(now_ms + minute, True, "UTC"):
            calendar.done(found, now_ms + minute)
            done.append(now_ms + minute)
    if back < DAY:
        assert done == [ran_ms + DAY, ran_ms + 2 * DAY], "the night that is had is not had again"
    else:
        assert len(done) == 2 and done[0] - now_ms <= DAY and done[1] - done[0] == DAY, "within one period"


def test_a_machine_that_is_off_at_night_does_it_in_the_morning() -> None:
    duty = Duty("backup", daily_at("03:40"), nothing)
    calendar = Calendar([duty], {})
    assert calendar.due(ms("2026-05-10T20:00Z"), True, "UTC") == []
    kept = calendar.changed()
    assert kept == {"backup": ms("2026-05-10T20:00Z")} and calendar.changed() == {}
    assert Calendar([duty], kept).due(ms("2026-05-11T08:00Z"), True, "UTC") == [duty]


def test_without_a_trusted_clock_only_what_does_not_wait_for_it() -> None:
    summary = Duty("summary", daily_at("07:00"), nothing)
    backup = Duty("backup", daily_at("03:40"), nothing, waits_for_clock=False)
    calendar = Calendar([summary, backup], {"summary": 0, "backup": 0})
    now_ms = ms("2026-05-10T12:00Z")
    assert calendar.due(now_ms, False, "UTC") == [backup]
    assert calendar.due(now_ms, True, "UTC") == [summary, backup]


def test_what_fails_is_tried_again_and_holds_nothing_else_up() -> None:
    tries: list[str] = []

    def broken() -> None:
        tries.append("backup")
        raise OSError("the stick is not in")

    duties = [
        Duty("backup", daily_at("03:40"), broken),
        Duty("summary", daily_at("07:00"), lambda: tries.append("summary")),
    ]
    calendar = Calendar(duties, {"backup": 0, "summary": 0})
    now_ms = ms("2026-05-10T12:00Z")
    assert calendar.run_due(now_ms, True, "UTC") == ["backup"] and tries == ["backup", "summary"]
    assert calendar.run_due(now_ms + RETRY_MS - MIN, True, "UTC") == []
    assert calendar.run_due(now_ms + RETRY_MS, True, "UTC") == ["backup"]
    assert calendar.changed() == {"summary": now_ms}, "a failed one does not count as done"


@pytest.mark.parametrize("time", ["7:00", "24:00", "07:60", "0700", "seven", "", "٠٧:٣٠"])
def test_a_time_of_day_that_is_none(time: str) -> None:
    with pytest.raises(ValueError, match="a time of day"):
        daily_at(time)


def test_looking_is_cheap(monkeypatch: pytest.MonkeyPatch) -> None:
    """Half a year of missed nights is a few questions to the trigger, not one a night."""
    asked = [0]

    class Counting:
        def __init__(self, inner: object) -> None:
            self._next: Callable[..., datetime | None] = inner.get_next_fire_time  # type: ignore[attr-defined]

        def get_next_fire_time(self, previous: datetime | None, now: datetime) -> datetime | None:
            assert now.tzinfo is UTC, "moments are passed as UTC"
            asked[0] += 1
            return self._next(previous, now)

    duty = Duty("backup", Counting(daily_at("03:40")), nothing)
    calendar = Calendar([duty], {"backup": ms("2026-01-10T12:00Z")})
    assert calendar.due(ms("2026-07-10T12:00Z"), True, "Europe/Berlin") == [duty]
    assert asked[0] <= 3
