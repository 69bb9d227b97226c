"""Checks of the probes, and the values that follow from others (the only incubator, the only tray, the unit)."""

from __future__ import annotations

import re
from typing import Any, Final

from kojimon.correction import fault
from kojimon.document.report import Report, one_of
from kojimon.document.tree import shown
from kojimon.document.values import Amount
from kojimon.settings.checks import Draft, missing, overlap

TOLERANCE: Final = {"temperature": 0.5, "humidity": 3.0}
"""DS18B20 data sheet: ±0.5 °C from -10 to +85 °C. SHT3x data sheet: ±2 %, and some ageing (judgement)."""

_NEEDED: Final = {"mqtt": "topic", "kernel": "file", "modbus": "modbus", "serial": "path"}
_USELESS: Final = {
    "mqtt": ("file", "modbus"),
    "serial": ("topic", "file", "modbus"),
    "kernel": ("topic", "path", "modbus"),
    "modbus": ("topic", "path", "file"),
    "simulated": ("path", "file", "modbus"),
}
_ATTR: Final = {"path": "key"}
_STEP: Final = r"[^.\[\]\s][^.\[\]]*"
_JSON_PATH: Final = re.compile(rf"(?:{_STEP}|\[[0-9]{{1,4}}\])(?:\.{_STEP}|\[[0-9]{{1,4}}\]){{0,15}}")
"""Names behind dots and positions in brackets, 16 at most: what `probes.formats.decode.parse_path` takes."""


def check(draft: Draft, report: Report) -> None:
    """Checks every probe and fills in what follows from other settings."""
    probes = draft.get("probes", {})
    for name, probe in probes.items():
        path = f"probes.{name}"
        _belongs(draft, probe, path, report)
        _tray(draft, probe, path, report)
        _address(draft, probe, path, report)
        _amounts(probe, path, report)
        _beside(probes, name, report)
    _twins(draft, report)


def _belongs(draft: Draft, probe: Draft, path: str, report: Report) -> None:
    for key, attr, kind, what in (
        ("in", "incubator", "incubators", "the name of an incubator"),
        ("from", "source", "sources", "the name of a source"),
    ):
        known = list(draft.get(kind, {}))
        given = probe.get(attr)
        if given == "" and len(known) == 1:
            probe[attr] = known[0]
        elif given == "" and kind in draft:
            which = one_of(known) if known else "there is none"
            report.at(path, f"found no `{key}`", f"expected `{key}:` with {what}: {which}")
        elif given and given not in known and kind in draft:
            missing(report, f"{path}.{key}", given, known, what)


def _tray(draft: Draft, probe: Draft, path: str, report: Report) -> None:
    place = probe.get("place", "bed")
    incubator = draft.get("incubators", {}).get(probe.get("incubator"))
    if incubator is None:
        return
    trays = list(dict.fromkeys(tray for tray in incubator.get("trays", ("tray",)) if isinstance(tray, str)))
    tray = probe.get("tray", "")
    if place != "bed":
        if tray:
            report.at(f"{path}.tray", f"found a tray for a probe in `{place}`", "expected it only with `place: bed`")
    elif not tray and len(trays) == 1:
        probe["tray"] = trays[0]
    elif not tray and trays:
        report.at(path, "found no `tray`", f"expected `tray:` with the tray it is in: {one_of(trays)}")
    elif tray and trays and tray not in trays:
        missing(report, f"{path}.tray", tray, trays, "a tray of its incubator")


def _address(draft: Draft, probe: Draft, path: str, report: Report) -> None:
    source = draft.get("sources", {}).get(probe.get("source"))
    kind = source.get("kind") if source else None
    if source is None or kind is None:
        return
    needed = _NEEDED.get(kind, "")
    if needed and not probe.get(_ATTR.get(needed, needed)) and f"{path}.{needed}" not in report.lines:
        report.at(
            path, f"found no `{needed}`", f"expected `{needed}:`, since `{probe['source']}` is a source of kind {kind}"
        )
    for key in _USELESS[kind]:
        if f"{path}.{key}" in report.lines:
            wanted = f"expected none, since `{probe['source']}` is a source of kind {kind}"
            report.at(f"{path}.{key}", f"found `{key}`", wanted)
    reads_json = kind == "mqtt" or (kind == "serial" and source.get("format", "json") == "json")
    if reads_json and probe.get("key") and not _JSON_PATH.fullmatch(probe["key"]):
        wanted = "expected names and positions, as in `sensors[0].temperature`"
        report.at(f"{path}.path", f"found `{shown(probe['key'])}`, no path into JSON", wanted)
    columns = list(source.get("columns", ()))
    if columns and probe.get("key") and probe["key"] not in columns:
        missing(report, f"{path}.path", probe["key"], columns, f"a column of source `{probe['source']}`")


def _amounts(probe: Draft, path: str, report: Report) -> None:
    quantity = probe.get("quantity", "temperature")
    if quantity == "humidity" and probe.get("place") == "wet-bulb":
        report.at(f"{path}.quantity", "found `humidity` in place `wet-bulb`", "expected `temperature`")
    unit = "%" if probe.get("unit") == "percent" else probe.get("unit", "")
    fitting = ("%",) if quantity == "humidity" else ("C", "F")
    if unit and unit not in fitting:
        report.at(f"{path}.unit", f"found `{unit}` for a {quantity}", f"expected {one_of(list(fitting))}")
    probe["unit"] = unit or fitting[0]
    given = probe.pop("tolerance", None)
    probe["tolerance"] = TOLERANCE[quantity]
    if given is not None:
        probe["tolerance"] = _difference(given, quantity, f"{path}.tolerance", report, probe["tolerance"])
    judge = probe.get("judge", {})
    for name, key in (("spike", "spike"), ("rate", "rate_per_min"), ("drift", "drift")):
        if judge.get(key) is not None:
            judge[key] = _difference(judge[key], quantity, f"{path}.judge.{name}", report, 0.0, 60.0)
    _range(probe, quantity, path, report)
    _calibration(probe, quantity, path, report)


