"""Points whose true value is known without an instrument: ice, saturated salts. Boiling water: see `air`."""

from __future__ import annotations

from typing import Final

from msgspec import Struct

ICE_POINT_C: Final = 0.0
"""Melting ice in water under air: 0 °C within some hundredths (NIST-derived text on thermometer checks)."""


class Salt(Struct, frozen=True):
    """Air over a saturated solution of a salt.

    Attributes:
        name: as on the packet or in the shop.
        formula: chemical.
        coefficients: of humidity in %, in rising powers of the temperature in °C.
        low_c, high_c: span of the fit used here.
    """

    name: str
    formula: str
    coefficients: tuple[float, ...]
    low_c: float = 5.0
    high_c: float = 50.0


SALTS: Final = {
    salt.formula: salt
    for salt in (
        Salt("lithium chloride", "LiCl", (11.2323, 0.00824245, -2.1489e-4), low_c=20.0),
        Salt("magnesium chloride", "MgCl2", (33.6686, -0.00797397, -1.08988e-3)),
        Salt("magnesium nitrate", "Mg(NO3)2", (60.3514, -0.298153)),
        Salt("kitchen salt", "NaCl", (75.5164, 0.0398321, -2.65459e-3, 2.848e-5)),
        Salt("potassium chloride", "KCl", (88.619, -0.19334, 8.99706e-4)),
        Salt("potassium nitrate", "KNO3", (96.3361, 0.0112371, -4.84514e-3)),
        Salt("potassium sulphate", "K2SO4", (98.7792, -0.0590502)),
    )
}
"""Greenspan, Humidity fixed points of binary saturated aqueous solutions, J. Res. NBS 81A (1977) p. 89: polynomials
as quoted in public code; LiCl from 20 °C on (its hydrate changes below; from memory)."""


def salt_humidity_pct(formula: str, temperature_c: float) -> float:
    """Relative humidity over a saturated salt solution at the temperature of solution and air, %.

    A tenth of a degree between the two is already some 0.5 %.

    Args:
        formula: key of SALTS.
        temperature_c: within the salt's span.

    Raises:
        ValueError: unknown salt, or a temperature outside its span.
    """
    salt = SALTS.get(formula)
    if salt is None:
        raise ValueError(f"salt {formula}: expected one of {', '.join(SALTS)}")
    if not salt.low_c <= temperature_c <= salt.high_c:
        raise ValueError(f"{temperature_c:g} °C over {salt.name}: expected {salt.low_c:g} to {salt.high_c:g} °C")
    return float(sum(part * temperature_c**power for power, part in enumerate(salt.coefficients)))
