"""A schedule as frozen records. What a YAML schedule file becomes; what the engine runs.

Three kinds of moment build every window, stage and expectation: hours since a step was done, a condition on a place
held for a time, and *first of* or *last of* these.
"""

from __future__ import annotations

from msgspec import Struct

from kojimon.model import Priority


class After(Struct, frozen=True, tag="after"):
    """`wait_s` after the step was done (the last time, where it repeats). Hour 0 is the step `inoculate`."""

    step: str
    wait_s: float


class Holds(Struct, frozen=True, tag="holds"):
    """The first moment at which a named condition has held for its time, counted since a step was done.

    `since` is "" for hour 0. For a step that repeats, its own name counts from the last time it was done; until it has
    been done once, from hour 0. Any other step's name counts from when that step was (last) done, and not before.
    """

    condition: str
    since: str = ""


class FirstOf(Struct, frozen=True, tag="first_of"):
    """The earliest of these that is known."""

    moments: tuple[After | Holds | FirstOf | LastOf, ...]


class LastOf(Struct, frozen=True, tag="last_of"):
    """The latest of these, once all are known."""

    moments: tuple[After | Holds | FirstOf | LastOf, ...]


Moment = After | Holds | FirstOf | LastOf


class Condition(Struct, frozen=True):
    """A statement about a place that is true or not at each good reading.

    Exactly one of at_least and at_most is set. With `above`, the value is the difference to that other place's
    last good value (K), and the place itself must be at `itself_at_least` or more where that is set (a difference also
    grows when the other place cools); else the value is the place's own value (°C or %). Of several probes in the
    place the hottest counts for at_least and the coldest for at_most. A hold does not count before `from_s` after hour
    0: rice just seeded is warm for other reasons than growth; nor is koji at_least so warm while fresh air is hotter.
    With `own_rise` it is not true before the koji has risen so far by its own heat (K), as the box does not explain;
    with `own_fall` not before so much of its height above the air, as a part of the most, is gone (engine.own_heat).
    Where no probe is in the place, a hold comes about by the clock `unseen_s` after it begins to count, if that is set.
    `usual_from_s` to `usual_to_s` after hour 0 it usually comes: for the timetable made before the batch, nothing else.
    """

    place: str
    quantity: str = "temperature"
    at_least: float | None = None
    at_most: float | None = None
    above: str = ""
    hold_s: float = 0.0
    itself_at_least: float | None = None
    from_s: float = 0.0
    own_rise: float | None = None
    own_fall: float | None = None
    unseen_s: float | None = None
    usual_from_s: float = 0.0
    usual_to_s: float = 0.0


class Limit(Struct, frozen=True):
    """One limit of a band. Reaching the limit counts as beyond it.

    Attributes:
        limit: °C or %.
        on_delay_s: how long the value must stay at or beyond the limit; ends on a sample, never on the clock alone.
        off_delay_s: how long it must stay back beyond the deadband before the alarm clears.
        deadband: how far back (K or %), on clearing only.
        min_samples: at least so many samples in a row as well.
        priority: what the alarm does to a sleeper.
        latch: whether an alarm that has reached it stays listed when the value is back, until a person resets it.
    """

    limit: float
    on_delay_s: float
    priority: Priority
    off_delay_s: float = 60.0
    deadband: float = 0.3
    min_samples: int = 3
    latch: bool = False


class Band(Struct, frozen=True):
    """Limits of one place and quantity while a stage lasts; any subset. With ramp_s the limits move from the
    previous stage's, in whole minutes, over that time; a limit the previous stage lacks starts at once."""

    place: str
    quantity: str
    low_low: Limit | None = None
    low: Limit | None = None
    high: Limit | None = None
    high_high: Limit | None = None
    ramp_s: float = 0.0


class Deviation(Struct, frozen=True, tag="deviation"):
    """The place strays from the stage's target: `above` and `below` are distances (K or %), `for_s` how long."""

    place: str
    target: float
    quantity: str = "temperature"
    above: float | None = None
    below: float | None = None
    for_s: float = 1800.0
    priority: Priority = Priority.TELL


class Exposure(Struct, frozen=True, tag="exposure"):
    """Time at or above a limit, added up over the batch in any number of pieces, reaches `total_s`."""

    place: str
    at_least: float
    total_s: float
    quantity: str = "temperature"
    priority: Priority = Priority.TELL