def _fits(given: Amount, quantity: str, path: str, report: Report) -> bool:
    if (given.unit == "%") == (quantity == "humidity"):
        return True
    wanted = "a percentage, as in `3 %`" if quantity == "humidity" else "a temperature, as in `0.5 C` or `0.9 F`"
    report.at(path, f"found `{given.number:g} {given.unit}` for a {quantity}", f"expected {wanted}")
    return False


def _difference(given: Amount, quantity: str, path: str, report: Report, instead: float, most: float = 20.0) -> float:
    if not _fits(given, quantity, path, report):
        return instead
    value = given.number if quantity == "humidity" else given.difference_k()
    if not 0 <= value <= most:
        wanted = f"expected 0 to {most:g} C ({most * 1.8:g} F), or 0 % to {most:g} %"
        report.at(path, f"found `{given.number:g} {given.unit}`", wanted)
    return value


def _level(given: Amount, quantity: str, path: str, report: Report) -> float | None:
    if not _fits(given, quantity, path, report):
        return None
    value = given.number if quantity == "humidity" else given.temperature_c()
    if not -273.15 <= value <= 1000:
        report.at(
            path, f"found `{given.number:g} {given.unit}`", "expected a temperature above absolute zero, 1000 C at most"
        )
    return value


def _range(probe: Draft, quantity: str, path: str, report: Report) -> None:
    given = probe.pop("range", {})
    ends = {}
    for end in ("low", "high"):
        if end in given:
            ends[end] = probe[f"range_{end}"] = _level(given[end], quantity, f"{path}.range.{end}", report)
    low, high, unit = ends.get("low"), ends.get("high"), "%" if quantity == "humidity" else "C"
    if low is not None and high is not None and low >= high:
        report.at(
            f"{path}.range", f"found a range from {low:g} {unit} down to {high:g} {unit}", "expected `low` below `high`"
        )


def _calibration(probe: Draft, quantity: str, path: str, report: Report) -> None:
    if "points" not in probe.get("calibration", {}):
        return
    here = f"{path}.calibration.points"
    pairs: list[tuple[float, float]] = []
    for number, point in enumerate(probe["calibration"]["points"]):
        if isinstance(point, dict) and len(point) == 2:
            read, true = (_level(point[key], quantity, f"{here}[{number}].{key}", report) for key in ("read", "true"))
            pairs += [(read, true)] if read is not None and true is not None else []
    probe["calibration"]["points"] = points = tuple(sorted(pairs))
    wrong = fault(points, quantity) if points else None
    if wrong is not None:
        report.at(here, f"found {wrong[0]}", f"expected {wrong[1]}")


def _beside(probes: dict[str, Any], name: str, report: Report) -> None:
    probe, path = probes[name], f"probes.{name}.beside"
    other = probe.get("beside", "")
    if not other:
        return
    if other == name or other not in probes:
        missing(report, path, other, [known for known in probes if known != name], "another probe")
        return
    for key in ("incubator", "place", "tray", "quantity"):
        mine, its = probe.get(key, ""), probes[other].get(key, "")
        if mine != its and not (key in ("incubator", "tray") and "" in (mine, its)):
            what = f"found `{other}`, whose {key} is `{its}`, not `{mine}`"
            report.at(path, what, "expected a probe of the same spot and quantity")


def _twins(draft: Draft, report: Report) -> None:
    """Two probes on one address, and filters that take in each other's topics."""
    seen: dict[tuple[Any, ...], str] = {}
    filters: dict[tuple[str, str], str] = {}
    for name, probe in draft.get("probes", {}).items():
        source = draft.get("sources", {}).get(probe.get("source"), {})
        address = _key(probe, name, source.get("kind", ""))
        if address is None:
            continue
        if address in seen:
            line = report.line(f"probes.{seen[address]}")
            what = f"found the same {_same(source['kind'])} as probe `{seen[address]}` (line {line})"
            report.at(f"probes.{name}", what, "expected one probe for each")
            continue
        seen[address] = name
        if source["kind"] == "mqtt":
            _overlaps(probe["source"], probe["topic"], name, filters, report)


def _overlaps(source: str, topic: str, name: str, filters: dict[tuple[str, str], str], report: Report) -> None:
    for (other_source, other), probe in filters.items():
        if other_source == source and other != topic and overlap(other, topic):
            what = (
                f"found `{topic}`, which overlaps `{other}` of probe `{probe}` (line {report.line(f'probes.{probe}')})"
            )
            report.at(f"probes.{name}.topic", what, "expected topics of which no message matches two")
            return
    filters.setdefault((source, topic), name)


def _key(probe: Draft, name: str, kind: str) -> tuple[Any, ...] | None:
    if kind == "mqtt" and "topic" in probe:
        return (probe["source"], probe["topic"], probe.get("key", ""))
    if kind == "serial" and "key" in probe:
        return (probe["source"], probe["key"])
    if kind == "kernel" and "file" in probe:
        return (probe["source"], probe["file"])
    if kind == "modbus" and "register" in probe.get("modbus", {}):
        modbus = probe["modbus"]
        return (probe["source"], modbus.get("unit_id", 1), modbus.get("function", 4), modbus["register"])
    if kind == "simulated":
        return (probe["source"], probe.get("topic", name))
    return None


def _same(kind: str) -> str:
    words = {"mqtt": "topic and path", "serial": "column or key", "kernel": "file", "modbus": "register"}
    return words.get(kind, "topic")
