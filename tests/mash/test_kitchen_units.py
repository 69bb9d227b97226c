"""Weights and volumes as a kitchen reads and types them."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.typed import tidy
from kojimon.units import parse_mass_kg, parse_volume_l, show_mass, show_volume, show_weight

OZ = 0.45359237 / 16


@pytest.mark.parametrize(("kg", "pounds", "metric"), [
    (83 * OZ, "5 lb 3 oz", "2.35 kg"), (15.98 * OZ, "1 lb", "453 g"), (3.2 * OZ, "3.2 oz", "91 g"),
    (32 * OZ, "2 lb", "907 g"), (0.0018, "1.8 g", "1.8 g"), (0.0004, "0.40 g", "0.40 g"),
    (0.9999, "2 lb 3 oz", "1.00 kg"),
])  # fmt: skip
def test_a_weight_on_a_kitchen_scale(kg: float, pounds: str, metric: str) -> None:
    """16 oz are a pound of 0.45359237 kg (NIST SP 811)."""
    assert (show_weight(kg, True), show_weight(kg, False)) == (pounds, metric)


def test_a_small_batch_is_not_rounded_away() -> None:
    """533 g of rice for a jar of sake stood as 0.5 kg."""
    assert (show_mass(0.533, False), show_mass(0.2, True), show_mass(2.0, True)) == ("533 g", "7.1 oz", "4.4 lb")


@pytest.mark.parametrize(("litres", "gallons", "metric"), [
    (3.785411784, "1.0 gal", "3.8 L"), (0.9463529, "1.0 qt", "946 mL"), (0.414, "14 fl oz", "414 mL"),
    (0.020, "20 mL", "20 mL"), (2.6, "2.7 qt", "2.6 L"),
])  # fmt: skip
def test_a_volume(litres: float, gallons: str, metric: str) -> None:
    """A US gallon is 3.785411784 L, of 4 quarts and 128 fluid ounces (NIST SP 811)."""
    assert (show_volume(litres, True), show_volume(litres, False)) == (gallons, metric)


@pytest.mark.parametrize(("typed", "litres"), [
    ("5 litres", 5.0), ("2 Gallons", 7.570823568), ("750 mL", 0.75), ("3 quarts", 2.839058838), ("1,5 L", 1.5),
    ("1 1/2 gal", 5.678117676), ("½ gal", 1.892705892), (".5 gal", 1.892705892), ("7 fl oz", 0.207014707),
    ("1.250 gal", 4.73176473), ("0.750 L", 0.75), ("1.5000 L", 1.5),
    ("7 fluid ounces", 0.207014707), ("2 cups", 0.473176473), ("1 pint", 0.473176473), ("1½ qt", 1.419529419),
])  # fmt: skip
def test_a_volume_as_it_is_typed(typed: str, litres: float) -> None:
    assert parse_volume_l(tidy(typed)) == pytest.approx(litres)


@pytest.mark.parametrize(("typed", "kg"), [
    ("1/2 lb", 8 * OZ), ("2 lb 6 oz", 38 * OZ), (".5 lb", 8 * OZ), ("½ lb", 8 * OZ), ("1 1/2 lb", 24 * OZ),
    ("2.350 kg", 2.35), ("5.125 lb", 82 * OZ), ("1.0250 g", 0.001025), ("1,5 kg", 1.5), ("1,25 kg", 1.25),
    ("2 pounds 6 ounces", 38 * OZ), ("1500 g", 1.5), ("1,5000 kg", 1.5),
])  # fmt: skip
def test_a_mass_as_it_is_typed(typed: str, kg: float) -> None:
    assert parse_mass_kg(tidy(typed)) == pytest.approx(kg)


@pytest.mark.parametrize("typed", ["1,500 g", "1,500.5 g", "2,000 ml", "1,500 L"])
def test_a_comma_before_three_digits_is_not_guessed_at(typed: str) -> None:
    for parse in (parse_mass_kg, parse_volume_l):
        with pytest.raises(ValueError, match=r"can be read two ways; write [12][05]00 or [12]"):
            parse(tidy(typed))


@pytest.mark.parametrize(("typed", "write"), [
    ("1.000 L", "1000 or 1"), ("1.500 g", "1500 or 1.5"), ("2.125 oz", "2125 or 2.1250"), ("1,125 L", "1125 or 1.1250"),
    ("1 lb 1.500 oz", "1500 or 1.5"), ("12.500 ml", "12500 or 12.5"),
])  # fmt: skip
def test_a_point_before_three_digits_is_not_guessed_at(typed: str, write: str) -> None:
    """A thousand litres in many countries; but nobody weighs 2350 kg. What it says to write can be written."""
    parse = parse_volume_l if typed.lower().endswith("l") else parse_mass_kg
    with pytest.raises(ValueError, match=f"can be read two ways; write {re.escape(write)}$"):
        parse(tidy(typed))
    for number in write.split(" or "):
        parse(tidy(f"{number} {typed.rsplit(maxsplit=1)[-1]}"))


@pytest.mark.parametrize("typed", ["6 oz 2 lb", "1/0 lb", "2 lb 6", "2 lb 3 lb", "1/2", "-1 kg", "2 cup"])
def test_what_is_no_mass(typed: str) -> None:
    with pytest.raises(ValueError, match="a mass with its unit"):
        parse_mass_kg(tidy(typed))


@given(st.floats(0.0001, 200))
def test_a_shown_weight_can_be_typed_in(kg: float) -> None:
    for pounds in (True, False):
        assert show_weight(parse_mass_kg(tidy(show_weight(kg, pounds))), pounds) == show_weight(kg, pounds)


@pytest.mark.parametrize("typed", ["", "5", "0 L", "-1 L", "5 kg", "9999 gal"])
def test_what_is_no_volume(typed: str) -> None:
    with pytest.raises(ValueError, match="expected a volume over 0 with its unit"):
        parse_volume_l(tidy(typed))


@given(st.floats(0.0001, 200))
def test_what_is_shown_is_what_was_meant(kg: float) -> None:
    """To half of the last digit: 6 % at most (9.95 g stands as 10 g, 10.4 g too), or half an ounce over a pound."""
    shown = show_weight(kg, True)
    found = sum(
        float(number) * {"lb": 16 * OZ, "oz": OZ, "g": 0.001}[unit]
        for number, unit in zip(shown.split()[::2], shown.split()[1::2], strict=True)
    )
    assert found == pytest.approx(kg, rel=0.06, abs=0.5 * OZ if kg > 15 * OZ else 0.0)
