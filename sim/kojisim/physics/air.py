"""Moist-air formulas of the simulator, independent of the monitor's.

The monitor uses the ASHRAE formulas through PsychroLib; here stand a different saturation formula and a
psychrometer equation, so that an error in either shows as a difference.
"""

from __future__ import annotations

from math import exp

PRESSURE_PA = 101_325.0
#: Specific gas constant of water vapour, J/(kg K). From memory (8.314 / 0.018015).
R_VAPOUR = 461.5
#: Specific gas constant of dry air, J/(kg K). From memory.
R_DRY_AIR = 287.05
#: Heat capacity of dry air, J/(kg K): 1006, reactor-model parameter table (Mitchell, Krieger and Berovic,
#: "Solid-State Fermentation Bioreactors", 2006).
CP_AIR = 1006.0
#: Enthalpy of vaporisation, J/kg: 2.414e6, same table.
LATENT = 2.414e6
#: Psychrometer coefficient for a wick in slow air, 1/K: 8.0e-4, "naturally ventilated, about 1 m/s"
#: (FAO Irrigation and Drainage Paper 56, eq. 15/16).
PSYCHROMETER_A = 8.0e-4
#: The same for an aspirated wick, 1/K: 6.62e-4 (FAO Irrigation and Drainage Paper 56, eq. 15/16).
PSYCHROMETER_A_ASPIRATED = 6.62e-4


def saturation_pa(temp_c: float) -> float:
    """Saturation vapour pressure over water, Pa, of a temperature in °C (0 to 60).

    Buck's enhanced form of 1996, coefficients from memory; checked in the tests against IAPWS R7-97.
    """
    return 611.21 * exp((18.678 - temp_c / 234.5) * (temp_c / (257.14 + temp_c)))


def humidity_pct(vapour_pa: float, temp_c: float) -> float:
    """Relative humidity, %, of air at temp_c holding the vapour pressure vapour_pa; not clamped at 100."""
    return 100.0 * vapour_pa / saturation_pa(temp_c)


def vapour_pa(temp_c: float, rh_pct: float) -> float:
    """Vapour pressure, Pa, of air at temp_c (°C) and rh_pct (%)."""
    return rh_pct / 100.0 * saturation_pa(temp_c)


def air_density(temp_c: float) -> float:
    """Density of the dry part of the air, kg/m3, at temp_c (°C) and standard pressure, vapour left out."""
    return PRESSURE_PA / (R_DRY_AIR * (temp_c + 273.15))


def vapour_from_wet_bulb(dry_c: float, wet_c: float, coefficient: float = PSYCHROMETER_A) -> float:
    """Vapour pressure, Pa, from dry and wet bulb (°C): e = es(Tw) - A P (T - Tw) (FAO 56, eq. 15)."""
    return saturation_pa(wet_c) - coefficient * PRESSURE_PA * (dry_c - wet_c)


def wet_bulb_c(dry_c: float, vapour: float, coefficient: float = PSYCHROMETER_A) -> float:
    """What a wet bulb shows, °C, in air at dry_c (°C) with the vapour pressure `vapour` (Pa).

    Solves the psychrometer equation by bisection to 1e-4 °C; air at or over saturation gives dry_c.
    """
    low, high = dry_c - 40.0, dry_c
    if vapour >= saturation_pa(dry_c):
        return dry_c
    while high - low > 1e-4:
        middle = 0.5 * (low + high)
        if vapour_from_wet_bulb(dry_c, middle, coefficient) > vapour:
            high = middle
        else:
            low = middle
    return 0.5 * (low + high)
