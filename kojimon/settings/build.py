"""From what was read to the frozen settings. Runs only when no fault was found."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from kojimon.schedule.spec import Schedule
from kojimon.settings.checks import Draft
from kojimon.settings.spec import (
    Box,
    Calibration,
    CalibrationSettings,
    ChannelSettings,
    CommandChannel,
    ForecastSettings,
    HeartbeatSettings,
    Incubator,
    JournalSettings,
    Judging,
    KernelSource,
    MirrorSettings,
    ModbusSource,
    MqttSource,
    Person,
    Probe,
    PublishSettings,
    Secret,
    SerialSource,
    ServiceChannel,
    Settings,
    SimulatedSource,
    Source,
    SpeakerSettings,
    Staleness,
    Units,
    WatchedSite,
    WebSettings,
)

_SOURCES: dict[str, type[Any]] = {
    "mqtt": MqttSource,
    "serial": SerialSource,
    "modbus": ModbusSource,
    "kernel": KernelSource,
    "simulated": SimulatedSource,
}


def build(draft: Draft, schedules: dict[str, Schedule], folder: Path) -> Settings:
    """The settings.

    Args:
        draft: what was read and checked.
        schedules: the schedules that the incubators name.
        folder: the settings file's own; relative paths count from there.
    """
    person = dict(draft.get("person", {}))
    if "sleep" in person:
        person["sleep_from"], person["sleep_to"] = person.pop("sleep")
    journal = JournalSettings(**draft.get("journal", {}))
    return Settings(
        site=draft["site"],
        incubators=tuple(_incubator(name, keys, schedules) for name, keys in draft.get("incubators", {}).items()),
        probes=tuple(_probe(name, keys) for name, keys in draft.get("probes", {}).items()),
        sources=tuple(_source(name, keys, folder) for name, keys in draft["sources"].items()),
        schedules=schedules,
        units=Units(**draft.get("units", {})),
        person=Person(**person),
        journal=JournalSettings(
            path=_from(folder, journal.path),
            commit_every_s=journal.commit_every_s,
            ballast_mb=journal.ballast_mb,
            backup_folder=_from(folder, journal.backup_folder),
            thin_after_days=journal.thin_after_days,
        ),
        mirror=MirrorSettings(**_secrets(draft["mirror"], folder)) if "mirror" in draft else None,
        publish=PublishSettings(**draft.get("publish", {})),
        web=WebSettings(**_secrets(draft.get("web", {}), folder)),
        staleness=Staleness(**draft.get("staleness", {})),
        calibration=CalibrationSettings(**draft.get("calibration", {})),
        altitude_m=draft["altitude_m"],
        forecast=ForecastSettings(**draft.get("forecast", {})),
        channels=tuple(_channel(name, keys, folder) for name, keys in draft.get("channels", {}).items()),
        speaker=SpeakerSettings(**draft.get("speaker", {})),
        heartbeat=HeartbeatSettings(**_secrets(draft.get("heartbeat", {}), folder)),
        watch=tuple(WatchedSite(site=name, **keys) for name, keys in draft.get("watch", {}).items()),
        clock_trusted=draft.get("clock", {}).get("trusted", False),
        run_folder=_from(folder, draft["run_folder"]),
    )


def _from(folder: Path, path: str) -> str:
    """A path that means the same from every working folder; "" stays."""
    return str(folder / Path(path).expanduser()) if path else ""


def _secrets(keys: Draft, folder: Path) -> Draft:
    return {
        key: Secret(file=_from(folder, value.file), environment=value.environment)
        if isinstance(value, Secret)
        else value
        for key, value in keys.items()
    }


def _incubator(name: str, keys: Draft, schedules: dict[str, Schedule]) -> Incubator:
    found = {**keys, "schedule": schedules[keys["schedule"]], "box": Box(**keys.get("box", {}))}
    return Incubator(name=name, **found)


def _source(name: str, keys: Draft, folder: Path) -> Source:
    rest = {key: value for key, value in _secrets(keys, folder).items() if key != "kind"}
    if rest.get("ca_file"):
        rest["ca_file"] = _from(folder, rest["ca_file"])
    source: Source = _SOURCES[keys["kind"]](name=name, **rest)
    return source


def _channel(name: str, keys: Draft, folder: Path) -> ChannelSettings:
    rest = {key: value for key, value in _secrets(keys, folder).items() if key != "kind"}
    return ServiceChannel(name=name, **rest) if keys["kind"] == "service" else CommandChannel(name=name, **rest)


def _probe(name: str, keys: Draft) -> Probe:
    rest = {key: value for key, value in keys.items() if key not in ("file", "modbus", "calibration", "judge")}
    if "file" in keys:
        rest["topic"] = keys["file"]
    if "judge" in keys:
        rest["judge"] = Judging(**{key: value for key, value in keys["judge"].items() if value is not None})
    if "calibration" in keys:
        rest["calibration"] = Calibration(**keys["calibration"])
    return Probe(name=name, **{**keys.get("modbus", {}), **rest})
