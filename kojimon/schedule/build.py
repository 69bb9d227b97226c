"""From what was read to the frozen schedule. Runs only when no fault was found."""

from __future__ import annotations

from typing import Any

from kojimon.document.values import Amount
from kojimon.model import Priority
from kojimon.schedule import spec

Draft = dict[str, Any]
HOUR_ZERO = "inoculate"
_SIDES = ("low_low", "low", "high", "high_high")


def moment(read: Any) -> spec.Moment:
    """A moment from what was read: a number of seconds since hour 0, or a kind with its keys."""
    if isinstance(read, float):
        return spec.After(HOUR_ZERO, read)
    kind, keys = read
    if kind == "after":
        return spec.After(keys["after"], keys["wait"])
    if kind == "holds":
        return spec.Holds(keys["holds"], keys["since"])
    parts = tuple(moment(part) for part in keys[kind])
    return spec.FirstOf(parts) if kind == "first_of" else spec.LastOf(parts)


def quantity_of(keys: Draft) -> str:
    """The quantity that the unit of a condition's or gate's values tells."""
    given = [keys[key] for key in ("at_least", "at_most") if key in keys]
    return "humidity" if given and given[0].unit == "%" else "temperature"


def level(given: Amount | None, difference: bool = False) -> float | None:
    """An amount in the units of the inside: °C, K where it is a difference, or %."""
    if given is None:
        return None
    if given.unit == "%":
        return given.number
    return given.difference_k() if difference else given.temperature_c()


def condition(keys: Draft) -> spec.Condition:
    """A condition; with `above` its values are differences."""
    above = bool(keys["above"])
    return spec.Condition(
        place=keys["place"],
        quantity=quantity_of(keys),
        at_least=level(keys.get("at_least"), above),
        at_most=level(keys.get("at_most"), above),
        above=keys["above"],
        hold_s=keys["hold_s"],
        itself_at_least=level(keys["itself_at_least"]),
        from_s=keys["from_s"],
        own_rise=level(keys["own_rise"], difference=True),
        own_fall=None if keys["own_fall"] is None else keys["own_fall"].number / 100,
        unseen_s=keys["unseen_s"],
        usual_from_s=keys["usual_from_s"],
        usual_to_s=keys["usual_to_s"],
    )


def gate(keys: Draft) -> spec.Gate:
    """A gate."""
    quantity = quantity_of(keys)
    tolerance = level(keys["tolerance"], difference=True)
    usual = 3.0 if quantity == "humidity" else 0.5
    return spec.Gate(
        place=keys["place"],
        quantity=quantity,
        at_least=level(keys.get("at_least")),
        at_most=level(keys.get("at_most")),
        tolerance=usual if tolerance is None else tolerance,
    )


def _limit(keys: Draft) -> spec.Limit:
    return spec.Limit(**{**keys, "priority": Priority(keys["priority"])})


def bands(places: Draft) -> tuple[spec.Band, ...]:
    """Bands from a map of places to quantities to limits."""
    return tuple(
        spec.Band(
            place, quantity, ramp_s=keys["ramp_s"], **{side: _limit(keys[side]) for side in _SIDES if side in keys}
        )
        for place, quantities in places.items()
        for quantity, keys in quantities.items()
    )


_WATCHES: dict[str, type[Any]] = {
    "deviation": spec.Deviation,
    "exposure": spec.Exposure,
}
DISTANCES = ("above", "below")
"""Amounts of a watch that are differences, not levels."""


def _watch(read: Any) -> spec.Watch:
    kind, outer = read
    keys = dict(outer[kind])
    amounts = {key: given for key, given in keys.items() if isinstance(given, Amount)}
    quantity = "humidity" if any(given.unit == "%" for given in amounts.values()) else "temperature"
    keys |= {key: level(given, key in DISTANCES) for key, given in amounts.items()}
    watch: spec.Watch = _WATCHES[kind](**{**keys, "quantity": quantity, "priority": Priority(keys["priority"])})
    return watch


def _stage(name: str, keys: Draft) -> spec.Stage:
    rest = {"blind_s": keys["blind_s"]} if "blind_s" in keys else {}
    watches = tuple(_watch(read) for read in keys["watches"])
    return spec.Stage(name, keys["label"], moment(keys["begins"]), bands(keys["bands"]), watches=watches, **rest)


def _box(keys: Draft) -> spec.BoxWatch | None:
    rest = {key: value for key, value in keys.items() if key != "watch"}
    return spec.BoxWatch(**rest) if keys.get("watch", True) else None


def _step(name: str, keys: Draft) -> spec.Step:
    ends = {end: moment(keys[end]) for end in ("opens", "due", "closes") if keys[end] is not None}
    special = ("opens", "due", "closes", "gate")
    rest = {key: value for key, value in keys.items() if key not in special}
    return spec.Step(name, window=spec.Window(**ends), gate=gate(keys["gate"]) if keys["gate"] else None, **rest)


def _expectation(name: str, keys: Draft) -> spec.Expectation:
    first, *others = keys["any_of"]
    return spec.Expectation(
        name=name,
        label=keys["label"],
        condition=first,
        or_conditions=tuple(others),
        by=moment(keys["by"]),
        priority=Priority(keys.get("priority", Priority.TELL)),
        causes=keys.get("causes", ()),
    )


def build(name: str, draft: Draft) -> spec.Schedule:
    """The schedule of that name."""
    return spec.Schedule(
        name=name,
        label=draft["label"],
        purpose=draft["purpose"],
        stages=tuple(_stage(stage, keys) for stage, keys in draft["stages"].items()),
        steps=tuple(_step(step, keys) for step, keys in draft["steps"].items()),
        conditions={name: condition(keys) for name, keys in draft["conditions"].items()},
        expectations=tuple(_expectation(name, keys) for name, keys in draft["expectations"].items()),
        cautions=draft.get("cautions", ()),
        box=_box(draft["box"]),
        grain=draft["grain"],
        **({"response_s": draft["response_s"]} if "response_s" in draft else {}),
    )
