"""What no single value of a schedule can be wrong about: names without a thing, bands and windows upside down."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Any, Final

from kojimon.document.report import Report, one_of
from kojimon.document.values import Amount
from kojimon.model import Place, Priority
from kojimon.schedule.build import DISTANCES, HOUR_ZERO, Draft, level
from kojimon.units import show_duration

_SIDES: Final = ("low_low", "low", "high", "high_high")
_COLDEST_C: Final = -20.0
_HOTTEST_C: Final = 110.0
"""What a condition or a gate may ask for: from a frozen room to steam."""


def check(draft: Draft, report: Report) -> None:
    """Checks what has been read of a schedule."""
    _hour_zero(draft, report)
    for name, keys in draft.get("conditions", {}).items():
        _levels(keys, f"conditions.{name}", report, difference=bool(keys.get("above")))
        if keys.get("above") and keys["above"] == keys.get("place"):
            report.at(f"conditions.{name}.above", f"found `{keys['above']}`, the place itself", "expected another one")
        _itself(keys, f"conditions.{name}", report)
        _own_heat(keys, f"conditions.{name}", report)
    for name, keys in draft.get("stages", {}).items():
        _bands(keys.get("bands", {}), f"stages.{name}.bands", report)
        for number, watch in enumerate(keys.get("watches", ())):
            _watch(watch, f"stages.{name}.watches[{number}]", report)
    for name, keys in draft.get("steps", {}).items():
        if keys.get("gate"):
            _levels(keys["gate"], f"steps.{name}.gate", report)
            _gate_tolerance(keys["gate"], f"steps.{name}.gate", report)
        _window(name, keys, report)
    for name, keys in draft.get("expectations", {}).items():
        for number, condition in enumerate(keys.get("any_of", ())):
            _known(draft, "conditions", condition, f"expectations.{name}.any_of[{number}]", report)
    for path, moment, own in _moments(draft):
        _moment(draft, moment, path, own, report)


def _hour_zero(draft: Draft, report: Report) -> None:
    steps = draft.get("steps")
    if steps is None:
        return
    if HOUR_ZERO not in steps:
        report.at("steps", f"found no step `{HOUR_ZERO}`", "expected it: it is hour 0")
    elif steps[HOUR_ZERO].get("repeats"):
        report.at(f"steps.{HOUR_ZERO}.repeats", "found `true`", "expected `false`: hour 0 comes once")
    for name, keys in steps.items():
        if "work" in keys and (keys["work"] == "inoculate") != (name == HOUR_ZERO):
            what = f"found `{keys['work']}`"
            report.at(f"steps.{name}.work", what, f"expected `inoculate` at step `{HOUR_ZERO}` and at no other")
    if not any(keys.get("work") == "harvest" for keys in steps.values()):
        report.at("steps", "found no step with `work: harvest`", "expected one: the koji has to be taken out in time")


def _levels(keys: Draft, path: str, report: Report, difference: bool = False) -> None:
    given = [key for key in ("at_least", "at_most") if key in keys]
    stated = [key for key in ("at_least", "at_most") if f"{path}.{key}" in report.lines]
    if not stated:
        report.at(path, "found neither `at_least` nor `at_most`", "expected one of them")
    if len(given) == 2 and "gate" not in path:
        report.at(path, "found both `at_least` and `at_most`", "expected one of them")
    if len(given) == 2 and (keys["at_least"].unit == "%") != (keys["at_most"].unit == "%"):
        report.at(path, "found a temperature and a percentage", "expected two of a kind")
    elif len(given) == 2 and (level(keys["at_least"]) or 0.0) >= (level(keys["at_most"]) or 0.0):
        report.at(path, "found `at_least` not below `at_most`", "expected `at_least` below `at_most`")
    for key in given:
        _level(keys[key], f"{path}.{key}", report, difference)


def _itself(keys: Draft, path: str, report: Report) -> None:
    itself, path = keys.get("itself_at_least"), f"{path}.itself_at_least"
    if itself is None:
        return
    if not keys.get("above"):
        report.at(path, "found `itself_at_least` without `above`", "expected `at_least` alone")
    elif any((keys[key].unit == "%") != (itself.unit == "%") for key in ("at_least", "at_most") if key in keys):
        report.at(path, "found a temperature and a percentage", "expected two of a kind")
    _level(itself, path, report, difference=False)


def _own_heat(keys: Draft, path: str, report: Report) -> None:
    rise, fall = keys.get("own_rise"), keys.get("own_fall")
    damp = any(keys[key].unit == "%" for key in ("at_least", "at_most") if key in keys)
    for name, given in (("own_rise", rise), ("own_fall", fall)):
        if given is not None and (keys.get("place") != Place.BED or damp):
            what = f"found `{name}` for other than the koji's temperature"
            report.at(f"{path}.{name}", what, "expected it only with `place: bed`")
    if rise is not None and (rise.unit == "%" or not 0.5 <= (level(rise, True) or 0.0) <= 10):
        report.at(f"{path}.own_rise", f"found `{rise}`", "expected a rise from 0.5 C to 10 C (0.9 F to 18 F)")
    if fall is not None and (fall.unit != "%" or not 20 <= fall.number <= 95):
        report.at(f"{path}.own_fall", f"found `{fall}`", "expected a part from 20 % to 95 %")


def _level(given: Amount, path: str, report: Report, difference: bool) -> None:
    value = level(given, difference)
    if given.unit == "%":
        low, high, said = (-100.0 if difference else 0.0), 100.0, "a percentage up to 100 %"
    elif difference:
        low, high, said = -60.0, 60.0, "a difference of 60 C (108 F) at most"
    else:
        low, high, said = _COLDEST_C, _HOTTEST_C, f"a temperature from {_COLDEST_C:g} C to {_HOTTEST_C:g} C"
    if value is None or not low <= value <= high:
        report.at(path, f"found `{given.number:g} {given.unit}`", f"expected {said}")


def _gate_tolerance(keys: Draft, path: str, report: Report) -> None:
    tolerance = keys.get("tolerance")
    given = [keys[key] for key in ("at_least", "at_most") if key in keys]
    if tolerance is None or not given:
        return
    if (tolerance.unit == "%") != (given[0].unit == "%") or not 0 <= (level(tolerance, True) or 0.0) <= 20:
        what = f"found `{tolerance.number:g} {tolerance.unit}`"
        report.at(
            f"{path}.tolerance", what, "expected a difference of the gate's own kind, from 0 to 20 C (36 F) or 20 %"
        )


def _bands(places: Draft, path: str, report: Report) -> None:
    for place, quantities in places.items():
        for quantity, keys in quantities.items():
            _band(keys, f"{path}.{place}.{quantity}", report, "%" if quantity == "humidity" else "C")


def _band(keys: Draft, path: str, report: Report, unit: str) -> None:
    if not any(f"{path}.{side}" in report.lines for side in _SIDES):
        report.at(path, "found no limit", f"expected at least one of {one_of(list(_SIDES))}")
    present = [side for side in _SIDES if "limit" in keys.get(side, {})]
    for below, above in pairwise(present):
        low, high = keys[below], keys[above]
        if low["limit"] >= high["limit"]:
            what = f"found `{above}` at {high['limit']:.4g} {unit}, not above `{below}` at {low['limit']:.4g} {unit}"
            report.at(f"{path}.{above}", what, f"expected {' < '.join(_SIDES)}")
        elif (below, above) == ("low", "high") and low["limit"] + low.get("deadband", 0) >= high["limit"]:
            what = f"found a deadband of {low['deadband']:g} {unit} that reaches up to `high`"
            report.at(f"{path}.low.deadband", what, "expected a smaller one: the alarm could never clear")
        elif (below, above) == ("low", "high") and high["limit"] - high.get("deadband", 0) <= low["limit"]:
            what = f"found a deadband of {high['deadband']:g} {unit} that reaches down to `low`"
            report.at(f"{path}.high.deadband", what, "expected a smaller one: the alarm could never clear")


def _watch(watch: Any, path: str, report: Report) -> None:
    if not isinstance(watch, tuple):
        return
    kind, outer = watch
    keys, path = outer.get(kind, {}), f"{path}.{kind}"
    amounts = {key: given for key, given in keys.items() if isinstance(given, Amount)}
    if len({given.unit == "%" for given in amounts.values()}) > 1:
        report.at(path, "found a temperature and a percentage", "expected two of a kind")
    for key, given in amounts.items():
        _level(given, f"{path}.{key}", report, difference=key in DISTANCES)
        if key in DISTANCES and given.number <= 0:
            report.at(f"{path}.{key}", f"found `{given.number:g} {given.unit}`", "expected a distance over 0")
    if kind == "deviation" and not {"above", "below"} & {key for key, given in keys.items() if given is not None}:
        report.at(path, "found neither `above` nor `below`", "expected one of them or both")
    if keys.get("priority") == Priority.WAKE and (keys.get("place", "bed") != "bed" or _is_damp(amounts)):
        report.at(f"{path}.priority", "found `wake`", "expected `tell` or `log`: only the koji's temperature may wake")


def _is_damp(amounts: dict[str, Amount]) -> bool:
    return any(given.unit == "%" for given in amounts.values())


def _moments(draft: Draft) -> Iterator[tuple[str, Any, str]]:
    """Every moment: its path, what was read, and the step it belongs to."""
    for name, keys in draft.get("stages", {}).items():
        yield f"stages.{name}.begins", keys.get("begins"), ""
    for name, keys in draft.get("steps", {}).items():
        for end in ("opens", "due", "closes"):
            yield f"steps.{name}.{end}", keys.get(end), name
    for name, keys in draft.get("expectations", {}).items():
        yield f"expectations.{name}.by", keys.get("by"), ""


def _moment(draft: Draft, moment: Any, path: str, own: str, report: Report) -> None:
    if not isinstance(moment, tuple):
        if isinstance(moment, float) and own == HOUR_ZERO:
            report.at(path, "found a time since hour 0", f"expected another moment: `{HOUR_ZERO}` is hour 0")
        return
    kind, keys = moment
    if kind in ("first_of", "last_of"):
        for number, part in enumerate(keys.get(kind, ())):
            _moment(draft, part, f"{path}.{kind}[{number}]", own, report)
        return
    if kind == "holds":
        _known(draft, "conditions", keys.get("holds", ""), f"{path}.holds", report)
    key = "after" if kind == "after" else "since"
    step = keys.get(key, "")
    _known(draft, "steps", step, f"{path}.{key}", report)
    if own and step == own and not draft["steps"][own].get("repeats"):
        report.at(f"{path}.{key}", f"found `{step}`, the step itself", "expected another step, or `repeats: true`")


def _known(draft: Draft, kind: str, name: Any, path: str, report: Report) -> None:
    known = list(draft.get(kind, {}))
    if isinstance(name, str) and name and name not in known and kind in draft:
        hint = report.did_you_mean(name, known)
        wanted = (
            f"expected one of the {kind}: {one_of(known)}" if known else f"expected one of the {kind}; there is none"
        )
        report.at(path, f"found `{name}`{hint}", wanted)


def _window(name: str, keys: Draft, report: Report) -> None:
    """A window upside down, as far as its ends count from the same step."""
    ends = [(end, _latest(keys.get(end))) for end in ("opens", "due", "closes")]
    known = [(end, waits) for end, waits in ends if waits]
    for (earlier, first), (later, second) in pairwise(known):
        for step in sorted(first.keys() & second.keys()):
            if first[step] > second[step]:
                what = f"found {show_duration(second[step])} after `{step}`, before it {_verb(earlier)} at"
                wanted = f"expected {show_duration(first[step])} or later"
                report.at(f"steps.{name}.{later}", f"{what} {show_duration(first[step])}", wanted)


def _verb(end: str) -> str:
    return "is due" if end == "due" else end


def _latest(moment: Any) -> dict[str, float]:
    """By how long after a step a moment has come at the latest, for each step of which that can be said."""
    if isinstance(moment, float):
        return {HOUR_ZERO: moment}
    if not isinstance(moment, tuple):
        return {}
    kind, keys = moment
    if kind == "after" and "wait" in keys and "after" in keys:
        return {keys["after"]: keys["wait"]}
    if kind == "first_of":
        waits: dict[str, float] = {}
        for part in keys.get(kind, ()):
            for step, wait in _latest(part).items():
                waits[step] = min(wait, waits.get(step, wait))
        return waits
    return {}
