"""The review's figures against an independent recomputation with numpy from the CSV export.

The other side reads the exported text with the csv module, knows the schedule only from its YAML file, and counts on a
grid of five seconds instead of along straight pieces.
"""

from __future__ import annotations

import csv
import io
from datetime import datetime
from typing import Any

import numpy as np
import pytest
import yaml

from kojimon.journal.reading.export import Style, batch_span, write_curve
from kojimon.journal.reading.reader import Reader
from kojimon.review.counted import Review, load_review
from tests.daemon.sites import HOME_TRAYS

STEP_H = 5 / 3600
GAP_H = 90 / 3600


@pytest.fixture(scope="module")
def review(batch: Reader) -> Review:
    return load_review(batch, "b-1")


def exported(batch: Reader, **style: Any) -> list[dict[str, str]]:
    out = io.StringIO()
    write_curve(batch, out, batch_span(batch, "b-1"), Style(**style))
    return list(csv.DictReader(io.StringIO(out.getvalue())))


def column(rows: list[dict[str, str]], name: str) -> tuple[np.ndarray, np.ndarray]:
    """Hours since inoculation and values of the lines that have one."""
    pairs = [(float(row["hour"]), float(row[name])) for row in rows if row[name]]
    return np.array([hour for hour, _ in pairs]), np.array([value for _, value in pairs])


class Grid:
    """A curve on a fine grid from hour 0 to the end; NaN where a gap is."""

    def __init__(self, rows: list[dict[str, str]], name: str, end_h: float) -> None:
        self.hours, self.values = column(rows, name)
        self.grid = np.arange(0, end_h, STEP_H) + STEP_H / 2
        inside = np.interp(self.grid, self.hours, self.values)
        at = np.clip(np.searchsorted(self.hours, self.grid, side="right"), 1, len(self.hours) - 1)
        gap_h = max(GAP_H, 3 * np.median(np.diff(self.hours)))
        known = (np.diff(self.hours)[at - 1] <= gap_h) & (self.grid >= self.hours[0]) & (self.grid <= self.hours[-1])
        self.at = np.where(known, inside, np.nan)

    def above(self, limit: float) -> float:
        return float(np.count_nonzero(self.at > limit) * STEP_H)


def names(rows: list[dict[str, str]]) -> list[str]:
    return [name for name in rows[0] if name.startswith("bed")]


def test_there_are_gaps_and_a_whole_batch(review: Review) -> None:
    assert review.figures.length_h > 40
    assert all(quality.gaps for quality in review.quality)
    assert len(review.figures.trays) >= 2


def test_time_in_each_range(batch: Reader, review: Review) -> None:
    rows = exported(batch, hours=True)
    for tray, name in zip(review.figures.trays, names(rows), strict=True):
        grid = Grid(rows, name, review.figures.length_h)
        wanted = [
            grid.above(30) - grid.above(35), grid.above(35) - grid.above(38), grid.above(38), grid.above(42)
        ]  # fmt: skip
        assert list(tray.ranges_h) == pytest.approx(wanted, abs=0.02)
        assert list(tray.above_h) == pytest.approx([grid.above(x) for x in (38, 40, 42, 45)], abs=0.02)


def test_peak_mean_and_coverage(batch: Reader, review: Review) -> None:
    rows = exported(batch, hours=True)
    end_h = review.figures.length_h
    for tray, name in zip(review.figures.trays, names(rows), strict=True):
        hours, values = column(rows, name)
        during = (hours >= 0) & (hours <= end_h)
        assert tray.curve.highest == values[during].max()
        assert tray.curve.highest_h == pytest.approx(hours[during][values[during].argmax()], abs=1e-6)
        assert tray.curve.lowest == values[during].min()
        grid = Grid(rows, name, end_h)
        assert tray.curve.mean == pytest.approx(np.nanmean(grid.at), abs=0.005)
        assert tray.curve.known_h == pytest.approx(np.count_nonzero(~np.isnan(grid.at)) * STEP_H, abs=0.02)


def test_humidity_and_air(batch: Reader, review: Review) -> None:
    rows = exported(batch, hours=True)
    for quantity, name in (("temperature", "air.temperature_c"), ("humidity", "air.humidity_pct")):
        curve = next(c for c in review.figures.others if (c.place, c.quantity) == ("air", quantity))
        grid = Grid(rows, name, review.figures.length_h)
        assert curve.mean == pytest.approx(np.nanmean(grid.at), abs=0.02)


