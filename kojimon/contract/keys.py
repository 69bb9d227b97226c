"""Keys of alarms: what an alarm is about, as a value.

Journals, topics, messages and documents carry the text (`str(key)`); everything that asks what a key means asks its
value. `str(parse(text)) == text` for every text, also one that another version wrote.
"""

from __future__ import annotations

from functools import lru_cache
from typing import ClassVar, Final

from msgspec import Struct
from msgspec.structs import astuple


class AlarmKey(Struct, frozen=True, cache_hash=True):
    """What an alarm is about. Its text is its kind and its fields with slashes between."""

    kind: ClassVar[str] = ""

    def __str__(self) -> str:
        return "/".join((self.kind, *astuple(self)))


class Limit(AlarmKey, frozen=True, cache_hash=True):
    """A limit of the stage on a place: `side` is high or low."""

    kind = "limit"
    place: str
    quantity: str
    side: str


class Silent(AlarmKey, frozen=True, cache_hash=True):
    """Nothing can be used of a probe."""

    kind = "silent"
    probe: str


class Blind(AlarmKey, frozen=True, cache_hash=True):
    """No probe of a place can be used."""

    kind = "blind"
    place: str


class Expect(AlarmKey, frozen=True, cache_hash=True):
    """What the schedule expects has not come about."""

    kind = "expect"
    name: str


class Health(AlarmKey, frozen=True, cache_hash=True):
    """A part of kojimon itself: `disk`, `broker:NAME`, ..."""

    kind = "health"
    what: str

    @property
    def part(self) -> str:
        """The kind of part: `broker`."""
        return self.what.partition(":")[0]

    @property
    def name(self) -> str:
        """Which of them, "" where there is one only."""
        return self.what.partition(":")[2]


class Box(AlarmKey, frozen=True, cache_hash=True):
    """The box itself, by its own air: `off` or `hot`."""

    kind = "box"
    state: str


class Deviation(AlarmKey, frozen=True, cache_hash=True):
    """A place strays from what is wanted."""

    kind = "deviation"
    place: str
    quantity: str


class Exposure(AlarmKey, frozen=True, cache_hash=True):
    """A place was beyond a value for too long, all in all."""

    kind = "exposure"
    place: str
    quantity: str


class TimeToLimit(AlarmKey, frozen=True, cache_hash=True):
    """A place will be beyond its limit before a person can be there."""

    kind = "time-to-limit"
    place: str
    quantity: str


class Test(AlarmKey, frozen=True, cache_hash=True):
    """Somebody tries out the alarm."""

    kind = "test"


class Other(AlarmKey, frozen=True, cache_hash=True):
    """What this version does not know, as it was written."""

    text: str

    def __str__(self) -> str:
        return self.text


Watch = Deviation | Exposure | TimeToLimit
"""What is judged slowly of a place, and answered as a limit is."""

BLIND, TEST = Blind("bed"), Test()
BOX_OFF, BOX_HOT = Box("off"), Box("hot")
FIERCE_C = 60.0
"""Air so hot is no koji box any more, but an oven or a heater that is on (judgement: 17 K over what is always told)."""
HOT_KOJI, COLD_KOJI = Limit("bed", "temperature", "high"), Limit("bed", "temperature", "low")
SOON_HOT = TimeToLimit("bed", "temperature")
COOLING = Expect("cooling")
"""Harvested koji that is not cool; no expectation of a schedule."""


_OF_KIND: Final = {one.kind: one for one in AlarmKey.__subclasses__() if one.kind}
_WHOLE: Final = (Silent, Blind, Expect, Health)
"""About a name that may have slashes in it."""
_ENDS: Final = {Limit: ("high", "low"), Box: ("off", "hot")}


@lru_cache(maxsize=1024)
def parse(text: str) -> AlarmKey:
    """The key a text stands for; `Other` where it is none that is known."""
    kind, *parts = text.split("/")
    of = _OF_KIND.get(kind, Other)
    if of in _WHOLE and parts:
        parts = ["/".join(parts)]
    known = len(parts) == len(of.__struct_fields__) and (of not in _ENDS or parts[-1] in _ENDS[of])
    return of(*parts) if known and of is not Other else Other(text)


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
