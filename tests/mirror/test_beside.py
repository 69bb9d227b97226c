"""Derived fields: right by a reference library, and the same however the rows are cut."""

from __future__ import annotations

from contextlib import closing

import pytest

from kojimon.journal.records import Placing
from kojimon.mirror.beside import APART_MS, ROWS_APART, Beside
from kojimon.mirror.feed import Feed, Point
from tests.mirror.kitchen import Kitchen

NOON = 1_780_000_000_000
AIR = Placing(2, 1, "box", "air", "", "temperature")
DAMP = Placing(3, 1, "box", "air", "", "humidity")
KOJI = Placing(1, 1, "box", "bed", "top", "temperature")


@pytest.mark.parametrize(("air_c", "humidity_pct"), [(20.0, 40.0), (28.5, 80.0), (32.0, 95.0), (38.0, 60.0)])
def test_damp_air_agrees_with_coolprop(air_c: float, humidity_pct: float) -> None:
    """CoolProp's humid air (Herrmann, Kretzschmar and Gatley 2009), at 101,325 Pa; tolerances as in kojimon.air."""
    from CoolProp.HumidAirProp import HAPropsSI  # it takes seconds to load

    beside = Beside()
    beside.take((1, 0, 2, air_c, None, 0), AIR)
    found = beside.take((2, 5000, 3, humidity_pct, None, 0), DAMP)
    state = ("T", air_c + 273.15, "R", humidity_pct / 100, "P", 101325)
    vapour = HAPropsSI("W", *state) / HAPropsSI("Vda", *state) * 1000
    assert found["dew_point_c"] == pytest.approx(HAPropsSI("Tdp", *state) - 273.15, abs=0.04)
    assert found["absolute_humidity_g_m3"] == pytest.approx(vapour, rel=0.0085)


def test_the_koji_above_the_air() -> None:
    beside = Beside()
    assert beside.take((1, 0, 1, 36.0, None, 0), KOJI) == {}, "no air known yet"
    beside.take((2, 0, 2, 30.0, 29.5, 0), AIR)
    assert beside.take((3, 0, 1, 36.0, 36.2, 0), KOJI) == {"above_air_k": 6.7}, "calibrated values count"


@pytest.mark.parametrize(
    ("seq", "t_ms", "verdict"),
    [(2 + ROWS_APART, 1000, 0), (3, APART_MS + 1, 0), (3, 1000, 6)],
    ids=["rows", "age", "bad"],
)
def test_nothing_is_derived_from_what_is_far_away_or_bad(seq: int, t_ms: int, verdict: int) -> None:
    beside = Beside()
    beside.take((1, 0, 2, 30.0, None, 0), AIR)
    assert beside.take((seq, t_ms, 1, 36.0, None, verdict), KOJI) == {}


def test_an_impossible_pair_gives_nothing() -> None:
    beside = Beside()
    beside.take((1, 0, 2, 500.0, None, 0), AIR)
    assert beside.take((2, 0, 3, 80.0, None, 0), DAMP) == {}


def points(kitchen: Kitchen, limit: int, ahead_every: int = 0) -> list[Point]:
    found: list[Point] = []
    with closing(kitchen.reader()) as reader:
        feed, after = Feed(reader, "cellar"), 0
        while (parcel := feed.next(after, limit)).points:
            found += parcel.points
            after = parcel.last_no
            if ahead_every and len(found) % ahead_every == 0:
                assert feed.newest()
    return found


@pytest.mark.parametrize("limit", [1, 7, 100])
def test_however_it_is_cut_the_same_is_derived(kitchen: Kitchen, limit: int) -> None:
    kitchen.clock(NOON)
    kitchen.read(100)
    kitchen.read(3, quality=6)
    kitchen.read(20)
    whole = points(kitchen, 10_000)
    assert points(kitchen, limit, ahead_every=3) == whole
    derived = [point for point in whole if {"dew_point_c", "above_air_k"} & set(point.fields)]
    assert len(derived) == 2 * 120 - 1, "each good reading but the first of the koji, which came before the air's"
    first = whole[0]
    assert first.fields == {"temperature_c": 30.125}
