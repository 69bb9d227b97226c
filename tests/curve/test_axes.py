"""Scales and ticks, the clock in nights that repeat or skip an hour among them."""

from datetime import UTC, datetime

import pytest

from kojimon.curve import CSS, Point, Seam, Sheet, Strip, Track
from kojimon.curve.axes import Scale, beyond, clock_at, clock_ticks, hour_ticks, scale_of
from tests.curve.sheets import sheet


def at(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def night(utc: str, hours: float = 6.0) -> Sheet:
    return sheet(from_h=0.0, to_h=hours, seams=(Seam(0.0, at(utc)),))


def test_the_night_that_repeats_an_hour_tells_both_apart() -> None:
    """Summer time ends on the last Sunday of October at 01:00 UTC (Directive 2000/84/EC, article 3)."""
    ticks = clock_ticks(night("2026-10-24T23:00"), "Europe/Berlin", 40.0, 10.0)
    assert [(tick.hour, tick.text) for tick in ticks[:5]] == [
        (0.0, "01:00"), (1.0, "02:00 CEST"), (2.0, "02:00 CET"), (3.0, "03:00"), (4.0, "04:00")
    ]  # fmt: skip


def test_the_night_that_skips_an_hour_skips_it() -> None:
    """Summer time begins on the last Sunday of March at 01:00 UTC (Directive 2000/84/EC, article 2)."""
    ticks = clock_ticks(night("2026-03-28T23:00"), "Europe/Berlin", 40.0, 10.0)
    assert [(tick.hour, tick.text) for tick in ticks[:4]] == [
        (0.0, "Sun 00:00"), (1.0, "01:00"), (2.0, "03:00"), (3.0, "04:00")
    ]  # fmt: skip


def test_a_zone_of_half_an_hour_has_its_hours_between_ours() -> None:
    ticks = clock_ticks(night("2026-01-10T00:00"), "Asia/Kolkata", 40.0, 10.0)
    assert [(tick.hour, tick.text) for tick in ticks[:2]] == [(0.5, "06:00"), (1.5, "07:00")]


def test_a_clock_that_was_set_anew_goes_on_from_there() -> None:
    """At hour 2 the clock proved 30 min slow: after 14:00 comes 14:31."""
    seams = (Seam(0.0, at("2026-01-10T12:00")), Seam(2.0, at("2026-01-10T14:30")))
    ticks = clock_ticks(sheet(from_h=0.0, to_h=4.0, seams=seams), "UTC", 60.0, 10.0)
    assert [(tick.hour, tick.text) for tick in ticks] == [
        (0.0, "12:00"),
        (1.0, "13:00"),
        (2.5, "15:00"),
        (3.5, "16:00"),
    ]


def test_an_unknown_zone_reads_as_utc() -> None:
    assert clock_ticks(night("2026-01-10T00:00"), "Nowhere/At/All", 40.0, 10.0)[0].text == "Sat 00:00"


@pytest.mark.parametrize(("per_hour", "step"), [(60.0, 1), (15.0, 2), (7.0, 3), (2.0, 12)])
def test_ticks_keep_apart(per_hour: float, step: int) -> None:
    hours = hour_ticks(sheet(), per_hour, 20.0)
    assert hours[1] - hours[0] == step


def test_scale_ticks_are_round_in_the_unit_people_read() -> None:
    scale = Scale(25.0, 46.0, 0.0, 100.0, "f")
    assert [text for _, text in scale.ticks(20.0)] == ["80", "90", "100", "110"]
    assert scale.ticks(20.0)[0][0] == pytest.approx(26.6667, abs=1e-3)


def test_the_clock_at_an_hour_tells_the_repeated_hour_apart() -> None:
    """The same night: 02:30 comes twice, an hour apart (Directive 2000/84/EC, article 3)."""
    sheet = night("2026-10-24T23:00")
    assert clock_at(sheet, "Europe/Berlin", 1.5) == ("Sun", "02:30 CEST")
    assert clock_at(sheet, "Europe/Berlin", 2.5) == ("Sun", "02:30 CET")
    assert clock_at(Sheet("x", 0, 1), "UTC", 0.5) is None


def test_rice_from_the_steamer_stretches_no_scale() -> None:
    """74 °C (165 °F) read by hand at the start; a probe that lay in hot water at hour 30."""
    by_hand = Track("hand", "top tray, by hand", Strip.KOJI, ((Point(-0.4, 74, 74),), (Point(0.2, 60, 60),)))
    soaked = Track("k", "top tray", Strip.KOJI, ((Point(5, 31, 31), Point(30, 80, 80), Point(31, 35, 35)),))
    plain, hot = sheet(), sheet(from_h=-0.5, tracks=(*sheet().tracks, by_hand, soaked))
    scales = [scale_of(one, Strip.KOJI, 0, 100, False) for one in (plain, hot)]
    assert scales[0] == scales[1] and scales[1].high < 47
    assert [point.high for point in beyond(by_hand, scales[1], -0.5, 46)] == [74]
    assert [point.high for point in beyond(soaked, scales[1], -0.5, 46)] == [80]


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2, "relative luminance"."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.2, "contrast ratio"."""
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("theme", ["LIGHT", "DARK"])
def test_lines_and_words_stand_out(theme: str) -> None:
    """WCAG 2.2: 3:1 for graphics (1.4.11), 4.5:1 for text (1.4.3), on the ground and on the band."""
    from kojimon.curve import look

    colours = dict(part.removeprefix("--k-").split(":") for part in getattr(look, theme).split(";") if part)
    for ground in (colours["ground"], colours["band"]):
        for name in ("0", "1", "2", "3", "edge", "red", "yellow"):
            assert contrast(colours[name], ground) >= 3.0, name
    for name in ("ink", "soft", "red", "yellow"):
        assert contrast(colours[name], colours["ground"]) >= 4.5, name


def test_the_style_sheet_is_light_dark_and_for_paper() -> None:
    assert "@media screen and (prefers-color-scheme:dark)" in CSS
    assert Strip.KOJI == "koji"
