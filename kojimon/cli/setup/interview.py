"""The questions of set-up. Every one has a default; a wrong answer is explained and asked again."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple, TypeVar

import click

from kojimon import units
from kojimon.cli.setup.answers import PURPOSES, schedule_for, tray_names
from kojimon.cli.shared import screen
from kojimon.cli.shared.options import tidy
from kojimon.errors import UsageError
from kojimon.words.speech import listing

T = TypeVar("T")
FAHRENHEIT_COUNTRIES = ("US", "BS", "BZ", "KY", "LR", "PW", "FM", "MH")
"""Countries that measure in °F (common knowledge; only a default hangs on it)."""


class Given(NamedTuple):
    """What options have answered already; None asks."""

    temperature: str | None = None
    mass: str | None = None
    trays: str | None = None
    rice: str | None = None
    zone: str | None = None
    sleep: str | None = None
    purpose: str | None = None


class Asker:
    """Asks, or with `yes` takes every default without asking."""

    def __init__(self, yes: bool) -> None:
        self.yes = yes

    def ask(
        self, question: str, default: str, read: Callable[[str], T], given: str | None = None, option: str = ""
    ) -> T:
        """One answer.

        Args:
            question: as printed.
            default: what Enter means.
            read: turns a text into the answer; raises ValueError in words.
            given: the answer of an option; a wrong one is wrong usage.
            option: its name, for that error.
        """
        if given is not None or self.yes:
            text = default if given is None else given
            try:
                return read(text)
            except ValueError as error:
                raise UsageError(f"{option} {text}: {error}.") from error
        while True:
            text = str(click.prompt(question, default=default, show_default=True)).strip() or default
            try:
                return read(text)
            except ValueError as error:
                screen.say(f"{text!r} will not do: {error}.", "look")

    def choose(self, question: str, choices: Sequence[str], default: int = 1) -> int:
        """One of a numbered list; its number from 1."""
        if not self.yes:
            for number, text in enumerate(choices, 1):
                screen.say(f"{number}  {text}", indent=2)

        def read(text: str) -> int:
            if not text.isdigit() or not 1 <= int(text) <= len(choices):
                raise ValueError(f"a number from 1 to {len(choices)} is wanted")
            return int(text)

        return self.ask(question, str(default), read)

    def sure(self, question: str, default: bool) -> bool:
        """Yes or no."""

        def read(text: str) -> bool:
            word = text.lower()
            if word not in ("y", "yes", "n", "no"):
                raise ValueError("yes or no is wanted")
            return word.startswith("y")

        return self.ask(question, "yes" if default else "no", read)


def guess_fahrenheit() -> bool:
    """Whether the language settings of this machine speak of a country that measures in °F."""
    text = next((os.environ[name] for name in ("LC_ALL", "LC_MEASUREMENT", "LANG") if os.environ.get(name)), "")
    match = re.match(r"[a-z]{2,3}_([A-Z]{2})", text)
    return bool(match and match[1] in FAHRENHEIT_COUNTRIES)


def guess_zone(etc: Path = Path("/etc")) -> str:
    """The zone this machine is set to, by its IANA name; UTC where it does not say."""
    name = os.environ.get("TZ", "").removeprefix(":")
    if name and "/" in name and not name.startswith("/"):
        return name
    try:
        text = (etc / "timezone").read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError):
        text = ""
    if text and "/" in text:
        return text
    link = os.path.realpath(etc / "localtime")
    _, found, name = link.partition("/zoneinfo/")
    return name if found and "/" in name else "UTC"


def read_temperature_unit(text: str) -> bool:
    """Whether it means °F."""
    word = text.strip().lower().lstrip("°").removeprefix("degrees").strip()
    if word[:1] not in ("f", "c"):
        raise ValueError("F or C is wanted")
    return word.startswith("f")


def read_mass_unit(text: str) -> bool:
    """Whether it means pounds."""
    word = text.strip().lower()
    if word in ("lb", "lbs", "l", "pound", "pounds"):
        return True
    if word in ("kg", "k", "kilo", "kilos", "kilogram", "kilograms", "g"):
        return False
    raise ValueError("kg or lb is wanted")


def read_trays(text: str) -> tuple[str, ...]:
    """Names of trays from top to bottom: a number, or names with commas between. Blanks within become hyphens."""
    bare = text.strip().lower().removesuffix("trays").removesuffix("tray").strip()
    if bare.isdigit():
        count = int(bare)
        if not 1 <= count <= 12:
            raise ValueError("from 1 to 12 trays can be told apart")
        return tray_names(count)
    names = tuple(as_name(part) for part in re.split(r"[,;]", text) if part.strip())
    if not names or not all(names):
        raise ValueError("a number of trays, or their names with commas between, is wanted (as in top, bottom)")
    if len(set(names)) < len(names):
        raise ValueError("every tray needs a name of its own")
    if len(names) > 12:
        raise ValueError("from 1 to 12 trays can be told apart")
    return names


def as_name(text: str) -> str:
    """A name as the settings take it: letters, digits, - and _, 40 at most; "" when nothing is left."""
    return re.sub(r"[^A-Za-z0-9_]+", "-", text.strip()).strip("-_")[:40].strip("-")


def read_mass(pounds: bool) -> Callable[[str], float]:
    """Reads a mass; a bare number is in the unit chosen. Between 0.1 kg and 200 kg."""

    def read(text: str) -> float:
        mass_kg = units.parse_mass_kg(tidy(text, "lb" if pounds else "kg"))
        if not 0.1 <= mass_kg <= units.MASS_MOST_KG:
            raise ValueError("a mass between 0.1 kg and 200 kg is wanted")
        return mass_kg

    return read


def read_zone(text: str) -> str:
    """A zone by its IANA name; a town alone is enough where only one zone has it."""
    import zoneinfo

    names = zoneinfo.available_timezones()
    wanted = text.strip().replace(" ", "_")
    by_fold = {name.lower(): name for name in names}
    if wanted.lower() in by_fold:
        return by_fold[wanted.lower()]
    towns = sorted(name for name in names if name.lower().rpartition("/")[2] == wanted.lower())
    plain = [name for name in towns if name.count("/") == 1] or towns
    if len(plain) == 1:
        return plain[0]
    hint = f" (did you mean {listing(plain)}?)" if plain else ", as in Europe/Lisbon or America/Chicago"
    raise ValueError(f"a time zone by its IANA name is wanted{hint}")


_SLEEP = re.compile(
    r"(\d{1,2})(?:[:.h](\d{2}))?\s*([ap]\.?m\.?)?\s*(?:to|until|till|-|–|,|and|\s)\s*"
    r"(\d{1,2})(?:[:.h](\d{2}))?\s*([ap]\.?m\.?)?",
    re.IGNORECASE,
)


def read_sleep(text: str) -> str:
    """Hours of sleep: `22:30 to 06:30`, `10:30 pm - 6:30 am`, `23-7`. Returns the form the settings take."""
    match = _SLEEP.fullmatch(text.strip())
    if match is None:
        raise ValueError("two times of day are wanted, as in 22:30 to 06:30 or 10:30 pm to 6:30 am")
    begin, end = _clock(match[1], match[2], match[3]), _clock(match[4], match[5], match[6])
    if begin == end:
        raise ValueError("two different times are wanted, as in 22:30 to 06:30")
    return f"{begin} to {end}"


def _clock(hour_text: str, minute_text: str | None, half: str | None) -> str:
    hour, minute = int(hour_text), int(minute_text or 0)
    if half:
        if not 1 <= hour <= 12:
            raise ValueError("an hour from 1 to 12 is wanted before am or pm")
        hour = hour % 12 + (12 if half.lower().startswith("p") else 0)
    if hour > 23 or minute > 59:
        raise ValueError("times from 00:00 to 23:59 are wanted")
    return f"{hour:02d}:{minute:02d}"


class Person(NamedTuple):
    """What was asked of the person, without the probes."""

    fahrenheit: bool
    pounds: bool
    trays: tuple[str, ...]
    rice_kg: float
    schedule: str
    zone: str
    sleep: str


def ask_person(asker: Asker, given: Given) -> Person:
    """The questions about the person and the koji."""
    guess = guess_fahrenheit()
    fahrenheit = asker.ask(
        "Do you read °F or °C?", "F" if guess else "C", read_temperature_unit, given.temperature, "--temperature"
    )
    pounds = asker.ask("Do you weigh in lb or kg?", "lb" if fahrenheit else "kg", read_mass_unit, given.mass, "--mass")
    trays = asker.ask("How many trays, or which (from top to bottom)?", "1", read_trays, given.trays, "--trays")
    rice_kg = asker.ask(
        "How much dry rice in a usual batch?", "4 lb" if pounds else "2 kg", read_mass(pounds), given.rice, "--rice"
    )
    if given.purpose is None and not asker.yes:
        screen.say("What is the koji for?")
        for number, (_, _, text) in enumerate(PURPOSES, 1):
            screen.say(f"{number}  {text}", indent=2)
    schedule = asker.ask("Which?", "1", schedule_for, given.purpose, "--purpose")
    zone = asker.ask("Which time zone do you live in?", guess_zone(), read_zone, given.zone, "--zone")
    sleep = asker.ask("When do you sleep?", "22:30 to 06:30", read_sleep, given.sleep, "--sleep")
    return Person(fahrenheit, pounds, trays, rice_kg, schedule, zone, sleep)
