"""Deadlines of the engine, as values: what is to be looked at when its time has come.

The state carries their text (`str(deadline)`), by which those of one millisecond are ordered.
`str(parse(text)) == text` for every text, also one that another version wrote.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import ClassVar

from msgspec import Struct
from msgspec.structs import astuple

from kojimon.contract.keys import AlarmKey, parse_named


class Deadline(Struct, frozen=True):
    """Its text is its kind and its fields with slashes between."""

    kind: ClassVar[str] = ""

    def __str__(self) -> str:
        return "/".join((self.kind, *map(str, astuple(self))))


class Trace(Deadline, frozen=True):
    """Each probe's value is noted, and what is judged slowly is judged."""

    kind = "trace"


class Silent(Deadline, frozen=True):
    """A probe, by its number, should have spoken."""

    kind = "silent"
    no: int


class ProbeTest(Deadline, frozen=True):
    """A probe should have been warmed."""

    kind = "probe-test"
    no: int


class Old(Deadline, frozen=True):
    """What was read by hand in a place, by its number, is too old to stand for how it is."""

    kind = "old"
    no: int


class Blind(Deadline, frozen=True):
    """The koji should have been seen."""

    kind = "blind"
    incubator: str


class Plan(Deadline, frozen=True):
    """A moment of the schedule has come."""

    kind = "plan"
    incubator: str


class Work(Deadline, frozen=True):
    """Hands should be out of the koji."""

    kind = "work"
    incubator: str


class Test(Deadline, frozen=True):
    """A test alarm should have been answered."""

    kind = "test"
    incubator: str


class Asked(Deadline, frozen=True):
    """It was asked long enough whether the probe is back."""

    kind = "asked"
    incubator: str


class Shelf(Deadline, frozen=True):
    """The shelf of an alarm ends."""

    kind = "shelf"
    incubator: str
    key: AlarmKey


class Again(Deadline, frozen=True):
    """An alarm that still holds calls anew."""

    kind = "again"
    incubator: str
    key: AlarmKey


class Hush(Deadline, frozen=True):
    """The silence of an alarm ends."""

    kind = "hush"
    incubator: str
    key: AlarmKey


class Other(Deadline, frozen=True):
    """What this version does not know, as it was written."""

    text: str

    def __str__(self) -> str:
        return self.text


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
