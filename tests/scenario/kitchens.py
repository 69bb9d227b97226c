"""Batches in kitchens: what was said and when, against what was true.

A cell is a kind of box, a cover and a case. Its batch runs through the engine on the shipped home schedule, told the
kind and the cover as settings tell it, with a cook who does what is asked and sleeps at night.

Koji has warmed itself when its own heat passes 1.0 W per kg dry, which makes half a degree on a wrapped tray in moving
air and more elsewhere; below 0.2 nothing grows. All limits here are judgement.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

from kojimon.model import Event, Priority
from kojimon.schedule.spec import Schedule
from kojisim.cook import Cook
from kojisim.kitchens import kitchen
from kojisim.physics.params import Cover
from kojisim.world import Scenario, World
from tests.parts.inputs import says
from tests.scenario.night import LOOK_S, STEP_S, T0_MS, Night

H = 3600.0
KINDS = ("still", "fan", "heat-mat", "oven-light")
USUAL: dict[str, Cover] = {"still": "cloth", "fan": "plastic", "heat-mat": "plastic", "oven-light": "cloth"}
TOLD_COVER = {"open": "open", "cloth": "cloth", "plastic": "cloth-and-plastic"}
CASES = (
    "healthy", "dead", "slow", "overcooled", "box-off", "runaway", "dried-out", "unmarked", "air-only",
    "one-hygrometer", "by-hand", "nothing",
)  # fmt: skip
OTHER_COVERS: tuple[tuple[str, Cover], ...] = (
    ("still", "plastic"), ("still", "open"), ("fan", "cloth"), ("fan", "open"), ("heat-mat", "cloth"),
    ("oven-light", "plastic"),
)  # fmt: skip
CELLS = (
    *((kind, USUAL[kind], case) for kind in KINDS for case in CASES),
    *((kind, cover, case) for kind, cover in OTHER_COVERS for case in ("healthy", "dead", "one-hygrometer")),
)
SEEN = {"air-only": ("air",), "one-hygrometer": ("air", "air-humidity"), "by-hand": (), "nothing": ()}
"""Probes of the cases that have none in the koji."""
WARM_W, NOTHING_W = 1.0, 0.2
ALARMS = ("limit/", "box/", "silent/", "blind/", "expect/", "deviation/")
HAND_EVERY_S = 2 * H
RECOGNISED_H = 2.0
"""Asked for: so long after its own heat a living one may be taken for one that has not warmed itself yet."""
OTHER_DOUBTS = ("not-warmed", "probe-out", "cold", "hot")
"""Words on a harvest that say nothing of whether the koji ever warmed itself."""
EARLIEST_H = 40.0
"""Before that the schedule's clock opens no harvest."""
END_H = 52.0


class Found(NamedTuple):
    """One batch.

    Attributes:
        said: what it said, with hours since the spores, in order.
        wakings: wakings without cause. wrong: messages without cause. advice: what it said that was not so.
        missed: what it should have said. unknown: what it says that it cannot know.
        warmed_h, told_warm_h: when the koji had warmed itself, and when that was said; None for never.
    """

    kind: str
    cover: str
    case: str
    seed: int
    said: tuple[str, ...]
    wakings: tuple[str, ...]
    wrong: tuple[str, ...]
    advice: tuple[str, ...]
    missed: tuple[str, ...]
    unknown: tuple[str, ...]
    warmed_h: float | None
    told_warm_h: float | None


class Moment(NamedTuple):
    """The truth at an hour since the spores, and what the document says then."""

    hour: float
    own_w: float
    hottest_c: float
    coldest_c: float
    felt: tuple[float, ...]
    air_c: float
    mains: bool
    runs_away: bool
    stage: str
    offered: bool
    doubt: str
    off_untold: str


@dataclass
class HomeCook(Cook):
    """A cook with a kitchen thermometer where no probe is in the koji; seeds at once where the rice is cold already."""

    world: World | None = None
    sees: bool = True

    def _cool(self, box: dict[str, Any]) -> bool:
        return self._thermometer_c() <= self.inoculate_below_c

    def _thermometer_c(self) -> float:
        assert self.world is not None
        return max(tray.mean_c for tray in self.world.incubator.trays)

    def _act(self, kind: str, data: dict[str, Any]) -> dict[str, Any]:
        if data.get("step") == "inoculate":
            value_c = round(self._thermometer_c(), 1)
            data = data if self.sees else {**data, "value_c": value_c}
            data = data if value_c >= 28.0 else {**data, "override": "the spores are on"}
        return super()._act(kind, data)


def scenario_of(kind: str, cover: Cover, case: str, seed: int) -> Scenario:
    """The kitchen, with the probes of the case, a reading a minute."""
    drawn = kitchen(kind, cover, case if case not in (*SEEN, "unmarked") else "healthy", seed)
    names = SEEN.get(case)
    kept = [spec for spec in drawn.probes if names is None or spec.name in names]
    return replace(drawn, probes=tuple(replace(spec, interval_s=60.0) for spec in kept))