def test_fastest_rise(batch: Reader, review: Review) -> None:
    rows = exported(batch, hours=True)
    works = [float(row["hour"]) for row in rows if row["step"] in ("first-check", "mix", "swap")]
    for tray, name in zip(review.figures.trays, names(rows), strict=True):
        hours, values = column(rows, name)
        end_h, onset = review.figures.length_h, tray.onset_h or 0.0
        gap_ends = hours[1:][np.diff(hours) > GAP_H]
        best = -np.inf
        for hour, value in zip(hours, values, strict=True):
            begin = hour - 0.5
            if not onset <= begin or hour > end_h:
                continue
            if any(begin < end and hour >= end for end in gap_ends) or any(
                work <= hour and begin < work + 0.5 for work in works
            ):
                continue
            best = max(best, (value - np.interp(begin, hours, values)) / 0.5)
        assert tray.rise_k_per_h == pytest.approx(best, abs=0.03)


def test_onset_of_self_warming(batch: Reader, review: Review) -> None:
    rows = exported(batch, hours=True)
    air = Grid(rows, "air.temperature_c", review.figures.length_h)
    for tray, name in zip(review.figures.trays, names(rows), strict=True):
        bed = Grid(rows, name, review.figures.length_h)
        width = round(1 / STEP_H)
        counted = np.cumsum(np.nan_to_num(~np.isnan(air.at)))
        summed = np.cumsum(np.nan_to_num(air.at))
        recent = np.array([
            (summed[i] - summed[max(0, i - width)]) / max(1, counted[i] - counted[max(0, i - width)])
            for i in range(len(air.at))
        ])  # fmt: skip
        warm = (bed.grid >= 8) & ((bed.at >= 34) | (bed.at - recent >= 3))
        run, held = 0, round(10 / 60 / STEP_H)
        found = None
        for index, one in enumerate(warm):
            run = run + 1 if one else 0
            if run >= held:
                found = bed.grid[index - run + 1]
                break
        # Gaps are masked in the grid and merely skipped by readings, so the two may differ by a gap's length.
        assert found is not None and tray.onset_h is not None
        assert tray.onset_h == pytest.approx(found, abs=0.4)


def limits(rows: list[Any], stage_hours: dict[str, float], hours: np.ndarray, level: str) -> np.ndarray:
    """A limit of the bed hour by hour, from the schedule's YAML as text: `at: 40 C`, no ramps."""
    schedule = yaml.safe_load(HOME_TRAYS.read_text(encoding="utf-8"))
    found = np.full(len(hours), np.nan)
    for name, since in sorted(stage_hours.items(), key=lambda item: item[1]):
        limit = schedule["stages"][name]["bands"]["bed"]["temperature"].get(level)
        found[hours >= since] = float(limit["at"].removesuffix(" C")) if limit else np.nan
    return found


def test_time_inside_the_band(batch: Reader, review: Review) -> None:
    rows = exported(batch, hours=True)
    stages = {event.key: review.case.hours.hour(event.t_ms) for event in batch.events(kinds=("stage",)) if event.key}
    for tray, name in zip(review.figures.trays, names(rows), strict=True):
        grid = Grid(rows, name, review.figures.length_h)
        band = tray.curve.band
        assert band is not None
        for level, above in (("high", True), ("high_high", True), ("low", False), ("low_low", False)):
            limit = limits(rows, stages, grid.grid, level)
            over = (grid.at - limit) * (1 if above else -1)
            assert band.beyond_h.get(level, 0.0) == pytest.approx(np.count_nonzero(over > 0) * STEP_H, abs=0.02)
            assert band.beyond_area.get(level, 0.0) == pytest.approx(np.nansum(np.maximum(over, 0)) * STEP_H, abs=0.02)


def test_the_same_in_fahrenheit_and_wall_time(batch: Reader, review: Review) -> None:
    """°F and local times through the night that repeats an hour give the same hours above 38 °C (100.4 °F)."""
    rows = exported(batch, fahrenheit=True, zone="Europe/Berlin")
    assert {row["time"][-6:] for row in rows} == {"+02:00", "+01:00"}
    begun = next(datetime.fromisoformat(row["time"]) for row in rows if row["step"] == "inoculate")
    for row in rows:
        row["hour"] = str((datetime.fromisoformat(row["time"]) - begun).total_seconds() / 3600)
    for tray, name in zip(review.figures.trays, [n for n in rows[0] if n.startswith("bed")], strict=True):
        assert name.endswith("_f")
        assert Grid(rows, name, review.figures.length_h).above(100.4) == pytest.approx(tray.above_h[0], abs=0.03)


def test_gaps_are_those_of_the_export(batch: Reader, review: Review) -> None:
    rows = exported(batch, hours=True)
    hours, _ = column(rows, names(rows)[0])
    hours = hours[(hours >= 0) & (hours <= review.figures.length_h)]
    inside = hours[1:][np.diff(hours) > GAP_H]
    quality = next(q for q in review.quality if q.probe == review.figures.trays[0].curve.probe)
    ends = [end for _, end in quality.gaps if end < review.figures.length_h - 0.01]
    assert sorted(ends) == pytest.approx(sorted(inside.tolist()), abs=1e-6)
