"""The `kojisim` command."""

from __future__ import annotations

import json
from contextlib import ExitStack
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, cast
from zoneinfo import ZoneInfo

import click

from kojisim.cook import Cook
from kojisim.curve import CurveWriter
from kojisim.door import Api, Drive, DriveError
from kojisim.lines import LineFormat, MqttPublisher, Publisher, SerialLine
from kojisim.run import Run
from kojisim.scenarios import SCENARIOS
from kojisim.world import Hands, Scenario, World


@click.group()
def main() -> None:
    """A simulated koji incubator: bed, box, room, probes with faults, a cook.

    Example: kojisim run --scenario mixed --seed 7 --out curve.csv
    """


@main.command()
def scenarios() -> None:
    """List the scenarios. Example: kojisim scenarios"""
    for name, make in SCENARIOS.items():
        first = (make.__doc__ or "").strip().splitlines()[0]
        click.echo(f"{name:16} {first}")


@main.command()
@click.option("--scenario", "name", type=click.Choice(sorted(SCENARIOS)), default="mixed", show_default=True)
@click.option("--seed", type=int, default=1, show_default=True)
@click.option("--hours", type=float, default=52.0, show_default=True, help="World time to run, at most.")
@click.option("--tick", "tick_s", type=float, default=10.0, show_default=True, help="World seconds between instants.")
@click.option("--every", "every_s", type=float, default=None, help="Seconds between a probe's readings.")
@click.option("--start", default=None, help="UTC of the world's start, ISO 8601 (default: the monitor's, else now).")
@click.option("--zone", default=None, help="The cook's time zone; default: the scenario's own hour of the day.")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), default=None, help="Curve file to write.")
@click.option("--mqtt", default=None, metavar="HOST:PORT", help="Publish to this broker.")
@click.option("--topic-prefix", default="sim", show_default=True)
@click.option("--mqtt-source", default="mqtt", show_default=True, help="The broker's name in the monitor's settings.")
@click.option("--serial", "link", type=click.Path(path_type=Path), default=None, help="Make a serial port here.")
@click.option("--serial-format", type=click.Choice(["json", "csv", "keys"]), default="json", show_default=True)
@click.option("--serial-header", is_flag=True, help="CSV: send the column names first.")
@click.option("--serial-source", default="serial", show_default=True, help="Its name in the monitor's settings.")
@click.option("--speed", type=float, default=0.0, help="World seconds a real second; 0: as fast as it goes.")
@click.option("--drive", "drive_path", default=None, help="Drive the monitor's clock over this socket.")
@click.option("--api", "api_path", default=None, help="The monitor's API socket: the cook reads and acts there.")
@click.option("--hands", type=click.Choice(["none", "bedside", "cook"]), default=None, help="Who does the work.")
@click.option("--incubator", default="", help="Which incubator the cook looks after.")
@click.option("--json", "as_json", is_flag=True, help="Print the summary as JSON.")
def run(**options: Any) -> None:
    """Run a scenario: write a curve, publish it to a broker or a serial port, drive a monitor.

    Example: kojisim run --scenario healthy --mqtt 127.0.0.1:1883 --drive run/drive --api run/api
    """
    try:
        with ExitStack() as stack:
            work = _prepare(options, stack)
            work.go(options["hours"], None if options["as_json"] else _say)
    except (DriveError, OSError) as error:
        raise click.ClickException(str(error)) from error
    summary = _summary(work)
    click.echo(json.dumps(summary) if options["as_json"] else _in_words(summary))


def _prepare(options: dict[str, Any], stack: ExitStack) -> Run:
    drive = Drive(options["drive_path"]) if options["drive_path"] else None
    if drive is not None:
        stack.callback(drive.close)
    api = Api(options["api_path"]) if options["api_path"] else None
    if api is not None:
        stack.callback(api.close)
    start_ms = _start_ms(options["start"], drive)
    hands = options["hands"] or ("cook" if api else "bedside" if options["name"] == "mixed" else "none")
    if hands == "cook" and api is None:
        raise click.UsageError("--hands cook wants --api: the cook acts on what the monitor says")
    scenario = _scenario(options, hands, start_ms)
    world = World(scenario, options["seed"])
    work = Run(world, start_ms, tick_s=options["tick_s"], speed=options["speed"], drive=drive, api=api)
    if hands == "cook":
        rice = sum(tray.white_rice_kg for tray in scenario.params.trays)
        start_h = scenario.params.start_local_h
        work.cook = Cook(
            options["seed"],
            start_local_h=start_h,
            absent_h=work.world.scenario.absent_h,
            incubator=options["incubator"],
            rice_kg=rice,
        )
    work.publishers = _publishers(options, scenario, stack)
    if options["out"]:
        work.curve = stack.enter_context(CurveWriter(options["out"], scenario.probes, start_ms))
    return work


