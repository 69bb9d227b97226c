"""When a moment of the schedule is, given the steps done and the runs of each condition.

A function of the present step list, the true runs kept for each condition, and nothing else: so a correction simply
asks again.
"""

from __future__ import annotations

from kojimon.engine.compiled import Compiled
from kojimon.engine.state import BatchState, Mark, after_ms
from kojimon.schedule.spec import After, Expectation, FirstOf, Holds, LastOf, Moment, Schedule, Stage, Step

HOUR_ZERO = "inoculate"
NOT_WARMED = "not-warmed"
"""What was said of koji that had not warmed itself when it should have (`BatchState.warmth`)."""


USUAL_MS = 14_400_000
"""So long before its lack is told most koji has been seen to warm itself (hour 22; simulated: by 20.5)."""
TYPICAL_MS, PER_LATE, MOST_LATE_MS = 36_000_000, 3, 86_400_000
"""Koji seen after that is harvested as much later as it came after the typical hour (16; simulated: 11 to 16), for it
grows on at the same pace; by three times what it is past hour 22 at most, so that no minute decides over hours, and by
a day (judgement)."""


class Known:
    """What the moments of one batch are resolved against.

    Args:
        schedule, batch: the batch and its schedule.
        anchors: corrections of engine time (state.State.anchors).
        seen_ms: for each condition that holds now, the last sample at which it was seen to hold.
        unseen: conditions in whose place no probe is, as far as is known.
    """

    def __init__(
        self, schedule: Schedule, batch: BatchState, anchors: tuple[tuple[int, int], ...], seen_ms: dict[str, int],
        unseen: frozenset[str] = frozenset(),
    ) -> None:  # fmt: skip
        self.schedule, self.batch, self.anchors, self.seen_ms, self.unseen = schedule, batch, anchors, seen_ms, unseen
        self._marks: dict[str, list[Mark]] = {}

    def marks(self, step: str) -> list[Mark]:
        """The valid marks of a step, oldest first, with the times it was done by guess (number 0)."""
        found = self._marks.get(step)
        if found is None:
            guessed = (Mark(0, one.step, one.at_ms, one.at_ms) for one in self.batch.guesses)
            marks = (mark for mark in (*self.batch.marks, *guessed) if mark.step == step and not mark.undone)
            found = self._marks[step] = sorted(marks, key=lambda mark: mark.at_ms)
        return found

    def done_ms(self, step: str) -> int | None:
        """When the step was last done, or None."""
        marks = self.marks(step)
        return marks[-1].at_ms if marks else None

    def hour0_ms(self) -> int | None:
        """When the spores went on, or None."""
        marks = self.marks(HOUR_ZERO)
        return marks[0].at_ms if marks else None

    def resolve(self, moment: Moment | None, late_ms: int = 0) -> int | None:
        """Engine time of the moment, which may lie ahead; None while it cannot be told. `late_ms`: so much later by the
        hours since the spores."""
        if isinstance(moment, After):
            done_ms, wait_ms = self.done_ms(moment.step), round(moment.wait_s * 1000)
            wait_ms += late_ms if moment.step == HOUR_ZERO else 0
            return None if done_ms is None else after_ms(self.anchors, done_ms, wait_ms)
        if isinstance(moment, Holds):
            return self._holds(moment)
        if isinstance(moment, FirstOf | LastOf):
            times = [self.resolve(part, late_ms) for part in moment.moments]
            found = [time for time in times if time is not None]
            if isinstance(moment, LastOf):
                return max(found) if len(found) == len(times) else None
            return min(found, default=None)
        return None

    def window(self, step: Step) -> tuple[int | None, int | None, int | None]:
        """When a step opens, is due and closes. Koji that had not warmed itself when most koji has is harvested later
        (`late_ms`); its first mixing, which its warmth calls, closes as much later as it is past that hour alone."""
        parts = step.window
        if step.work == "mix" and not step.repeats and self.is_slow():
            closes_ms = None if self.warmed_ms() is None else self.resolve(parts.closes, self._past_usual_ms())
            return self.resolve(parts.opens), self.resolve(parts.due), closes_ms
        late_ms = self.late_ms() if step.work == "harvest" else 0
        return self.resolve(parts.opens, late_ms), self.resolve(parts.due, late_ms), self.resolve(parts.closes, late_ms)

    def harvest_ms(self) -> tuple[int | None, int | None, int | None]:
        """When the koji may be taken out, is due, and is at its latest hour; None where no step says so."""
        step = next((step for step in self.schedule.steps if step.work == "harvest"), None)
        return (None, None, None) if step is None else self.window(step)

    def begins_ms(self, stage: Stage) -> int | None:
        """When a stage begins; the last one, where the clock alone begins it, as late as the harvest."""
        last = stage is self.schedule.stages[-1] and isinstance(stage.begins, After)
        return self.resolve(stage.begins, self.late_ms() if last else 0)

    def late_ms(self) -> int:
        """By how much the koji is to be harvested later."""
        past_ms = self._past_usual_ms()
        return min(PER_LATE * past_ms, past_ms + TYPICAL_MS - USUAL_MS, MOST_LATE_MS)

    def _past_usual_ms(self) -> int:
        """By how much the koji was seen to rise by itself later than most; 0 where it was not watched then."""
        if not self.is_slow() or not self.batch.own_rise_k:
            return 0
        began_ms, usual_ms = self.warmed_ms(), self.usual_ms()
        return 0 if began_ms is None or usual_ms is None else max(0, began_ms - usual_ms)

    def is_slow(self) -> bool:
        """Whether it was seen that the koji did not warm itself when most koji has, or when it should have."""
        return self.batch.slow != 0 or self.batch.warmth == NOT_WARMED

    def usual_ms(self) -> int | None:
        """When most koji has been seen to warm itself; None where nothing waits for that."""
        by_ms = self.resolve(FirstOf(tuple(one.by for one in self.own_heat())))
        return None if by_ms is None else by_ms - USUAL_MS

    def own_heat(self) -> list[Expectation]:
        """What waits for koji that warms itself."""
        conditions = self.schedule.conditions
        return [one for one in self.schedule.expectations if conditions[one.condition].own_rise is not None]

    def warmed_ms(self) -> int | None:
        """When the koji was first seen to warm itself, in one way or another; None for not yet."""
        times = [self.met_ms(one) for one in self.own_heat()]
        return min((time for time in times if time is not None), default=None)

    def met_ms(self, expectation: Expectation) -> int | None:
        """When what is expected came about, in one way or another."""
        return self.resolve(FirstOf(tuple(Holds(way) for way in (expectation.condition, *expectation.or_conditions))))

    def counted_from(self, moment: Holds) -> int | None:
        """From when a hold counts: the condition's own hours after hour 0, or when the work of the step was over, the
        last time it was done: koji is as warm as before until all of it is mixed. Of a step that nobody has marked,
        when its time was over: it may have been done, and the koji goes on."""
        return self._counted_from(moment, working=True)

    def _counted_from(self, moment: Holds, working: bool) -> int | None:
        hour0_ms = self.hour0_ms()
        if hour0_ms is None:
            return None
        from_s = self.schedule.conditions[moment.condition].from_s
        earliest_ms = after_ms(self.anchors, hour0_ms, round(from_s * 1000))
        if not moment.since:
            return earliest_ms
        done_ms, step = self.done_ms(moment.since), self.schedule.step(moment.since)
        if done_ms is None and step is not None:
            done_ms = earliest_ms if step.repeats else self.resolve(step.window.closes)
        elif done_ms is not None and step is not None and working:
            done_ms = after_ms(self.anchors, done_ms, round(step.lasts_s * 1000))
        return None if done_ms is None else max(earliest_ms, done_ms)

    def _holds(self, moment: Holds) -> int | None:
        from_ms, unseen_s = self.counted_from(moment), self.schedule.conditions[moment.condition].unseen_s
        done_ms = self._counted_from(moment, working=False)
        if from_ms is None or done_ms is None:
            return None
        seen_ms = self._held(moment, from_ms)
        if unseen_s is None or moment.condition not in self.unseen:
            return seen_ms
        clock_ms = after_ms(self.anchors, done_ms, round(unseen_s * 1000))
        return clock_ms if seen_ms is None else min(seen_ms, clock_ms)

    def _held(self, moment: Holds, from_ms: int) -> int | None:
        """When the readings completed the hold."""
        state = self.batch.conditions.get(moment.condition)
        if state is None:
            return None
        hold_ms = round(self.schedule.conditions[moment.condition].hold_s * 1000)
        runs = state.runs
        if state.since_ms >= 0:
            runs = (*runs, (state.since_ms, self.seen_ms.get(moment.condition, state.since_ms)))
        for start_ms, end_ms in runs:
            held_ms = max(start_ms, from_ms) + hold_ms
            if held_ms <= end_ms:
                return held_ms
        return None


