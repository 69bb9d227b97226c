"""Values, times and places as a cook says them: °F or °C, `14:20` or `Tue 14:20`, "the top tray", "the box".

Everything a person reads takes its words from this package, so that page, terminal and messages say one thing one way.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import Protocol
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from msgspec import Struct
from msgspec.structs import replace

from kojimon import units

STEADY_K_PER_H = 0.3
"""A slope below this is called steady (judgement: three times what a 0.1 °C probe shows in an hour of noise)."""

STEADY_PCT_PER_H = 3.0

PLACE_WORDS = {"bed": "the koji", "air": "the air in the box", "room": "the room", "wet-bulb": "the wet bulb"}
PLACE_SHORT = {"bed": "the koji", "air": "box air", "room": "room", "wet-bulb": "wet bulb"}

QUALITY_WORDS = {
    0: "good",
    1: "handed over late, age unknown",
    2: "the broker's last known value, age unknown",
    3: "unreadable",
    4: "not a measurement (the device's own fault code)",
    5: "outside what the probe can measure",
    6: "a spike",
    7: "changing faster than koji can",
    8: "stuck",
    9: "wet: held at 100 %",
    10: "drifting away from its neighbour",
    11: "swapped with another probe?",
    12: "out of the koji?",
    13: "not calibrated",
    14: "dropped off the network",
    15: "was switched off",
    16: "read by hand",
}
"""By the number of `model.Quality`."""


_FIELD = re.compile(r"^([a-z]+)(?:_[a-z]+)*: (?=expected)")
_FIELDS = {"kg": "weight", "tare": "vessel"}
"""The field that a reason names first, and what people call it."""
_SWAPPED = {
    ours: re.compile(rf"({number} {theirs}) \(({number} {ours})\)")
    for number in (r"-?[\d.]+(?: to -?[\d.]+)?",)
    for theirs, ours in (("°C", "°F"), ("kg", "lb"))
}


class Named(Protocol):
    """A stage, of a schedule or of the state document."""

    @property
    def name(self) -> str: ...

    @property
    def label(self) -> str: ...


class Worked(Named, Protocol):
    """A step, of either."""

    @property
    def work(self) -> str: ...

    @property
    def optional(self) -> bool: ...


class Speech(Struct, frozen=True):
    """How one person is spoken to.

    Attributes:
        fahrenheit, pounds: the units they read.
        zone: IANA name of the zone they live in; times are said in it.
        steps: plain words of each step, by name.
        works: what each step does to the koji (`schedule.spec.Step.work`), by name.
        optional: steps whose time may pass undone without a word.
        stages: plain words of each stage, by name.
        probes: (place, tray) of each probe, by name.
        kinds: what kind of box each is (`model.BoxKind`), by name; one that is not here is unknown.
    """

    fahrenheit: bool = False
    pounds: bool = False
    zone: str = "UTC"
    steps: dict[str, str] = {}
    works: dict[str, str] = {}
    optional: frozenset[str] = frozenset()
    stages: dict[str, str] = {}
    probes: dict[str, tuple[str, str]] = {}
    kinds: dict[str, str] = {}

    def knowing(self, steps: Sequence[Worked], stages: Iterable[Named]) -> Speech:
        """The same with the words of these steps and stages."""
        return replace(
            self,
            steps=self.steps | {step.name: step.label for step in steps},
            works=self.works | {step.name: step.work for step in steps},
            optional=self.optional - {one.name for one in steps} | {one.name for one in steps if one.optional},
            stages=self.stages | {stage.name: stage.label for stage in stages},
        )

    def value(self, quantity: str, value: float | None, digits: int = 1) -> str:
        """`36.2 °C`, `97.2 °F`, `85 %`, or `no value`."""
        if value is None:
            return "no value"
        if quantity == "humidity":
            return f"{value:.0f} %"
        return units.show_temperature(value, self.fahrenheit, digits)

    def brief(self, quantity: str, value: float, unit: bool = True) -> str:
        """As short as it may be on a lock screen: `110 °F`, `43.2 °C`, `43`, `85 %`."""
        if quantity == "humidity":
            return f"{value:.0f} %" if unit else f"{value:.0f}"
        if self.fahrenheit:
            return f"{units.f_from_c(value):.0f}" + (" °F" if unit else "")
        return f"{value:.1f}".removesuffix(".0") + (" °C" if unit else "")

    def beside(self, quantity: str, value: float, limit: float) -> tuple[str, str]:
        """A value and its limit without unit, as brief as `brief`; with a digit more where both would read the same."""
        shown, edge = self.brief(quantity, value), self.brief(quantity, limit, unit=False)
        if shown != self.brief(quantity, limit):
            return shown, edge
        return self.value(quantity, value), self.value(quantity, limit).split(" ")[0]

    def difference(self, quantity: str, value: float) -> str:
        """A difference: 0.5 K is `0.5 °C` or `0.9 °F`."""
        return f"{value:.0f} %" if quantity == "humidity" else units.show_difference(value, self.fahrenheit)

    def slope(self, quantity: str, per_hour: float) -> str:
        """`+1.2 °C/h`, `-2.2 °F/h`, `+4 %/h`."""
        sign = "-" if per_hour < 0 else "+"
        return f"{sign}{self.difference(quantity, abs(per_hour))}/h"

    def mass(self, value_kg: float) -> str:
        """`2.0 kg` or `4.4 lb`."""
        return units.show_mass(value_kg, self.pounds)

    def step(self, name: str) -> str:
        """A step in plain words, its first letter small so that it fits into a sentence."""
        return small_first(self.steps.get(name) or name.replace("-", " ").replace("_", " "))

    def refusal(self, reason: str) -> str:
        """Why an act is refused, as a sentence: in the reader's units, without the name of a field."""
        text = _FIELD.sub(lambda found: f"{_FIELDS.get(found[1], found[1])}: ", reason)
        return f"{big_first(self.own_units(text).rstrip('.'))}."

    def own_units(self, text: str) -> str:
        """A text that has both: the reader's unit before the other, in brackets."""
        text = _SWAPPED["°F"].sub(r"\2 (\1)", text) if self.fahrenheit else text
        return _SWAPPED["lb"].sub(r"\2 (\1)", text) if self.pounds else text

    def stage(self, name: str) -> str:
        """A stage in plain words."""
        return self.stages.get(name) or name.replace("-", " ").replace("_", " ")

    def moment(self, utc: str | int | float, now: str | int | float) -> str:
        """A time in the person's zone, no longer than it must be.

        Args:
            utc: ISO 8601 with zone, or milliseconds since 1970 UTC.
            now: the same for the moment of speaking.

        Returns:
            `14:20` on the same day, `Tue 14:20` within six days, else `12 Mar 14:20`; in the hour that an autumn
            night repeats the zone's abbreviation stands behind it.
        """
        local, today = self.local(utc), self.local(now)
        clock = f"{local:%H:%M}"
        if local.replace(fold=0).utcoffset() != local.replace(fold=1).utcoffset():
            clock += f" {local:%Z}"
        days = abs((local.date() - today.date()).days)
        if days == 0:
            return clock
        return f"{local:%a} {clock}" if days <= 6 else f"{local.day} {local:%b} {clock}"

    def stamp(self, utc: str | int | float) -> str:
        """A time with its day, for lists that span several: `Wed 18:25`."""
        return f"{self.local(utc):%a %H:%M}"

    def local(self, utc: str | int | float) -> datetime:
        """The same moment in the person's zone."""
        return moment_utc(utc).astimezone(zone_info(self.zone))


