"""From settings to what each part is told: the engine's setup, the sources' slots, the clock."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from hashlib import sha256

import msgspec

from kojimon import air
from kojimon.clock import Clock, ManualClock, SystemClock
from kojimon.contract import inputs
from kojimon.engine.setup import EngineSetup, IncubatorSetup, ProbeSetup
from kojimon.engine.setup import to_json as setup_json
from kojimon.errors import UsageError
from kojimon.schedule.spec import Schedule
from kojimon.settings.plain import to_json
from kojimon.settings.spec import MqttSource, Probe, Settings, SimulatedSource, Source, Staleness


def engine_setup(settings: Settings, numbers: Mapping[str, int]) -> inputs.Settings:
    """The `settings` input: the engine's setup, and the settings whole, for the record.

    The hash covers both, so that a changed rule here makes a new input as well as a changed file does.

    Args:
        numbers: the number of each probe by name, from the journal.
    """
    setup = EngineSetup(
        site=settings.site,
        incubators=tuple(
            IncubatorSetup(one.name, one.schedule.name, one.label, one.trays, one.box.kind, one.box.cover)
            for one in settings.incubators
        ),
        probes=tuple(_probe(probe, numbers[probe.name], settings.staleness) for probe in settings.probes),
        schedules=_schedules(settings),
        wake_s=settings.person.wake_s,
        travel_s=settings.person.travel_s,
        pressure_pa=round(air.pressure_pa(settings.altitude_m), 1),
    )
    whole = to_json(settings)
    name = sha256(whole + msgspec.json.encode(msgspec.to_builtins(setup), order="sorted")).hexdigest()
    return inputs.Settings(hash=name, setup=setup_json(setup), settings=msgspec.Raw(whole))


def _probe(probe: Probe, number: int, staleness: Staleness) -> ProbeSetup:
    stale_s = max(staleness.periods * probe.expect_every_s, staleness.at_least_s)
    return ProbeSetup(
        no=number,
        name=probe.name,
        incubator=probe.incubator,
        place=probe.place,
        quantity=probe.quantity,
        tray=probe.tray,
        stale_ms=round(stale_s * 1000),
        tolerance=probe.tolerance,
    )


def _schedules(settings: Settings) -> dict[str, Schedule]:
    return {**settings.schedules, **{box.schedule.name: box.schedule for box in settings.incubators}}


def health_name(source: Source) -> str:
    """How the engine calls the health of a source: `broker:NAME`, `serial:NAME`."""
    kind = "broker" if isinstance(source, MqttSource) else type(source).__name__.removesuffix("Source").lower()
    return f"{kind}:{source.name}"


def simulated_source(settings: Settings) -> SimulatedSource | None:
    """The simulated source, where there is one.

    Raises UsageError when it does not stand alone: it drives the clock, and real probes know only real time.
    """
    found = [source for source in settings.sources if isinstance(source, SimulatedSource)]
    if found and len(settings.sources) > 1:
        raise UsageError(
            f"sources.{found[0].name}: a simulated source drives the clock and must be the only source; "
            "take the others out, or this one"
        )
    return found[0] if found else None


def clock_of(settings: Settings, start_wall_ms: Callable[[], int]) -> Clock:
    """World time: the machine's, or a driven one where the settings simulate."""
    if simulated_source(settings) is None:
        return SystemClock(settings.clock_trusted)
    return ManualClock(start_wall_ms(), boot_id="simulated")
