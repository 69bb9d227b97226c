"""Batches that begin in every way, healthy or with a fault of the box laid in: who is woken, and when.

A fault is told in time when somebody asleep is woken early enough that the koji comes to no harm, and is not told late
before it can be known. So it is late after both of these (all judgement where no source is named):
off: what can be known: 3 h after the box went off, or 1 h after its air has truly come 6 K under what the box holds by
itself, whichever is later: the lowest of what its air was, of what it was set to at first and last and of what its
heater can hold in the usual room, for koji that is hot holds the air higher than the box does. Harm: 1.5 h before the
coldest tray has come to 26 °C, where it grows less than half as fast as at its best (`kojisim.physics.growth`): 25 min
are the shipped schedules' way from the call to the koji, an hour is what a box takes to warm up. From hour 40 on, where
they open the harvest, cold is no such harm: harvested koji is spread out to cool. Koji that keeps itself warmer till
then, or for 14 h, in a box that is off and of which nothing was told, counts as what the air cannot tell (`warm`).
runaway: what can be known: 45 min, the delay of the shipped schedules' own limits of the air, of air that first climbs
2 K an hour and is truly all the while beyond the highest the stage of then allows, or 43 °C. Harm: half an hour before
a tray has had 20 min at 45 °C, where growth stops (importer's text on koji), and 3 h after it can be known at most; and
once a tray has had that it is late in any case.
cold room: before the coldest tray has had 1.5 h at 22 °C.

Beside that, by what comes to the koji: it is harmed by cold once its coldest tray, warmer before, has truly had 1.5 h
in all at 26 °C or below and nothing at all was told of cold, or 1.5 h at 22 °C or below and nobody was woken; what
was told before the fault counts where it still stood then. These are the limits of the shipped schedule, its delay of
an hour, and half an hour more for a probe in a warmer tray (judgement), and half a degree, for no better are such
thermometers sold (maker's data sheet of a DS18B20: ±0.5 K).
A box that is off while its koji stays warmer does no harm yet.

Each world is heard by two daemons: one whose settings say what kind of box it is, which the cook goes by, and one whose
settings do not.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import deepcopy
from dataclasses import dataclass, field, replace
from random import Random
from typing import Any, NamedTuple

from msgspec import structs

from kojimon.contract.inputs import Settings
from kojimon.engine import advance, initial_state, view
from kojimon.engine.box_hot import BEYOND_C
from kojimon.engine.setup import from_json, to_json
from kojimon.model import Event, InputRow, Message, Priority
from kojimon.schedule.spec import Schedule
from kojisim.cook import Cook
from kojisim.starts import STARTS
from kojisim.world import Happening, Scenario
from tests.parts.inputs import input_row, says
from tests.scenario.night import LOOK_S, STEP_S, T0_MS, Night

KINDS = (*STARTS, "mid_batch")
FAULTS = ("", "off", "runaway", "cold")
SAID = {"fan": "fan", "oven": "oven-light", "mat": "heat-mat"}
"""What the settings call each kind, where they say so; `still` for all others."""
WITHOUT_THERMOSTAT = ("oven", "mat")
"""Nothing in them can stick."""
H, INF = 3600.0, float("inf")
SPOILT_C, HOT_C = 45.0, 42.5
ACTS = {"off": "box_off", "runaway": "runaway", "cold": "room_drop"}
WAITS = {"off": (1 * H, 3 * H), "runaway": (0.75 * H, 0.0), "cold": (1.5 * H, 0.0)}
"""Seconds from when it is truly so far, and at least from the fault: earlier it need not be known."""
HELP_S = {"off": 1.5 * H, "runaway": 0.5 * H, "cold": 0.0}
"""From the call until it helps."""
WATCHED_S, LEFT_S = 14 * H, 3 * H
SLOW_C, HARVEST_H = 26.0, 40.0
HOT, COLD = "limit/bed/temperature/high", "limit/bed/temperature/low"
_COLD = ("box/off", COLD)
KEYS = {"off": _COLD, "cold": _COLD, "runaway": ("box/hot", HOT)}
OF_COLD = (*_COLD, "limit/air/temperature/low")
HARM = ((26.0, False), (22.0, True))
"""°C of the coldest tray, and whether it takes a waking to have been told."""
HARM_S, PROBE_K = 1.5 * H, 0.5
HEARD = ("said", "unsaid")


class Told(NamedTuple):
    """What was told: when, by which alarm, whether for koji that truly is as hot or cold, which needs no fault of the
    box, whether it woke, and when it was over."""

    s: float
    key: str
    true: bool
    woke: bool
    until_s: float = INF


class Found(NamedTuple):
    """One batch: what woke without a fault, and of the fault whether it was due to be told, told, and after how long.

    Attributes:
        false: what woke before there was a fault.
        due: whether the fault came so far that somebody had to be woken.
        late: why it was not told in time, "" where it was.
        harmed: how the cold came to koji of which nothing was told, "" where it did not.
        after_h: from the fault to the waking, None for none.
        untold: why the box's air could not tell, as the state document said when it was due, or `warm`: the koji warmed
            itself, to the end of the watch; "" where it could.
    """

    kind: str
    seed: int
    false: list[str]
    due: bool = False
    late: str = ""
    harmed: str = ""
    after_h: float | None = None
    untold: str = ""


def laid_in(kind: str, seed: int, fault: str) -> Scenario:
    """The scenario of a kind; for `cold` its heater is too weak for the room it gets."""
    base = STARTS["warm" if kind == "mid_batch" else kind](seed)
    base = replace(base, probes=tuple(replace(spec, interval_s=60.0) for spec in base.probes))
    if fault != "cold":
        return base
    box, room = base.params.box, base.params.room
    weak = replace(box, heater_w=min(box.heater_w, box.outer_ua * (30.0 - room.mean_c + 3.0)))
    fall = Happening(_happens_h(kind, seed, fault), ACTS[fault], {"by_c": room.mean_c - 4.0})
    return replace(base, params=replace(base.params, box=weak), script=(*base.script, fall))


def _happens_h(kind: str, seed: int, fault: str) -> float:
    """Hours after the spores, between 1.2 and 38, at which the fault happens."""
    at_h = Random(f"{seed}/{kind}/{fault}").choice((1.2, 1.6, 2.5, 4.0, 7.0, 11.0, 15.0, 20.0, 26.0, 32.0, 38.0))
    return at_h + (2.0 if kind == "soaked_after" else _joins_h(seed) if kind == "mid_batch" else 0.0)


def _joins_h(seed: int) -> float:
    """Hours after the spores at which a second daemon joins."""
    return Random(f"{seed}/joins").uniform(1.0, 26.0)


class Ear:
    """A daemon that takes in what the first one does, from the start or, late, with what it is told of the spores."""

    def __init__(self, first: Sequence[InputRow], kind: str) -> None:
        start, settings = first
        assert isinstance(settings.what, Settings)
        setup = from_json(settings.what.setup)
        boxes = tuple(structs.replace(box, kind=kind) for box in setup.incubators)
        payload = {"hash": "h", "setup": to_json(structs.replace(setup, incubators=boxes))}
        self.first = [start, input_row(0, settings.t_ms, "settings", payload)]
        self.state = initial_state()
        self.events: list[Event] = []

    def take(self, rows: list[Any], now_ms: int, hour0_ms: int | None) -> Sequence[Message]:
        """What it says to rows of the first daemon; `hour0_ms`: when the spores went on, where it joins late."""
        if self.first:
            at_ms = rows[0].t_ms if isinstance(rows[0], InputRow) else rows[0][1]
            begun = [structs.replace(row, t_ms=at_ms) for row in self.first]
            if hour0_ms is not None:
                begun.append(input_row(0, at_ms, "act", _act("batch.start", name="begun", hour0_t_ms=hour0_ms)))
            rows, self.first = [*begun, *rows[0 if hour0_ms is not None else len(begun) :]], []
        self.state, outcome = advance(self.state, rows, now_ms)
        self.events += outcome.events
        return outcome.messages


class Begun(Night):
    """A night whose batch is opened at the world's start; of kind `mid_batch` the daemons judged join it half-way.

    `told`: what each daemon of `HEARD` told.
    """

    def begin(self, kind: str) -> Begun:
        """Opens the batch; the cook comes when the rice is steamed."""
        assert self.cook is not None
        steamed_h = max([one.at_h for one in self.scenario.script if one.act == "steam"], default=0.0)
        cool_c = Random(f"{self.seed}/cool").uniform(24.0, 28.0)
        self.cook.absent_h = ((0.0, steamed_h + 0.05),)
        self.cook.start_local_h = (42.0 - steamed_h) % 24
        self.cook.inoculate_below_c = cool_c if kind == "early" else 32.0
        self.told: dict[str, list[Told]] = {heard: [] for heard in HEARD}
        self.joins_s = _joins_h(self.seed) * H if kind == "mid_batch" else None
        self.said = False
        self.ears = {"unsaid": Ear(self.rows, "unknown")}
        if self.joins_s is not None:
            self.ears["said"] = Ear(self.rows, self.kind)
        self.row(0.0, "act", _act("batch.start", name="begun"))
        return self

    def step(self, to_s: float) -> bool:
        """Where no thermostat turns the heat down, the cook leaves the door open a crack at a mixing of warm koji."""
        mixing = any(act == "mix" and to_s - at_s <= 600 for at_s, act, _ in self.world.done[-8:])
        warm = max(max(tray.temp) for tray in self.world.incubator.trays) >= 36.0
        if mixing and warm and self.scenario.name in WITHOUT_THERMOSTAT and not self.world.incubator.box.vent:
            self.world.act("vent", level=0.3)
        return super().step(to_s)

    def say_set(self, at_s: float) -> None:
        """Whoever sets the box says so: lower always, higher every second one."""
        done = [args["temp_c"] for _, act, args in self.world.done if act == "set_box"]
        if done and not self.said and (self.seed % 4 < 2 or done[0] < self.scenario.params.box.setpoint_c):
            self.said = True
            self.row(at_s, "act", _act("box.setpoint", to_c=done[0]))

    def tell(self, rows: list[Any], now_ms: int) -> bool:
        known = len(self.messages)
        happened = super().tell(rows, now_ms)
        zero_s, hour0_ms = self.world.inoculated_s, None
        if self.joins_s is None:
            self._note("said", self.messages[known:], self.events)
        elif zero_s is None or self.world.time_s < zero_s + self.joins_s:
            return happened
        else:
            hour0_ms = T0_MS + round(zero_s * 1000)
        for heard, ear in self.ears.items():
            self._note(heard, ear.take(rows, now_ms, hour0_ms), ear.events)
        return happened

    def off_untold(self, heard: str, at_s: float) -> str:
        """Why that daemon's air could not tell."""
        state = self.ears[heard].state if heard in self.ears else self.state
        return view(state, T0_MS + round(at_s * 1000)).incubators[0].off_untold if state.setup.incubators else ""

    def all_told(self, heard: str) -> list[Told]:
        """All that a daemon told, each with the moment at which that alarm was over."""
        events = self.ears[heard].events if heard in self.ears else self.events
        ends = [(one.key, (one.t_ms - T0_MS) / 1000) for one in events if says(one).get("event") == "off"]
        return [
            one._replace(until_s=min([s for key, s in ends if key == one.key and s > one.s], default=INF))
            for one in self.told[heard]
        ]

    def _note(self, heard: str, messages: Sequence[Message], events: Sequence[Event]) -> None:
        by_no = {event.no: event for event in events} if messages else {}
        for message in messages:
            event = by_no[message.event]
            trays = self.world.incubator.trays
            true = event.key == HOT and max(max(tray.temp) for tray in trays) >= HOT_C
            true |= event.key == COLD and min(tray.mean_c for tray in trays) <= HARM[1][0] + PROBE_K
            at_s, woke = (event.t_ms - T0_MS) / 1000, message.priority is Priority.WAKE
            if (woke or event.key in OF_COLD) and says(event).get("event") not in ("re", "off"):
                self.told[heard].append(Told(at_s, event.key, true, woke))