@dataclass
class KitchenNight(Night):
    """A batch of a kitchen that remembers truth and document every ten minutes."""

    case: str = "healthy"
    moments: list[Moment] = field(default_factory=list)
    read_s: float = 0.0

    def note(self, now_s: float) -> None:
        """Ten minutes more: looks at the truth and at the screen."""
        zero_s = self.world.inoculated_s
        if zero_s is None:
            return
        box = self.shown(now_s)
        trays, inc = self.world.incubator.trays, self.world.incubator
        dry = sum(sum(tray.dry) for tray in trays)
        felt = tuple(self.world.probes.true_value(spec.name) for spec in self.scenario.probes if spec.place == "bed")
        stage = box.stage.name if box.stage else ""
        harvest = next((step for step in box.steps if step.work == "harvest"), None)
        offered, doubt = (harvest.can, harvest.doubt) if harvest else (False, "")
        self.moments.append(Moment(
            (now_s - zero_s) / H, sum(tray.growth_w for tray in trays) / dry,
            max(max(tray.temp) for tray in trays), min(min(tray.temp) for tray in trays), felt, inc.box.air_c,
            inc.box.mains, inc.box.stuck_on or inc.box.boost > 1.0, stage, offered, doubt, box.off_untold,
        ))  # fmt: skip

    def shown(self, now_s: float) -> Any:
        from kojimon.engine import view

        return view(self.state, T0_MS + round(now_s * 1000)).incubators[0]

    def by_hand(self, now_s: float) -> None:
        """The cook reads a kitchen thermometer when awake."""
        assert self.cook is not None
        if self.world.inoculated_s is None or self.cook.asleep(now_s) or now_s - self.read_s < HAND_EVERY_S:
            return
        self.read_s = now_s
        value = round(self.world.incubator.trays[0].at_depth(0.5) * 2) / 2
        self.row(now_s, "act", {
            "kind": "reading", "incubator": "box", "who": "cook", "channel": "page", "idempotency": f"hand-{now_s}",
            "data": {"value_c": value, "place": "bed"},
        })  # fmt: skip


def run_one(kind: str, cover: Cover, case: str, seed: int, schedule: Schedule) -> Found:
    """Runs a batch to its harvest, or to hour 52, and judges what was said."""
    scenario = scenario_of(kind, cover, case, seed)
    cook = HomeCook(
        seed, incubator="box", react_min=(2.0, 12.0), forgets=1.0 if case == "unmarked" else 0.0,
        sees=case not in SEEN,
    )  # fmt: skip
    night = KitchenNight(scenario, seed, schedule, cook, through=False, kind=kind, cover=TOLD_COVER[cover], case=case)
    cook.world = night.world
    now_s = looked_s = 0.0
    while not (cook.finished and not night.state.batches):
        now_s += STEP_S
        zero_s = night.world.inoculated_s
        if now_s > 60 * H or (zero_s is not None and now_s > zero_s + END_H * H):
            break
        if night.step(now_s) or zero_s is None or now_s - looked_s >= LOOK_S:
            night.look(now_s)
            looked_s = now_s
        if case == "by-hand":
            night.by_hand(now_s)
        if now_s % 600.0 == 0.0:
            night.note(now_s)
    return judged(night)


# -- judging -----------------------------------------------------------------------------------------------------------


def judged(night: KitchenNight) -> Found:
    """What was said against what was true."""
    told = messages(night)
    by_probe = [event for event in night.events if event.kind == "stage" and event.key == "growing"]
    told_h = min((night.hour(event) for event in by_probe), default=None)
    bad = [(hour, key, wakes) for hour, key, wakes, event in told if not cause(night, hour, event)]
    return Found(
        night.kind, night.cover, night.case, night.seed,
        tuple(f"{key} {hour:.1f}" for hour, key, _, _ in told),
        tuple(f"{key} {hour:.1f}" for hour, key, wakes in bad if wakes),
        tuple(f"{key} {hour:.1f}" for hour, key, wakes in bad if not wakes),
        tuple(advice(night)), tuple(missed(night, told)), tuple(unknown(night)), warm_h(night), told_h,
    )  # fmt: skip


def messages(night: KitchenNight) -> list[tuple[float, str, bool, Event]]:
    """Alarms that were sent, repeats left out: hour, key, whether it woke, event."""
    by_no = {event.no: event for event in night.events}
    out = []
    for message in night.messages:
        event = by_no[message.event]
        if (
            event.key.startswith(ALARMS)
            and says(event).get("event") in ("on", "up", None)
            and message.priority is not Priority.LOG
        ):
            out.append((night.hour(event), event.key, message.priority is Priority.WAKE, event))
    return out


def near(night: KitchenNight, hour: float, back_h: float = 1.2) -> list[Moment]:
    return [m for m in night.moments if hour - back_h <= m.hour <= hour + 0.25] or night.moments[:1]


