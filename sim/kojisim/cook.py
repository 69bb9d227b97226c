"""A simulated person with a phone: reads the monitor's state, sleeps, is late, forgets, does the work.

Pure: `decide` gets the state document (as the monitor's door gives it) and the world's time, and answers with
what to do now. The mapping between the monitor's words and the hands' acts stands in this file only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from random import Random
from typing import Any

#: Acts of the world (name, arguments), in order.
Hands = tuple[tuple[str, dict[str, Any]], ...]

#: Hand acts of `kojisim.world` for a step, by the step's kind of work or its name.
WORK_HANDS: dict[str, Hands] = {
    "inoculate": (("inoculate", {}),),
    "mix": (("mix", {}),),
    "spread": (("spread", {"factor": 1.2}),),
    "furrow": (("furrow", {}),),
    "wrap": (("wrap", {}),),
    "unwrap": (("unwrap", {}),),
    "swap": (("swap_trays", {}),),
    "harvest": (("harvest", {}),),
}
#: What is done besides at the first, second and later mixes: out of the wrap, thinner, furrows.
MIX_ROUNDS: tuple[Hands, ...] = (
    (("unwrap", {}), ("spread", {"factor": 1.2})),
    (("spread", {"factor": 1.2}),),
    (("furrow", {}),),
)
#: Nobody mixes again so soon after a mix, s: the koji needs time to show what came of it.
REST_S = 5400.0
#: What a woken person does about an alarm, by the beginning of its key; the first that fits.
REMEDIES: tuple[tuple[str, str, Hands], ...] = (
    (
        "limit/bed/temperature",
        "high",
        (("runaway", {"on": False}), ("mix", {}), ("furrow", {}), ("vent", {"level": 1.0})),
    ),
    ("limit/bed/temperature", "low", (("box_on", {}), ("warm_room", {}), ("wrap", {}))),
    ("limit/air", "high", (("runaway", {"on": False}), ("vent", {"level": 1.0}))),
    ("limit/air", "low", (("box_on", {}), ("vent", {"level": 0.0}))),
    ("silent/", "", (("mend_probes", {}),)),
    ("blind/", "", (("mend_probes", {}),)),
    ("box/hot", "", (("runaway", {"on": False}), ("vent", {"level": 1.0}))),
    ("box", "", (("box_on", {}), ("warm_room", {}))),
)


@dataclass(frozen=True)
class Deed:
    """One thing the person does now: a message to the monitor (act) and work of the hands, either may be absent."""

    hands: Hands = ()
    act: dict[str, Any] | None = None


class Marks:
    """The hands of a person who practises: a mark is done to the koji when it is said, and never undone."""

    def __init__(self) -> None:
        self._mixes, self._seeded = 0, False

    def hands(self, kind: str, step: str, data: Mapping[str, Any]) -> Hands:
        """What is done for an event of the monitor: its kind, its key, its fields."""
        if kind in ("batch-harvest", "batch-discard"):
            return WORK_HANDS["harvest"]
        if kind == "setpoint":
            to_c = data.get("to_c")
            set_to: Hands = () if to_c is None else (("set_box", {"temp_c": to_c}),)
            return (("box_off", {}),) if data.get("off") else (("box_on", {}), *set_to)
        if kind == "batch-start":
            self._mixes, self._seeded = 0, False
            return (("rice", {}),)
        return self._step(step, data) if kind == "step-done" else ()

    def _step(self, step: str, data: Mapping[str, Any]) -> Hands:
        if step == "steam" and not self._seeded:
            return (("rice", {}),)
        work = data.get("work")
        if work == "inoculate":
            return self._seed(bool(data.get("mid_batch")))
        more: Hands = ()
        if work == "mix":
            more = MIX_ROUNDS[min(self._mixes, len(MIX_ROUNDS) - 1)]
            self._mixes += 1
        return WORK_HANDS.get(str(work), ()) + more

    def _seed(self, mid_batch: bool) -> Hands:
        if self._seeded:  # marked anew: they are on
            return ()
        self._seeded = True
        cooled: Hands = (("rice", {"temp_c": Cook.inoculate_below_c}),) if mid_batch else ()
        return cooled + WORK_HANDS["inoculate"]


@dataclass
class Cook:
    """A person.

    Args:
        seed: own random stream.
        sleeps: local hours of going to bed and of getting up.
        start_local_h: local hour of the day at world time 0.
        react_min: least and greatest minutes from noticing to doing, awake.
        rouse_min: the same when woken by an alarm.
        forgets: share of works done but not marked.
        leaves_out: share of mixes after which the first koji probe is left lying on the rim.
        probe: name of that probe.
        absent_h: world hours (from, to) during which the person is out of the house; alarms still reach them,
            but nothing is done.
    """

    seed: int
    sleeps: tuple[float, float] = (22.5, 6.5)
    start_local_h: float = 18.0
    react_min: tuple[float, float] = (3.0, 25.0)
    rouse_min: tuple[float, float] = (4.0, 15.0)
    forgets: float = 0.0
    leaves_out: float = 0.0
    probe: str = "bed"
    absent_h: tuple[tuple[float, float], ...] = ()
    incubator: str = ""
    rice_kg: float = 4.0
    inoculate_below_c: float = 32.0
    who: str = "cook"
    woken: int = 0
    finished: bool = False
    _noticed: dict[str, float] = field(default_factory=dict)
    _mixes: int = 0
    _mixed_s: float = float("-inf")
    _count: int = 0
    _started: bool = False

    def __post_init__(self) -> None:
        self._rng = Random(f"{self.seed}/cook")

    # -- the day ----------------------------------------------------------------------------------------

    def asleep(self, now_s: float) -> bool:
        """Whether the person sleeps at this world time."""
        hour = (self.start_local_h + now_s / 3600.0) % 24.0
        to_bed, up = self.sleeps
        return hour >= to_bed or hour < up if to_bed > up else to_bed <= hour < up

    def _away(self, now_s: float) -> bool:
        return any(start <= now_s / 3600.0 < end for start, end in self.absent_h)

    # -- deciding ---------------------------------------------------------------------------------------

    def decide(self, state: dict[str, Any], now_s: float) -> list[Deed]:
        """What to do at now_s (s of world time) in view of the state document.

        Each Deed's `act` is {kind, incubator, who, data, idempotency}; `hands` are acts of the world. The hands
        work first, then the act is sent.
        """
        box = self._incubator(state)
        if box is None or self.finished or self._away(now_s):
            return []
        deeds = self._answer(box, state, now_s)
        if self.asleep(now_s):
            return deeds
        if box.get("batch") is None:
            return deeds + self._start(now_s)
        for step in box.get("steps", ()):
            deeds += self._step(step, box, now_s)
        return deeds

    def _incubator(self, state: dict[str, Any]) -> dict[str, Any] | None:
        boxes: list[dict[str, Any]] = state.get("incubators", [])
        wanted = [b for b in boxes if self.incubator in ("", b["name"])]
        return wanted[0] if wanted else None

    def _start(self, now_s: float) -> list[Deed]:
        # The rice cools while one looks on: whoever waits for it stands beside it.
        if self._started or not self._ready("start", now_s, (0.5, 3.0)):
            return []
        self._started = True
        return [Deed(act=self._act("batch.start", {"name": "simulated", "rice_kg": round(self.rice_kg, 2)}))]

    def _ready(self, key: str, now_s: float, minutes: tuple[float, float]) -> bool:
        """True once the person's delay since first noticing `key` is over; then it is forgotten again."""
        if key not in self._noticed:
            self._noticed[key] = now_s + self._rng.uniform(*minutes) * 60.0
        if now_s < self._noticed[key]:
            return False
        del self._noticed[key]
        return True

    # -- steps --------------------------------------------------------------------------------------------

    def _step(self, step: dict[str, Any], box: dict[str, Any], now_s: float) -> list[Deed]:
        key, work = f"step/{step['name']}/{step.get('round', 0)}", _work(step)
        if step["status"] not in ("open", "due", "missed"):
            self._noticed.pop(key, None)
            return []
        if not self._wanted(step, work, box, now_s):
            return []
        # Who seeds stands beside the rice with a thermometer.
        delay_min = (0.5, 4.0) if work == "inoculate" else self.react_min
        return self._do(work, step, now_s) if self._ready(key, now_s, delay_min) else []

    def _wanted(self, step: dict[str, Any], work: str, box: dict[str, Any], now_s: float) -> bool:
        """Whether the person would do a step that may be done now."""
        if work == "look":  # it is seen when it is there
            return False
        if work == "none":  # washing, soaking, ... lie before the world's start
            return not step.get("optional")
        if work == "inoculate":
            return self._cool(box)
        if work == "mix" and now_s - self._mixed_s < REST_S:
            return False
        return step["status"] != "open" or work not in ("mix", "harvest") or self._warmed(box, work)

    def _do(self, work: str, step: dict[str, Any], now_s: float) -> list[Deed]:
        hands = WORK_HANDS.get(work, ())
        if work == "mix":
            self._mixed_s = now_s
            hands += MIX_ROUNDS[min(self._mixes, len(MIX_ROUNDS) - 1)]
            self._mixes += 1
            if self._rng.random() < self.leaves_out:
                hands += (("move_probe", {"probe": self.probe, "kind": "rim"}),)
        if work == "harvest":
            self.finished = True
            return [Deed(hands, self._act("batch.harvest", {"note": "simulated"}))]
        if work != "inoculate" and self._rng.random() < self.forgets:
            return [Deed(hands)]
        done = {"step": step["name"]}
        if work == "inoculate" and (step.get("gate") or {}).get("passed") is False:
            # Each tray cools at its own pace: one is too cold by the time the hottest is cool enough.
            done["override"] = "the spores are on"
        return [Deed(hands, self._act("step.done", done))]

    def _cool(self, box: dict[str, Any]) -> bool:
        value = _hottest(box)
        return value is not None and value <= self.inoculate_below_c

    def _warmed(self, box: dict[str, Any], work: str) -> bool:
        """An open window is used early only for a reason: the koji is warm, or it is late enough to harvest."""
        if work == "harvest":
            return (box["batch"].get("hour") or 0.0) >= 42.0
        value = _hottest(box)
        return value is not None and value >= 35.0

    # -- alarms -------------------------------------------------------------------------------------------

    def _answer(self, box: dict[str, Any], state: dict[str, Any], now_s: float) -> list[Deed]:
        asleep, deeds = self.asleep(now_s), []
        for alarm in [*box.get("alarms", ()), *state.get("alarms", ())]:
            if alarm.get("state") not in ("UNACK", "RTNUN"):
                continue
            if asleep and alarm.get("priority") != "wake":
                continue
            key = f"alarm/{alarm['key']}/{alarm.get('occurrence')}"
            fresh = key not in self._noticed
            if not self._ready(key, now_s, self.rouse_min if asleep else self.react_min):
                self.woken += fresh and asleep
                continue
            hands = _remedy(alarm) if alarm["state"] == "UNACK" else ()
            data = {"key": alarm["key"], "occurrence": alarm.get("occurrence")}
            deeds.append(Deed(hands, self._act("alarm.acknowledge", data)))
        return deeds

    def _act(self, kind: str, data: dict[str, Any]) -> dict[str, Any]:
        self._count += 1
        return {
            "kind": kind,
            "incubator": self.incubator,
            "who": self.who,
            "data": data,
            "idempotency": f"{self.who}-{self.seed}-{self._count}",
        }


def _work(step: dict[str, Any]) -> str:
    """The kind of work of a step: as the state document says, else guessed from its name."""
    told = step.get("work")
    if told and told != "none":
        return str(told)
    name = str(step["name"])
    if "check" in name:  # the first look: the koji is broken up and mixed then
        return "mix"
    return next((work for work in WORK_HANDS if work in name), "none")


def _hottest(box: dict[str, Any]) -> float | None:
    for place in box.get("places", ()):
        if place["place"] == "bed" and place["quantity"] == "temperature":
            hottest = place.get("hottest")
            return None if not hottest else hottest.get("value")
    return None


def _remedy(alarm: dict[str, Any]) -> Hands:
    for beginning, side, hands in REMEDIES:
        if alarm["key"].startswith(beginning) and side in (alarm.get("side") or alarm["key"]):
            return hands
    return ()