def _act(kind: str, **data: object) -> dict[str, Any]:
    return {"kind": kind, "incubator": "box", "who": "", "channel": "cli", "idempotency": "", "data": data}


def run_every(
    kind: str, seed: int, schedule: Schedule, through: bool = False, faults: Sequence[str] = FAULTS
) -> dict[str, dict[str, Found]]:
    """What each of `HEARD` made of a batch of a kind, by its fault ("": healthy).

    A fault that changes nothing before it happens branches off from the healthy batch, simulated but once till then.
    """
    possible = [
        one for one in faults if one in ("off", "runaway") and not (one == "runaway" and kind in WITHOUT_THERMOSTAT)
    ]
    healthy = Run.begin(kind, seed, "", schedule, through)
    runs = {}
    for at_h, fault in sorted((_happens_h(kind, seed, fault), fault) for fault in possible):
        runs[fault] = healthy.go(at_h).branched(fault, at_h).go()
    if "" in faults:
        runs[""] = healthy.go()
    if "cold" in faults:
        runs["cold"] = Run.begin(kind, seed, "cold", schedule, through).go()
    return {fault: runs[fault].found(kind) for fault in faults if fault in runs}


@dataclass
class Run:
    """A batch on its way to its harvest, or until its fault is told or should long have been."""

    night: Begun
    watch: Watch
    at_s: float = 0.0
    looked_s: float = 0.0

    @classmethod
    def begin(cls, kind: str, seed: int, fault: str, schedule: Schedule, through: bool) -> Run:
        """A batch that is healthy, or whose room gets cold."""
        cook = Cook(seed, incubator="box", react_min=(2.0, 12.0))
        scenario = laid_in(kind, seed, fault)
        night = Begun(scenario, seed, schedule, cook, through=through, kind=SAID.get(kind, "still"))
        return cls(night.begin(kind), Watch(fault))

    def go(self, until_h: float = INF) -> Run:
        """Lets it go on, until the last minute before so many hours after the spores."""
        night, cook, watch = self.night, self.night.cook, self.watch
        assert cook is not None
        while not (
            self.at_s >= 70 * H or (cook.finished and not night.state.batches) or watch.over(self.at_s, night.told)
        ):
            zero_s = night.world.inoculated_s
            if zero_s is not None and self.at_s + STEP_S >= zero_s + until_h * H:
                break
            self.at_s += STEP_S
            away = any(from_h <= self.at_s / H < to_h for from_h, to_h in cook.absent_h)
            happened = night.step(self.at_s)
            if not away and (happened or night.world.inoculated_s is None or self.at_s - self.looked_s >= LOOK_S):
                night.look(self.at_s)
                self.looked_s = self.at_s
            watch.see(night, self.at_s)
            night.say_set(self.at_s)
            if watch.since_s is not None:
                cook.absent_h = (*cook.absent_h[:1], (watch.since_s / H, INF))
        return self

    def branched(self, fault: str, at_h: float) -> Run:
        """The same batch to which that happens so many hours after the spores."""
        pure = (self.night.schedule, self.night.state, *(ear.state for ear in self.night.ears.values()))
        branch = deepcopy(self, {id(one): one for one in pure})
        branch.watch.fault, world = fault, branch.night.world
        if world.inoculated_s is not None:
            world.later(world.inoculated_s + at_h * H, ACTS[fault])
        return branch

    def found(self, kind: str) -> dict[str, Found]:
        """What each of `HEARD` made of it."""
        return {heard: self.watch.found(kind, self.night.seed, heard, self.night.all_told(heard)) for heard in HEARD}


