"""Growth as others published it, to hold ours against. None of it is in the program.

* Mitchell, D. A., Krieger, N., Berovic, M. (eds.) (2006), "Solid-State Fermentation Bioreactors", Springer.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from kojimon.forecast.growth import Num
from kojimon.forecast.thermal import Cardinal

GAS_J_PER_MOL_K: Final = 8.314
"""Gas constant as used with the Saucedo-Castaneda constants (Mitchell et al. 2006, reactor model parameters)."""

A_FLAVUS: Final = Cardinal(10.0, 33.0, 43.0)
"""Growth limits of A. flavus, the nearest relative (table of growth limits in a HACCP manual, Appendix 1)."""

B_FULVA: Final = Cardinal(9.1, 32.1, 46.4)
"""Byssochlamys fulva on malt agar, fitted with this model (Byssochlamys growth modelling, Food Microbiol., 2010)."""


def saucedo(temperature_c: Num) -> Num:
    """Activation and heat loss of the growth enzymes, as a fraction of the rate at 38 °C. It has no upper limit.

    mu(T) = A exp(-Ea1 / R(T + 273)) / (1 + B exp(-Ea2 / R(T + 273))), Ea1 = 70,225 and Ea2 = 283,356 J/mol.
    Kept for comparison with `ctmi`; the two differ by up to 0.12 below the optimum and by 0.2 at 45 °C.

    Source: Saucedo-Castaneda et al. 1990, as used by Mitchell et al. 2006; A = 8.31e11 and B = 1.3e47 from memory
    (they reproduce the published optimum of 38 °C).
    """
    kelvin = temperature_c + 273.0
    rise = 8.31e11 * np.exp(-70225.0 / (GAS_J_PER_MOL_K * kelvin))
    fall = 1.0 + 1.3e47 * np.exp(-283356.0 / (GAS_J_PER_MOL_K * kelvin))
    fraction: Num = rise / fall
    return fraction
