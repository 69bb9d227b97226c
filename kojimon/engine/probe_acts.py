"""What a person finds out about a probe: a calibration at known points.

It is stated as an event; whoever corrects readings listens for it, so a replay needs no instrument.
"""

from __future__ import annotations

import re
from typing import Any

from kojimon.correction import correction
from kojimon.engine.turn import Turn

Facts = dict[str, Any]
_DAY = re.compile(r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])")


def _known(turn: Turn, kind: str, incubator: str, data: Facts) -> str:
    """The probe named, "" when the act was refused because there is none in that incubator."""
    name = str(data.get("probe", ""))
    own = [probe.name for probe in turn.compiled.probes.values() if probe.incubator == incubator]
    if name in own:
        return name
    has = ", ".join(own) or "none"
    turn.refuse(kind, incubator, "unknown-probe", f"no probe {name!r} in {incubator}; it has {has}")
    return ""


def calibrate(turn: Turn, incubator: str, data: Facts, by: Facts) -> None:
    """Keeps a calibration: (raw, true) pairs, a date, how they were found. No pair takes an earlier one back."""
    name = _known(turn, "probe.calibrate", incubator, data)
    if not name:
        return
    try:
        points = [[float(raw), float(true)] for raw, true in data.get("points") or []]
        correction(tuple((raw, true) for raw, true in points))
        day = str(data.get("date") or "")
        if day and not _DAY.fullmatch(day):
            raise ValueError(f"the date {day!r} is none; a day is wanted, as in 2026-10-02")
    except (TypeError, ValueError) as error:
        turn.refuse("probe.calibrate", incubator, "bad-points", str(error), probe=name)
        return
    facts = {"points": points, "date": day, "note": str(data.get("note") or "")[:500]}
    turn.emit("calibration", incubator, name, **facts, **by)


PROBE_ACTS = {"probe.calibrate": calibrate}
