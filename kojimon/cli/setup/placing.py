"""Which of the numbers that were heard sits where; and where numbers will be found that are not heard yet."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from typing import Final, NamedTuple

from kojimon.cli.setup.answers import Person, ProbeAnswer, SourceAnswer, plain
from kojimon.cli.setup.asker import Asker
from kojimon.cli.setup.interview import one_of
from kojimon.cli.shared import screen
from kojimon.words.speech import tray_name

NONE: Final = "-"
ADDRESS: Final = {"mqtt": "topic", "serial": "path", "kernel": "file"}
"""The setting that says where a probe's number is found, by kind of source."""
ADDRESS_WORDS: Final = {"mqtt": "MQTT topic", "serial": "column or key in the line", "kernel": "sensor file"}
KOJI_HINTS: Final = ("koji", "bed", "rice", "tray")
Spot = tuple[str, str, str]
"""Place, tray, quantity."""


class Reading(NamedTuple):
    """A number that was heard: a name for it, its settings, what it measures ("" where nothing says), how it reads,
    whether it may be °C or °F as well, and where it was heard."""

    name: str
    fields: dict[str, str]
    quantity: str
    shown: str
    unit_open: bool = False
    where: str = ""


class Finding(NamedTuple):
    """A source that was listened to, with the readings heard on it and `others`, numbers that look like none."""

    source: SourceAnswer
    what: str
    readings: tuple[Reading, ...] = ()
    others: tuple[Reading, ...] = ()


Listen = Callable[[SourceAnswer, bool], Finding]
"""Listens where a source points; told True it listens on, for longer."""


def heard(
    asker: Asker, person: Person, source: SourceAnswer, listen: Listen, before: Sequence[ProbeAnswer] = ()
) -> tuple[SourceAnswer, tuple[ProbeAnswer, ...]] | None:
    """Listens where a source points and asks which number sits where.

    Args:
        before: probes that have been given a place already.

    Returns:
        the source, with what was found out about it, and its probes; None where it has none.
    """
    found = listen(source, False)
    while not found.readings and not found.others:
        asker.say(f"\n{found.what.rstrip('.')}{'' if found.what.endswith('?') else '.'}", "look")
        what = asker.choose(
            "What now?",
            ["listen again, for a minute", "I know what it will send, and write that down", "something else"],
            1, ["again", "write", "else"],
        )  # fmt: skip
        if what == 1:
            found = listen(source, True)
        elif what == 2 and source.kind in ADDRESS:
            return _written(asker, person, source, before)
        else:
            return None
    placing = _Placing(asker, person, source, listen, before)
    probes = placing.ask()
    if not probes and placing.asked:
        asker.say("\nNone of the numbers that were found has a place now: kojimon would measure nothing here.", "look")
        if not asker.sure("Leave them all out?", default=False):
            probes = placing.ask()
    return (listen(source, False).source, probes) if probes else None


class _Placing:
    """Asks which number sits where, from one list that grows while it is listened on."""

    def __init__(
        self, asker: Asker, person: Person, source: SourceAnswer, listen: Listen, before: Sequence[ProbeAnswer]
    ) -> None:
        self._asker, self._person, self._source, self._listen = asker, person, source, listen
        self._taken = {(probe.place, probe.tray, probe.quantity) for probe in before}
        self._all = self._shown = self.asked = False
        self._found = listen(source, False)

    def _listed(self) -> list[Reading]:
        return [*self._found.readings, *self._found.others]

    def _show(self) -> None:
        found, listed, self._shown = self._found, self._listed(), True
        shown = listed if self._all else found.readings
        screen.say(f"\n{found.what}:", "head")
        screen.grid([[f"  {number}", one.where, one.shown] for number, one in enumerate(shown, 1)], right=False)
        more = len(found.others)
        if more and not self._all:
            screen.say(f"{more} more that do not look like a temperature or a humidity: all", "quiet", indent=2)
        screen.say("Something missing? Listen on, for a minute: again", "quiet", indent=2)

    def _again(self) -> None:
        self._found = self._listen(self._source, True)
        self._show()

    def _every(self) -> None:
        self._all = True
        self._show()

    def ask(self) -> tuple[ProbeAnswer, ...]:
        """The probes, one a place at most. `asked`: whether any question was put."""
        self._shown = False
        probes: list[ProbeAnswer] = []
        used: set[str] = set()
        for spot in self._spots():
            reading = self._one(spot, used)
            if reading is None:
                continue
            used.add(reading.where)
            place, tray, quantity = spot
            fields = reading.fields
            if reading.unit_open and quantity == "temperature":
                unit = self._asker.ask(f"Is {reading.where} in °C or °F?", "C", one_of("c", "f")).upper()
                fields = fields | {"unit": unit}
            name = _name(place, tray, quantity, self._person)
            probes.append(ProbeAnswer(name, place, quantity, self._source.name, tray, fields))
        return tuple(probes)

    def _spots(self) -> list[Spot]:
        wanted = [("bed", tray, "temperature") for tray in self._person.trays]
        wanted += [("air", "", "temperature"), ("air", "", "humidity"), ("room", "", "temperature")]
        return [spot for spot in wanted if spot not in self._taken]

    def _one(self, spot: Spot, used: set[str]) -> Reading | None:
        """The number that sits there, None for none."""
        place, tray, quantity = spot
        if self._asker.asks and not self._shown:
            self._show()
        listed = self._listed()
        free = [one for one in listed if one.where not in used]
        if not any(one.quantity in ("", quantity) for one in free):
            return None
        self.asked = True
        wanted = [one for one in free if one.quantity == quantity]
        hung = [one for one in wanted if _in_air(one, listed)]
        guessed = likeliest([one for one in wanted if place != "bed" or one not in hung], place, tray)
        if guessed is None and place == "air":
            guessed = next((one for one in hung if not _named(one.where, ("room",))), None)
        default = str(listed.index(guessed) + 1) if guessed else NONE

        def read(text: str) -> Reading | None:
            if text.strip() == NONE:
                return None
            listed = self._listed()
            by_where = [one for one in listed if text.removeprefix("=") == one.where]
            number = int(text) if text.strip().isdigit() else 0
            if not by_where and not 1 <= number <= len(listed):
                raise ValueError(f"a number from 1 to {len(listed)} is expected, or {NONE} for none")
            one = (by_where or [listed[number - 1]])[0]
            if one.where in used:
                raise ValueError("that number has its place already")
            if one.quantity not in ("", quantity):
                raise ValueError(f"that one is a {one.quantity}")
            return one

        return self._asker.ask(
            _which(place, tray, quantity), default, read, words={"again": self._again, "all": self._every},
            noted=lambda one: f"={one.where}" if one else NONE,
        )  # fmt: skip