def _publishers(options: dict[str, Any], scenario: Scenario, stack: ExitStack) -> dict[str, Publisher]:
    lines: dict[str, Publisher] = {}
    if options["mqtt"]:
        host, _, port = options["mqtt"].rpartition(":")
        if not host or not port.isdigit():
            raise click.UsageError(f"--mqtt {options['mqtt']}: expected HOST:PORT, as in 127.0.0.1:1883")
        mqtt = MqttPublisher(host.strip("[]"), int(port), options["topic_prefix"], scenario.probes)
        lines[options["mqtt_source"]] = mqtt
    if options["link"]:
        style = cast(LineFormat, options["serial_format"])
        serial = SerialLine(options["link"], scenario.probes, style, options["serial_header"])
        if options["drive_path"]:
            serial.wait_reader(30.0)
        lines[options["serial_source"]] = serial
    for line in lines.values():
        stack.callback(line.close)
    return lines


def _start_ms(start: str | None, drive: Drive | None) -> int:
    if start is None:
        return drive.wall_ms if drive is not None else round(datetime.now(UTC).timestamp() * 1000)
    moment = datetime.fromisoformat(start)
    if moment.tzinfo is None:
        raise click.UsageError(f"--start {start}: expected a zone, as in 2025-01-31T18:00:00Z")
    return round(moment.timestamp() * 1000)


def _scenario(options: dict[str, Any], hands: str, start_ms: int) -> Scenario:
    scenario = SCENARIOS[options["name"]](options["seed"])
    if options["zone"]:
        local = datetime.fromtimestamp(start_ms / 1000.0, ZoneInfo(options["zone"]))
        hour = local.hour + local.minute / 60.0 + local.second / 3600.0
        scenario = replace(scenario, params=replace(scenario.params, start_local_h=hour))
    if options["every_s"]:
        probes = tuple(replace(spec, interval_s=options["every_s"]) for spec in scenario.probes)
        scenario = replace(scenario, probes=probes)
    if hands == "cook":
        return replace(scenario, hands="none", inoculate_c=None)
    return replace(scenario, hands=cast(Hands, hands))


def _say(work: Run) -> None:
    truth = work.world.truth()
    hour = "before seeding" if truth["hour"] is None else f"hour {truth['hour']:.1f}"
    koji, air, humid = truth["bed_max_c"], truth["air_c"], truth["air_humidity_pct"]
    click.echo(f"{hour}: koji {koji:.1f} C, box {air:.1f} C, {humid:.0f} %", err=True)


def _summary(work: Run) -> dict[str, Any]:
    world = work.world
    seeded, taken = world.inoculated_s, world.harvested_s
    return {
        "hours": round(world.time_s / 3600.0, 2),
        "inoculated_h": None if seeded is None else round(seeded / 3600.0, 2),
        "harvested_h": None if taken is None or seeded is None else round((taken - seeded) / 3600.0, 2),
        "peak_c": round(work.peak_c, 2),
        "biomass": round(world.truth()["biomass"], 3),
        "samples": work.samples,
        "sent": {name: line.sent for name, line in work.publishers.items()},
        "events": work.events,
        "woken": 0 if work.cook is None else work.cook.woken,
        "refused": [{"at_s": at, "act": act, "answer": answer} for at, act, answer in work.refused],
        "acts": [[round(at), name] for at, name, _ in world.done],
    }


def _in_words(summary: dict[str, Any]) -> str:
    taken = summary["harvested_h"]
    end = "not harvested" if taken is None else f"harvested at hour {taken:.1f}"
    return f"{summary['hours']:.1f} h simulated, {end}, peak {summary['peak_c']:.1f} C, {summary['samples']} readings"


if __name__ == "__main__":
    main()
