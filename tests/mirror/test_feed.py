"""Points: their tags, fields and times; what waits for the clock; the same again after any cut."""

from __future__ import annotations

from contextlib import closing

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.journal.records import Chunk
from kojimon.mirror.feed import Feed, Parcel, stamp_ns
from kojimon.settings.spec import Probe
from tests.mirror.kitchen import H, Kitchen

NOON = 1_780_000_000_000


def parcels(kitchen: Kitchen, limit: int, after: int = 0) -> list[Parcel]:
    found = []
    with closing(kitchen.reader()) as reader:
        feed = Feed(reader, "cellar")
        while (parcel := feed.next(after, limit)).points:
            found.append(parcel)
            after = parcel.last_no
    return [*found, parcel]


def test_a_point_carries_site_incubator_probe_place_tray_batch(kitchen: Kitchen) -> None:
    kitchen.clock(NOON)
    kitchen.read(1)
    kitchen.batch("batch-start")
    kitchen.read(1)
    kitchen.batch("batch-harvest")
    kitchen.read(1)
    points = [point for parcel in parcels(kitchen, 100) for point in parcel.points]
    box = {"site": "cellar", "incubator": "box"}
    assert points[0].tags == {**box, "probe": "top probe", "place": "bed", "tray": "top"}
    assert points[0][2:4] == ({"temperature_c": 30.125}, (NOON + 10_000) * 10**6 + 2)
    assert points[5].tags == {**box, "probe": "damp", "place": "air", "batch": "b1"}
    assert points[5].fields["humidity_pct"] == 80.4375
    assert points[8].tags == {**box, "probe": "damp", "place": "air"}, "after the harvest"


def test_a_reading_that_is_not_good_stays_out_of_the_curve(kitchen: Kitchen) -> None:
    kitchen.clock(NOON)
    kitchen.read(1, quality=4)
    kitchen.writer.submit(Chunk(readings=[(90, kitchen.t_ms, 1, None, None, 3)], urgent=True))
    assert kitchen.writer.flush(60)
    points = parcels(kitchen, 100)[0].points
    assert points[0].fields == {"rejected_temperature_c": 30.125, "quality": 4}
    assert points[-1].fields == {"quality": 3}


def test_a_probe_that_moved_keeps_its_past(kitchen: Kitchen) -> None:
    kitchen.clock(NOON)
    kitchen.read(1)
    moved = Probe(name="top probe", incubator="box", place="bed", quantity="temperature", source="s", tray="low")
    kitchen.writer.register_probes(["top probe"], [moved])
    kitchen.read(1)
    points = parcels(kitchen, 100)[0].points
    assert [point.tags["tray"] for point in points if point.tags["probe"] == "top probe"] == ["top", "low"]


@pytest.mark.parametrize("limit", [1, 2, 7, 1000])
def test_however_it_is_cut_the_points_are_the_same(kitchen: Kitchen, limit: int) -> None:
    kitchen.clock(NOON)
    kitchen.read(10)
    kitchen.clock(NOON + kitchen.t_ms + 5000, kind="clock")
    kitchen.read(10)
    whole = [point for parcel in parcels(kitchen, 10_000) for point in parcel.points]
    cut = [point for parcel in parcels(kitchen, limit) for point in parcel.points]
    assert cut == whole and len(whole) == 60
    assert [point.no for point in cut] == sorted(point.no for point in cut), "oldest first"
    assert len({(point.time_ns, point.tags["probe"]) for point in cut}) == 60


def test_rows_wait_until_the_clock_is_set(kitchen: Kitchen) -> None:
    kitchen.read(1)
    assert parcels(kitchen, 100) == [Parcel((), 0, "the clock was never set; rows wait until it is")]
    kitchen.clock(NOON - 999 * H, trusted=False)
    kitchen.read(1)
    assert parcels(kitchen, 100)[-1].points == ()
    kitchen.clock(NOON, kind="clock")
    kitchen.read(1)
    points = [point for parcel in parcels(kitchen, 100) for point in parcel.points]
    assert len(points) == 9 and "clock" not in points[0].tags
    assert points[0].time_ns == (NOON - 12_000) * 10**6 + 1, "also for what was recorded before it was set"


def test_a_boot_that_was_never_set_is_sent_when_a_later_one_is_and_says_estimated(kitchen: Kitchen) -> None:
    kitchen.clock(NOON)
    kitchen.read(1)
    kitchen.clock(NOON + H, trusted=False, boot=2)
    kitchen.read(1)
    first, waiting = parcels(kitchen, 100)
    assert len(first.points) == 3 and waiting.waiting
    kitchen.clock(NOON + 5 * H, boot=3)
    kitchen.read(1)
    rest = parcels(kitchen, 100, after=first.last_no)[0].points
    assert [point.tags.get("clock") for point in rest] == 3 * ["estimated"] + 3 * [None]
    assert rest[0].time_ns // 10**6 == NOON + H + 10_000


@given(st.lists(st.integers(0, 3), min_size=2, max_size=50), st.integers(1, 10**9))
def test_stamps_are_unique_for_a_million_rows_of_one_millisecond(steps: list[int], seq: int) -> None:
    moments, utc_ms = [], 1_700_000_000_000
    for step in steps:
        utc_ms += step
        moments.append(stamp_ns(utc_ms, seq))
        seq += 1
    assert len(set(moments)) == len(moments)
    assert all(moment // 10**6 >= 1_700_000_000_000 for moment in moments)
