"""`kojimon batch label`: for koji that is put away; a date of quality with its source, no word that it is safe."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

import pytest

from kojimon.mash.facts import KEPT
from tests.cli.conftest import Kitchen


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture
def harvested(kitchen: Kitchen) -> Kitchen:
    kitchen.run("batch", "start", "first", "--hours-ago", "45", "h", "--rice", "4 lb")
    said = flat(kitchen.run("batch", "harvest", "--yield", "4.6 lb").stdout)
    assert "Koji that is bagged warm heats itself again" in said
    return kitchen


@pytest.mark.parametrize("kept", KEPT)
def test_each_way_of_keeping_has_its_days_and_their_source(harvested: Kitchen, kept: str) -> None:
    """Shops: fresh koji 1 week to 1 month in the fridge, about 3 months frozen, 2-3 days in a summer room; Brewing
    Society of Japan abstract: dried to 10 % or less 6 months at 30 °C."""
    said = flat(harvested.run("batch", "label", "--kept", kept, width=100).stdout)
    dates = re.findall(r"\d\d [A-Z][a-z]{2} \d{4}", said)
    taken, until = (datetime.strptime(date, "%d %b %Y") for date in dates)  # noqa: DTZ007 - a day
    assert until - taken == timedelta(days=KEPT[kept].days)
    assert KEPT[kept].source in said
    assert "Weight when taken out: 4 lb 10 oz" in said
    assert "A date of quality, not of safety." in said


def test_it_prints(harvested: Kitchen) -> None:
    file = harvested.folder / "label.html"
    harvested.run("batch", "label", "first", "--purpose", "miso <winter>", "-o", str(file))
    page = file.read_text(encoding="utf-8")
    assert "<h1>Koji: miso &lt;winter&gt;</h1>" in page and "Best quality until" in page


def test_it_names_what_was_planned(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first", "--hours-ago", "45 h", "--note", "Salty miso. Spores planned for Sat 28.")
    kitchen.run("batch", "harvest", "--note", "white all over")
    assert "Koji: Salty miso" in kitchen.run("batch", "label").stdout


def test_two_weights_that_differ_are_both_named(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first", "--hours-ago", "45 h", "--rice", "4 lb")
    kitchen.run("batch", "weigh", "5 lb", "--as", "harvest")
    kitchen.run("batch", "harvest", "--yield", "4.5 lb")
    assert "Weight when taken out: 4 lb 8 oz or 5 lb" in kitchen.run("batch", "label").stdout


def test_a_yield_that_the_dry_weight_rules_out_later_is_not_named(kitchen: Kitchen) -> None:
    """Nobody knew the dry weight when 54 lb were told for 5.4."""
    kitchen.run("batch", "start", "first", "--hours-ago", "45 h")
    kitchen.run("batch", "harvest", "--yield", "54 lb")
    assert "Weight when taken out: 54 lb" in kitchen.run("batch", "label").stdout
    told = flat(kitchen.run("batch", "weigh", "4.6 lb", "--as", "dry").stdout)
    assert "As koji: 54 lb is impossible, more than twice the dry grain. Nothing is worked out from it." in told
    assert "Weight" not in kitchen.run("batch", "label").stdout
    kitchen.run("batch", "weigh", "5.4 lb", "--as", "harvest")
    assert "Weight when taken out: 5 lb 6 oz" in kitchen.run("batch", "label").stdout


def test_only_what_is_harvested(kitchen: Kitchen) -> None:
    kitchen.run("batch", "start", "first")
    assert "is not harvested" in flat(kitchen.run("batch", "label", code=1).stderr)
