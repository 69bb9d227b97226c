"""What the judge of readings is told by the engine: with each outcome what is new, at a start what stands."""

from __future__ import annotations

from kojimon.contract.guidance import Guidance, LookCloser, SelfWarming
from kojimon.engine.moments import holds_in
from kojimon.engine.state import BatchState, State
from kojimon.schedule.spec import Schedule


def warming(schedule: Schedule | None, incubator: str, batch: BatchState) -> SelfWarming:
    """Whether the koji of a batch warms itself: in the stages that begin by its warmth, and in all after them."""
    warmed = False
    for stage, conditions in [(one, schedule.conditions) for one in schedule.stages] if schedule else ():
        begun_by = [conditions[hold.condition] for hold in holds_in(stage.begins)]
        warmed = warmed or any((one.place, one.quantity) == ("bed", "temperature") for one in begun_by)
        if stage.name == batch.stage:
            return SelfWarming(incubator, warmed)
    return SelfWarming(incubator, False)


def standing(state: State) -> list[Guidance]:
    """What a state leaves in force, but for moved probes: those hang on the settings of the start as well."""
    closer = [LookCloser(incubator, one.at_ms, one.until_ms) for incubator, one in state.asked.items()]
    schedules = state.setup.schedules
    warm = [warming(schedules.get(one.schedule), incubator, one) for incubator, one in state.batches.items()]
    return [*closer, *warm]
