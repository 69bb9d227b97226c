"""Reading a curve file: every unit and zone, and every fault at once with its line."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.errors import ConfigurationError
from kojimon.journal.reading.curve_file import Column, Curve, CurveRow, parse_curve, place_and_tray, read_curve

MIN = 60_000
H = 3_600_000


def parse(text: str, **places: str) -> Curve:
    return parse_curve(text.encode(), "curve.csv", {name.replace("_", "-"): place for name, place in places.items()})


def faults(text: str | bytes) -> list[str]:
    with pytest.raises(ConfigurationError) as refused:
        parse_curve(text.encode() if isinstance(text, str) else text, "curve.csv", {})
    return [str(fault) for fault in refused.value.faults]


def test_times_with_zone_steps_and_empty_cells() -> None:
    curve = parse(
        "time,bed.temperature_c,air.humidity_pct,step\n"
        "2026-01-10T08:00:00+01:00,31.5,,inoculate\n"
        "2026-01-10T07:00:30Z,,88.25,\n"
        "2026-01-10T08:01:00.250+01:00,31.6,88,mix-2\n"
    )
    assert curve.columns == (
        Column("bed", "bed", "", "temperature", "c"),
        Column("air", "air", "", "humidity", "pct"),
    )
    assert curve.rows == (
        CurveRow(0, (31.5, None), "inoculate"),
        CurveRow(30_000, (None, 88.25), ""),
        CurveRow(60_250, (31.6, 88.0), "mix-2"),
    )
    assert curve.start_utc_ms == 1_768_028_400_000


def test_hours_count_from_the_inoculation() -> None:
    curve = parse("hour,bed.temperature_c\n-0.5,40\n0,32\n26.5,37.5\n")
    assert [row.t_ms for row in curve.rows] == [-30 * MIN, 0, 26 * H + 30 * MIN]
    assert curve.start_utc_ms is None


def test_units_may_be_mixed_and_become_celsius() -> None:
    """86 °F is 30 °C and 104 °F is 40 °C exactly (NIST SP 811 (2008), appendix B.8: (F - 32) / 1.8)."""
    curve = parse("hour,bed.temperature_f,bed-2.temperature_c,air.temperature_f\n0,86,30,104\n")
    assert curve.rows[0].values == (30.0, 30.0, 40.0)
    assert [column.tray for column in curve.columns] == ["", "2", ""]


@pytest.mark.parametrize(
    ("name", "found"),
    [
        ("bed", ("bed", "")), ("bed-2", ("bed", "2")), ("bed-top", ("bed", "top")), ("wet-bulb", ("wet-bulb", "")),
        ("wet-bulb-2", ("wet-bulb", "2")), ("bedside", None), ("top", None), ("", None),
    ],
)  # fmt: skip
def test_a_column_begins_with_its_place(name: str, found: tuple[str, str] | None) -> None:
    assert place_and_tray(name) == found


def test_a_probe_the_caller_knows() -> None:
    curve = parse("hour,upper-tray.temperature_c\n0,30\n", upper_tray="bed")
    assert curve.columns[0].place == "bed" and curve.columns[0].name == "upper-tray"


@pytest.mark.parametrize(
    ("before", "after", "apart_ms"),
    [
        # Germany, 29 March 2026: 02:00 becomes 03:00 (Directive 2000/84/EC: last Sunday of March, 01:00 UTC).
        ("2026-03-29T01:59:00+01:00", "2026-03-29T03:01:00+02:00", 2 * MIN),
        # Germany, 25 October 2026: 03:00 becomes 02:00 again, at 01:00 UTC (same directive).
        ("2026-10-25T02:59:00+02:00", "2026-10-25T02:01:00+01:00", 2 * MIN),
        # New York, 1 November 2026: 02:00 becomes 01:00 again (15 U.S.C. 260a: first Sunday of November).
        ("2026-11-01T01:59:00-04:00", "2026-11-01T01:01:00-05:00", 2 * MIN),
    ],
)
def test_a_night_in_which_the_hour_changes(before: str, after: str, apart_ms: int) -> None:
    curve = parse(f"time,bed.temperature_c\n{before},30\n{after},31\n")
    assert curve.rows[1].t_ms == apart_ms


def test_spreadsheet_habits_that_do_no_harm() -> None:
    """A mark at the start, Windows line ends, blank lines, blanks around cells, quotation marks."""
    curve = parse_curve('\ufefftime,"bed.temperature_c"\r\n\r\n2026-01-10T08:00:00Z , 31.5\r\n,\r\n'.encode(), "c", {})
    assert curve.rows == (CurveRow(0, (31.5,), ""),)


def test_every_fault_at_once_with_its_line() -> None:
    assert faults(
        "time,bed.temperature_c,bed.temperature_f,oven.temperature_c,air.pressure_pa,step,step\n"
        "2026-01-10T08:00:00,31.5,,,,,\n"
        "2026-01-10T08:00:00Z,nan,,,,Mix it,\n"
        "yesterday,31.5\n"
        "2026-01-10T09:00:00Z,-300,1e400,,,,\n"
        "2026-01-10T08:30:00Z,30,86,,,,\n"
    ) == [
        "curve.csv:1: air.pressure_pa: `air.pressure_pa` is no column's name, "
        "expected PLACE or PROBE and one of .temperature_c, .temperature_f, .humidity_pct",
        "curve.csv:1: bed.temperature_f: temperature of bed a second time, name each once",
        "curve.csv:1: oven.temperature_c: `oven` is no place, expected one of bed, air, room, wet-bulb, as in `bed-2`",
        "curve.csv:1: step: a second column step, expected one",
        "curve.csv:2: time: `2026-01-10T08:00:00` has no zone, add it, as in +01:00, or Z for UTC",
        "curve.csv:3: bed.temperature_c: `nan` is no number, as in 30.5; leave it empty where there was no reading",
        "curve.csv:4: 2 cells where the first line names 7 columns, "
        "expected one for each column; decimals take a point, not a comma",
        "curve.csv:5: bed.temperature_c: -300 is below absolute zero, check the value and the column's unit",
        "curve.csv:5: bed.temperature_f: `1e400` is no number, as in 30.5; leave it empty where there was no reading",
        "curve.csv:6: time: 2026-01-10T08:30:00Z is earlier than the line before, order the lines by time",
    ]


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "curve.csv: the file is empty, expected a line that names the columns first"),
        ("\n\n", "curve.csv: the file is empty, expected a line that names the columns first"),
        (
            "time;bed.temperature_c\n",
            "curve.csv:1: the columns are separated by semicolons or tabs, separate them by commas",
        ),
        (
            "date,bed.temperature_c\n",
            "curve.csv:1: the first column is `date`, expected `time` (ISO 8601 with zone) or `hour`",
        ),
        ("time,step\n", "curve.csv:1: no column with readings, expected at least one, as in `bed.temperature_c`"),
        ("hour,bed.temperature_c\none,30\n", "curve.csv:2: hour: `one` is no hour, expected hours since inoculation"),
        ("hour,bed.temperature_c\n1e9,30\n", "curve.csv:2: hour: `1e9` is no hour"),
        (
            "hour,air.humidity_pct\n1,80\n2,180\n",
            "curve.csv:3: air.humidity_pct: 180 is no humidity, expected 0 to 100 %",
        ),
        (
            "hour,bed.temperature_c\n1,85\n2,90\n3,\n4,88\n",
            "curve.csv:1: bed.temperature_c: most of it is over 60 °C, no koji is so hot; where it is °F, name the "
            "column bed.temperature_f",
        ),
        (
            "hour,air.humidity_pct\n1,0.8\n2,0.82\n",
            "curve.csv:1: air.humidity_pct: no humidity over 0.82, expected percent, as in 82",
        ),
        ("hour,bed.temperature_c\n1,31.\n", "curve.csv:2: bed.temperature_c: `31.` is no number, as in 30.5"),
        ("hour,bed.temperature_c\n1,.5\n", "curve.csv:2: bed.temperature_c: `.5` is no number, as in 30.5"),
        ("hour,bed.temperature_c\n.5,30\n", "curve.csv:2: hour: `.5` is no hour"),
        ('hour,bed.temperature_c\n1,"30,5"\n', "curve.csv:2: bed.temperature_c: `30,5` is no number, as in 30.5"),
        ('hour,bed.temperature_c\n1,"30\n', "curve.csv:2: the line is no CSV (unexpected end of data)"),
        (
            b"hour,bed.temperature_c\n1,30\n2,\xb030\n",
            "curve.csv:3: a byte 0xb0 that is not UTF-8, save the file as UTF-8",
        ),
        (b"hour,bed.temperature_c\n1,\x0030\n", "curve.csv:"),
    ],
)
def test_what_a_person_is_told(text: str | bytes, told: str) -> None:
    found = faults(text)
    assert len(found) == 1 and found[0].startswith(told)


def test_a_long_list_of_faults_is_cut_and_counted() -> None:
    found = faults("hour,bed.temperature_c\n" + "1,x\n" * 1000)
    assert len(found) == 51 and found[-1] == "curve.csv:52: 950 more faults, mend these first"


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"none\.csv: cannot be read \(No such file or directory\)"):
        read_curve(tmp_path / "none.csv")


@given(st.binary(max_size=300) | st.text(max_size=200).map(lambda text: ("hour,bed.temperature_c\n" + text).encode()))
def test_any_bytes_are_read_or_refused(data: bytes) -> None:
    try:
        curve = parse_curve(data, "any", {})
    except ConfigurationError as refused:
        assert refused.faults and refused.exit_code == 2
    else:
        assert all(len(row.values) == len(curve.columns) for row in curve.rows)
        assert [row.t_ms for row in curve.rows] == sorted(row.t_ms for row in curve.rows)
