"""What follows from two probes together: dew point and the like of the box's air, the koji's warmth above it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from kojimon import air
from kojimon.units import show_difference
from kojimon.words.speech import Speech

Document = Mapping[str, Any]


def sentences(box: Document, speech: Speech) -> Iterator[str]:
    """What can be said about a box of the state document, from the latest good values."""
    warm_c, damp_pct, wet_c = (_value(box, *spot) for spot in (
        ("air", "temperature"), ("air", "humidity"), ("wet-bulb", "temperature")
    ))  # fmt: skip
    bed_c = _value(box, "bed", "temperature")
    if bed_c is not None and warm_c is not None:
        apart = show_difference(abs(bed_c - warm_c), speech.fahrenheit)
        yield f"The koji is {apart} {'above' if bed_c >= warm_c else 'below'} the air of the box."
    if warm_c is None:
        return
    if damp_pct is None and wet_c is not None:
        try:
            damp_pct = air.humidity_from_wet_bulb_pct(warm_c, wet_c)
        except ValueError as error:
            yield f"No humidity from the wet bulb: {error}."
            return
        yield f"By the wet bulb its humidity is {damp_pct:.0f} %."
    if damp_pct is not None and damp_pct > 0:
        yield (
            f"Its dew point is {speech.value('temperature', air.dew_point_c(warm_c, damp_pct))}; it holds"
            f" {air.absolute_humidity_g_m3(warm_c, damp_pct):.1f} g of water in a cubic metre and could take up more by"
            f" {air.vapour_pressure_deficit_kpa(warm_c, damp_pct):.2f} kPa; a wet bulb would stand"
            f" {show_difference(air.dry_wet_difference_k(warm_c, damp_pct), speech.fahrenheit)} below a dry one."
        )


def _value(box: Document, place: str, quantity: str) -> float | None:
    found = next((row for row in box["places"] if (row["place"], row["quantity"]) == (place, quantity)), None)
    hottest = found["hottest"] if found else None
    return None if hottest is None else hottest["value"]
