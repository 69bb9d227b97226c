"""`kojimon plan`: how much of everything, and when to begin."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import click
from msgspec import to_builtins

from kojimon.cli.shared import screen
from kojimon.cli.shared.opening import settings_file
from kojimon.cli.shared.options import MASS, PlainCommand, config_option, example, json_option
from kojimon.clock import SystemClock
from kojimon.errors import UsageError
from kojimon.planner import Plan, Quantities, Sleep, plans, quantities
from kojimon.schedule.spec import Schedule
from kojimon.settings.load import load_settings
from kojimon.settings.spec import Settings
from kojimon.units import show_duration, show_mass
from kojimon.words.speech import zone_info


@click.command(
    cls=PlainCommand,
    epilog=example("kojimon plan", "kojimon plan --rice 4 lb --from 'Fri 18:00' --calendar koji.ics"),
)
@click.option("--rice", "rice_kg", type=MASS, metavar="MASS", help="Dry rice: 2 kg, 4 lb. (the box's usual)")
@click.option("--from", "begin", metavar="TIME", help="Nothing before: 18:00, 'Fri 18:00'. (now)")
@click.option("--schedule", metavar="NAME", help="Another schedule than the box's own.")
@click.option("--calendar", "ics", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Write the best plan as a calendar file.")  # fmt: skip
@click.option("--force", is_flag=True, help="Write over a calendar file that is there.")
@json_option
@config_option
def plan(
    rice_kg: float | None, begin: str | None, schedule: str | None, ics: Path | None, force: bool, as_json: bool,
    config: str | None,
) -> None:  # fmt: skip
    """Quantities and a timetable whose work falls into the night as little as can be."""
    file = settings_file(config)
    settings = load_settings(file)
    box = settings.incubators[0]
    chosen = _schedule(settings, schedule, file.parent)
    rice = (box.rice_kg or 2.0) if rice_kg is None else rice_kg
    now_ms = SystemClock(settings.clock_trusted).wall_ms()
    now = datetime.fromtimestamp(now_ms / 1000, zone_info(settings.person.zone)).replace(tzinfo=None)
    found = plans(chosen, _sleep(settings), _begin(begin, now))
    amounts = quantities(rice)
    if as_json:
        screen.print_json({"quantities": to_builtins(amounts), "plans": to_builtins(found)})
    else:
        _quantities(amounts, settings)
        for number, one in enumerate(found, 1):
            _timetable(number, one)
        screen.say(
            "Times of the work are expected, not promised: the koji decides. kojimon says when it comes.", "quiet"
        )
    if ics is not None:
        _write(ics, force, found[0], settings)


def _schedule(settings: Settings, name: str | None, beside: Path) -> Schedule:
    if name is None:
        return settings.incubators[0].schedule
    from kojimon.schedule.load import find_schedule, known_schedules, load_schedule

    found = find_schedule(name, beside)
    if found is None:
        raise UsageError(f"There is no schedule {name!r}; there are {', '.join(known_schedules(beside))}.")
    return load_schedule(found)


def _sleep(settings: Settings) -> Sleep:
    first, last = (int(t[:2]) * 60 + int(t[3:]) for t in (settings.person.sleep_from, settings.person.sleep_to))
    return Sleep(first, last)


def _begin(text: str | None, now: datetime) -> datetime:
    """The next such time of day, on the named weekday where one is given."""
    if text is None:
        return now
    parts = text.split()
    try:
        clock = datetime.strptime(parts[-1], "%H:%M")  # noqa: DTZ007 - a time of day, no instant
        days = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
        day = days.index(parts[0][:3].lower()) if len(parts) > 1 else None
    except ValueError as error:
        raise UsageError(f"--from {text!r}: a time to come is wanted, as in 18:00 or 'Fri 18:00'.") from error
    at = now.replace(hour=clock.hour, minute=clock.minute, second=0, microsecond=0)
    while at < now or (day is not None and at.weekday() != day):
        at += timedelta(days=1)
    return at


def _quantities(amounts: Quantities, settings: Settings) -> None:
    pounds = settings.units.pounds
    screen.say(f"For {show_mass(amounts.rice_kg, pounds)} of dry rice", "head")
    grams = amounts.starter_kg * 1000
    screen.say(
        f"{grams:.1f} g of starter (its packet knows better), {amounts.trays} trays of about 1.5 kg (3.3 lb), no "
        f"deeper than 5 cm (2 in). It weighs {show_mass(amounts.soaked_kg, pounds)} soaked, "
        f"{show_mass(amounts.steamed_kg, pounds)} steamed, and gives {show_mass(amounts.koji_kg, pounds)} of koji."
    )


def _timetable(number: int, one: Plan) -> None:
    nights = sum(step.asleep_s for step in one.steps if not step.firm)
    tail = f"{show_duration(nights)} of likely work at night" if nights else "no likely work at night"
    screen.say(f"\nPlan {number}: spores on {one.inoculate:%a %H:%M}, {tail}", "head")
    rows = []
    for step in one.steps:
        when = f"{step.begins:%a %H:%M}" if step.firm and step.step != "harvest" else (
            f"{step.begins:%a %H:%M} to {step.ends:%a %H:%M}"
        )  # fmt: skip
        rows.append((when, step.label, f"{show_duration(step.asleep_s)} asleep" if step.asleep_s else ""))
    screen.table(("when", "what", ""), rows)


def _write(ics: Path, force: bool, one: Plan, settings: Settings) -> None:
    from kojimon.planner import calendar

    if ics.exists() and not force:
        raise UsageError(f"{ics} is there already; give another name, or --force to write over it.")
    made = datetime.fromtimestamp(SystemClock().wall_ms() / 1000, UTC)
    ics.write_bytes(calendar(one, settings.person.zone, settings.site, made))
    screen.say(f"Plan 1 is written to {ics}.", "good")
