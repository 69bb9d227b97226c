"""What `kojimon plan` is given, as people type it, and the mash that follows."""

from __future__ import annotations

import re

from kojimon.cli.shared import mash as said
from kojimon.errors import KojimonError, UsageError
from kojimon.mash.facts import GRAINS, PURPOSES, STARTER, Fact
from kojimon.mash.plan import Mash, TooFullError, plan_mash
from kojimon.schedule.spec import Schedule
from kojimon.settings.spec import Incubator, Settings
from kojimon.typed import tidy
from kojimon.units import L_PER_GAL, parse_mass_kg, parse_volume_l, show_volume
from kojimon.words.speech import Speech


def mash_of(
    purpose: str,
    schedule: Schedule,
    given: dict[str, float | None],
    packet: str | None,
    box: Incubator,
    settings: Settings,
    own: Fact | None,
) -> Mash:
    """The mash that follows from what is given, by name; for koji alone without any the box's usual rice.

    Raises UsageError, or KojimonError where it does not fit its vessel.
    """
    known = {name: amount for name, amount in given.items() if amount is not None}
    if schedule.grain not in GRAINS:
        raise UsageError(f"Schedule {schedule.name} does not say what it grows on. Add a line: grain: table-rice")
    usual = {"koji_rice_kg": box.rice_kg or 2.0}
    if not known and GRAINS[schedule.grain].koji is None and purpose != "koji":
        raise UsageError(
            f"What {GRAINS[schedule.grain].label} gives as koji is not published: give an amount, as in --koji 2 kg"
        )
    try:
        starter = said.packet(packet) if packet else STARTER
        return plan_mash(purpose, schedule.grain, known or usual, starter, own)
    except TooFullError as error:
        raise KojimonError(_too_full(error, purpose, schedule, settings)) from error
    except ValueError as error:
        raise UsageError(Speech(pounds=settings.units.pounds).refusal(str(error))) from error


def _too_full(error: TooFullError, purpose: str, schedule: Schedule, settings: Settings) -> str:
    pounds = settings.units.pounds
    fits = plan_mash(purpose, schedule.grain, {"vessel_l": error.vessel_l})
    vessel = f"{error.vessel_l / L_PER_GAL:.4g} gal" if pounds else f"{error.vessel_l:.4g} L"
    product = said.show(PURPOSES[purpose].product, fits.amounts[PURPOSES[purpose].product], pounds)
    return (f"It does not fit: {show_volume(error.volume_l, pounds)} in a vessel of "
            f"{show_volume(error.vessel_l, pounds)}. "
            f"With room to rise that vessel gives {product}. Type: kojimon plan --for {purpose} --vessel "
            f"'{vessel}'")  # fmt: skip


def wanted(purpose: str, want: str | None) -> dict[str, float]:
    """How much of the product, by the name of its amount. Raises UsageError."""
    if want is None:
        return {}
    text = tidy(want)
    try:
        litres = parse_volume_l(text)
    except ValueError as volume:
        try:
            mass = parse_mass_kg(text)
        except ValueError as error:
            why = _either(volume) or _either(error)
            raise UsageError(
                f"--want {want!r}: expected an amount with its unit, as in 5 L, 1 gal, 2 kg or 4 lb{why}."
            ) from error
        if purpose.startswith("sake"):
            raise UsageError(f"--want {want!r}: sake goes by volume, as in 5 L or 1 gal.") from None
        return {PURPOSES[purpose].product: mass}
    if purpose == "koji":
        raise UsageError(f"--want {want!r}: koji goes by weight, as in 2 kg or 4 lb.")
    return {PURPOSES[purpose].product if purpose.startswith("sake") else "volume_l": litres}


def water_kg(text: str | None) -> float | None:
    """Water as kg, of which a litre is one."""
    if text is None:
        return None
    try:
        return parse_volume_l(tidy(text))
    except ValueError as volume:
        try:
            return parse_mass_kg(tidy(text))
        except ValueError as error:
            why = _either(volume) or _either(error)
            raise UsageError(
                f"--water {text!r}: expected an amount with its unit, as in 5 L, 1 gal or 2 kg{why}."
            ) from error


def _either(error: ValueError) -> str:
    return f"; {error}" if "two ways" in str(error) else ""


def tray_area_m2(text: str | None) -> float | None:
    """The inside of a tray, `12 x 16 in`. Raises UsageError."""
    if text is None:
        return None
    match = re.fullmatch(
        r"(\d+(?:[.,]\d+)?)\s*(?:x|by|\*|×)\s*(\d+(?:[.,]\d+)?)\s*(cm|in|inch|inches|mm)", text.strip().lower()
    )
    if match is None:
        raise UsageError(f"--tray {text!r}: expected length and width with a unit, as in '12 x 16 in' or '30 x 40 cm'.")
    sides = [
        float(side.replace(",", ".")) * {"cm": 0.01, "mm": 0.001}.get(match[3], 0.0254) for side in match.group(1, 2)
    ]
    if not all(0.05 <= side <= 3 for side in sides):
        raise UsageError(f"--tray {text!r}: expected sides of 5 cm to 3 m (2 in to 10 ft).")
    return sides[0] * sides[1]


