"""Open series with real faults in them. Origin and licences: tests/data/ORIGIN.md."""

import csv
import datetime as dt
import json
from itertools import pairwise
from pathlib import Path

import pytest

from kojimon.model import Arrival, Quality
from kojimon.probes.judging.limits import Limits
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.spec import Probe, SimulatedSource
from tests.probes.published import Flag, hampel, spike

DATA = Path(__file__).parents[1] / "data"
SIM = [SimulatedSource("sim")]


def ambient() -> tuple[list[dt.datetime], list[float]]:
    """Hourly room temperatures, °F, of numenta/NAB (commit ea702d7), with two labelled failures."""
    with (DATA / "nab_ambient_temperature_system_failure.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    times = [dt.datetime.fromisoformat(row["timestamp"]).replace(tzinfo=dt.UTC) for row in rows]
    return times, [float(row["value"]) for row in rows]


def windows() -> list[tuple[dt.datetime, dt.datetime]]:
    labels = json.loads((DATA / "nab_labels.json").read_text())
    spans = next(iter(labels.values()))["windows"]
    return [tuple(dt.datetime.fromisoformat(end).replace(tzinfo=dt.UTC) for end in span) for span in spans]  # type: ignore[misc]


def test_the_series_is_the_published_one() -> None:
    times, values = ambient()
    assert len(values) == 7267
    steps = [abs(after - before) for before, after in pairwise(values)]
    assert max(steps) == pytest.approx(9.5, abs=0.01)
    assert times[steps.index(max(steps)) + 1].isoformat() == "2013-08-06T21:00:00+00:00"


def test_published_tests_on_the_labelled_failures(capsys: pytest.CaptureFixture[str]) -> None:
    times, values = ambient()
    flags = spike(values, 3.0, 8.0)
    suspect = [at for at, flag in zip(times, flags, strict=True) if flag >= Flag.SUSPECT]
    bad = [at for at, flag in zip(times, flags, strict=True) if flag == Flag.BAD]
    outliers = [at for at, one in zip(times, hampel(values, floor=1 / 3), strict=True) if one.flagged]
    with capsys.disabled():
        for name, found in (("spike 3/8", suspect), ("Hampel k 3, n 3, at least 1 °F off", outliers)):
            hits = [sum(start <= at <= end for at in found) for start, end in windows()]
            outside = len(found) - sum(hits)
            print(f"\n  hourly room, 7,267 rows, {name}: in the two labelled windows {hits}, outside {outside}", end="")
    # Counts of the same tests run elsewhere on the same file (regression check).
    assert (len(suspect), len(bad), len(outliers)) == (6, 1, 105)
    assert sum(one.flagged for one in hampel(values)) == 171


def test_live_verdicts_on_the_labelled_failures(capsys: pytest.CaptureFixture[str]) -> None:
    """A failure of the cooling is an event of the room: a probe that shows it truly must be believed."""
    times, values = ambient()
    probe = Probe("room", "box", "room", "temperature", "sim", unit="F", expect_every_s=3600.0)
    pipe = Pipeline([probe], {"room": 1}, SIM, {"room": Limits(spike=3.0, rate_per_min=1.0)})
    start = times[0]
    flagged = []
    for at, value in zip(times, values, strict=True):
        t_ms = round((at - start).total_seconds() * 1000)
        flagged += [at for reading in pipe.take(Arrival("sim", 0, "room", value), t_ms) if reading.quality]
    hits = [sum(begin <= at <= end for at in flagged) for begin, end in windows()]
    with capsys.disabled():
        print(
            f"\n  hourly room, 7,267 rows, live verdicts: in the windows {hits}, outside {len(flagged) - sum(hits)}",
            end="",
        )
    assert len(flagged) <= 7


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
