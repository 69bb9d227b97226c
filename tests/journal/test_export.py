"""Curve files and JSON lines out of a journal, and the way back."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from kojimon.errors import UsageError
from kojimon.journal.reading import reader as reading
from kojimon.journal.reading.curve_file import parse_curve
from kojimon.journal.reading.export import CELSIUS, Span, Style, batch_span, write_curve, write_json_lines
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import Chunk
from kojimon.journal.writing.writer import Writer
from kojimon.model import Event
from kojimon.settings.spec import Probe
from tests.parts.inputs import event_row, input_row

MakeWriter = Callable[..., Writer]
H = 3_600_000
START = 1_792_877_400_000
"""2026-10-24T21:30:00Z: the batch runs through the night in which summer time ends in Europe."""


def probe(name: str, place: str, quantity: str = "temperature", tray: str = "", incubator: str = "box") -> Probe:
    return Probe(name=name, incubator=incubator, place=place, quantity=quantity, source="s", tray=tray)


PROBES = [
    probe("t1", "bed", tray="top"), probe("t2", "bed", tray="low"), probe("a", "air"),
    probe("h", "air", "humidity"), probe("other", "bed", incubator="second"),
]  # fmt: skip


def event(no: int, t_ms: int, kind: str, key: str = "", **data: Any) -> Event:
    return event_row(no, t_ms, kind, "box", "b1", key, data)


def fill(writer: Writer, hours: int = 12, trusted: bool = True) -> list[tuple[int, int, int, float]]:
    """A batch over `hours`; returns its good readings (seq, t_ms, probe, value)."""
    writer.register_probes([p.name for p in PROBES], PROBES)
    start = {"boot": 1, "boot_id": "a", "boot_ms": 0, "wall_ms": START, "trusted": trusted}
    writer.submit(Chunk(inputs=[input_row(1, 0, "start", start)], events=[event(1, 0, "batch-start", name="Autumn")]))
    rows, good, seq = [], [], 1
    for t_ms in range(10_000, hours * H, 60_000):
        for no in range(1, 6):
            seq += 1
            raw = 30.0 + no + (seq % 40) * 0.0625
            value = raw - 0.3 if no == 2 else None
            bad = no == 3 and seq % 7 == 0
            rows.append((seq, t_ms + (7 if no == 4 else 0), no, raw, value, 6 if bad else 0))
            if not bad and no != 5:
                good.append((seq, rows[-1][1], no, raw if value is None else value))
    writer.submit(Chunk(readings=rows, horizon_ms=hours * H))
    marks = [
        event(2, 2 * H, "step-done", "inoculate", mark=1, at_ms=H),
        event(3, 3 * H, "step-done", "mix", mark=2, at_ms=3 * H),
        event(4, 4 * H, "step-undone", "mix", mark=2, at_ms=3 * H),
        event(5, 5 * H, "step-done", "mix", mark=3, at_ms=5 * H),
        event(6, 6 * H, "step-corrected", "mix", mark=3, at_ms=4 * H + 10_000),
        event_row(7, 7 * H, "start", "", "", "", {}),
        event(8, hours * H, "batch-harvest", yield_kg=2.0),
    ]
    marks = [mark for mark in marks if mark.t_ms <= hours * H]
    writer.submit(Chunk(events=marks, horizon_ms=hours * H))
    assert writer.flush(60)
    return good


def curve_text(path: Path, style: Style = CELSIUS) -> tuple[str, tuple[str, ...]]:
    out = io.StringIO()
    with closing(Reader(path)) as reader:
        done = write_curve(reader, out, batch_span(reader, "b1"), style)
    assert done.rows == out.getvalue().count("\n") - 1
    return out.getvalue(), done.notes


def test_the_way_out_and_back(path: Path, make_writer: MakeWriter, monkeypatch: pytest.MonkeyPatch) -> None:
    """A curve file holds exactly the good readings of the batch and the marks that stand, to the millisecond."""
    monkeypatch.setattr(reading, "PAGE_ROWS", 100)
    good = fill(make_writer())
    text, notes = curve_text(path, Style(zone="Europe/Berlin"))
    curve = parse_curve(text.encode(), "b1.csv", {})
    assert [column.name for column in curve.columns] == ["bed-top", "bed-low", "air", "air"]
    assert [column.place for column in curve.columns] == ["bed", "bed", "air", "air"]
    assert curve.start_utc_ms == START + 10_000 and notes == ()
    number = {0: 1, 1: 2, 2: 3, 3: 4}
    back = sorted(
        (row.t_ms + 10_000, number[index], value)
        for row in curve.rows for index, value in enumerate(row.values) if value is not None
    )  # fmt: skip
    assert back == sorted((t_ms, no, value) for _, t_ms, no, value in good)
    assert [(row.t_ms + 10_000, row.step) for row in curve.rows if row.step] == [
        (H, "inoculate"),
        (4 * H + 10_000, "mix"),
    ]
    # RFC 4180: a header, and as many fields in every line; read by Python's csv in the dialect that it takes it for.
    header, *lines = csv.reader(io.StringIO(text, newline=""), csv.Sniffer().sniff(text[:4000]), strict=True)
    assert {len(line) for line in lines} == {len(header)} == {6}
    assert [float(cell) for line in lines for cell in line[1:5] if cell] == [
        value for row in curve.rows for value in row.values if value is not None
    ]


def test_times_carry_the_zone_through_the_autumn_night(path: Path, make_writer: MakeWriter) -> None:
    fill(make_writer())
    text, _ = curve_text(path, Style(zone="Europe/Berlin"))
    times = [line.split(",")[0] for line in text.splitlines()[1:]]
    assert times[0] == "2026-10-24T23:30:10.000+02:00"
    assert "2026-10-25T02:59:10.000+02:00" in times and "2026-10-25T02:00:10.000+01:00" in times
    assert len(set(times)) == len(times), "the repeated hour is told apart by its offset"


def test_fahrenheit_stands_in_the_header(path: Path, make_writer: MakeWriter) -> None:
    good = fill(make_writer(), hours=2)
    text, _ = curve_text(path, Style(fahrenheit=True))
    assert (
        text.splitlines()[0]
        == "time,bed-top.temperature_f,bed-low.temperature_f,air.temperature_f,air.humidity_pct,step"
    )
    curve = parse_curve(text.encode(), "b1.csv", {})
    values = [row.values[0] for row in curve.rows if row.values[0] is not None]
    assert values == pytest.approx([value for _, _, no, value in good if no == 1], abs=3e-5)


def test_hours_from_inoculation(path: Path, make_writer: MakeWriter) -> None:
    fill(make_writer(), hours=3)
    text, _ = curve_text(path, Style(hours=True))
    curve = parse_curve(text.encode(), "b1.csv", {})
    assert text.startswith("hour,") and curve.start_utc_ms is None
    assert curve.rows[0].t_ms == 10_000 - H
    assert [row.t_ms for row in curve.rows if row.step == "inoculate"] == [0]


def test_hours_pass_a_gap_as_long_as_it_was(path: Path, make_writer: MakeWriter) -> None:
    writer = make_writer()
    fill(writer, hours=3)
    writer.submit(Chunk(events=[event_row(9, 2 * H, "anchor", "", "", "", {"at_ms": 2 * H, "delta_ms": 5 * H})]))
    assert writer.flush(60)
    curve = parse_curve(curve_text(path, Style(hours=True))[0].encode(), "b1.csv", {})
    hours = [row.t_ms / H for row in curve.rows]
    assert max(hour for hour in hours if hour < 1) == pytest.approx(1.0, abs=0.02)
    assert min(hour for hour in hours if hour > 1) == pytest.approx(6.0, abs=0.02), "five hours more than believed"


def test_an_unset_clock_is_noted(path: Path, make_writer: MakeWriter) -> None:
    fill(make_writer(), hours=2, trusted=False)
    assert curve_text(path)[1] == ("the clock was not set for a part of this; its times are estimated",)
    assert curve_text(path, Style(hours=True))[1] == ()


def test_a_clock_set_back_does_not_run_the_curve_backwards(path: Path, make_writer: MakeWriter) -> None:
    writer = make_writer()
    fill(writer, hours=3)
    back = {"boot": 1, "boot_id": "a", "boot_ms": 2 * H, "wall_ms": START + H, "trusted": True, "step_ms": -H}
    writer.submit(Chunk(inputs=[input_row(10**6, 2 * H, "clock", back)]))
    assert writer.flush(60)
    curve = parse_curve(curve_text(path)[0].encode(), "b1.csv", {})
    assert curve.rows[-1].t_ms - curve.rows[0].t_ms == pytest.approx(3 * H - 60_000, abs=60_000), (
        "no hour lost or doubled"
    )


def test_what_cannot_be_exported_is_said(path: Path, make_writer: MakeWriter) -> None:
    writer = make_writer()
    fill(writer, hours=2)
    with closing(Reader(path)) as reader:
        with pytest.raises(UsageError, match="there is no batch 'b9'; the last ones are: b1"):
            batch_span(reader, "b9")
        with pytest.raises(UsageError, match="no readings in that time"):
            write_curve(reader, io.StringIO(), batch_span(reader, "b1")._replace(t0_ms=50 * H, t1_ms=60 * H))
        unsown = reader.batches()[0]._replace(hour0_t_ms=None)
        with pytest.raises(UsageError, match="export times instead"):
            write_curve(reader, io.StringIO(), Span(unsown, 0, H), Style(hours=True))


def test_probes_of_one_place_without_trays_are_counted(path: Path, make_writer: MakeWriter) -> None:
    writer = make_writer()
    probes = [probe("x", "bed"), probe("y", "bed"), probe("z", "bed")]
    writer.register_probes(["x", "y", "z"], probes)
    begun = [event(1, 500, "batch-start", name="Autumn")]
    writer.submit(Chunk(readings=[(n, 1000, n, 30.0, None, 0) for n in (1, 2, 3)], events=begun, horizon_ms=2000))
    assert writer.flush(60)
    header = curve_text(path)[0].splitlines()[0]
    assert header == "time,bed.temperature_c,bed-2.temperature_c,bed-3.temperature_c,step"


def test_json_lines_hold_everything_with_its_verdict(path: Path, make_writer: MakeWriter) -> None:
    fill(make_writer(), hours=2)
    out = io.StringIO()
    seen: list[tuple[int, int]] = []
    with closing(Reader(path)) as reader:
        done = write_json_lines(
            reader, out, batch_span(reader, "b1"), progress=lambda now, end: seen.append((now, end))
        )
        stored = sum(isinstance(row, tuple) for row in reader.rows_after(0))
    text = out.getvalue()
    assert text.endswith("}\n") and "\r" not in text, "JSON lines (jsonlines.org): a value a line, each one ended"
    lines = [json.loads(line, parse_constant=pytest.fail) for line in text.removesuffix("\n").split("\n")]
    assert done.rows == len(lines) - 1 and seen[-1][0] == seen[-1][1]
    about, *rest = lines
    assert about["kind"] == "about" and about["units"]["temperature"] == "C" and about["batch"]["name"] == "Autumn"
    readings = [line for line in rest if line["kind"] == "reading"]
    assert len(readings) == stored * 4 // 5, "all but the other incubator's"
    assert {line["quality"] for line in readings} == {"good", "spike"}
    calibrated = next(line for line in readings if line["probe"] == "t2")
    assert calibrated["raw_temperature_c"] - calibrated["temperature_c"] == pytest.approx(0.3)
    assert calibrated | {"place": "bed", "tray": "low", "clock": "trusted", "incubator": "box"} == calibrated
    events = [line for line in rest if line["kind"] == "event"]
    assert [line["event"] for line in events][:2] == ["batch-start", "step-done"]
    assert {line["batch"] for line in events} == {"b1"}
    times = [line["t_ms"] for line in rest]
    assert times == sorted(times)


def test_json_lines_in_fahrenheit(path: Path, make_writer: MakeWriter) -> None:
    fill(make_writer(), hours=1)
    out = io.StringIO()
    with closing(Reader(path)) as reader:
        write_json_lines(reader, out, batch_span(reader, "b1"), Style(fahrenheit=True, zone="America/New_York"))
    lines = [json.loads(line) for line in out.getvalue().splitlines()]
    assert {line["incubator"] for line in lines if line["kind"] == "reading"} == {"box"}
    first = next(line for line in lines if line.get("probe") == "t1")
    assert first["temperature_f"] == pytest.approx(87.8 + 0.125 * 1.8, abs=1e-4)
    assert first["time"] == "2026-10-24T17:30:10.000-04:00"
