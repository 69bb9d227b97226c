"""`kojimon plan`: how much of everything, and when to begin."""

from __future__ import annotations

from contextlib import closing
from datetime import datetime
from pathlib import Path

import click
from click.core import ParameterSource
from msgspec import to_builtins

from kojimon.cli.shared import mash as said
from kojimon.cli.shared import screen
from kojimon.cli.shared.amounts import mash_of, tray_area_m2, wanted, water_kg
from kojimon.cli.shared.kitchen import incubator_of
from kojimon.cli.shared.moments import time_to_come
from kojimon.cli.shared.opening import open_kitchen, settings_file
from kojimon.cli.shared.options import (
    MASS,
    VOLUME,
    AmountText,
    Saving,
    config_option,
    example,
    incubator_option,
    json_option,
)  # fmt: skip
from kojimon.cli.shared.timetables import Files, print_plans, print_rest, write_files
from kojimon.clock import SystemClock
from kojimon.errors import UsageError
from kojimon.mash.facts import PURPOSES
from kojimon.planner import timetable
from kojimon.planner.course import Known
from kojimon.planner.kept_plan import root_of
from kojimon.planner.nights import sleep_of, zoned
from kojimon.planner.own import Own, own_of
from kojimon.planner.rest import begun_of, rest_of
from kojimon.schedule.load import SHIPPED, find_schedule, known_schedules, load_schedule
from kojimon.schedule.spec import Schedule
from kojimon.settings.load import load_settings
from kojimon.settings.spec import Incubator, Person, Settings, Units
from kojimon.words.speech import zone_info

AMOUNT_TEXT = AmountText("amount", float)
OWN_SCHEDULES = {"sake": "rice-koji-sake", "miso": "rice-koji-miso"}


@click.command(
    cls=Saving,
    epilog=example(
        "kojimon plan --rice 4 lb --from 'Fri 18:00' --calendar koji.ics",
        "kojimon plan --for sake --want 1 gal",
        "kojimon plan --for miso --beans 2 lb --page wall.html",
    ),
)
@click.option("--for", "purpose", type=click.Choice(list(PURPOSES), case_sensitive=False), default="koji",
              metavar="PURPOSE", help=f"What the koji is for: {', '.join(PURPOSES)}. (koji)")  # fmt: skip
@click.option("--want", type=AMOUNT_TEXT, metavar="AMOUNT", help="How much of it: 5 L, 1 gal; miso: 10 lb.")
@click.option("--vessel", "vessel_l", type=VOLUME, metavar="VOLUME", help="Your vessel: 10 L, 2 gal.")
@click.option("--rice", "rice_kg", type=MASS, metavar="MASS",
              help="Dry rice in all, the koji's too: 2 kg, 4 lb. For koji alone: (the box's usual)")  # fmt: skip
