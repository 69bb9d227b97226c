"""Settings for tests of the whole daemon, built without a file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from kojimon.schedule.load import load_schedule
from kojimon.settings.spec import (
    Incubator,
    JournalSettings,
    Probe,
    Settings,
    SimulatedSource,
    Source,
    WebSettings,
)

ROOT = Path(__file__).resolve().parents[2]
HOME_TRAYS = ROOT / "config" / "schedules" / "rice-koji-home-trays.yaml"


def site(folder: Path, sources: tuple[Source, ...], probes: tuple[Probe, ...], **more: Any) -> Settings:
    """One box with the schedule for home trays, everything below `folder`."""
    schedule = load_schedule(HOME_TRAYS)
    trays = tuple(dict.fromkeys(probe.tray for probe in probes if probe.tray)) or ("top",)
    given: dict[str, Any] = {
        "site": "home",
        "incubators": (Incubator("box", schedule, trays=trays),),
        "schedules": {schedule.name: schedule},
        "journal": JournalSettings(path=str(folder / "kojimon.journal"), ballast_mb=0),
        "run_folder": str(folder / "run"),
        "clock_trusted": True,
        "web": WebSettings(port=0),
    } | more
    return Settings(sources=sources, probes=probes, **given)


def probes_of(source: str, trays: int = 3, prefix: str = "") -> tuple[Probe, ...]:
    """A koji probe a tray, the air's temperature and humidity, the room; topics are `prefix` and the probe's name."""
    names = ("top", "middle", "bottom", "fourth")
    found = [
        Probe(name, "box", "bed", "temperature", source, tray=names[index], topic=f"{prefix}{name}")
        for index, name in enumerate(["bed", *(f"bed-{number}" for number in range(2, trays + 1))])
    ]
    found.append(Probe("air", "box", "air", "temperature", source, topic=f"{prefix}air"))
    found.append(Probe("air-humidity", "box", "air", "humidity", source, topic=f"{prefix}air-humidity", unit="%"))
    found.append(Probe("room", "box", "room", "temperature", source, topic=f"{prefix}room", expect_every_s=30.0))
    return tuple(found)


def simulated_site(folder: Path, **source: Any) -> Settings:
    """A simulated incubator with as many probes as its scenario has trays."""
    from kojisim.scenarios import SCENARIOS

    settings = SimulatedSource("sim", **source)
    trays = len(SCENARIOS[settings.scenario](settings.seed).params.trays)
    return site(folder, (settings,), probes_of("sim", trays))
