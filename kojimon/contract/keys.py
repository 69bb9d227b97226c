"""Keys of alarms: what an alarm is about, as a value.

Journals, topics, messages and documents carry the text (`str(key)`); everything that asks what a key means asks its
value. `str(parse(text)) == text` for every text, also one that another version wrote.
"""

from __future__ import annotations

from functools import lru_cache

from msgspec import Struct


class Limit(Struct, frozen=True, cache_hash=True):
    """A limit of the stage on a place: `side` is high or low."""

    place: str
    quantity: str
    side: str

    def __str__(self) -> str:
        return f"limit/{self.place}/{self.quantity}/{self.side}"


class Silent(Struct, frozen=True, cache_hash=True):
    """Nothing can be used of a probe."""

    probe: str

    def __str__(self) -> str:
        return f"silent/{self.probe}"


class Blind(Struct, frozen=True, cache_hash=True):
    """No probe of a place can be used."""

    place: str

    def __str__(self) -> str:
        return f"blind/{self.place}"


class Expect(Struct, frozen=True, cache_hash=True):
    """What the schedule expects has not come about."""

    name: str

    def __str__(self) -> str:
        return f"expect/{self.name}"


class Step(Struct, frozen=True, cache_hash=True):
    """A step of the schedule is late."""

    name: str

    def __str__(self) -> str:
        return f"step/{self.name}"


class Health(Struct, frozen=True, cache_hash=True):
    """A part of kojimon itself: `disk`, `broker:NAME`, ..."""

    what: str

    @property
    def part(self) -> str:
        """The kind of part: `broker`."""
        return self.what.partition(":")[0]

    @property
    def name(self) -> str:
        """Which of them, "" where there is one only."""
        return self.what.partition(":")[2]

    def __str__(self) -> str:
        return f"health/{self.what}"


class Box(Struct, frozen=True, cache_hash=True):
    """The box itself, by its own air: `off` or `hot`."""

    state: str

    def __str__(self) -> str:
        return f"box/{self.state}"


class Deviation(Struct, frozen=True, cache_hash=True):
    """A place strays from what is wanted."""

    place: str
    quantity: str

    def __str__(self) -> str:
        return f"deviation/{self.place}/{self.quantity}"


class Rate(Struct, frozen=True, cache_hash=True):
    """A place changes too fast: `way` is rising or falling."""

    place: str
    quantity: str
    way: str

    def __str__(self) -> str:
        return f"rate/{self.place}/{self.quantity}/{self.way}"


class Exposure(Struct, frozen=True, cache_hash=True):
    """A place was beyond a value for too long, all in all."""

    place: str
    quantity: str

    def __str__(self) -> str:
        return f"exposure/{self.place}/{self.quantity}"


class Recovery(Struct, frozen=True, cache_hash=True):
    """A place has not come back after work."""

    place: str
    quantity: str

    def __str__(self) -> str:
        return f"recovery/{self.place}/{self.quantity}"


class TimeToLimit(Struct, frozen=True, cache_hash=True):
    """A place will be beyond its limit before a person can be there."""

    place: str
    quantity: str

    def __str__(self) -> str:
        return f"time-to-limit/{self.place}/{self.quantity}"


class Test(Struct, frozen=True, cache_hash=True):
    """Somebody tries out the alarm."""

    def __str__(self) -> str:
        return "test"


class Other(Struct, frozen=True, cache_hash=True):
    """What this version does not know, as it was written."""

    text: str

    def __str__(self) -> str:
        return self.text


Watch = Deviation | Rate | Exposure | Recovery | TimeToLimit
"""What is judged slowly of a place, and answered as a limit is."""
AlarmKey = Limit | Silent | Blind | Expect | Step | Health | Box | Watch | Test | Other

BLIND, TEST = Blind("bed"), Test()
BOX_OFF, BOX_HOT = Box("off"), Box("hot")
FIERCE_C = 60.0
"""Air so hot is no koji box any more, but an oven or a heater that is on (judgement: 17 K over what is always told)."""
HOT_KOJI, COLD_KOJI = Limit("bed", "temperature", "high"), Limit("bed", "temperature", "low")
SOON_HOT = TimeToLimit("bed", "temperature")


@lru_cache(maxsize=1024)
def parse(text: str) -> AlarmKey:
    """The key a text stands for; `Other` where it is none that is known."""
    kind, slash, rest = text.partition("/")
    match kind, rest.split("/"):
        case "limit", [place, quantity, ("high" | "low") as side]:
            return Limit(place, quantity, side)
        case "rate", [place, quantity, ("rising" | "falling") as way]:
            return Rate(place, quantity, way)
        case "box", [("off" | "hot") as state]:
            return Box(state)
        case "test", _ if not slash:
            return TEST
    if kind in _OF_PLACE and rest.count("/") == 1:
        return _OF_PLACE[kind](*rest.split("/"))
    return _OF_NAME[kind](rest) if kind in _OF_NAME and slash else Other(text)


_OF_PLACE: dict[str, type[Deviation | Exposure | Recovery | TimeToLimit]] = {
    "deviation": Deviation, "exposure": Exposure, "recovery": Recovery, "time-to-limit": TimeToLimit
}  # fmt: skip
_OF_NAME: dict[str, type[Silent | Blind | Expect | Step | Health]] = {
    "silent": Silent, "blind": Blind, "expect": Expect, "step": Step, "health": Health
}  # fmt: skip


def of_site(key: AlarmKey) -> bool:
    """Whether such an alarm belongs to the site and to no incubator."""
    return isinstance(key, Health | Test)


@lru_cache(maxsize=1024)
def named(incubator: str, key: AlarmKey) -> str:
    """The name of an alarm among those of all incubators; the site's own have an empty incubator."""
    return f"{incubator}/{key}"


def parse_named(name: str) -> tuple[str, AlarmKey]:
    """Incubator and key of such a name."""
    incubator, _, key = name.partition("/")
    return incubator, parse(key)
