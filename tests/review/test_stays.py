"""A probe moved to another tray in mid-batch, afterwards: one curve a tray, figures a tray, quality a probe."""

from __future__ import annotations

from io import StringIO
from pathlib import Path

import pytest

from kojimon.curve import Strip
from kojimon.journal.reading.export import batch_span, write_curve
from kojimon.journal.reading.reader import Reader
from kojimon.review.counted import load_review
from kojimon.review.draw.sheet import sheet_of, speech_of, tracks_of
from kojimon.review.load import load_case
from kojimon.review.tell.figures import tables
from kojimon.review.tell.report import minutes_by_probe
from tests.review.kitchen import Kitchen

MOVED_H = 4.0


@pytest.fixture
def moved(tmp_path: Path) -> Reader:
    """Two trays. The top's probe shows 36 °C, then from hour 4 on, in the bottom tray, 32 °C; the bottom's shows 31."""
    kitchen = Kitchen(tmp_path).begin()
    for minute in range(8 * 60):
        hour = minute / 60
        kitchen.read(hour, "bed", 36.0 if hour < MOVED_H else 32.0)
        kitchen.read(hour, "bed-2", 31.0)
        kitchen.read(hour, "air", 30.0)
    kitchen.act(MOVED_H, "probe.move", probe="bed", tray="middle")
    kitchen.act(8.0, "batch.discard", reason="a test")
    return kitchen.write(8.1)


def test_each_tray_is_a_curve_with_its_own_figures(moved: Reader) -> None:
    review = load_review(moved, "b-1")
    beds = [(one.probe, one.tray, len(one.values), max(one.values)) for one in review.curves if one.place == "bed"]
    assert sorted(beds) == [("bed", "middle", 240, 32.0), ("bed", "top", 240, 36.0), ("bed-2", "middle", 480, 31.0)]
    found = {(tray.curve.probe, tray.curve.tray): tray for tray in review.figures.trays}
    assert found["bed", "top"].curve.highest == 36.0 and found["bed", "middle"].curve.highest == 32.0
    assert found["bed", "top"].curve.known_h == pytest.approx(4.0, abs=0.02)
    assert found["bed", "middle"].onset_h is None, "it did not see that tray begin to warm"
    assert review.case.names[1] == "bed" and review.case.probes[1].tray == "middle"


def test_how_far_a_probe_is_to_be_trusted_is_told_once_for_both_trays(moved: Reader) -> None:
    review = load_review(moved, "b-1")
    rows = [one for one in review.quality if one.probe == "bed"]
    assert len(rows) == 1
    assert rows[0].readings == 480 and rows[0].covered == pytest.approx(1.0, abs=0.01)


def test_the_sheet_has_a_line_a_tray_and_a_word_at_the_move(moved: Reader) -> None:
    case = load_case(moved, "b-1")
    review = load_review(moved, "b-1")
    speech = speech_of(case, False, False, "UTC")
    minutes = minutes_by_probe(review)
    tracks = {track.label: track for track in tracks_of(case, minutes) if track.strip is Strip.KOJI}
    assert sorted(tracks) == ["middle tray (bed)", "middle tray (bed-2)", "top tray"]
    assert tracks["top tray"].runs[-1][-1].hour < MOVED_H <= tracks["middle tray (bed)"].runs[0][0].hour + 0.02
    marks = [mark.text for mark in sheet_of(case, minutes, speech).marks if abs(mark.hour - MOVED_H) < 0.01]
    assert "bed to the middle tray" in marks
    koji = next(table for table in tables(review, speech) if "top tray" in table.heads)
    assert set(koji.heads) == set(tracks)
    began = next(row for row in koji.rows if row.label == "First seen clearly warm")
    assert began.cells[koji.heads.index("middle tray (bed)")] == "not seen"


def test_an_exported_curve_names_no_tray_where_a_probe_was_in_two(moved: Reader) -> None:
    out = StringIO()
    write_curve(moved, out, batch_span(moved, "b-1"))
    head = next(line for line in out.getvalue().splitlines() if not line.startswith("#"))
    assert "bed.temperature_c" in head and "bed-2.temperature_c" in head and "top" not in head


def test_a_probe_that_stayed_is_told_as_ever(tmp_path: Path) -> None:
    kitchen = Kitchen(tmp_path).begin()
    for minute in range(120):
        kitchen.read(minute / 60, "bed", 31.0).read(minute / 60, "bed-2", 30.0)
    kitchen.act(2.0, "batch.discard", reason="a test")
    case = load_case(kitchen.write(2.1), "b-1")
    assert case.stays == {} and [site.tray for _, site in case.seats if site.place == "bed"] == ["top", "middle"]
