"""Deadlines of the engine, as values: what is to be looked at when its time has come.

The state carries their text (`str(deadline)`), by which those of one millisecond are ordered.
`str(parse(text)) == text` for every text, also one that another version wrote.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

from msgspec import Struct

from kojimon.contract.keys import AlarmKey, named, parse_named


class Trace(Struct, frozen=True):
    """Each probe's value is noted, and what is judged slowly is judged."""

    def __str__(self) -> str:
        return "trace"


class Silent(Struct, frozen=True):
    """A probe, by its number, should have spoken."""

    no: int

    def __str__(self) -> str:
        return f"silent/{self.no}"


class ProbeTest(Struct, frozen=True):
    """A probe should have been warmed."""

    no: int

    def __str__(self) -> str:
        return f"probe-test/{self.no}"


class Old(Struct, frozen=True):
    """What was read by hand in a place, by its number, is too old to stand for how it is."""

    no: int

    def __str__(self) -> str:
        return f"old/{self.no}"


class Blind(Struct, frozen=True):
    """The koji should have been seen."""

    incubator: str

    def __str__(self) -> str:
        return f"blind/{self.incubator}"


class Plan(Struct, frozen=True):
    """A moment of the schedule has come."""

    incubator: str

    def __str__(self) -> str:
        return f"plan/{self.incubator}"


class Work(Struct, frozen=True):
    """Hands should be out of the koji."""

    incubator: str

    def __str__(self) -> str:
        return f"work/{self.incubator}"


class Test(Struct, frozen=True):
    """A test alarm should have been answered."""

    incubator: str

    def __str__(self) -> str:
        return f"test/{self.incubator}"


class Asked(Struct, frozen=True):
    """It was asked long enough whether the probe is back."""

    incubator: str

    def __str__(self) -> str:
        return f"asked/{self.incubator}"


class Shelf(Struct, frozen=True):
    """The shelf of an alarm ends."""

    incubator: str
    key: AlarmKey

    def __str__(self) -> str:
        return f"shelf/{named(self.incubator, self.key)}"


class Again(Struct, frozen=True):
    """An alarm that still holds calls anew."""

    incubator: str
    key: AlarmKey

    def __str__(self) -> str:
        return f"again/{named(self.incubator, self.key)}"


class Hush(Struct, frozen=True):
    """The silence of an alarm ends."""

    incubator: str
    key: AlarmKey

    def __str__(self) -> str:
        return f"hush/{named(self.incubator, self.key)}"


class Other(Struct, frozen=True):
    """What this version does not know, as it was written."""

    text: str

    def __str__(self) -> str:
        return self.text


Deadline = Trace | Silent | ProbeTest | Old | Blind | Plan | Work | Test | Asked | Shelf | Again | Hush | Other
TRACE = Trace()

_OF: dict[str, Callable[[str], Deadline]] = {
    "trace": lambda _: TRACE,
    "silent": lambda rest: Silent(int(rest)),
    "probe-test": lambda rest: ProbeTest(int(rest)),
    "old": lambda rest: Old(int(rest)),
    "blind": Blind,
    "plan": Plan,
    "work": Work,
    "test": Test,
    "asked": Asked,
    "shelf": lambda rest: Shelf(*parse_named(rest)),
    "again": lambda rest: Again(*parse_named(rest)),
    "hush": lambda rest: Hush(*parse_named(rest)),
}


@lru_cache(maxsize=1024)
def parse(text: str) -> Deadline:
    """The deadline a text stands for; `Other` where it is none that is known."""
    kind, _, rest = text.partition("/")
    try:
        found = _OF[kind](rest)
    except (KeyError, ValueError):
        return Other(text)
    return found if str(found) == text else Other(text)