def zone_info(name: str) -> ZoneInfo:
    """The zone of that name; UTC where the name is unknown to this machine (times then read as UTC)."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return ZoneInfo("UTC")


def moment_utc(utc: str | int | float) -> datetime:
    """ISO 8601 with zone, or milliseconds since 1970 UTC, as a datetime in UTC."""
    if isinstance(utc, str):
        return datetime.fromisoformat(utc).astimezone(UTC)
    return datetime.fromtimestamp(utc / 1000, UTC)


def small_first(text: str) -> str:
    """`Break up` -> `break up`; leaves `CO2` and names of one letter alone."""
    return text[:1].lower() + text[1:] if len(text) > 1 and not text[1].isupper() else text


def ended(text: str) -> str:
    """The text as a sentence: with a full stop where it has no end of its own."""
    return text if text.endswith((".", "?", "!", "…")) else f"{text}."


def joined(parts: Iterable[str]) -> str:
    """Sentences behind each other, the last one left open; empty ones are left out."""
    found = [part for part in parts if part]
    return " ".join([*map(ended, found[:-1]), *found[-1:]])


def big_first(text: str) -> str:
    """`the koji` -> `The koji`."""
    return text[:1].upper() + text[1:]


def where(place: str, tray: str = "") -> str:
    """Where a value was measured: the tray's name for the koji if it has one, else the place in plain words."""
    if place == "bed" and tray and tray != "tray":
        return tray_name(tray)
    return PLACE_WORDS.get(place, place)


def spot(place: str, quantity: str, tray: str = "") -> str:
    """The short name of what is measured, for tables: `Top tray`, `Koji`, `Box air`, `Box humidity`, `Room`."""
    if place == "bed" and tray and tray != "tray":
        name = big_first(tray_name(tray).removeprefix("the "))
    else:
        name = {"bed": "Koji"}.get(place) or big_first(PLACE_SHORT.get(place, place))
    return name if quantity != "humidity" else f"{name.removesuffix(' air')} humidity"


def tray_name(tray: str) -> str:
    """`top` and `top-tray` -> `the top tray`; `tray-2` and `2` -> `tray 2`."""
    bare = tray.strip().replace("-", " ").replace("_", " ")
    if bare.lower().startswith(("the ", "tray")):
        return bare
    if bare.isdigit():
        return f"tray {bare}"
    return f"the {bare}" if bare.lower().endswith("tray") else f"the {bare} tray"


def chances(count: int) -> str:
    """`9 chances in 10`, `1 chance in 10`."""
    return f"{count} chance{'s' if count != 1 else ''} in 10"


def trend(quantity: str, per_hour: float | None) -> str:
    """`rising`, `falling`, `steady`; "" when nothing is known.

    Args:
        per_hour: K/h or %/h.
    """
    if per_hour is None:
        return ""
    steady = STEADY_PCT_PER_H if quantity == "humidity" else STEADY_K_PER_H
    if abs(per_hour) < steady:
        return "steady"
    return "rising" if per_hour > 0 else "falling"


def listing(parts: list[str]) -> str:
    """`a`, `a and b`, `a, b and c`."""
    return " and ".join(filter(None, [", ".join(parts[:-1]), parts[-1]])) if parts else ""


def either(parts: Iterable[str]) -> str:
    """`a`, `a or b`, `a, b or c`."""
    *first, last = [*parts] or [""]
    return " or ".join(filter(None, [", ".join(first), last]))


def span(seconds: float) -> str:
    """A duration in two units at most, never negative: `now` under a minute, then `12 min`, `3 h 20 min`."""
    return "now" if seconds < 60 else units.show_duration(seconds)


def ago(seconds: float) -> str:
    """How long ago: `now` under a minute, else `12 min ago`."""
    return "now" if seconds < 60 else f"{span(seconds)} ago"