@click.option("--koji-rice", "koji_rice_kg", type=MASS, metavar="MASS", help="Dry rice that becomes koji.")
@click.option("--koji", "koji_kg", type=MASS, metavar="MASS", help="Fresh koji that you have.")
@click.option("--water", type=AMOUNT_TEXT, metavar="AMOUNT", help="Water to pour in.")
@click.option("--salt", "salt_kg", type=MASS, metavar="MASS", help="Salt.")
@click.option("--beans", "beans_kg", type=MASS, metavar="MASS", help="Dry soybeans, for miso.")
@click.option("--packet", metavar="TEXT", help="The dose on the starter's packet: '20 g for 15 kg'.")
@click.option("--tray", metavar="SIZE", help="The inside of a tray: '12 x 16 in', '30 x 40 cm'.")
@click.option("--pick", type=click.IntRange(1, 3), default=1, help="Which plan is shown whole and written. (1)")
@click.option("--sources", is_flag=True, help="Where each range is from.")
@click.option("--from", "begin", metavar="TIME", help="Nothing before: 18:00, 'Fri 18:00', '2026-12-04 18:00'. (now)")
@click.option("--schedule", metavar="NAME", help="Another schedule than the box's own.")
@click.option("--calendar", "ics", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Write the best plan as a calendar file.")  # fmt: skip
@click.option("--page", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Write it as one page for the kitchen wall (HTML, to print).")  # fmt: skip
@click.option("--save", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE",
              help="Keep it for: kojimon batch start --plan FILE.")  # fmt: skip
@click.option("--batch", "going_on", is_flag=True,
              help="What is left of the open batch, from when its steps were done.")  # fmt: skip
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@incubator_option
@json_option
@config_option
def plan(
    purpose: str, want: str | None, vessel_l: float | None, rice_kg: float | None, koji_rice_kg: float | None,
    koji_kg: float | None, water: str | None, salt_kg: float | None, beans_kg: float | None, packet: str | None,
    tray: str | None, pick: int, sources: bool, begin: str | None, schedule: str | None, ics: Path | None,
    page: Path | None, save: Path | None, going_on: bool, force: bool, incubator: str, as_json: bool,
    config: str | None,
) -> None:  # fmt: skip
    """From what the koji is for to every amount, and a timetable with as little work at night as can be.

    One amount is enough. Each more you give takes the place of a usual ratio, and is held against what is published.
    """
    files = Files(ics, page, save)
    files.check(force)
    if going_on:
        _refuse_beside_batch()
        _rest(files, incubator, as_json, config)
        return
    settings, beside = _settings(config)
    box = _box(settings, incubator)
    chosen = _schedule(box, schedule, beside or Path())
    given = {
        "koji_rice_kg" if "all_rice_kg" not in PURPOSES[purpose].sums else "all_rice_kg": rice_kg,
        "koji_kg": koji_kg, "water_kg": water_kg(water), "salt_kg": salt_kg, "beans_kg": beans_kg,
        **wanted(purpose, want), "vessel_l": vessel_l,
    }  # fmt: skip
    if koji_rice_kg is not None:
        given = {
            "koji_rice_kg": koji_rice_kg,
            **{name: amount for name, amount in given.items() if name != "koji_rice_kg"},
        }
    own = _own(chosen, settings)
    mash = mash_of(purpose, chosen, given, packet, box, settings, own.ratio)
    kitchen = said.Kitchen(
        settings.units.pounds, len(box.trays), tray_area_m2(tray), box.rice_kg, settings.units.fahrenheit
    )
    now_ms = SystemClock(settings.clock_trusted).wall_ms()
    now = datetime.fromtimestamp(now_ms / 1000, zone_info(settings.person.zone)).replace(tzinfo=None)
    first = time_to_come(begin, now)
    person = settings.person
    found = timetable.plans(chosen, sleep_of(person), zoned(first, person.zone), known=Known(own.hours))
    picked = min(pick, len(found)) - 1
    if as_json:
        screen.print_json({"mash": to_builtins(mash), "plans": to_builtins(found)})
    else:
        said.print_mash(mash, chosen.grain, kitchen)
        if sources:
            said.print_sources(mash)
        if begin is not None and first == now:
            screen.say(f"\n{begin} has just passed: planned from now.", "look")
        print_plans(found, picked)
        screen.say(_by_which(purpose, chosen, own), "quiet")
        if beside is None:
            screen.say(_assumed(settings), "look")
    write_files(files, mash, found[picked], chosen, settings, box.box, kitchen)


def _refuse_beside_batch() -> None:
    """What only a new plan can follow is refused where the open batch is laid out."""
    context = click.get_current_context()
    for option in context.command.params:
        given = context.get_parameter_source(option.name or "") is ParameterSource.COMMANDLINE
        if given and option.name not in ("ics", "page", "force", "going_on", "as_json", "config", "incubator"):
            raise UsageError(
                f"{option.opts[0]} is for a new plan. --batch lays out what is left of the open batch, by its plan and "
                "by when its steps were done. Type: kojimon plan --batch"
            )


def _rest(files: Files, incubator: str, as_json: bool, config: str | None) -> None:
    """The timetable of the open batch: it moves with when its steps were done, and with what the engine says."""
    settings, beside = _settings(config)
    kitchen = open_kitchen(config)
    document = kitchen.state()
    box = incubator_of(document, incubator, batch=True)
    own_box = _box(settings, box.name) if beside else settings.incubators[0]
    schedule = _schedule(own_box, box.batch.schedule if box.batch else None, beside or Path())
    row = next(row for row in kitchen.batches() if row.id == box.batch_id)
    own, zone = _own(schedule, settings).hours, settings.person.zone
    begun = begun_of(box, document.now.utc, schedule, row.note, zone, own)
    rest, kept = rest_of(begun, sleep_of(settings.person))
    if as_json:
        screen.print_json(to_builtins(rest))
    else:
        by = "by when its steps were done" if begun.marks else "from now"
        print_rest(rest, row.name, "as planned" if kept else by)
    units = settings.units
    usual = said.Kitchen(units.pounds, max(1, len(box.trays)), None, row.rice_kg or 0.0, units.fahrenheit)
    note = row.note if root_of(row.note) else row.id
    write_files(files, None, rest, schedule, settings, own_box.box, usual, note, begun.done)


def _own(schedule: Schedule, settings: Settings) -> Own:
    from kojimon.journal.reading.reader import Reader

    path = Path(settings.journal.path)
    if not path.exists():
        return Own()
    with closing(Reader(path)) as reader:
        return own_of(schedule, reader)


def _box(settings: Settings, name: str) -> Incubator:
    """The box meant: the one named, or the only one."""
    found = [one for one in settings.incubators if name in ("", one.name)]
    if len(found) == 1:
        return found[0]
    known = ", ".join(one.name for one in settings.incubators)
    raise UsageError(f"There is no box {name!r}. There is: {known}." if name else
                     f"Which box? Add --incubator and one of {known}.")  # fmt: skip


def _schedule(box: Incubator, name: str | None, beside: Path) -> Schedule:
    if name is None:
        return box.schedule
    found = find_schedule(name, beside)
    if found is None:
        raise UsageError(f"There is no schedule {name!r}; there are {', '.join(known_schedules(beside))}.")
    return load_schedule(found)


def _settings(config: str | None) -> tuple[Settings, Path | None]:
    """The settings and the folder they lie in; without a file usual ones and no folder."""
    try:
        where = settings_file(config)
    except UsageError:
        if config:
            raise
    else:
        return load_settings(where), where.parent
    from kojimon.cli.setup.interview import guess_fahrenheit, guess_zone

    schedule, american = load_schedule(SHIPPED / "rice-koji-home-trays.yaml"), guess_fahrenheit()
    return Settings(
        site="kitchen", incubators=(Incubator("box", schedule),), probes=(), sources=(),
        schedules={schedule.name: schedule}, units=Units(american, american), person=Person(zone=guess_zone()),
    ), None  # fmt: skip


def _assumed(settings: Settings) -> str:
    person, units = settings.person, "°F and lb" if settings.units.pounds else "°C and kg"
    return (f"No settings file was found. Assumed: one tray, sleep {person.sleep_from} to {person.sleep_to}, zone "
            f"{person.zone}, {units}. To say your own: kojimon setup")  # fmt: skip


def _by_which(purpose: str, schedule: Schedule, own: Own) -> str:
    told = f"The hours are those of the schedule {schedule.name}."
    if own.hours:
        named = {name for name, _ in own.hours}
        mine = ", ".join(step.label for step in schedule.steps if step.name in named)
        told = f"{told} From your own batches: {mine}."
    for kind, its_own in OWN_SCHEDULES.items():
        if purpose.startswith(kind) and schedule.name != its_own:
            return f"{told} For {kind} there is one of its own: --schedule {its_own}"
    return told
