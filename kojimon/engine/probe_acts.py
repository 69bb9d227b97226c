"""What a person does with a probe: a calibration at known points, a move to another tray.

Both are stated as events, and whoever corrects and judges readings is guided by them: a replay needs no instrument. A
move holds until the batch ends or the settings name another tray: the tray of the settings is where a probe belongs.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any, Final

from msgspec.structs import replace

from kojimon.contract import events
from kojimon.contract.acts import Deed, ProbeCalibrate, ProbeMove
from kojimon.contract.guidance import Calibrated, Seated
from kojimon.correction import correction
from kojimon.engine.compiled import compiled_for
from kojimon.engine.setup import EngineSetup, ProbeSetup
from kojimon.engine.state import Moved
from kojimon.engine.turn import By, Turn

SETTLE_MS: Final = 600_000
"""A moved probe shows where it is after ten minutes: on the way it passes through air, and its tip and the rice around
it follow within a few minutes (judgement). Limits are judged meanwhile, its trend is not."""
_DAY = re.compile(r"\d{4}-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])")


def _known(turn: Turn, incubator: str, deed: ProbeCalibrate | ProbeMove) -> str:
    """The probe named, "" when the act was refused because there is none in that incubator."""
    name = deed.probe
    own = [probe.name for probe in turn.setup.probes if probe.incubator == incubator]
    if name in own:
        return name
    has = ", ".join(own) or "none"
    turn.refuse(deed.kind, incubator, "unknown-probe", f"no probe {name!r} in {incubator}; it has {has}")
    return ""


def calibrate(turn: Turn, incubator: str, deed: ProbeCalibrate, by: By) -> None:
    """Keeps a calibration: (raw, true) pairs, a date, how they were found. No pair takes an earlier one back."""
    name = _known(turn, incubator, deed)
    if not name:
        return
    try:
        correction(deed.points)
        if deed.date and not _DAY.fullmatch(deed.date):
            raise ValueError(f"the date {deed.date!r} is not a day; expected one such as 2026-10-02")
    except ValueError as error:
        turn.refuse(deed.kind, incubator, "bad-points", str(error), probe=name)
        return
    note = deed.note[:500]
    turn.emit(events.Calibration(points=deed.points, date=deed.date, note=note, **by), incubator, name)
    turn.guidance.append(Calibrated(name, deed.points, deed.date, note, turn.t_ms))


def move(turn: Turn, incubator: str, deed: ProbeMove, by: By) -> None:
    """Notes that a probe is in another tray from now on, until the batch ends."""
    name = _known(turn, incubator, deed)
    if not name:
        return
    probe, tray = turn.compiled.by_name[name], deed.tray
    trays = turn.compiled.incubators[incubator].trays
    if probe.place != "bed":
        reason = f"{name} is not in the koji (place {probe.place}); only a probe in the koji is in a tray"
        turn.refuse(deed.kind, incubator, "not-in-a-tray", reason, probe=name)
    elif tray not in trays:
        reason = f"no tray {tray!r} in {incubator}; expected one of: {', '.join(trays) or 'none'}"
        turn.refuse(deed.kind, incubator, "unknown-tray", reason, probe=name)
    elif tray == probe.tray:
        turn.refuse(deed.kind, incubator, "in-that-tray", f"{name} is in {tray} already", probe=name)
    else:
        _put(turn, probe, tray, **by)


def _put(turn: Turn, probe: ProbeSetup, tray: str, **facts: Any) -> None:
    """Puts a probe into a tray, from which its readings are its; what was learnt of its trend is forgotten."""
    home = turn.moved[probe.no].home if probe.no in turn.moved else probe.tray
    settled_ms = turn.t_ms + SETTLE_MS
    turn.moved[probe.no] = Moved(home, tray, settled_ms)
    turn.setup = _seated(turn.setup, {probe.no: tray})
    turn.compiled = compiled_for(turn.setup, turn.setup_hash)
    turn.trace.pop(probe.no, None)
    turn.guidance.append(Seated(probe.name, tray, settled_ms))
    moved = events.ProbeMoved(tray=tray, before=probe.tray, home=home, settled_ms=settled_ms, **facts)
    turn.emit(moved, probe.incubator, probe.name)


def seat(turn: Turn, incubator: str, no: int, tray: str) -> None:
    """Puts a probe back into the tray it had been moved to, where both are still there."""
    probe, box = turn.compiled.probes.get(no), turn.compiled.incubators.get(incubator)
    if probe is not None and box is not None and tray in box.trays and tray != probe.tray:
        _put(turn, probe, tray)


def take_back(turn: Turn, incubator: str) -> None:
    """The batch is over: every moved probe belongs where the settings say."""
    for no, moved in list(turn.moved.items()):
        probe = turn.compiled.probes[no]
        if probe.incubator == incubator:
            if probe.tray != moved.home:
                _put(turn, probe, moved.home, ended=True)
            del turn.moved[no]


def settling(turn: Turn, no: int) -> bool:
    """Whether a probe was moved so lately that its trend says nothing."""
    moved = turn.moved.get(no)
    return moved is not None and turn.t_ms < moved.settled_ms


def placed_again(moved: Mapping[int, Moved], setup: EngineSetup) -> tuple[dict[int, Moved], EngineSetup]:
    """The moves that new settings leave in force, and the setup with them: those whose own tray is the same as before
    and whose present one there still is."""
    probes, boxes = {probe.no: probe for probe in setup.probes}, {box.name: box for box in setup.incubators}
    kept = {
        no: one for no, one in moved.items()
        if no in probes and probes[no].tray == one.home and probes[no].incubator in boxes
        and one.tray in boxes[probes[no].incubator].trays
    }  # fmt: skip
    return kept, _seated(setup, {no: one.tray for no, one in kept.items()})


def _seated(setup: EngineSetup, trays: Mapping[int, str]) -> EngineSetup:
    if not trays:
        return setup
    probes = tuple(replace(one, tray=trays[one.no]) if one.no in trays else one for one in setup.probes)
    return replace(setup, probes=probes)


PROBE_ACTS: dict[type[Deed], Callable[[Turn, str, Any, By], None]] = {ProbeCalibrate: calibrate, ProbeMove: move}
