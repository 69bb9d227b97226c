"""Open series with real faults in them. Origin and licences: tests/data/ORIGIN.md."""

import csv
import datetime as dt
import json
from pathlib import Path

import pytest

from kojimon.contract.events import AlarmChange
from kojimon.engine import advance, initial_state
from kojimon.model import Arrival, Quality
from kojimon.probes.judging.limits import Limits
from kojimon.probes.pipeline import Pipeline
from kojimon.schedule.spec import Band
from kojimon.settings.spec import Probe, SimulatedSource
from kojimon.units import c_from_f
from tests.alarms.build import limit, schedule
from tests.engine.build import AIR, H, Rows, site

DATA = Path(__file__).parents[1] / "data"
SIM = [SimulatedSource("sim")]


def ambient() -> tuple[list[dt.datetime], list[float]]:
    """Hourly room temperatures, °F, of numenta/NAB (commit ea702d7), with two labelled failures."""
    with (DATA / "nab_ambient_temperature_system_failure.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    times = [dt.datetime.fromisoformat(row["timestamp"]).replace(tzinfo=dt.UTC) for row in rows]
    return times, [float(row["value"]) for row in rows]


def labels() -> list[tuple[dt.datetime, ...]]:
    """Begin and end of the window of each failure, and its label."""
    (found,) = json.loads((DATA / "nab_labels.json").read_text()).values()
    moments = ((*window, label) for window, label in zip(found["windows"], found["labels"], strict=True))
    return [tuple(dt.datetime.fromisoformat(one).replace(tzinfo=dt.UTC) for one in three) for three in moments]


def test_a_room_that_changes_by_the_hour_is_believed() -> None:
    """A failure of the cooling is an event of the room: a probe that shows it truly must be believed."""
    times, values = ambient()
    probe = Probe("room", "box", "room", "temperature", "sim", unit="F", expect_every_s=3600.0)
    pipe = Pipeline([probe], {"room": 1}, SIM, {"room": Limits(spike=3.0, rate_per_min=1.0)})
    t_ms = [round((at - times[0]).total_seconds() * 1000) for at in times]
    taken = [pipe.take(Arrival("sim", 0, "room", value), at) for at, value in zip(t_ms, values, strict=True)]
    assert sum(bool(reading.quality) for readings in taken for reading in readings) <= 2


@pytest.mark.parametrize(("begin", "end", "label"), labels())
def test_limits_call_within_a_day_of_each_labelled_failure(
    begin: dt.datetime, end: dt.datetime, label: dt.datetime
) -> None:
    """16 to 28 °C, for three hours: two days before the window nobody is called, at the failure somebody is."""
    band = Band("air", "temperature", low=limit(16.0, 3 * H, min_samples=3), high=limit(28.0, 3 * H, min_samples=3))
    rows = Rows(site(schedule(band), stale_ms=3 * 3_600_000))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate")
    first = begin - dt.timedelta(days=2)
    for at, value in zip(*ambient(), strict=True):
        if first <= at <= end:
            rows.at((at - first).total_seconds()).read(AIR, c_from_f(value))
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    calls = [
        first + dt.timedelta(milliseconds=event.t_ms - rows.t0_ms) for event in outcome.events
        if event.key.startswith("limit/") and isinstance(event.what, AlarmChange) and event.what.event == "on"
    ]  # fmt: skip
    assert calls and min(calls) >= begin
    assert min(abs(call - label) for call in calls) < dt.timedelta(days=1)


def surfrad() -> list[list[float]]:
    """One winter day of minutes, NOAA SURFRAD, as in pvlib-python (commit 6382338), tests/data/slv16001.dat."""
    lines = (DATA / "surfrad-slv16001.dat").read_text().splitlines()[2:]
    return [[float(cell) for cell in line.split()] for line in lines]


def test_a_sound_day_of_minutes_has_no_flags_and_its_missing_values_are_sentinels() -> None:
    # SURFRAD: after eight leading columns, pairs of value and flag (0 good); -9999.9 is missing. Air temperature and
    # humidity are the pairs at columns 38 and 40, a missing one at 28.
    rows = surfrad()
    assert len(rows) == 1440
    temperature = Probe("t", "box", "room", "temperature", "sim", expect_every_s=60.0)
    humidity = Probe("rh", "box", "room", "humidity", "sim", unit="%", expect_every_s=60.0)
    missing = Probe("x", "box", "room", "temperature", "sim", expect_every_s=60.0)
    pipe = Pipeline([temperature, humidity, missing], {"t": 1, "rh": 2, "x": 3}, SIM)
    counts: dict[tuple[int, Quality], int] = {}
    for minute, row in enumerate(rows):
        assert row[39] == row[41] == 0
        for name, value in (("t", row[38]), ("rh", row[40]), ("x", row[28])):
            for reading in pipe.take(Arrival("sim", 0, name, value), minute * 60_000):
                key = (reading.probe, Quality(reading.quality))
                counts[key] = counts.get(key, 0) + 1
    assert counts == {(1, Quality.GOOD): 1440, (2, Quality.GOOD): 1440, (3, Quality.SENTINEL): 1440}
