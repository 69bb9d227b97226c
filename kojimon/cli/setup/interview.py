"""The questions of set-up. Every one has a default; a wrong answer is explained and asked again."""

from __future__ import annotations

import os
import re
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

from kojimon import units
from kojimon.cli.setup import drawings
from kojimon.cli.setup.answers import PURPOSES, Person, schedule_for, tray_names
from kojimon.cli.setup.asker import Asker
from kojimon.typed import tidy
from kojimon.words.speech import listing

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
    box: str | None = None
    cover: str | None = None


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
        raise ValueError("F or C is expected")
    return word.startswith("f")


def read_mass_unit(text: str) -> bool:
    """Whether it means pounds."""
    word = text.strip().lower()
    if word in ("lb", "lbs", "l", "pound", "pounds"):
        return True
    if word in ("kg", "k", "kilo", "kilos", "kilogram", "kilograms", "g"):
        return False
    raise ValueError("kg or lb is expected")


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
        raise ValueError("a number of trays, or their names with commas between, is expected (as in top, bottom)")
    if len(set(names)) < len(names):
        raise ValueError("every tray needs a name of its own")
    if len(names) > 12:
        raise ValueError("from 1 to 12 trays can be told apart")
    return names


def as_name(text: str) -> str:
    """A name as the settings take it: letters, digits, - and _, 40 at most; "" when nothing is left."""
    return re.sub(r"[^A-Za-z0-9_]+", "-", text.strip()).strip("-_")[:40].strip("-")


def read_mass(pounds: bool) -> Callable[[str], float]:
    """Reads a mass; a bare number is in the unit chosen. From 0.1 kg to what a home kitchen holds."""

    def read(text: str) -> float:
        mass_kg = units.parse_mass_kg(tidy(text, "lb" if pounds else "kg"))
        if not 0.1 <= mass_kg <= units.MASS_MOST_KG:
            low, high = (units.show_mass(end_kg, pounds) for end_kg in (0.1, units.MASS_MOST_KG))
            raise ValueError(f"a mass between {low} and {high} is expected")
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
    raise ValueError(f"a time zone by its IANA name is expected{hint}")


_SLEEP = re.compile(
    r"(\d{1,2})(?:[:.h](\d{2}))?\s*([ap]\.?m\.?)?\s*(?:to|until|till|-|–|,|and|\s)\s*"
    r"(\d{1,2})(?:[:.h](\d{2}))?\s*([ap]\.?m\.?)?",
    re.IGNORECASE,
)


def read_sleep(text: str) -> str:
    """Hours of sleep: `22:30 to 06:30`, `10:30 pm - 6:30 am`, `23-7`. Returns the form the settings take."""
    match = _SLEEP.fullmatch(text.strip())
    if match is None:
        raise ValueError("two times of day are expected, as in 22:30 to 06:30 or 10:30 pm to 6:30 am")
    begin, end = _clock(match[1], match[2], match[3]), _clock(match[4], match[5], match[6])
    if begin == end:
        raise ValueError("two different times are expected, as in 22:30 to 06:30")
    return f"{begin} to {end}"


def _clock(hour_text: str, minute_text: str | None, half: str | None) -> str:
    hour, minute = int(hour_text), int(minute_text or 0)
    if half:
        if not 1 <= hour <= 12:
            raise ValueError("an hour from 1 to 12 is expected before am or pm")
        hour = hour % 12 + (12 if half.lower().startswith("p") else 0)
    if hour > 23 or minute > 59:
        raise ValueError("times from 00:00 to 23:59 are expected")
    return f"{hour:02d}:{minute:02d}"


def one_word(text: str) -> str:
    """A text without blanks."""
    if not text.strip() or any(char.isspace() for char in text.strip()):
        raise ValueError("one word without blanks is expected")
    return text.strip()


def one_of(*words: str) -> Callable[[str], str]:
    """Reads one of some words, in small letters."""

    def read(text: str) -> str:
        if text.strip().lower() not in words:
            raise ValueError(f"one of {', '.join(words)} is expected")
        return text.strip().lower()

    return read


def number_from(low: int, high: int) -> Callable[[str], str]:
    """Reads a whole number between two others, and leaves it text."""

    def read(text: str) -> str:
        if not text.strip().isdigit() or not low <= int(text) <= high:
            raise ValueError(f"a number from {low} to {high} is expected")
        return text.strip()

    return read


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
    if given.purpose is None:
        asker.say("What is the koji for?")
        for number, (_, _, text) in enumerate(PURPOSES, 1):
            asker.say(f"{number}  {text}", indent=2)
    schedule = asker.ask("Which?", "1", schedule_for, given.purpose, "--purpose")
    kind, cover = _ask_box(asker, given)
    zone = asker.ask("Which time zone do you live in?", guess_zone(), read_zone, given.zone, "--zone")
    sleep = asker.ask("When do you sleep?", "22:30 to 06:30", read_sleep, given.sleep, "--sleep")
    return Person(fahrenheit, pounds, trays, rice_kg, schedule, zone, sleep, kind, cover)


def _ask_box(asker: Asker, given: Given) -> tuple[str, str]:
    """Kind of box and cover, each with a drawing; Enter is the one of which nothing is said that could be wrong."""
    kinds, covers = [*drawings.KINDS], [*drawings.COVERS]
    asker.say("\nWhat is the box like?")
    texts = [_drawn(drawings.KIND_NAMES[kind], *drawings.of_kind(kind)) for kind in kinds]
    number = asker.choose("Which box?", texts, len(kinds), kinds, given.box, "--box")
    kind = kinds[number - 1]
    asker.say("\nHow is the rice covered while it grows?")
    texts = [_drawn(drawings.COVER_NAMES[cover], *drawings.of_cover(cover, kind)) for cover in covers]
    number = asker.choose("Which cover?", texts, len(covers), covers, given.cover, "--cover")
    return kind, covers[number - 1]


def _drawn(name: str, drawing: str, means: str) -> str:
    lines = [f"     {line}" for line in drawing.splitlines()]
    words = textwrap.wrap(means, 70, initial_indent="   ", subsequent_indent="   ")
    return "\n".join([f"{name}.", *lines, *words])
