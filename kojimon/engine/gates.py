"""Gates: what must be measured before a step counts as done. Two ends, each with a reason of its own."""

from __future__ import annotations

from kojimon.engine.conditions import fresh
from kojimon.engine.hand import GATE_MS
from kojimon.engine.turn import Turn
from kojimon.schedule.spec import Gate


def value_at(turn: Turn, incubator: str, gate: Gate) -> tuple[float | None, str, float]:
    """What a gate is judged by now: value, the probe's name (`thermometer`: read by hand), how far it may be off.

    Of several probes the hottest, for either end: one that hangs in the air beside warm rice says nothing of it.
    """
    known = fresh(turn, turn.compiled.known_at(incubator, gate.place, gate.quantity))
    numbers = [no for no in known if no > 0 or turn.t_ms - turn.last_t[no] <= GATE_MS]
    if not numbers:
        return None, "", 0.0
    no = (max if gate.at_most is not None else min)(numbers, key=lambda n: turn.last_v[n])
    probe = turn.compiled.probes[no]
    return turn.last_v[no], "thermometer" if probe.by_hand else probe.name, probe.tolerance


def side_of(gate: Gate, value: float, tolerance: float) -> str:
    """`low` or `high` where the value is beyond that end of the gate; "" where it passes."""
    if gate.at_most is not None and value > gate.at_most + tolerance:
        return "high"
    return "low" if gate.at_least is not None and value < gate.at_least - tolerance else ""


def passed(turn: Turn, incubator: str, gate: Gate) -> bool | None:
    """Whether it would pass now; None where nobody can know."""
    value, _, tolerance = value_at(turn, incubator, gate)
    return None if value is None else not side_of(gate, value, tolerance)
