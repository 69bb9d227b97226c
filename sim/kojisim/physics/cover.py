"""What lies over a tray: vapour through film and holes, and drops on film that is colder than the dew point.

Plastic keeps nearly all the vapour in. What the koji sends up turns to drops on the film and runs back: water stays,
heat crosses. Holes let through in proportion to their diameter, not their area.
"""

from __future__ import annotations

from math import pi
from typing import NamedTuple

from kojisim.physics.air import CP_AIR, LATENT, PRESSURE_PA, R_VAPOUR, saturation_pa

#: Vapour flux of a free water surface per Pa and per W/(m2 K) of heat transfer (Lewis number 1), kg/(s Pa).
VAPOUR_PER_H = 0.622 / (CP_AIR * PRESSURE_PA)
#: Water vapour in air at 30 °C, m2/s: 2.65e-5, from memory.
VAPOUR_DIFFUSIVITY = 2.65e-5
#: The step of vapour pressure in the standard test of films, 38 °C and 90 % against dry air, Pa.
TEST_STEP_PA = 0.9 * saturation_pa(38.0)


def holes_m3_s(count: float, diameter_m: float, thickness_m: float = 12e-6) -> float:
    """Conductance of round holes in a thin film between still airs, m3/s: D (pi d^2/4) / (t + pi d/4) each.

    Stefan's flow through a hole with an end correction of pi d/8 on either side, from memory.
    """
    area = pi * diameter_m**2 / 4
    return count * VAPOUR_DIFFUSIVITY * area / (thickness_m + pi * diameter_m / 4)


def holes_kg_s_pa(count: float, diameter_m: float, temp_c: float = 32.0) -> float:
    """The same for vapour, kg/(s Pa), at temp_c (°C)."""
    return holes_m3_s(count, diameter_m) / (R_VAPOUR * (temp_c + 273.15))


def film_kg_s_m2_pa(tested_g_m2_d: float, tested_um: float, film_um: float) -> float:
    """Permeance of a film, kg/(s m2 Pa), from grams a m2 and day in the standard test at another thickness (um)."""
    return tested_g_m2_d * 1e-3 / 86_400 * tested_um / film_um / TEST_STEP_PA


class Film(NamedTuple):
    """A film in balance: its temperature °C, heat through it W/m2 outwards, drops forming on it kg/(s m2)."""

    temp_c: float
    heat_w_m2: float
    drops_kg_s_m2: float


def film_balance(bed_c: float, activity: float, air_c: float, h_in: float, h_out: float) -> Film:
    """Where a film over a bed comes to rest: what it gets from the bed, with the heat of drops, it gives to the air.

    Args:
        bed_c: the bed's surface, °C; activity: its water activity; air_c: the air outside, °C.
        h_in, h_out: heat transfer from bed to film and from film to air, W/(m2 K).
    """
    low, high = min(bed_c, air_c), max(bed_c, air_c)
    vapour = activity * saturation_pa(bed_c)
    k_in = h_in * VAPOUR_PER_H
    film = drops = 0.0
    for _ in range(24):
        film = 0.5 * (low + high)
        drops = max(k_in * (vapour - saturation_pa(film)), 0.0)
        if h_in * (bed_c - film) + drops * LATENT > h_out * (film - air_c):
            low = film
        else:
            high = film
    return Film(film, h_out * (film - air_c), drops)