def cause(night: KitchenNight, hour: float, event: Event) -> bool:
    """Whether something was true that the message is about."""
    around, key = near(night, hour), event.key
    limit = says(event).get("limit")
    if key.startswith("limit/bed/temperature"):
        high = key.endswith("high")
        felt = [value for m in around for value in (*m.felt, m.hottest_c if high else m.coldest_c)]
        return any(value >= limit - 0.5 if high else value <= limit + 0.5 for value in felt)
    if key.startswith("limit/air/temperature"):
        airs = [m.air_c for m in around]
        held = max(airs) >= limit - 0.5 if key.endswith("high") else min(airs) <= limit + 0.5
        return held and night.kind != "heat-mat"  # over a mat it is the room's
    if key == "box/off":
        return any(not m.mains for m in around)
    if key == "box/hot":
        return any(m.runs_away or m.air_c >= 43.0 for m in around)
    return key == "expect/self-warming" and not warm_by(night, hour)


def warm_by(night: KitchenNight, hour: float) -> bool:
    """Whether by then the koji had warmed itself for as long as it may take to be recognised."""
    warmed_h = warm_h(night)
    return warmed_h is not None and warmed_h <= hour - RECOGNISED_H


def warm_h(night: KitchenNight) -> float | None:
    """When it had warmed itself; None for never."""
    return next((m.hour for m in night.moments if m.hour > 4 and m.own_w >= WARM_W), None)


def advice(night: KitchenNight) -> list[str]:
    """What the screens said that was not so."""
    out = []
    grown = max((m.own_w for m in night.moments), default=0.0)
    offered = [m for m in night.moments if m.offered and not m.doubt]
    if offered and grown < NOTHING_W:
        out.append(f"harvest offered at {offered[0].hour:.0f} h without a word, nothing ever grew")
    early = next((m for m in night.moments if m.offered and m.hour < EARLIEST_H), None)
    if early is not None and early.own_w > grown / 2:
        out.append(f"harvest offered at {early.hour:.0f} h, at {early.own_w / grown:.0%} of its heat")
    told_not = (m for m in night.moments if m.offered and m.doubt == "not-warmed")
    denied = next((m for m in told_not if warm_by(night, m.hour)), None)
    if denied is not None:
        out.append(f"said at {denied.hour:.0f} h that it was not seen to warm itself, and it had")
    return out


def missed(night: KitchenNight, told: list[tuple[float, str, bool, Event]]) -> list[str]:
    """What should have been said and was not."""
    out, keys = [], [(hour, key) for hour, key, _, _ in told]
    sees_koji, moments = night.case not in SEEN, night.moments

    def said(*begins: str, from_h: float = 0.0, to_h: float = 99.0) -> bool:
        return any(key.startswith(begins) and from_h <= hour <= to_h for hour, key in keys)

    if night.case == "dead" and not said("expect/self-warming", to_h=28.0) and not unknown_warmth(night):
        out.append("dead starter not told by 28 h")
    hot = [m.hour for m in moments if m.hour > 3 and any(value >= 43.5 for value in m.felt)]
    if sees_koji and len(hot) >= 3 and not said("limit/bed/temperature/high", "box/hot"):
        out.append(f"koji over 43.5 °C at {hot[0]:.0f} h")
    cold = [m.hour for m in moments if m.hour > 2 and any(value <= 21.0 for value in m.felt)]
    if sees_koji and len(cold) >= 12 and not said("limit/bed/temperature/low", "box/off"):
        out.append(f"koji under 21 °C at {cold[0]:.0f} h")
    off = [m for m in moments if not m.mains]
    if off and "air" in {spec.name for spec in night.scenario.probes}:
        before = [m.air_c for m in moments if m.mains][-6:]
        level = sum(before) / len(before) if before else 0.0
        fallen = [m for m in off if m.air_c <= level - 6.0]
        due = max(fallen[0].hour + 1.0, off[0].hour + 3.0) if fallen else None
        ended = moments[-1].hour
        told_off = due is not None and said("box/off", "limit/bed/temperature/low", to_h=due + 0.2)
        if due is not None and due < ended and not told_off and not off[-1].off_untold:
            out.append(f"box off at {off[0].hour:.0f} h")
    if night.case == "unmarked":
        mixed = [at_s for at_s, act, _ in night.world.done if act == "mix" and sees_koji]
        asked = [event for event in night.events if event.kind == "mix-guess"]
        if mixed and not asked:
            out.append(f"{len(mixed)} mixings unmarked, none asked about")
    if sees_koji and night.case != "dead" and not unknown_warmth(night):
        warm = warm_h(night)
        seen = next((m.hour for m in moments if m.stage == "growing"), None)
        if warm is not None and seen is not None and seen > warm + 8.0:
            out.append(f"own heat at {warm:.0f} h, seen at {seen:.0f} h")
    return out


def unknown_warmth(night: KitchenNight) -> set[str]:
    """Why it says that it cannot know whether the koji warms itself, at the harvest or when that should be told."""
    return {m.doubt for m in night.moments} - {"", *OTHER_DOUBTS}


def unknown(night: KitchenNight) -> list[str]:
    """What it says that it cannot know."""
    reasons = {m.off_untold for m in night.moments if m.hour > 6.0} - {""}
    off = [f"box off ({one})" for one in sorted(reasons)]
    return [*off, *(f"warmed itself ({one})" for one in sorted(unknown_warmth(night)))]
