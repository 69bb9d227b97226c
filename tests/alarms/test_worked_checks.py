"""Worked checks, as regression checks: closed forms against brute force, and the product's own figures against them.

All figures here were derived or computed for this project (arithmetic), none is from a published table.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from kojimon.alarms.bursts import chatter_heads, floods
from kojimon.alarms.levels import IDLE, Threshold, judge
from kojimon.engine.trend import slope_of
from kojimon.notify import watch
from kojimon.notify.times import retry_ms
from kojimon.schedule.spec import Deviation
from tests.alarms.build import HIGH, Case, high, schedule
from tests.notify.board import PHONE, SIREN, Board
from tests.parts.inputs import says


def s(x: float, k: int) -> float:
    return sum(x**i for i in range(k))


def far(p1: float, n: int, m: int) -> float:
    """Share of time in alarm in the normal state: n samples over raise it, m under clear it."""
    up, down = p1**n * s(1 - p1, m), (1 - p1) ** m * s(p1, n)
    return up / (up + down)


def test_the_closed_form_is_what_the_judge_does() -> None:
    """The chain of all short sequences, weighted, agrees with n = m = 2 as the product's judge runs it."""
    threshold, p1, share = Threshold(1.0, True, 10_000, 10_000, 0.0, 2), 0.3, 0.0
    length = 12
    for bits in product((0, 1), repeat=length):
        level = IDLE
        for index, bit in enumerate(bits):
            level = judge(level, threshold, float(2 * bit), index * 10_000)
        weight = p1 ** sum(bits) * (1 - p1) ** (length - sum(bits))
        share += weight * level.active
    assert share == pytest.approx(far(p1, 2, 2), abs=1e-3)


def test_slope_and_time_to_limit() -> None:
    """Checks 9-11."""
    values = [30.0, 30.1, 30.1, 30.3, 30.4, 30.4, 30.6, 30.7, 30.7, 30.9, 31.0]
    line = slope_of(tuple((minute * 60_000, value) for minute, value in enumerate(values)))
    assert line is not None
    by_numpy, spread = np.polyfit([minute / 60 for minute in range(11)], values, 1, cov=True)
    assert (line.per_h, line.error_per_h) == pytest.approx((by_numpy[0], np.sqrt(spread[0][0])))
    assert line.per_h == pytest.approx(6.0, abs=0.005)
    assert line.fitted == pytest.approx(30.9727, abs=1e-4)
    assert (33.0 - line.fitted) / line.per_h * 60 == pytest.approx(20.27, abs=0.01)


def test_deviation_follows_the_target() -> None:
    """Check 15: setpoint 10, +2/-1 trips above 12 and below 9; setpoint 11 above 13 and below 10."""
    for target, trips in ((30.0, {32.0: "high", 31.9: None, 29.0: "low", 29.1: None}),
                          (31.0, {33.0: "high", 32.9: None, 30.0: "low", 30.1: None})):  # fmt: skip
        for value, side in trips.items():
            case = Case(schedule(watches=(Deviation("air", target, above=2.0, below=1.0, for_s=0.0),)))
            case.hold(300, every_s=30, air=value)
            found = case.of("deviation/air/temperature")
            assert [says(event)["side"] for event in found] == ([side] if side else []), (target, value)


def test_chatter_and_flood() -> None:
    """Checks 16-17."""
    assert chatter_heads([0, 20_000, 59_000])[-1] >= 0
    assert chatter_heads([0, 30_000, 61_000])[-1] < 0
    assert chatter_heads([0, 20_000, 40_000, 640_001])[-1] < 0, "ten calm minutes later it is an alarm of its own"
    minute = 60_000
    assert floods([n * minute for n in range(10)], 10 * minute) == []
    assert floods([n * 50_000 for n in range(11)], 10 * minute) != []


def test_budgets_and_retries() -> None:
    """Checks 18-22."""
    at_s, attempts = 0, 1
    while at_s + retry_ms(attempts) // 1000 <= 900:
        at_s += retry_ms(attempts) // 1000
        attempts += 1
    assert (attempts, at_s) == (18, 855)
    board = Board(PHONE)
    board.on(HIGH)
    board.to(720)
    assert [one.at_s for one in board.sent] == [0, 120, 240, 360, 480, 600, 720], "twelve minutes are twelve minutes"


def test_ninety_repeats_in_three_hours() -> None:
    """Check 20: every 120 s for three hours."""
    board = Board(PHONE)
    board.on(HIGH)
    board.to(10_800)
    assert len(board.sent) - 1 == 90
    assert board.sent[-1].at_s == 10_800


def test_silence_is_told_within_the_limit_of_the_last_sign(monkeypatch: pytest.MonkeyPatch) -> None:
    """Check 21: dead-man 60/180: death right after a ping: alert after 180 s; just before the next ping: 120 s."""
    now_s = 0.0
    monkeypatch.setattr(watch, "real_s", lambda: now_s)
    for death_s, wanted_s in ((600.0, 180.0), (660.0, 120.0)):
        told: list[bool] = []
        one = watch.Watch({"cellar": 180.0}, lambda _what, ok, _text, told=told: told.append(ok))
        for now_s in range(0, 601, 60):
            one.heard("cellar")
            assert one.check(now_s) == now_s + 180 and told == []
        now_s = 650
        one.heard("cellar", retained=True)  # what a broker kept is no sign of life
        one.check(death_s + wanted_s - 1)
        assert told == []
        one.check(death_s + wanted_s)
        assert told == [False]


def test_two_ways_fail_together_once_in_two_hundred_nights() -> None:
    """Check 23: two independent wake paths failing 0.10 and 0.05 per night: 0.005. All 200 pairs of nights are run."""
    unheard = 0
    for first, second in product(range(10), range(20)):
        down = {"phone": first == 0, "siren": second == 0}
        board = Board(PHONE, SIREN, works=lambda name, _at_s, down=down: not down[name])
        board.on(HIGH)
        board.to(600)
        unheard += not any(one.ok for one in board.sent)
    assert unheard / 200 == pytest.approx(0.10 * 0.05)


def test_the_clock_moves_no_delay() -> None:
    """Check 24: on-delay 60 s, wall clock +3 600 s at 10 s: fires at 60 s of monotonic time, not at 10 s."""
    case = Case(schedule(high()))
    case.hold(100)
    case.hold(20, bed=36.0)
    case.rows.input("clock", boot=1, wall_ms=0, boot_ms=0, trusted=True, step_ms=3_600_000)
    case.run()
    case.hold(100)
    assert case.moves()[0][0] == 110 + 60