def holds_in(moment: Moment | None) -> tuple[Holds, ...]:
    """Every `holds` inside a moment."""
    if isinstance(moment, Holds):
        return (moment,)
    if isinstance(moment, (FirstOf, LastOf)):
        return tuple(found for part in moment.moments for found in holds_in(part))
    return ()


def every_moment(schedule: Schedule) -> list[Moment]:
    """All moments a schedule uses."""
    moments: list[Moment | None] = [stage.begins for stage in schedule.stages]
    for step in schedule.steps:
        moments += [step.window.opens, step.window.due, step.window.closes]
    for expectation in schedule.expectations:
        ways = (expectation.condition, *expectation.or_conditions)
        moments += [expectation.by, *(Holds(way) for way in ways)]
    return [moment for moment in moments if moment is not None]


def targets_ms(known: Known, condition: str) -> list[int]:
    """The moments at which the present run of a condition completes a hold that the schedule waits for."""
    state = known.batch.conditions.get(condition)
    if state is None or state.since_ms < 0:
        return []
    hold_ms = round(known.schedule.conditions[condition].hold_s * 1000)
    waiting = (hold for moment in every_moment(known.schedule) for hold in holds_in(moment))
    starts = {known.counted_from(hold) for hold in waiting if hold.condition == condition}
    return sorted(max(state.since_ms, start) + hold_ms for start in starts if start is not None)


def known_of(
    compiled: Compiled,
    incubator: str,
    batch: BatchState,
    anchors: tuple[tuple[int, int], ...],
    last_t: dict[int, int],
) -> Known | None:
    """What is known of an open batch; None when its schedule is no longer among the settings."""
    schedule = compiled.schedules.get(batch.schedule)
    if schedule is None:
        return None
    seen_ms = {}
    for name, state in batch.conditions.items():
        condition = schedule.conditions.get(name)
        if state.since_ms >= 0 and condition is not None:
            own = compiled.known_at(incubator, condition.place, condition.quantity)
            times = [last_t.get(no, -1) for no in own]
            seen_ms[name] = max([state.since_ms, *times])
    unseen = frozenset(
        name for name, one in schedule.conditions.items()
        if one.unseen_s is not None
        and ((batch.unwatched and one.place == "bed") or not compiled.probes_at(incubator, one.place, one.quantity))
    )  # fmt: skip
    return Known(schedule, batch, anchors, seen_ms, unseen)
