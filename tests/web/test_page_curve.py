"""Curves kept for the page: what was read bit by bit is what is read at once; the range ahead; windows to come."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from kojimon.contract.inputs import Forecast
from kojimon.forecast.kept import pack, thin
from kojimon.journal.reading.reader import Reader
from kojimon.review.load import load_case
from kojimon.review.measure.minutes import Minute, gap_of, joined, read_minutes, runs
from kojimon.web.api.curves import Curves, Units, View, fan_of
from tests.curve.sheets import read
from tests.parts.outlooks import made
from tests.review.kitchen import Kitchen
from tests.web.pages import Door, page

UNITS = Units(fahrenheit=False, pounds=False, zone="UTC")


class Source:
    def __init__(self, reader: Reader) -> None:
        self._reader = reader

    def reader(self) -> Reader:
        return self._reader


@pytest.fixture(scope="module")
def reader(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Reader]:
    one = Kitchen(tmp_path_factory.mktemp("curve")).begin()
    for number in range(5 * 360):
        one.read(number / 360, "bed", 31.0 + (number * 7 % 11) / 10, 6 if number % 50 == 3 else 0)
        one.read(number / 360, "air", 30.0)
    with closing(one.write(5.0)) as reader:
        yield reader


@pytest.mark.parametrize("step", [1, 7, 1000])
def test_bit_by_bit_is_the_same_as_at_once(reader: Reader, step: int) -> None:
    first, end = reader.seq_at(0), reader.seq_at(5 * 3_600_000 + 1)
    whole = read_minutes(reader.path, first, end)
    found: dict[int, list[Minute]] = {}
    span = range(first, min(end, first + 400 * step), step)
    for begin in span:
        for probe, minutes in read_minutes(reader.path, begin, begin + step).items():
            joined(found.setdefault(probe, []), minutes)
    until = read_minutes(reader.path, first, span[-1] + step)
    assert found == until
    if step == 1000:
        assert found == whole


def test_bad_readings_are_not_drawn(reader: Reader) -> None:
    minutes = read_minutes(reader.path, reader.seq_at(0), reader.seq_at(10**12))
    no = next(probe.no for probe in reader.probes() if probe.name == "bed")
    assert sum(one.readings for one in minutes[no]) == 5 * 360 - 36


def test_a_gap_within_two_minutes_of_readings_is_seen() -> None:
    """Ten seconds between readings; nothing from 59.9 s to 155 s: more than the 90 s of a gap."""
    minutes = [Minute(0, 59_900, 30, 31, 6), Minute(155_000, 179_000, 30, 31, 3)]
    assert gap_of(minutes) == 90_000
    assert len(runs(minutes, 90_000, lambda ms: ms / 3_600_000)) == 2
    assert len(runs(minutes, 96_000, lambda ms: ms / 3_600_000)) == 1


def test_slow_probes_have_long_gaps() -> None:
    """A reading every five minutes: a gap is fifteen."""
    assert gap_of([Minute(n * 300_000, n * 300_000, 30, 30, 1) for n in range(9)]) == 900_000


def test_the_same_curve_is_the_same_text(reader: Reader) -> None:
    one, other = Curves(Source(reader)), Curves(Source(reader))
    first = one.svg("b-1", View(336), None, UNITS)
    assert first == one.svg("b-1", View(336), None, UNITS) == other.svg("b-1", View(336), None, UNITS)
    assert first != one.svg("b-1", View(400), None, UNITS)
    assert one.ready("b-1") and not one.ready("b-2")


FORECAST: dict[str, Any] = pack(thin(made(5.0, bed_c=32.0, per_h=1.0)))
"""As the journal keeps it: names at the top, lists below; made at hour 5."""


def test_the_likely_range_of_a_forecast(reader: Reader) -> None:
    case = load_case(reader, "b-1")
    fan = fan_of(Forecast(incubator="box", forecast=FORECAST), case)
    assert fan is not None
    assert fan.hours == (5.0, 6.0, 7.0, 8.0, 9.0, 10.0, 11.0, 13.0, 15.0, 17.0)
    assert (fan.low_c[:2], fan.middle_c[:2], fan.high_c[:2]) == ((31.5, 32.5), (32.0, 33.0), (32.5, 33.5))


@pytest.mark.parametrize(
    "payload",
    [
        {},
        {"forecast": None},
        {"incubator": "other", "forecast": FORECAST},
        {"incubator": "box", "forecast": {"at_s": 1.0}},
        {"incubator": "box", "forecast": {**FORECAST, "curve": [*FORECAST["curve"][:5], [1.0], FORECAST["curve"][6]]}},
    ],
)
def test_what_is_no_forecast_of_this_box_is_left_out(reader: Reader, payload: dict[str, Any]) -> None:
    assert fan_of(Forecast(**payload), load_case(reader, "b-1")) is None


def test_an_open_batch_shows_what_is_to_come(tmp_path: Path) -> None:
    with page(tmp_path) as door:
        door.act("batch.start", name="first", hour0_ago_s="17")
        for minute in range(30):
            door.live.put("k/bed", 31.0 + minute % 5 / 10)
            door.live.tick(60)
        door.live.commit()
        tree = read(door.get("/curve/box.svg?width=700").text)
        texts = " ".join(element.text or "" for element in tree.iter())
        assert "Look, break up and mix: hour 18.0 to 30.0" in texts
        assert "now" in texts.split()
        assert float(tree.get("data-from", "0")) <= 17.0


def test_a_curve_is_no_older_than_the_state_whatever_is_stored(tmp_path: Path) -> None:
    """Commits come once a minute; what has come since stands in the state, and the curve ends there."""
    with page(tmp_path) as door:
        door.act("batch.start", name="first", hour0_ago_s="17")
        for minute in range(30):
            door.live.put("k/bed", 31.0 + minute % 5 / 10)
            door.live.tick(60)
        door.live.commit()
        before = last_of(door, "top tray")
        versions = set()
        for second in range(5):  # nothing of this is committed yet
            door.live.put("k/bed", 36.0 + second)
            door.live.tick(8)
            versions.add(door.get("/regions").json["curve-box"])
        hour, value = last_of(door, "top tray")
        assert value == 40.0 and before[1] < 32
        state = door.get("/v1/state").json["incubators"][0]
        assert hour == pytest.approx(state["batch"]["hour"] - 8 / 3600, abs=2 / 3600)
        assert len(versions) == 5


def last_of(door: Door, label: str) -> tuple[float, float]:
    """Hour and value of the last point of a curve."""
    sheet = door.get("/v1/curve").json["sheet"]
    track = next(one for one in sheet["tracks"] if one["label"] == label)
    hour, low, _ = track["runs"][-1][-1]
    return hour, low


def test_a_value_after_a_gap_begins_a_line_of_its_own(tmp_path: Path) -> None:
    with page(tmp_path) as door:
        door.act("batch.start", name="first", hour0_ago_s="17")
        for minute in range(10):
            door.live.put("k/bed", 31.0 + minute % 5 / 10)
            door.live.tick(60)
        door.live.commit()
        runs_before = len(door.get("/v1/curve").json["sheet"]["tracks"][0]["runs"])
        door.live.tick(1200)
        door.live.put("k/bed", 33.0)
        door.live.tick(1)
        track = door.get("/v1/curve").json["sheet"]["tracks"][0]
        assert len(track["runs"]) == runs_before + 1
        assert track["runs"][-1][-1][1] == 33.0
