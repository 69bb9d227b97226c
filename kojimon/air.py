"""Moist air: what temperature and humidity say together.

Saturation pressure and the thermodynamic wet bulb come from PsychroLib (ASHRAE Handbook - Fundamentals 2017, ch. 1).
Between 0 and 60 °C and 5 to 100 % it agrees with the reference equations of CoolProp to 0.03 K in dew point and wet
bulb; absolute humidity and vapour-pressure deficit lie up to 0.75 % below, since the enhancement factor of moist air
is left out. (Measured by tests/air.)
"""

from __future__ import annotations

from enum import Enum
from functools import lru_cache
from typing import Any, Final

STANDARD_PRESSURE_PA: Final = 101325.0
"""Standard atmosphere at sea level (ASHRAE Handbook - Fundamentals 2017, chapter 1, table 1)."""

GAS_CONSTANT_WATER: Final = 461.5
"""J/(kg K) of water vapour, 8314.46 / 18.015 (CODATA molar gas constant, molar mass of water)."""

ZERO_C_IN_K: Final = 273.15


class Ventilation(Enum):
    """How the wet bulb is ventilated, with its psychrometer coefficient in 1/K.

    Source: FAO Irrigation and Drainage Paper 56 (1998), equations 15 and 16, as quoted in its users' code. The wrong
    one costs several percent: 30 °C dry and 25 °C wet is 66.7, 65.1 or 60.3 %.
    """

    ASPIRATED = 0.000662
    """A fan draws air over the wick at about 5 m/s."""
    NATURAL = 0.000800
    """Air moves past at about 1 m/s."""
    STILL = 0.001200
    """Hardly any movement, indoors."""


@lru_cache(maxsize=1)
def _psychrolib() -> Any:
    import psychrolib

    psychrolib.SetUnitSystem(psychrolib.SI)
    return psychrolib


def pressure_pa(altitude_m: float) -> float:
    """Air pressure of the standard atmosphere at an altitude, Pa.

    Source: ASHRAE Handbook - Fundamentals 2017, chapter 1, equation 3. Weather moves it by some 3 %.

    Args:
        altitude_m: metres above sea level, -500 to 11,000.

    Raises:
        ValueError: outside that span.
    """
    if not -500 <= altitude_m <= 11_000:
        raise ValueError(f"altitude {altitude_m:g} m: expected -500 to 11,000 m")
    return float(_psychrolib().GetStandardAtmPressure(altitude_m))


def saturation_pressure_pa(temperature_c: float) -> float:
    """Vapour pressure over water, below 0.01 °C over ice, Pa.

    Source: ASHRAE Handbook - Fundamentals 2017, chapter 1, equations 5 and 6.

    Args:
        temperature_c: -100 to 200 °C.

    Raises:
        ValueError: outside that span.
    """
    if not -100 <= temperature_c <= 200:
        raise ValueError(f"{temperature_c:g} °C: expected -100 to 200 °C")
    return float(_psychrolib().GetSatVapPres(temperature_c))


def boiling_point_c(pressure: float) -> float:
    """Temperature at which water boils under a pressure in Pa; the inverse of `saturation_pressure_pa`.

    Args:
        pressure: station pressure, not the one reduced to sea level in weather reports (at 500 m that would be
            1.7 K wrong). 50,000 to 110,000 Pa.

    Raises:
        ValueError: outside that span.
    """
    if not 50_000 <= pressure <= 110_000:
        raise ValueError(f"pressure {pressure / 100:g} hPa: expected 500 to 1100 hPa")
    return float(_psychrolib().GetTDewPointFromVapPres(100.0, pressure))


def vapour_pressure_pa(temperature_c: float, humidity_pct: float) -> float:
    """Partial pressure of the water vapour, Pa: humidity times saturation pressure.

    Raises:
        ValueError: humidity outside 0 to 100 %.
    """
    if not 0 <= humidity_pct <= 100:
        raise ValueError(f"humidity {humidity_pct:g} %: expected 0 to 100 %")
    return humidity_pct / 100 * saturation_pressure_pa(temperature_c)