def _in_air(reading: Reading, listed: Sequence[Reading]) -> bool:
    """Whether it is the temperature of a hygrometer, which hangs in the air: the only one from where a humidity comes,
    unless it is a steel tip, or its own name says that it is of the koji."""
    temperatures = [one for one in listed if one.quantity == "temperature"]
    for damp in (one for one in listed if one.quantity == "humidity"):
        own = _apart(reading, damp)
        if own and sum(bool(_apart(one, damp)) for one in temperatures) == 1:
            koji = reading.fields.get("device") == "ds18b20" or _named(own, KOJI_HINTS)
            return not koji
    return False


def _apart(reading: Reading, other: Reading) -> str:
    """The one part of its address in which it differs from another of the same device; "" where it is of another."""
    parts, others = re.split("[/ ]", reading.where), re.split("[/ ]", other.where)
    apart = [part for part, theirs in zip(parts, others, strict=False) if part != theirs]
    return apart[0] if len(parts) == len(others) and len(apart) == 1 else ""


def likeliest(readings: Sequence[Reading], place: str, tray: str) -> Reading | None:
    """The likeliest reading for a place and a tray, by its name; None where nothing says what it measures."""
    hints = {"bed": (*KOJI_HINTS, tray.lower()), "air": ("air", "box", "hum", "humidity"), "room": ("room",)}
    elsewhere = [hint for other, words in hints.items() if other != place for hint in words]
    for one in readings:
        steel_tip = place == "bed" and one.fields.get("device") == "ds18b20"
        if steel_tip or _named(one.where, hints[place]):
            return one
    open_ones = [one for one in readings if not _named(one.where, elsewhere)]
    return next((one for one in open_ones if not one.unit_open), None) if place != "room" else None


def _named(where: str, hints: Iterable[str]) -> bool:
    """Whether an address has one of these as a word of its own: a `bedroom` is a room and no bed, an `airing-cupboard`
    no air, a `desktop` no top tray. Nothing but koji has `koji` in it."""
    words = {one.lower() for one in (*re.findall(r"[A-Z]?[a-z]+|[A-Z]+", where), *re.split(r"[\W_]+", where))}
    words |= {"room" for word in words if word.endswith("room")} | {"koji" for word in words if "koji" in word}
    return any(words.issuperset(hint.split("-")) for hint in hints if hint)


def _which(place: str, tray: str, quantity: str) -> str:
    if place == "bed":
        name = f"in {tray_name(tray)}" if tray != "tray" else "in the koji"
        return f"Which number sits {name} ({NONE} for none)?"
    what = "humidity" if quantity == "humidity" else "temperature"
    return f"Which number is the {what} of the {'air in the box' if place == 'air' else 'room'} ({NONE} for none)?"


def _name(place: str, tray: str, quantity: str, person: Person) -> str:
    if place == "bed":
        return f"koji-{tray}" if len(person.trays) > 1 else "koji"
    return f"{place}-humidity" if quantity == "humidity" else place


def _written(
    asker: Asker, person: Person, source: SourceAnswer, before: Sequence[ProbeAnswer]
) -> tuple[SourceAnswer, tuple[ProbeAnswer, ...]] | None:
    """Asks where each probe's number will be found on a source that says nothing yet."""
    key, words = ADDRESS[source.kind], ADDRESS_WORDS[source.kind]
    if source.kind == "serial":
        form = asker.ask("How will a line be written: json, csv or keys (as in koji=31.2)?", "json",
                         one_of("json", "csv", "keys"))  # fmt: skip
        source = SourceAnswer(source.name, source.kind, {**source.fields, "format": form})
    taken = {(probe.place, probe.tray, probe.quantity) for probe in before}
    wanted = [("bed", tray, "temperature") for tray in person.trays]
    wanted += [("air", "", "temperature"), ("air", "", "humidity")]
    asker.say(f"\nWhere will each number be found ({NONE} for no such probe)?")
    probes = []
    for place, tray, quantity in (spot for spot in wanted if spot not in taken):
        name = _name(place, tray, quantity, person)
        question = f"{words[0].upper()}{words[1:]} of {_spot(place, tray, quantity)}?"
        address = asker.ask(question, f"kojimon/{name}" if source.kind == "mqtt" else NONE, _address)
        if address != NONE:
            probes.append(ProbeAnswer(name, place, quantity, source.name, tray, {key: plain(address)}))
    return (source, tuple(probes)) if probes else None


def _spot(place: str, tray: str, quantity: str) -> str:
    if place == "bed":
        return f"the probe in {tray_name(tray)}" if tray != "tray" else "the probe in the koji"
    return f"the {quantity} in the box"


def _address(text: str) -> str:
    if not text.strip():
        raise ValueError(f"something is expected, or {NONE} for no such probe")
    return text.strip()