@dataclass
class Watch:
    """The truth beside a night: since when there is a fault, from when it could be known, when the koji came to harm.

    Attributes:
        far_s: since when it has truly been so far that it can be known.
        due_s: by when that has lasted long enough.
        slow_s, spoilt_s: when the coldest koji came to `SLOW_C`, and the hottest had had 20 min at `SPOILT_C`.
        harm_s: when the cold had come to the koji by each of `HARM`.
    """

    fault: str
    since_s: float | None = None
    far_s: float | None = None
    due_s: float | None = None
    slow_s: float = INF
    spoilt_s: float = INF
    hot_s: float = 0.0
    untold: dict[str, str] = field(default_factory=dict)
    before_c: float = 0.0
    airs: list[float] = field(default_factory=list)
    cold_s: dict[float, float] = field(default_factory=dict)
    harm_s: dict[float, float] = field(default_factory=dict)

    def see(self, night: Begun, at_s: float) -> None:
        """A minute more."""
        box, act = night.world.incubator.box, ACTS.get(self.fault)
        trays = night.world.incubator.trays
        coldest_c = min(tray.mean_c for tray in trays)
        self.airs.append(box.air_c)
        if night.world.inoculated_s is not None:
            self._cools(coldest_c, at_s)
        if self.since_s is None:
            self.before_c = sum(self.airs[-60:]) / len(self.airs[-60:])
            self.since_s = next((then_s for then_s, done, _ in night.world.done if done == act), None)
            return
        if coldest_c <= SLOW_C and (night.world.hour or 0.0) < HARVEST_H:
            self.slow_s = min(self.slow_s, at_s)
        self.hot_s += STEP_S * (max(max(tray.temp) for tray in trays) >= SPOILT_C)
        if self.hot_s > 1200:
            self.spoilt_s = min(self.spoilt_s, at_s)
        if self.due_s is None:
            self._far(night, box.air_c, coldest_c, at_s)

    def _far(self, night: Begun, air_c: float, coldest_c: float, at_s: float) -> None:
        """Whether it has come so far, and by when that will have lasted long enough."""
        if self.far_s is None and self._due(night, air_c, coldest_c):
            self.far_s = at_s
            self.untold = {heard: night.off_untold(heard, at_s) for heard in HEARD}
        if self.far_s is None or self.since_s is None:
            return
        wait_s, least_s = WAITS[self.fault]
        due_s = max(self.far_s + wait_s, self.since_s + least_s)
        if self.fault == "runaway" and air_c < min(BEYOND_C, allowed_c(night.schedule, _stage(night))):
            self.far_s = None  # not by the stage that has begun
        elif self.fault != "runaway" or at_s >= due_s:
            self.due_s = due_s

    def _cools(self, coldest_c: float, at_s: float) -> None:
        """Adds up the time since the fault at each limit of harm, once the koji has been warmer than that."""
        for limit_c, _ in HARM:
            if coldest_c > limit_c:
                self.cold_s.setdefault(limit_c, 0.0)
            elif self.since_s is not None and limit_c in self.cold_s and coldest_c <= limit_c - PROBE_K:
                self.cold_s[limit_c] += STEP_S
                if self.cold_s[limit_c] >= HARM_S:
                    self.harm_s.setdefault(limit_c, at_s)

    def _due(self, night: Begun, air_c: float, coldest_c: float) -> bool:
        if self.fault == "off":
            params = night.scenario.params
            by_heater_c = params.room.mean_c + params.box.heater_w / params.box.outer_ua
            set_c = min(params.box.setpoint_c, night.world.incubator.box.setpoint_c)
            holds_c = min(self.before_c, set_c, by_heater_c)
            return air_c <= holds_c - 6.0
        if self.fault == "cold":
            return coldest_c <= HARM[1][0] - PROBE_K
        climbs = len(self.airs) > 30 and air_c - self.airs[-31] >= 1.0
        return air_c >= BEYOND_C or (climbs and air_c >= allowed_c(night.schedule, _stage(night)))

    def _late(self, told_s: float) -> bool:
        """Whether a call at that moment, or none, came too late."""
        if self.fault == "runaway" and told_s > self.spoilt_s:
            return True
        if self.due_s is None or told_s <= self.due_s:
            return False
        if self.fault == "cold":
            return True
        harm_s = self.slow_s if self.fault == "off" else self.spoilt_s
        most_s = INF if self.fault == "off" else self.due_s + LEFT_S
        return told_s > min(harm_s - HELP_S[self.fault], most_s)

    def over(self, at_s: float, told: dict[str, list[Told]]) -> bool:
        """Whether no more is to be learnt of the fault: told, and so long ago that it would have helped."""
        if self.since_s is None:
            return False
        due_s = self.due_s if self.fault == "cold" else None
        if at_s > (self.since_s + WATCHED_S if due_s is None else due_s + 1800):
            return True
        found = [self._of_fault(told[heard]) for heard in HEARD]
        if not all(any(one.woke or self.fault != "off" for one in ones) for ones in found):
            return False
        first = [min(one.s for one in ones) for ones in found]
        slow = [told_s for told_s in first if told_s > (self.due_s or INF)]
        return at_s >= max(slow, default=0.0) + HELP_S[self.fault]

    def _of_fault(self, told: Sequence[Told]) -> list[Told]:
        """What counts as told of the fault: what woke, and that a box is off."""
        since_s = INF if self.since_s is None else self.since_s
        named = [one for one in told if one.s >= since_s and one.key in KEYS[self.fault]]
        return [one for one in named if one.woke or one.key == "box/off"]

    def _harmed(self, told: Sequence[Told]) -> str:
        """By which limit the koji was harmed before anything, or anything that wakes, was told; "" for none."""
        for limit_c, by_waking in HARM:
            since_s, harm_s = self.since_s, self.harm_s.get(limit_c)
            known = [one for one in told if one.key in OF_COLD and (one.woke or not by_waking)]
            if since_s is None or harm_s is None:
                continue
            if not any(one.s <= harm_s and one.until_s > since_s for one in known):
                return f"{limit_c:.0f} °C, {(harm_s - since_s) / H:.1f} h after the fault at {since_s / H:.1f} h"
        return ""

    def found(self, kind: str, seed: int, heard: str, told: Sequence[Told]) -> Found:
        """The batch in figures."""
        before = [one for one in told if self.since_s is None or one.s < self.since_s]
        false = [f"{one.key} at {one.s / H:.1f} h" for one in before if one.woke and not one.true]
        if self.since_s is None:
            return Found(kind, seed, false)
        told_s = min([one.s for one in self._of_fault(told)], default=None)
        after_h = None if told_s is None else (told_s - self.since_s) / H
        untold = self.untold.get(heard, "") if self.fault == "off" else ""
        if self.fault == "off" and self.due_s is not None and told_s is None and self.slow_s == INF:
            untold = untold or "warm"
        late = ""
        if not untold and self._late(INF if told_s is None else told_s):
            known, cold, spoilt = ((at_s or INF) / H for at_s in (self.due_s, self.slow_s, self.spoilt_s))
            late = f"fault at {self.since_s / H:.1f} h: known {known:.1f} h, cold {cold:.1f} h, spoilt {spoilt:.1f} h"
        harmed = self._harmed(told) if self.fault != "runaway" else ""
        return Found(kind, seed, false, self.far_s is not None, late, harmed, after_h, untold)


def _stage(night: Begun) -> str:
    return night.state.batches["box"].stage if night.state.batches else ""


def allowed_c(schedule: Schedule, stage: str) -> float:
    """The highest air of a stage; of all where it has none."""
    found = {
        one.name: band.high.limit for one in schedule.stages for band in one.bands
        if (band.place, band.quantity) == ("air", "temperature") and band.high is not None
    }  # fmt: skip
    return found.get(stage, max(found.values()))