def dew_point_c(temperature_c: float, humidity_pct: float) -> float:
    """Temperature at which this air begins to shed water, °C; below 0.01 °C the frost point.

    Source: inverse of ASHRAE Handbook - Fundamentals 2017, chapter 1, equations 5 and 6.

    Raises:
        ValueError: humidity not above 0 and up to 100 %.
    """
    if not 0 < humidity_pct <= 100:
        raise ValueError(f"humidity {humidity_pct:g} %: expected above 0 and up to 100 %")
    return float(_psychrolib().GetTDewPointFromRelHum(temperature_c, humidity_pct / 100))


def wet_bulb_c(temperature_c: float, humidity_pct: float, pressure: float = STANDARD_PRESSURE_PA) -> float:
    """Thermodynamic wet-bulb temperature, °C: what an aspirated wet thermometer shows within a few tenths.

    Source: ASHRAE Handbook - Fundamentals 2017, chapter 1, equations 33 and 35, solved by bisection.

    Args:
        temperature_c: dry bulb.
        humidity_pct: 0 to 100 %.
        pressure: Pa.

    Raises:
        ValueError: humidity outside 0 to 100 %.
    """
    if not 0 <= humidity_pct <= 100:
        raise ValueError(f"humidity {humidity_pct:g} %: expected 0 to 100 %")
    return float(_psychrolib().GetTWetBulbFromRelHum(temperature_c, humidity_pct / 100, pressure))


def humidity_from_wet_bulb_pct(
    dry_c: float,
    wet_c: float,
    ventilation: Ventilation = Ventilation.NATURAL,
    pressure: float = STANDARD_PRESSURE_PA,
) -> float:
    """Relative humidity from a dry and a wet thermometer, %.

    e = p_sat(wet) - A p (dry - wet); source: FAO Irrigation and Drainage Paper 56 (1998), equations 15 and 16.

    Args:
        dry_c, wet_c: readings of both thermometers.
        ventilation: how air moves past the wick; sets A.
        pressure: Pa.

    Raises:
        ValueError: the wet one is the warmer (swapped, or the wick is dry and both disagree), or so cold that less
            than no humidity would be left (wick with ice, wrong coefficient, or a wrong reading).
    """
    if wet_c > dry_c:
        raise ValueError(f"wet bulb {wet_c:g} °C above dry bulb {dry_c:g} °C: look at the wick and at which is which")
    pressure_of_vapour = saturation_pressure_pa(wet_c) - ventilation.value * pressure * (dry_c - wet_c)
    if pressure_of_vapour < 0:
        raise ValueError(f"wet bulb {wet_c:g} °C is too cold for a dry bulb of {dry_c:g} °C: check both probes")
    return 100 * pressure_of_vapour / saturation_pressure_pa(dry_c)


def absolute_humidity_g_m3(temperature_c: float, humidity_pct: float) -> float:
    """Water in a cubic metre of this air, g: vapour pressure over gas constant and temperature (ideal gas).

    Raises:
        ValueError: humidity outside 0 to 100 %.
    """
    pressure_of_vapour = vapour_pressure_pa(temperature_c, humidity_pct)
    return 1000 * pressure_of_vapour / (GAS_CONSTANT_WATER * (temperature_c + ZERO_C_IN_K))


def vapour_pressure_deficit_kpa(temperature_c: float, humidity_pct: float) -> float:
    """How much more vapour this air could take up, kPa: saturation pressure less vapour pressure.

    Raises:
        ValueError: humidity outside 0 to 100 %.
    """
    return (saturation_pressure_pa(temperature_c) - vapour_pressure_pa(temperature_c, humidity_pct)) / 1000


def dry_wet_difference_k(temperature_c: float, humidity_pct: float, pressure: float = STANDARD_PRESSURE_PA) -> float:
    """Dry bulb less wet bulb, K: how koji makers state the dryness of a room.

    Raises:
        ValueError: humidity outside 0 to 100 %.
    """
    return temperature_c - wet_bulb_c(temperature_c, humidity_pct, pressure)
