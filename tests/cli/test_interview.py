"""The answers that set-up takes: clean ones, sloppy ones, and wrong ones that are explained."""

from __future__ import annotations

from pathlib import Path

import pytest

from kojimon.cli.setup import interview
from kojimon.cli.setup.answers import plain, schedule_for
from kojimon.units import KG_PER_LB


@pytest.mark.parametrize(
    ("text", "fahrenheit"), [("F", True), ("°f", True), ("fahrenheit", True), (" c ", False), ("Celsius", False)]
)
def test_a_unit_of_temperature(text: str, fahrenheit: bool) -> None:
    assert interview.read_temperature_unit(text) is fahrenheit


@pytest.mark.parametrize(
    ("text", "trays"),
    [
        ("1", ("tray",)),
        ("3 trays", ("top", "middle", "bottom")),
        ("5", ("tray-1", "tray-2", "tray-3", "tray-4", "tray-5")),
        ("top tray, bottom tray", ("top-tray", "bottom-tray")),
        (" left ;right; ", ("left", "right")),
        ("Großmutters Blech", ("Gro-mutters-Blech",)),
    ],
)
def test_trays_by_number_or_by_name(text: str, trays: tuple[str, ...]) -> None:
    assert interview.read_trays(text) == trays


@pytest.mark.parametrize("text", ["0", "13", "", ",", "top, top", "💧"])
def test_trays_that_cannot_be_told_apart_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="tray"):
        interview.read_trays(text)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("22:30 to 06:30", "22:30 to 06:30"),
        ("10:30 pm - 6:30 am", "22:30 to 06:30"),
        ("23-7", "23:00 to 07:00"),
        ("22.30–6.30", "22:30 to 06:30"),
        ("12am until 8am", "00:00 to 08:00"),
    ],
)
def test_hours_of_sleep_in_the_ways_people_write_them(text: str, wanted: str) -> None:
    assert interview.read_sleep(text) == wanted


@pytest.mark.parametrize("text", ["", "never", "22:30", "25:00 to 6:00", "7 to 7", "13 pm to 6 am"])
def test_hours_of_sleep_that_are_none_are_explained(text: str) -> None:
    with pytest.raises(ValueError, match=r"expected"):
        interview.read_sleep(text)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("Europe/Lisbon", "Europe/Lisbon"),
        ("europe/lisbon", "Europe/Lisbon"),
        ("New York", "America/New_York"),
        ("UTC", "UTC"),
    ],
)
def test_a_zone_by_its_name_or_its_town(text: str, wanted: str) -> None:
    assert interview.read_zone(text) == wanted


def test_a_zone_that_is_none_is_explained() -> None:
    with pytest.raises(ValueError, match="IANA"):
        interview.read_zone("my kitchen")


def test_a_bare_mass_is_in_the_unit_chosen() -> None:
    assert interview.read_mass(True)("4") == pytest.approx(4 * KG_PER_LB)
    assert interview.read_mass(False)("2") == 2.0
    assert interview.read_mass(True)("2 kg") == 2.0
    with pytest.raises(ValueError, match="between"):
        interview.read_mass(False)("0")


def test_the_zone_of_the_machine_is_the_default(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("TZ", raising=False)
    assert interview.guess_zone(tmp_path) == "UTC"
    (tmp_path / "timezone").write_text("Europe/Lisbon\n")
    assert interview.guess_zone(tmp_path) == "Europe/Lisbon"
    monkeypatch.setenv("TZ", "America/Denver")
    assert interview.guess_zone(tmp_path) == "America/Denver"


@pytest.mark.parametrize(("lang", "wanted"), [("en_US.UTF-8", True), ("de_DE.UTF-8", False), ("C", False), ("", False)])
def test_the_unit_of_the_country_is_the_default(lang: str, wanted: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("LC_ALL", "LC_MEASUREMENT"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("LANG", lang)
    assert interview.guess_fahrenheit() is wanted


def test_a_purpose_by_number_word_or_schedule() -> None:
    assert schedule_for("2") == schedule_for("Sake") == schedule_for("rice-koji-sake") == "rice-koji-sake"
    with pytest.raises(ValueError, match="1 koji, 2 sake"):
        schedule_for("beer")


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("top", "top"),
        ("no", '"no"'),
        ("1e3", '"1e3"'),
        ("a: b", '"a: b"'),
        ("/var/x", "/var/x"),
        ("2", '"2"'),
        ("", '""'),
    ],
)
def test_a_text_in_the_file_cannot_be_mistaken_for_something_else(text: str, wanted: str) -> None:
    assert plain(text) == wanted
