"""Settings files for the tests, written into a folder of the test."""

from __future__ import annotations

from pathlib import Path

from kojimon.errors import ConfigurationError
from kojimon.settings.load import load_settings
from kojimon.settings.spec import Settings

GOOD = """\
site: cellar
units: {temperature: F, mass: lb}
person: {zone: Europe/Lisbon, sleep: 22:30 to 06:30}
incubators:
  box: {schedule: rice-koji-home-trays, trays: [top, middle, bottom], rice: 4 lb}
sources:
  house: {kind: mqtt, host: 192.0.2.10, user: kojimon, password: {file: mqtt-password}}
  board: {kind: serial, port: /dev/serial/by-id/usb-example, format: json}
probes:
  koji-top: {in: box, place: bed, tray: top, from: house, topic: cellar/koji, path: temperature, unit: F, every: 10 s}
  air: {place: air, from: board, path: air}
"""

SMALL = """\
incubators: {box: {schedule: rice-koji-home-trays}}
sources: {house: {kind: mqtt, host: 192.0.2.10}}
probes: {koji: {place: bed, topic: koji}}
"""


def load(folder: Path, text: str) -> Settings:
    """The settings of a text."""
    path = folder / "k.yaml"
    path.write_text(text, encoding="utf-8")
    return load_settings(path)


def refusal(folder: Path, text: str) -> list[str]:
    """What a person sees of a refused text, line by line, without the folder; empty when it was taken."""
    try:
        load(folder, text)
    except ConfigurationError as error:
        assert error.exit_code == 2
        return [line.replace(f"{folder}/", "") for line in str(error).splitlines()]
    return []
