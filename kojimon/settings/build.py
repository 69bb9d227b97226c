"""From what was read to the frozen settings. Runs only when no fault was found."""

from __future__ import annotations

from pathlib import Path
from typing import Any, get_args

from msgspec.structs import replace

from kojimon.schedule.spec import Schedule
from kojimon.settings import spec
from kojimon.settings.checks import Draft

_KINDS: dict[str, type[Any]] = {
    one.__struct_config__.tag: one for one in (*get_args(spec.Source), *get_args(spec.ChannelSettings))
}
"""Sources and channels by their `kind`."""


def build(draft: Draft, schedules: dict[str, Schedule], folder: Path) -> spec.Settings:
    """The settings.

    Args:
        draft: what was read and checked.
        schedules: the schedules that the incubators name.
        folder: the settings file's own; relative paths count from there.
    """
    person = dict(draft.get("person", {}))
    if "sleep" in person:
        person["sleep_from"], person["sleep_to"] = person.pop("sleep")
    journal = spec.JournalSettings(**draft.get("journal", {}))
    return spec.Settings(
        site=draft["site"],
        incubators=tuple(_incubator(name, keys, schedules) for name, keys in draft.get("incubators", {}).items()),
        probes=tuple(_probe(name, keys) for name, keys in draft.get("probes", {}).items()),
        sources=tuple(_of_kind(name, keys, folder) for name, keys in draft["sources"].items()),
        schedules=schedules,
        units=spec.Units(**draft.get("units", {})),
        person=spec.Person(**person),
        journal=replace(
            journal, path=_from(folder, journal.path), backup_folder=_from(folder, journal.backup_folder)
        ),
        mirror=spec.MirrorSettings(**_secrets(draft["mirror"], folder)) if "mirror" in draft else None,
        publish=spec.PublishSettings(**draft.get("publish", {})),
        web=spec.WebSettings(**_secrets(draft.get("web", {}), folder)),
        staleness=spec.Staleness(**draft.get("staleness", {})),
        calibration=spec.CalibrationSettings(**draft.get("calibration", {})),
        altitude_m=draft["altitude_m"],
        forecast=spec.ForecastSettings(**draft.get("forecast", {})),
        channels=tuple(_of_kind(name, keys, folder) for name, keys in draft.get("channels", {}).items()),
        speaker=spec.SpeakerSettings(**draft.get("speaker", {})),
        heartbeat=spec.HeartbeatSettings(**_secrets(draft.get("heartbeat", {}), folder)),
        watch=tuple(spec.WatchedSite(site=name, **keys) for name, keys in draft.get("watch", {}).items()),
        clock_trusted=draft.get("clock", {}).get("trusted", False),
        run_folder=_from(folder, draft["run_folder"]),
    )


def _from(folder: Path, path: str) -> str:
    """A path that means the same from every working folder; "" stays."""
    return str(folder / Path(path).expanduser()) if path else ""


def _secrets(keys: Draft, folder: Path) -> Draft:
    return {
        key: spec.Secret(file=_from(folder, value.file), environment=value.environment)
        if isinstance(value, spec.Secret)
        else value
        for key, value in keys.items()
    }


def _incubator(name: str, keys: Draft, schedules: dict[str, Schedule]) -> spec.Incubator:
    found = {**keys, "schedule": schedules[keys["schedule"]], "box": spec.Box(**keys.get("box", {}))}
    return spec.Incubator(name=name, **found)


def _of_kind(name: str, keys: Draft, folder: Path) -> Any:
    """A source or a channel."""
    rest = {key: value for key, value in _secrets(keys, folder).items() if key != "kind"}
    if rest.get("ca_file"):
        rest["ca_file"] = _from(folder, rest["ca_file"])
    return _KINDS[keys["kind"]](name=name, **rest)


def _probe(name: str, keys: Draft) -> spec.Probe:
    rest = {key: value for key, value in keys.items() if key not in ("file", "modbus", "calibration", "judge")}
    if "file" in keys:
        rest["topic"] = keys["file"]
    if "judge" in keys:
        rest["judge"] = spec.Judging(**{key: value for key, value in keys["judge"].items() if value is not None})
    if "calibration" in keys:
        rest["calibration"] = spec.Calibration(**keys["calibration"])
    return spec.Probe(name=name, **{**keys.get("modbus", {}), **rest})
