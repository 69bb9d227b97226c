"""Whether a step can be of the moment it is marked for. Pure."""

from __future__ import annotations

from kojimon.engine.moments import HOUR_ZERO, known_of
from kojimon.engine.state import elapsed_ms
from kojimon.engine.turn import Turn
from kojimon.engine.work import COOLING_WORK, out_of_order
from kojimon.schedule.spec import Schedule, Step

BEFORE = {
    "before-spores": "give a later time, or correct when they did",
    "no-spores": "when did they? Enter that first, with its time; the hours of all that follows count from there",
}
SPORES = "green"
"""The step by which koji that makes spores is marked."""


def untimely(
    turn: Turn, incubator: str, schedule: Schedule | None, step: Step, at_ms: int, override: str
) -> tuple[str, str]:  # fmt: skip
    """Why a step cannot be of that moment, as a code and in words; "" where it can. What is seen before its step opens
    is not the koji's: so early it neither is ripe nor makes spores."""
    code = _before_the_spores(turn, incubator, schedule, step, at_ms, override)
    if code:
        return code, f"{step.label} comes after the spores went on; {BEFORE[code]}"
    other = out_of_order(turn, incubator, schedule, step.name, at_ms)
    if other:
        return "out-of-order", f"{step.label}: {other}; give another time, or correct that one's"
    opens_ms, _ = before_its_time(turn, incubator, step.name, at_ms)
    if step.work != "look" or opens_ms is None:
        return "", ""
    hour0_ms = min(m.at_ms for m in turn.batches[incubator].marks if m.step == HOUR_ZERO and not m.undone)
    hour = elapsed_ms(turn.anchors, hour0_ms, opens_ms) / 3_600_000
    foreign = "so early it is foreign mould: throw it out" if step.name == SPORES else "look again then"
    reason = f"{step.label} cannot be the koji's before hour {hour:.0f}; {foreign}. By mistake? Nothing was saved"
    return "too-early", reason


def _before_the_spores(
    turn: Turn, incubator: str, schedule: Schedule | None, step: Step, at_ms: int, override: str
) -> str:  # fmt: skip
    """Why a step that belongs after hour 0 is not taken: it is dated before that, or nobody said when that was. The
    harvest is taken all the same: then its hours are not known."""
    names = [one.name for one in schedule.steps] if schedule else []
    hour0 = [m.at_ms for m in turn.batches[incubator].marks if m.step == HOUR_ZERO and not m.undone]
    if HOUR_ZERO not in names or names.index(step.name) <= names.index(HOUR_ZERO):
        return ""
    if not hour0:
        return "" if override or step.work == "harvest" else "no-spores"
    return "before-spores" if at_ms < min(hour0) else ""


def before_its_time(turn: Turn, incubator: str, name: str, at_ms: int) -> tuple[int | None, int | None]:
    """The window of a step that is done before it opens, and so was never announced; none when it is in time. Work on
    koji that waits for a mixing, or for its heat, opens with the first mixing at the earliest."""
    known = known_of(turn.compiled, incubator, turn.batches[incubator], turn.anchors, turn.last_t)
    step = known.schedule.step(name) if known else None
    if known is None or step is None:
        return None, None
    opens_ms, due_ms, _ = known.window(step)
    if opens_ms is None and due_ms is None and step.work in COOLING_WORK:
        first = next((one for one in known.schedule.steps if one.work == "mix" and not known.marks(one.name)), step)
        opens_ms, due_ms, _ = known.window(first)
    first_ms = due_ms if opens_ms is None else opens_ms
    return (None, None) if first_ms is None or first_ms <= at_ms else (first_ms, due_ms)
