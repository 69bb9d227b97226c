"""What is said of values derived from two probes, through the engine, against psychrometric values from outside.

Air of 30 °C and 80 %: dew point 26.2 °C, 24.3 g/m³, wet bulb 27.1 °C: from the ASHRAE relations as CoolProp's
`HAPropsSI` gives them (the reference here), which are not the ones used in `kojimon.air`.
"""

from __future__ import annotations

import re
from typing import Any

import pytest
from CoolProp.HumidAirProp import HAPropsSI
from msgspec.structs import replace

from kojimon.contract.state import Box, OpenBatch
from kojimon.words.derived import brief, sentences
from kojimon.words.speech import Speech
from tests.engine.derived import box as bare


def box(**said: Any) -> Box:
    """A box with a batch in it."""
    return replace(bare(**said), batch=OpenBatch("b-1", "first", "home-trays", "Rice koji", 20.0, 0, 0))


def test_the_air_of_the_box_against_coolprop() -> None:
    said = " ".join(sentences(box(bed=36.5, air=30.0, damp=80.0), Speech()))
    state = ("T", 303.15, "P", 101325.0, "R", 0.8)
    dew_c, bulb_c = (HAPropsSI(name, *state) - 273.15 for name in ("D", "B"))
    found = [float(number) for number in re.findall(r"(\d+\.\d+)", said)]
    assert "6.5 °C above the air" in said
    assert found[1] == pytest.approx(dew_c, abs=0.06)
    assert found[2] == pytest.approx(24.3, abs=0.1)
    assert found[4] == pytest.approx(30.0 - bulb_c, abs=0.08)


def test_a_wet_bulb_gives_the_humidity_and_the_rest_with_it() -> None:
    bulb_c = HAPropsSI("B", "T", 303.15, "P", 101325.0, "R", 0.8) - 273.15
    said = " ".join(sentences(box(air=30.0, wet=bulb_c), Speech(fahrenheit=True)))
    humidity = float(re.findall(r"humidity of the box air is (\d+) %", said)[0])
    assert humidity == pytest.approx(80.0, abs=2.0) and "dew point" in said and "°F" in said


def test_a_dry_wick_or_swapped_probes_are_said() -> None:
    assert "look at the wick" in " ".join(sentences(box(air=30.0, wet=30.4), Speech()))
    assert "contradict each other" in " ".join(sentences(box(air=40.0, wet=5.0), Speech()))


def test_nothing_is_said_of_what_is_not_measured() -> None:
    assert list(sentences(box(bed=30.0), Speech())) == []
    assert list(sentences(box(air=30.0), Speech())) == []


def test_the_two_a_maker_looks_at() -> None:
    found = brief(box(bed=36.5, air=30.0, damp=80.0), Speech())
    assert [(one.place, one.name, one.value) for one in found] == [
        ("bed", "Koji above box air", "6.5 °C"), ("air", "Dry/wet difference", "2.9 °C"),
    ]  # fmt: skip
    assert brief(box(bed=29.99, air=30.0), Speech())[0][1:3] == ("Koji above box air", "0.0 °C")
    assert brief(box(bed=28.0, air=30.0), Speech(fahrenheit=True))[0][1:3] == ("Koji below box air", "3.6 °F")


def test_a_bad_or_an_old_reading_gives_no_number_but_a_reason() -> None:
    bad = box(bed=36.5, air=30.0, damp=(80.0, 9))
    assert [one.name for one in brief(bad, Speech())] == ["Koji above box air"]
    assert "how dry the box air is: air or damp: wet: held at 100 %." in " ".join(sentences(bad, Speech()))
    old = box(air=30.0, damp=80.0, late_s=200.0)
    assert brief(old, Speech()) == []
    assert "no reading from air or damp" in " ".join(sentences(old, Speech()))


def test_without_a_batch_a_probe_says_nothing_of_koji() -> None:
    empty = bare(bed=26.0, air=30.0, damp=80.0)
    assert [one.name for one in brief(empty, Speech())] == ["Dry/wet difference"]
    assert "koji" not in " ".join(sentences(empty, Speech()))