Watch = Deviation | Exposure


class BoxWatch(Struct, frozen=True):
    """How the box is told to be off or running away, from its own air: so far from its usual level for so long.

    Usual is what its air has come to rest at (engine.box); running away is only what the stage does not allow.
    """

    falls_k: float = 3.0
    off_after_s: float = 1200.0
    rises_k: float = 6.0
    hot_after_s: float = 1200.0


class Stage(Struct, frozen=True):
    """A part of the batch. The stage that holds is the last in order whose `begins` is reached.

    Attributes:
        blind_s: how long the koji may go unseen (no good probe in the bed) before a person is woken; 0 never.
        label: a cook's words, as shown on the page.
    """

    name: str
    label: str
    begins: Moment
    bands: tuple[Band, ...] = ()
    blind_s: float = 7200.0
    watches: tuple[Watch, ...] = ()


class Gate(Struct, frozen=True):
    """A check when a step is marked: the place's value must lie within, the probe's tolerance allowed."""

    place: str
    quantity: str = "temperature"
    at_least: float | None = None
    at_most: float | None = None
    tolerance: float = 0.5


class Window(Struct, frozen=True):
    """When a step may be done (opens), is wanted (due), and is too late (closes). Any may be absent."""

    opens: Moment | None = None
    due: Moment | None = None
    closes: Moment | None = None


class Step(Struct, frozen=True):
    """Work by hand.

    Attributes:
        label: the plain words; `trade` the Japanese word, shown once beside them.
        work: what it does to the koji, for forecast and alarms: `none`, `inoculate`, `mix`, `spread`, `wrap`,
            `unwrap`, `swap`, `harvest`; `look` is no work but something seen: it is never due, and never the next step.
        repeats: once done it opens again by its own window.
        advice: what to do, in short sentences; advice_in: more where the heat was said to be off (`heat-off`, or in a
            kind of box `fan/heat-off`), for a kind and a cover (`fan/cloth`), for a cover, or for a kind; the first
            that there is, and that of `unknown` where there is none.
        cautions: what can hurt, shown at this step.
        optional: its window closing undone is not told.
        lasts_s: how long the work itself takes; koji that is warm since a step is so from then on.
    """

    name: str
    label: str
    trade: str = ""
    work: str = "none"
    window: Window = Window()
    gate: Gate | None = None
    repeats: bool = False
    optional: bool = False
    lasts_s: float = 0.0
    advice: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    advice_in: dict[str, tuple[str, ...]] = {}

    def advice_for(self, kind: str, cover: str = "unknown", heat_off: bool = False) -> tuple[str, ...]:
        """What to do in a kind of box whose rice is covered so, and whose heat may be off."""
        here = ["heat-off"] * heat_off + [cover] * (cover != "unknown")
        names = (*(name for one in here for name in (f"{kind}/{one}", one)), kind, "unknown")
        return (*self.advice, *next((self.advice_in[name] for name in names if name in self.advice_in), ()))


class Expectation(Struct, frozen=True):
    """Something that should have come about by a moment; if not, a person is told, with causes to check.

    Attributes:
        condition: name of the condition that must have held for its time, counted from hour 0.
        or_conditions: others that will do as well: any one of them is enough.
    """

    name: str
    label: str
    condition: str
    by: Moment
    priority: Priority = Priority.TELL
    causes: tuple[str, ...] = ()
    or_conditions: tuple[str, ...] = ()


class Schedule(Struct, frozen=True):
    """One way of making koji. Order of stages and steps is the order of the work.

    `grain`: what it grows on, by which weights are known before the batch; "": not said.
    `response_s`: how long a person needs from the call to the koji; a limit nearer than that in time is told ahead.
    """

    name: str
    label: str
    purpose: str
    stages: tuple[Stage, ...]
    steps: tuple[Step, ...]
    conditions: dict[str, Condition] = {}
    expectations: tuple[Expectation, ...] = ()
    cautions: tuple[str, ...] = ()
    box: BoxWatch | None = BoxWatch()
    response_s: float = 1500.0
    grain: str = ""

    def step(self, name: str) -> Step | None:
        """The step of that name, or None."""
        return next((step for step in self.steps if step.name == name), None)

    def stage(self, name: str) -> Stage | None:
        """The stage of that name, or None."""
        return next((stage for stage in self.stages if stage.name == name), None)
