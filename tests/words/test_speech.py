"""Values, differences and times as a person reads them."""

from __future__ import annotations

import pytest

from kojimon.model import Quality
from kojimon.words.speech import QUALITY_WORDS, Speech, listing, tray_name, trend, where

NOW = "2026-01-31T20:00:00+00:00"


def test_a_difference_converts_as_a_difference() -> None:
    # NIST SP 811 (2008), B.8: t/°C = (t/°F - 32)/1.8, so a difference of 0.5 °C is 0.9 °F.
    assert Speech(fahrenheit=True).difference("temperature", 0.5) == "0.9 °F"
    assert Speech().difference("temperature", 0.5) == "0.5 °C"
    assert Speech(fahrenheit=True).value("temperature", 30.0) == "86.0 °F"
    assert Speech(fahrenheit=True).slope("temperature", -1.0) == "-1.8 °F/h"


def test_a_missing_value_is_said_to_be_missing() -> None:
    assert Speech().value("temperature", None) == "no value"


@pytest.mark.parametrize(
    ("utc", "wanted"),
    [
        ("2026-01-31T20:20:00+00:00", "14:20"),
        ("2026-02-01T06:20:00+00:00", "Sun 00:20"),
        ("2026-02-05T20:20:00+00:00", "Thu 14:20"),
        ("2026-02-12T20:20:00+00:00", "12 Feb 14:20"),
        ("2026-01-29T20:20:00+00:00", "Thu 14:20"),
    ],
)
def test_a_time_is_said_in_the_persons_zone_and_no_longer_than_needed(utc: str, wanted: str) -> None:
    assert Speech(zone="America/Chicago").moment(utc, NOW) == wanted


def test_the_hour_that_an_autumn_night_repeats_is_told_apart() -> None:
    # IANA time zone database: Europe/Berlin leaves CEST at 2026-10-25 01:00 UTC.
    speech, now = Speech(zone="Europe/Berlin"), "2026-10-25T00:00:00+00:00"
    assert speech.moment("2026-10-25T00:30:00+00:00", now) == "02:30 CEST"
    assert speech.moment("2026-10-25T01:30:00+00:00", now) == "02:30 CET"
    assert speech.moment("2026-10-25T02:30:00+00:00", now) == "03:30"


def test_an_unknown_zone_reads_as_utc() -> None:
    assert Speech(zone="Kitchen/Table").moment("2026-01-31T14:20:00+00:00", NOW) == "14:20"


@pytest.mark.parametrize(
    ("tray", "wanted"),
    [
        ("top", "the top tray"),
        ("top-tray", "the top tray"),
        ("tray-2", "tray 2"),
        ("2", "tray 2"),
        ("The lid", "The lid"),
    ],
)
def test_a_tray_keeps_the_name_it_was_given(tray: str, wanted: str) -> None:
    assert tray_name(tray) == wanted


def test_the_bed_is_the_koji_unless_its_tray_has_a_name() -> None:
    assert where("bed") == where("bed", "tray") == "the koji"
    assert where("bed", "top") == "the top tray"
    assert where("air") == "the air in the box"


@pytest.mark.parametrize(("slope", "word"), [(None, ""), (0.29, "steady"), (-0.3, "falling"), (1.0, "rising")])
def test_a_trend_is_one_word(slope: float | None, word: str) -> None:
    assert trend("temperature", slope) == word


def test_every_quality_has_words() -> None:
    assert set(QUALITY_WORDS) == {int(quality) for quality in Quality}


def test_a_list_of_causes_reads_as_a_sentence() -> None:
    assert [listing([]), listing(["cold"]), listing(["cold", "dry"]), listing(["cold", "dry", "old starter"])] == [
        "", "cold", "cold and dry", "cold, dry and old starter",
    ]  # fmt: skip
