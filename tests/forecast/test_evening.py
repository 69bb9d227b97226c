"""The first evening and what is told besides readings: cold, the kind of box, what a mixing takes, a box set anew."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from kojimon.forecast.answers import Forecast, ForecastSetup
from kojimon.forecast.forecaster import Forecaster, Reading
from kojimon.forecast.heat import balance
from kojimon.forecast.kept import calm_chances
from kojimon.forecast.prior import published

SETUP = ForecastSetup(members=200)
HOT_C, LOW_C = 43.0, 26.0


def evening(hours: float, off_h: float = 99.0, bed: bool = True, air_c: float = 30.0) -> Iterator[Reading]:
    """A quiet first evening in a room of 17 °C; the heater is off from `off_h` on, and box and koji cool."""
    chance, koji_c, box_c = np.random.default_rng(3), 32.0, air_c
    for minute in range(round(hours * 60)):
        box_c += ((18.0 if minute / 60 > off_h else air_c) - box_c) / 80
        koji_c += (box_c + 0.3 - koji_c) / 130
        read = round(koji_c + 0.05 * float(chance.standard_normal()), 2) if bed else None
        yield minute * 60.0, read, round(box_c, 2), 17.0, None


def asked(readings: Any, hour: float, setup: ForecastSetup = SETUP, works: Any = ()) -> Forecast:
    forecaster = Forecaster(setup, published(), 9)
    forecaster.take(readings, works)
    return forecaster.forecast(hour * 3600.0, (HOT_C, 45.0), low_c=LOW_C)


@pytest.mark.parametrize("hour", [0.25, 2.0, 4.0, 6.0])
@pytest.mark.parametrize("bed", [True, False])
def test_it_speaks_on_the_first_evening_from_what_batches_do_and_the_air(hour: float, bed: bool) -> None:
    made = asked(evening(hour, bed=bed), hour)
    chance = calm_chances(made)[made.quiet_in_h.index(8.0)]
    assert not made.known and made.low_c == LOW_C
    assert chance > (0.9 if bed else 0.8), "nothing overheats in the first night"


def test_a_heater_that_goes_off_is_foreseen_as_cold_before_the_koji_is_cold() -> None:
    well, off = asked(evening(6.0), 6.0), asked(evening(6.0, off_h=5.0), 6.0)
    in_8_h = well.quiet_in_h.index(8.0)
    assert well.too_cold[in_8_h] < 0.1
    assert off.bed_now_c > LOW_C + 1.0 and off.too_cold[in_8_h] > 0.5
    assert off.curve.air_p50_c[-1] < 26.0


def test_a_room_that_falls_is_followed() -> None:
    def falling(by_k_per_h: float) -> Iterator[Reading]:
        for t_s, bed_c, _, room_c, rh in evening(6.0, air_c=26.5):
            assert room_c is not None
            fallen = by_k_per_h * t_s / 3600
            yield t_s, bed_c, 26.5 - fallen, room_c - fallen, rh

    bare = ForecastSetup(members=200, kind="oven-light")
    steady, colder = asked(falling(0.0), 6.0, bare), asked(falling(0.5), 6.0, bare)
    assert colder.curve.air_p50_c[-1] < steady.curve.air_p50_c[-1] - 3.0


def test_the_air_of_a_mat_is_the_rooms_and_says_nothing_of_cold_koji() -> None:
    unknown = asked(evening(1.0, bed=False, air_c=21.0), 1.0)
    mat = asked(evening(1.0, bed=False, air_c=21.0), 1.0, ForecastSetup(members=200, kind="heat-mat"))
    assert mat.too_cold[15] < unknown.too_cold[15] - 0.3


def on_a_mat(hours: float, off_h: float = 99.0, air_c: float = 20.0) -> Iterator[Reading]:
    """Koji held at 29 °C from below."""
    koji_c, chance = 29.0, np.random.default_rng(5)
    for minute in range(round(hours * 60)):
        koji_c += ((20.0 if minute / 60 > off_h else 29.0) - koji_c) / 150
        yield minute * 60.0, round(koji_c + 0.05 * float(chance.standard_normal()), 2), air_c, 18.0, None


def test_koji_that_its_mat_has_held_so_far_is_not_feared_cold() -> None:
    """Nobody said that it is a mat: what has kept it warm all evening goes on keeping it."""
    held, off = asked(on_a_mat(8.0), 8.0), asked(on_a_mat(8.0, off_h=6.5), 8.0)
    in_8_h = held.quiet_in_h.index(8.0)
    assert held.too_cold[in_8_h] < 0.15
    assert off.bed_now_c > LOW_C - 3.0 and off.too_cold[in_8_h] > 0.8


MAT = ForecastSetup(members=200, kind="heat-mat")


def test_a_mat_is_set_for_the_koji_whatever_its_room() -> None:
    """It is to hold koji near 30 °C; that the air beside it is cold says nothing else (of three seeds 0.00-0.01)."""
    made = asked(on_a_mat(2.0, air_c=17.0), 2.0, MAT)
    assert made.too_cold[made.quiet_in_h.index(8.0)] < 0.1
    assert 28.5 < made.curve.p50_c[32] < 31.0


def test_a_mats_own_batch_teaches_it_no_heat_that_its_thermostat_held_back() -> None:
    first = Forecaster(MAT, published(), 9)
    first.take(on_a_mat(12.0), ())
    first.warmed = True
    again = Forecaster(MAT, first.learnt(), 9)
    again.take(on_a_mat(0.5), ())
    assert 27.0 < again.forecast(1800.0, (HOT_C,), low_c=LOW_C).curve.p50_c[32] < 32.0


def test_koji_that_warms_itself_takes_over_from_a_mat_with_a_thermostat() -> None:
    """What lies at what its mat holds, and no warmer, has made no heat that anything else must explain."""
    members = Forecaster(MAT, published(), 9).ensemble
    tied = np.isfinite(members.hold_c)
    assert 0.3 < tied.mean() < 0.9
    cold, warm = (
        balance(members.bed, np.full(members.size, bed_c), np.asarray(20.0), np.asarray(0.8), 0.0, members.hold_c)
        for bed_c in (25.0, 35.0)
    )
    lost = (cold.rate_k_per_h - warm.rate_k_per_h) / members.bed.loss_per_h
    assert np.median(lost[tied]) > np.median(lost[~tied]) + 5.0


@pytest.mark.parametrize(("kind", "falls"), [("heat-mat", False), ("still", True)])
def test_air_that_falls_takes_the_koji_along_but_on_a_mat(kind: str, falls: bool) -> None:
    forecaster = Forecaster(ForecastSetup(members=200, kind=kind), published(), 9)
    forecaster.take(on_a_mat(8.0), ())
    rest_c = forecaster.rest_c(np.full((1, 200), 15.0))
    assert rest_c is not None and (float(np.median(rest_c)) < 25.0) == falls


def test_moving_air_carries_more_heat_away() -> None:
    warm = {kind: Forecaster(ForecastSetup(members=400, kind=kind), published(), 9).ensemble for kind in ("fan", "")}
    middle = {kind: float(np.median(one.bed.loss_per_h)) for kind, one in warm.items()}
    assert middle["fan"] > 1.1 * middle[""]


def test_a_box_set_anew_is_believed_at_once() -> None:
    told = asked(evening(6.0), 6.1, works=((21_600.0, "set 27"),))
    assert told.curve.air_p50_c[-1] == pytest.approx(27.0, abs=0.7)
    assert asked(evening(6.0), 6.1).curve.air_p50_c[-1] == pytest.approx(30.0, abs=0.7)


def mixed(takes_k: float, told: bool = True) -> tuple[list[Reading], list[tuple[float, str]]]:
    """Koji that warms by itself and is mixed at hour 20, which takes so much."""
    rows: list[Reading] = []
    koji_c = 31.0
    for minute in range(21 * 60):
        koji_c += 0.9 / 60 if minute > 13 * 60 else (30.5 - koji_c) / 200
        if minute == 20 * 60:
            koji_c -= takes_k
        rows.append((minute * 60.0, round(koji_c, 2), 30.0, 20.0, None))
    return rows, [(20 * 3600.0, "mix")] if told else []


def falls_k(made: Forecast) -> float:
    return next(one.falls_k for one in made.what_if if one.change == "mix-now")


@pytest.mark.parametrize("told", [True, False])
def test_what_a_mixing_takes_is_learnt_from_the_mixing_seen(told: bool) -> None:
    little, much = (falls_k(asked(rows, 21.0, works=works)) for rows, works in (mixed(1.0), mixed(5.0, told)))
    assert 0.5 < little < 2.0
    assert 2.6 < much < 6.0, "another mixing will take about as much; of twelve seeds 3.0 to 3.6"


def on_the_table(rows: list[Reading], minutes: int) -> list[Reading]:
    """The same; the probe lies in the room (20 °C) so long from the mixing on, and takes minutes to follow."""
    shown_c, found = 31.0, []
    for t_s, koji_c, *rest in rows:
        felt_c = 20.0 if 0.0 <= t_s - 72_000.0 < 60.0 * minutes else koji_c
        assert felt_c is not None
        shown_c += (felt_c - shown_c) / 4.0
        found.append((t_s, round(shown_c, 2), *rest))
    return found


@pytest.mark.parametrize("minutes", [10, 20])
def test_a_probe_on_the_table_while_hands_are_in_the_koji_is_not_the_koji(minutes: int) -> None:
    rows, works = mixed(3.0)
    away = on_the_table(rows, minutes)
    for after_h in (0.25, 0.45):
        made = asked([row for row in away if row[0] <= 72_000.0 + 3600 * after_h], 20.0 + after_h, works=works)
        koji_c = rows[round((20.0 + after_h) * 60) - 1][1]
        assert koji_c is not None and made.curve.p10_c[0] < koji_c < made.curve.p90_c[0]
    back, never = (asked(some, 21.0, works=works) for some in (away, rows))
    assert back.bed_now_c == pytest.approx(never.bed_now_c, abs=0.3)
    assert falls_k(back) == pytest.approx(falls_k(never), abs=0.8)


def test_after_a_mixing_the_koji_is_less_sure_for_more_than_an_hour() -> None:
    """When torn threads come back nobody sees beforehand, and a quiet half hour is no sign that they have."""
    rows, works = mixed(3.0)
    forecaster = Forecaster(SETUP, published(), 9)
    forecaster.take([row for row in rows if row[0] < 72_000 + 3300], works)
    unsure = []
    for _ in range(2):
        unsure.append(forecaster.run(4, members=200, hours=1.0, step_h=0.125))
        forecaster.ensemble.unrest[:] = 0.0
    after, never = (float(np.std(paths.bed_c[-1, 0])) for paths in unsure)
    assert after > 1.25 * never


def test_a_moved_probe_changes_what_is_read_and_not_what_grows() -> None:
    rows, _ = mixed(0.0)
    moved = [(t_s, bed_c and bed_c - (1.8 if t_s >= 72_000 else 0.0), *rest) for t_s, bed_c, *rest in rows]
    told, untold = asked(moved, 21.0, works=((72_000.0, "moved"),)), asked(moved, 21.0)
    assert told.bed_now_c == pytest.approx(moved[-1][1], abs=0.3)
    assert told.check.jumps == 0 and abs(told.heat_k_per_h - untold.heat_k_per_h) < 3.0


def test_after_a_mixing_the_koji_pauses_and_comes_back() -> None:
    """Torn threads make little heat for an hour, published pairs are back in 1-3 h: that it lies still is no end of
    its warming."""
    rows, works = mixed(3.0)
    still_c = rows[-60][1]
    paused = [(t_s, still_c if t_s > 72_000 else koji_c, *rest) for t_s, koji_c, *rest in rows]
    made = asked(paused, 21.0, works=works)
    assert still_c is not None and made.curve.p90_c[8] > still_c + 1.5


def test_readings_by_hand_count_where_no_probe_is_read() -> None:
    """Air alone says nothing of koji at 39 °C; a probe that is read counts more than a hand."""
    by_hand = [(hour * 3600.0, f"read {32.0 + 0.7 * hour:g}") for hour in range(1, 11)]
    read, unread = (asked(evening(10.1, bed=False), 10.1, works=works) for works in (by_hand, ()))
    assert read.bed_now_c == pytest.approx(39.0, abs=1.0) and unread.bed_now_c < 35.0
    assert read.known is False and read.reading_age_s == pytest.approx(360.0, abs=60.0)
    with_probe, alone = (asked(evening(10.1), 10.1, works=works) for works in (by_hand, ()))
    assert with_probe.bed_now_c == pytest.approx(alone.bed_now_c, abs=0.05)
