"""A state document made of its records: two trays, hour 27.4, mixing wanted. What a test changes is a record too."""

from __future__ import annotations

from typing import Any, TypeVar

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from kojimon.contract.state import (
    Alarm,
    Band,
    Box,
    Derived,
    Document,
    Extreme,
    Foreseen,
    Mark,
    Next,
    Now,
    OpenBatch,
    Pending,
    Place,
    Probe,
    Stage,
    Step,
    Units,
)  # fmt: skip
from kojimon.web.api.stamps import iso_utc, stamped
from tests.parts.outlooks import limit_answer, made

NOW_MS = 1_000_000_000
H = 3_600_000
NOW_UTC = "2026-01-31T20:00:00+00:00"
UTC_MS = 1_769_889_600_000
"""The same moment."""
R = TypeVar("R", bound=Struct)


def utc_of(t_ms: int) -> tuple[int, bool]:
    """UTC of an engine time; the clock is to be trusted."""
    return t_ms - NOW_MS + UTC_MS, True


def at(hours: float) -> int:
    """Engine time so many hours from now."""
    return round(NOW_MS + hours * H)


def utc(hours: float) -> str:
    """UTC so many hours from now."""
    return iso_utc(utc_of(at(hours))[0])


def sound(record: R) -> R:
    """The record with its UTC times, once its values are found to be of the kinds it names."""
    return stamped(msgspec.convert(msgspec.to_builtins(record), type(record)), utc_of)


TOP = Extreme("koji-top", "top", 37.2, 4.0, 1.2)
AIR, DAMP = Extreme("air", "", 30.2, 4.0), Extreme("damp", "", 86.0, 4.0)
BOX = sound(Box(
    name="box",
    label="Cool box",
    batch=OpenBatch("box-7", "first", "home-trays", "Rice koji in home trays", 27.4, at(-29), at(-27.4)),
    stage=Stage("warming", "Warming by itself", at(-7)),
    places=(
        Place("bed", "temperature", 2, TOP, Extreme("koji-low", "bottom", 35.1, 6.0)),
        Place("air", "temperature", 1, AIR, AIR),
        Place("air", "humidity", 1, DAMP, DAMP),
    ),
    probes=(
        Probe("koji-top", 1, "bed", "top", "temperature", 37.2, 4.0, 0, 1.2),
        Probe("koji-low", 2, "bed", "bottom", "temperature", 35.1, 6.0, 0),
        Probe("air", 3, "air", "", "temperature", 30.2, 4.0, 0),
        Probe("damp", 4, "air", "", "humidity", 86.0, 4.0, 0),
    ),
    derived=(
        Derived("above_air_k", "bed", 7.0, 4.0, 0, ("koji-top", "air")),
        Derived("dry_wet_difference_k", "air", 2.04, 4.0, 0, ("air", "damp")),
    ),
    bands=(Band("bed", "temperature", 22.0, 26.0, 43.0, 45.0),),
    steps=(
        Step("inoculate", "Sprinkle the spores", "done", "tane-kiri", "inoculate", 1, marks=(Mark(1, at(-27.4)),)),
        Step(
            "mix", "Break up and mix", "open", "kirikaeshi", "mix", 1, repeats=True, opens_t_ms=at(-2),
            due_t_ms=at(1.5), closes_t_ms=at(3.5), advice=("Crumble the mat, turn it, spread it flat again.",),
            cautions=("Wash your hands; koji is food.",),
        ),
        Step("harvest", "Harvest", "waiting", "dekoji", "harvest", 1, opens_t_ms=at(12.6), due_t_ms=at(16.6),
             closes_t_ms=at(22.6)),
    ),
    next=Next("mix", "open", at(1.5)),
))  # fmt: skip


def box(**changes: Any) -> Box:
    """The box with some of its fields changed."""
    return sound(replace(BOX, **changes))


def document(*boxes: Box, **changes: Any) -> Document:
    """The document of these boxes, else of the one box; some of its own fields changed."""
    now, units = Now(NOW_UTC, True, "America/Chicago"), Units(True, True)
    return sound(replace(Document(NOW_MS, "home", 1013.2, boxes or (BOX,), now=now, units=units), **changes))


def probed(one: Box, name: str, **changes: Any) -> Box:
    """The box with a probe changed."""
    return sound(replace(one, probes=tuple(replace(p, **changes) if p.name == name else p for p in one.probes)))


def placed(one: Box, hottest: dict[str, Any] | None, coldest: dict[str, Any] | None = None) -> Box:
    """The box with hottest and coldest of its koji changed; None for the hottest: no reading."""
    bed = one.places[0]
    if hottest is None or bed.hottest is None or bed.coldest is None:
        bed = replace(bed, hottest=None, coldest=None)
    else:
        bed = replace(bed, hottest=replace(bed.hottest, **hottest), coldest=replace(bed.coldest, **(coldest or {})))
    return sound(replace(one, places=(bed, *one.places[1:])))


def tasked(one: Box, name: str, **changes: Any) -> Box:
    """The box with a step changed."""
    return sound(replace(one, steps=tuple(replace(t, **changes) if t.name == name else t for t in one.steps)))


def batched(one: Box, **changes: Any) -> Box:
    """The box with its batch changed."""
    assert one.batch is not None
    return sound(replace(one, batch=replace(one.batch, **changes)))


def foreseen(**changes: Any) -> Foreseen:
    """A forecast of a minute ago: 43 and 45 °C in some five and six hours, calm for four and a half."""
    record = made(27.4, limit_answer(43.0, 4.8, 0.2), limit_answer(45.0, 6.0, 0.3))
    found = Foreseen(
        **msgspec.structs.asdict(record), made_t_ms=NOW_MS - 60_000, age_s=60, fresh=True, calm_until_t_ms=at(4.5),
        left=(), calm=(), harvest=None,
    )  # fmt: skip
    return sound(replace(found, **changes))


def hot_pending(**changes: Any) -> Pending:
    """The top tray over 45 °C for one minute of two."""
    row = Pending(
        "limit/bed/temperature/high", "high_high", "wake", "koji-top", "top", 45.6, 45.0, NOW_MS - 60_000,
        NOW_MS + 60_000,
    )  # fmt: skip
    return sound(replace(row, **changes))


def hot_alarm(**changes: Any) -> Alarm:
    """The top tray over 43 °C."""
    alarm = Alarm(
        "limit/bed/temperature/high", "UNACK", True, "high", "wake", 1, since_t_ms=NOW_MS - 600_000, side="high",
        value=43.2, limit=43.0, probe="koji-top", place="bed", tray="top",
    )  # fmt: skip
    return sound(replace(alarm, **changes))
