"""What people type at a command: amounts with blanks in them, times of day, names of steps and alarms."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon import units
from kojimon.cli.shared.options import join_amounts
from kojimon.errors import UsageError
from kojimon.typed import tidy
from kojimon.words.moments import ago_of

NAMES = {"--ago", "--thermometer", "--rice"}
BERLIN = ZoneInfo("Europe/Berlin")
NOW = datetime(2026, 1, 31, 14, 20, tzinfo=BERLIN)  # a Saturday


@pytest.mark.parametrize(
    ("typed", "read"),
    [
        (["mix", "--ago", "40", "min"], ["mix", "--ago", "40 min"]),
        (["mix", "--ago", "2", "h", "10", "min", "--note"], ["mix", "--ago", "2 h 10 min", "--note"]),
        (["mix", "--ago", "2h", "10min"], ["mix", "--ago", "2h 10min"]),
        (["--ago", "40min", "mix"], ["--ago", "40min", "mix"]),
        (["--ago", "40 min", "mix"], ["--ago", "40 min", "mix"]),
        (["--thermometer", "31", "C", "mix"], ["--thermometer", "31 C", "mix"]),
        (["--thermometer", "88", "degrees", "F", "mix"], ["--thermometer", "88 degrees F", "mix"]),
        (["first", "--rice", "4", "lb"], ["first", "--rice", "4 lb"]),
        (["--rice", "4", "trays"], ["--rice", "4", "trays"]),
        (["--", "--ago", "40", "min"], ["--", "--ago", "40", "min"]),
        (["--ago"], ["--ago"]),
    ],
)
def test_an_amount_may_be_typed_with_a_blank_and_takes_nothing_else_along(typed: list[str], read: list[str]) -> None:
    assert join_amounts(typed, NAMES) == read


@pytest.mark.parametrize(
    ("typed", "value_c"),
    [
        ("31 C", 31.0),
        ("31,5c", 31.5),
        ("31.5 °C", 31.5),
        ("88f", units.c_from_f(88)),
        ("88 degrees F", units.c_from_f(88)),
        ("88 deg fahrenheit", units.c_from_f(88)),
        ("31 celsius", 31.0),
    ],
)
def test_a_temperature_is_read_in_the_ways_people_write_it(typed: str, value_c: float) -> None:
    assert units.parse_temperature_c(tidy(typed)) == pytest.approx(value_c)


@pytest.mark.parametrize(
    ("typed", "seconds"),
    [
        ("40 min", 2400),
        ("40 minutes", 2400),
        ("40m", 2400),
        ("2 hours 10 mins", 7800),
        ("1,5 h", 5400),
        ("2 days", 172800),
    ],
)
def test_a_duration_is_read_in_the_ways_people_write_it(typed: str, seconds: float) -> None:
    assert units.parse_duration_s(tidy(typed)) == seconds


@pytest.mark.parametrize(("typed", "kg"), [("2 kilos", 2.0), ("4 lbs", 4 * units.KG_PER_LB), ("500 grams", 0.5)])
def test_a_mass_is_read_in_the_ways_people_write_it(typed: str, kg: float) -> None:
    assert units.parse_mass_kg(tidy(typed)) == pytest.approx(kg)


@given(st.text(max_size=30))
def test_tidying_never_makes_a_number_out_of_nothing(text: str) -> None:
    if not any(char.isdigit() for char in text):
        assert not any(char.isdigit() for char in tidy(text, "h"))


@pytest.mark.parametrize(
    ("typed", "ago_s"),
    [
        ("14:20", 0),
        ("13:40", 2400),
        ("9:05", 5 * 3600 + 900),
        ("2:10 pm", 600),
        ("12:10 am", 14 * 3600 + 600),
        ("yesterday 23:10", 15 * 3600 + 600),
        ("Fri 14:20", 86400),
        ("friday 2:20 pm", 86400),
        ("2026-01-30 14:20", 86400),
        ("today 14:00", 1200),
    ],
)
def test_a_time_of_day_means_the_one_that_has_passed(typed: str, ago_s: float) -> None:
    assert ago_of(typed, NOW) == ago_s


def test_in_the_morning_a_late_hour_means_last_night() -> None:
    assert ago_of("23:30", datetime(2026, 1, 31, 6, 0, tzinfo=BERLIN)) == 6.5 * 3600


@pytest.mark.parametrize("typed", ["14:25", "today 23:00"])
def test_a_time_still_to_come_is_not_taken_for_yesterdays(typed: str) -> None:
    with pytest.raises(UsageError, match="still to come"):
        ago_of(typed, NOW)


@pytest.mark.parametrize("typed", ["", "now", "25:00", "14:60", "14", "13:00 pm", "sometime 14:00", "14:20:30:40"])
def test_what_is_no_time_is_refused_with_the_forms_that_are(typed: str) -> None:
    with pytest.raises(UsageError, match='14:20, 2:20 pm, "yesterday 23:10"'):
        ago_of(typed, NOW)


def test_in_the_night_that_repeats_an_hour_the_later_one_that_has_passed_is_meant() -> None:
    # IANA time zone database: Europe/Berlin leaves CEST at 2026-10-25 03:00 local time, back to 02:00.
    between = datetime(2026, 10, 25, 2, 50, tzinfo=BERLIN)
    assert ago_of("2:30", between) == 1200
    after = datetime(2026, 10, 25, 2, 50, fold=1, tzinfo=BERLIN)
    assert ago_of("2:30", after) == 1200
    assert ago_of("2:30", datetime(2026, 10, 25, 2, 10, fold=1, tzinfo=BERLIN)) == 2400
