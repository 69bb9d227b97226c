"""What set-up asks for, as plain answers, and the settings file they become."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from msgspec import Struct

from kojimon import units
from kojimon.model import BoxKind, Cover

PURPOSES: tuple[tuple[str, str, str], ...] = (
    ("koji", "rice-koji-home-trays", "rice koji in trays, for anything"),
    ("sake", "rice-koji-sake", "rice koji for sake (warm finish)"),
    ("miso", "rice-koji-miso", "rice koji for miso or shio-koji (cooler finish)"),
    ("barley", "barley-koji", "barley koji"),
    ("soy-sauce", "soy-sauce-koji", "soy-sauce koji"),
)
"""(word, schedule, what it is)."""

TRAY_NAMES = {1: ["tray"], 2: ["top", "bottom"], 3: ["top", "middle", "bottom"]}


class SourceAnswer(Struct, frozen=True):
    """Where readings come from: `kind` and the settings below it, as they stand in the file; `secret` is the path of
    the file with its password."""

    name: str
    kind: str
    fields: Mapping[str, str] = {}
    secret: str = ""


class ProbeAnswer(Struct, frozen=True):
    """One probe: where it sits, and the settings that say where its number is found."""

    name: str
    place: str
    quantity: str
    source: str
    tray: str = ""
    fields: Mapping[str, str] = {}


class Person(Struct, frozen=True):
    """What was asked of the person, without the probes. Masses in kg; sleep as `22:30 to 06:30`; `kind` and `cover` of
    the box."""

    fahrenheit: bool
    pounds: bool
    trays: tuple[str, ...]
    rice_kg: float
    schedule: str
    zone: str
    sleep: str
    kind: str = BoxKind.UNKNOWN
    cover: str = Cover.UNKNOWN


class Answers(Struct, frozen=True):
    """Everything set-up knows at its end; `reach` as it stands in the file."""

    person: Person
    sources: tuple[SourceAnswer, ...]
    probes: tuple[ProbeAnswer, ...]
    journal: str
    reach: Mapping[str, Any] = {}


def tray_names(count: int) -> tuple[str, ...]:
    """Names for so many trays, from top to bottom."""
    return tuple(TRAY_NAMES.get(count) or [f"tray-{number}" for number in range(1, count + 1)])


def schedule_for(purpose: str) -> str:
    """The schedule of a purpose, by its word, its number from 1 or its own name. Raises ValueError in words."""
    text = purpose.strip().lower().replace("_", "-")
    for number, (word, schedule, _) in enumerate(PURPOSES, 1):
        if text in (word, schedule, str(number)):
            return schedule
    words = ", ".join(f"{number} {word}" for number, (word, _, _) in enumerate(PURPOSES, 1))
    raise ValueError(f"one of these is expected: {words}")


def settings_of(answers: Answers) -> dict[str, Any]:
    """The settings that are not left to their defaults, as they are written in the file (`document.commented`)."""
    person = answers.person
    known = (person.kind, person.cover) != (BoxKind.UNKNOWN, Cover.UNKNOWN)
    return {
        "site": "home",
        "units": {
            "temperature": "F" if person.fahrenheit else "C",
            "mass": "lb" if person.pounds else "kg",
        },
        "person": {"zone": plain(person.zone), "sleep": person.sleep},
        "incubators": {
            "box": {
                "schedule": plain(person.schedule),
                "trays": f"[{', '.join(plain(tray) for tray in person.trays)}]",
                "rice": _mass(person.rice_kg, person.pounds),
                **({"box": f"{{kind: {person.kind}, cover: {person.cover}}}"} if known else {}),
            }
        },
        "sources": {plain(source.name): {"kind": source.kind, **source.fields} for source in answers.sources} or "{}",
        "probes": {plain(probe.name): _probe(probe, answers) for probe in answers.probes} or "{}",
        "journal": {"file": plain(answers.journal)},
        **answers.reach,
    }


def _mass(value_kg: float, pounds: bool) -> str:
    value = value_kg / units.KG_PER_LB if pounds else value_kg
    return f"{value:.3f}".rstrip("0").rstrip(".") + (" lb" if pounds else " kg")


def _probe(probe: ProbeAnswer, answers: Answers) -> dict[str, str]:
    given = {"place": probe.place}
    if probe.place == "bed" and len(answers.person.trays) > 1 and probe.tray:
        given["tray"] = plain(probe.tray)
    if probe.quantity != "temperature":
        given["quantity"] = probe.quantity
    if len(answers.sources) > 1:
        given["from"] = plain(probe.source)
    return given | dict(probe.fields)


def settings_text(answers: Answers, written: str) -> str:
    """The settings file, every setting explained, those left alone as comments with their defaults.

    Args:
        written: date, for the first line.
    """
    from kojimon.document.commented import write
    from kojimon.settings.description import SITE

    head = f"# Settings of kojimon, written by `kojimon setup` on {written}.\n"
    return f"{head}# Change what you like, then look it over with: kojimon check\n\n{write(SITE, settings_of(answers))}"


def plain(text: str) -> str:
    """A text as YAML: bare where it cannot be mistaken for anything else, else in double quotes."""
    bare = re.fullmatch(r"[A-Za-z/~.][A-Za-z0-9_./~+-]*", text)
    tricky = text.lower() in {"y", "n", "yes", "no", "on", "off", "true", "false", "null", "~", ".nan", ".inf"}
    return text if bare and not tricky else json.dumps(text, ensure_ascii=False)
