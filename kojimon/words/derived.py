"""What follows from two probes together, in words, from the state document. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from kojimon.contract.state import Box, Derived
from kojimon.words.speech import QUALITY_WORDS, Speech

SAME_K = 0.05
"""Less than this below the air is shown as 0.0, which is not below."""


class Said(NamedTuple):
    """A derived value for a table: what it is, how much, and how old the readings are it was made of (seconds)."""

    place: str
    name: str
    value: str
    age_s: float | None


def brief(box: Box, speech: Speech) -> list[Said]:
    """The two a koji maker looks at, where they are known now: the koji above the air, dry and wet bulb apart."""
    above, apart = _above(box), _known(box, "air", "dry_wet_difference_k")
    found = []
    if above is not None:
        name = "Koji above box air" if above[0] > -SAME_K else "Koji below box air"
        found.append(Said("bed", name, speech.difference("temperature", abs(above[0])), above[1]))
    if apart is not None:
        found.append(Said("air", "Dry/wet difference", speech.difference("temperature", apart[0]), apart[1]))
    return found


def sentences(box: Box, speech: Speech) -> Iterator[str]:
    """Everything that can be said about a box, in sentences; what cannot be had now, with the reason."""
    above = _above(box)
    if above is not None:
        side = "above" if above[0] > -SAME_K else "below"
        yield f"The koji is {speech.difference('temperature', abs(above[0]))} {side} the air of the box."
    for place, whose in (("air", "the box air"), ("room", "the room")):
        yield from _damp(box, place, whose, speech)


def _damp(box: Box, place: str, whose: str, speech: Speech) -> Iterator[str]:
    by_wet_bulb, dew = _row(box, place, "humidity_pct"), _row(box, place, "dew_point_c")
    if dew is None:
        return
    if dew.value is None:
        yield _lacking(by_wet_bulb or dew, whose)
        return
    if by_wet_bulb is not None:
        yield f"By the wet bulb the humidity of {whose} is {by_wet_bulb.value:.0f} %."
    water, more, apart = (
        _known(box, place, name)
        for name in ("absolute_humidity_g_m3", "vapour_pressure_deficit_kpa", "dry_wet_difference_k")
    )
    if water and more and apart:
        yield (
            f"The dew point of {whose} is {speech.value('temperature', dew.value)}; it holds {water[0]:.1f} g"
            f" of water in a cubic metre and could take up more by {more[0]:.2f} kPa; a wet bulb stands"
            f" {speech.difference('temperature', apart[0])} below a dry one."
        )


def _lacking(row: Derived, whose: str) -> str:
    """Why there is no number."""
    names = " or ".join(row.probes)
    why = {
        "quality": f"{names}: {QUALITY_WORDS.get(row.quality, 'not to be trusted')}",
        "fresh": f"no reading from {names}",
        "contradiction": f"{names} contradict each other; look at the wick, and at which is which",
    }.get(row.lacking or "", f"no reading from {names}")
    return f"It is not known how dry {whose} is: {why}."


def _above(box: Box) -> tuple[float, float | None] | None:
    """Only while a batch is open: a probe without koji says nothing of koji."""
    return _known(box, "bed", "above_air_k") if box.batch else None


def _row(box: Box, place: str, name: str) -> Derived | None:
    return next((row for row in box.derived if (row.place, row.name) == (place, name)), None)


def _known(box: Box, place: str, name: str) -> tuple[float, float | None] | None:
    """A value that can be had now, with the age of its readings."""
    row = _row(box, place, name)
    return None if row is None or row.value is None else (row.value, row.age_s)
