"""`kojimon plan`: how much of everything, and when to begin."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import click
from msgspec import to_builtins

from kojimon.cli.shared import mash as said
from kojimon.cli.shared import screen
from kojimon.cli.shared.kept_plan import KeptPlan, write_plan
from kojimon.cli.shared.opening import settings_file
from kojimon.cli.shared.options import MASS, VOLUME, AmountText, PlainCommand, config_option, example, json_option, tidy
from kojimon.clock import SystemClock
from kojimon.errors import KojimonError, UsageError
from kojimon.journal.records import BatchRow
from kojimon.mash.facts import GRAINS, PURPOSES, STARTER, Fact
from kojimon.mash.plan import Mash, TooFullError, plan_mash
from kojimon.planner.timetable import Plan, PlannedStep, Sleep, plans, zoned
from kojimon.schedule.load import SHIPPED, find_schedule, known_schedules, load_schedule
from kojimon.schedule.spec import Schedule
from kojimon.settings.load import load_settings
from kojimon.settings.spec import Incubator, Person, Settings, Units
from kojimon.units import median, parse_mass_kg, parse_volume_l, show_count, show_volume
from kojimon.words.speech import zone_info

AMOUNT_TEXT = AmountText("amount", float)
OWN_BATCHES = 3
"""So many harvested batches of a schedule, weighed, take the place of the published yield (judgement)."""

JUST_PAST = timedelta(hours=3)
"""A time of today that is over by no more than this was meant as now (judgement)."""
SAKE_SCHEDULE = "rice-koji-sake"
OWN_LEAST, OWN_MOST = 1.0, 1.42
"""Koji on dry grain: less was not weighed whole, more than steamed rice (a technologist's note: 142) cannot be."""


@click.command(
    cls=PlainCommand,
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
@click.option("--force", is_flag=True, help="Write over a file that is there.")
@json_option
@config_option
def plan(
    purpose: str, want: str | None, vessel_l: float | None, rice_kg: float | None, koji_rice_kg: float | None,
    koji_kg: float | None, water: str | None, salt_kg: float | None, beans_kg: float | None, packet: str | None,
    tray: str | None, pick: int, sources: bool, begin: str | None, schedule: str | None, ics: Path | None,
    page: Path | None, save: Path | None, force: bool, as_json: bool, config: str | None,
) -> None:  # fmt: skip
    """From what the koji is for to every amount, and a timetable with as little work at night as can be.

    One amount is enough. Each more you give takes the place of a usual ratio, and is held against what is published.
    """
    for file in (ics, page, save):
        if file is not None and file.exists() and not force:
            raise UsageError(f"{file} is there already; give another name, or --force to write over it.")
    settings, beside = _settings(config)
    box = settings.incubators[0]
    chosen = _schedule(settings, schedule, beside or Path())
    given = {
        "koji_rice_kg" if "all_rice_kg" not in PURPOSES[purpose].sums else "all_rice_kg": rice_kg,
        "koji_kg": koji_kg, "water_kg": _water(water), "salt_kg": salt_kg, "beans_kg": beans_kg,
        **_wanted(purpose, want), "vessel_l": vessel_l,
    }  # fmt: skip
    if koji_rice_kg is not None:
        given = {
            "koji_rice_kg": koji_rice_kg,
            **{name: amount for name, amount in given.items() if name != "koji_rice_kg"},
        }
    mash = _mash(purpose, chosen, given, packet, box, settings)
    kitchen = said.Kitchen(
        settings.units.pounds, len(box.trays), _area_m2(tray), box.rice_kg, settings.units.fahrenheit
    )
    now_ms = SystemClock(settings.clock_trusted).wall_ms()
    now = datetime.fromtimestamp(now_ms / 1000, zone_info(settings.person.zone)).replace(tzinfo=None)
    first = _begin(begin, now)
    found = plans(chosen, _sleep(settings), zoned(first, settings.person.zone))
    picked = min(pick, len(found)) - 1
    if as_json:
        screen.print_json({"mash": to_builtins(mash), "plans": to_builtins(found)})
    else:
        said.print_mash(mash, chosen.grain, kitchen)
        if sources:
            said.print_sources(mash)
        if begin is not None and first == now:
            screen.say(f"\n{begin} has just passed: planned from now.", "look")
        _timetables(found, picked)
        screen.say(_by_which(purpose, chosen), "quiet")
        if beside is None:
            screen.say(_assumed(settings), "look")
    _write(ics, page, save, mash, found[picked], chosen, settings, kitchen)


def _mash(
    purpose: str,
    schedule: Schedule,
    given: dict[str, float | None],
    packet: str | None,
    box: Incubator,
    settings: Settings,
) -> Mash:
    known = {name: amount for name, amount in given.items() if amount is not None}
    if schedule.grain not in GRAINS:
        raise UsageError(f"Schedule {schedule.name} does not say what it grows on. Add a line: grain: table-rice")
    usual = {"koji_rice_kg": box.rice_kg or 2.0}
    if not known and GRAINS[schedule.grain].koji is None and purpose != "koji":
        raise UsageError(
            f"What {GRAINS[schedule.grain].label} gives as koji is not published: give an amount, as in --koji 2 kg"
        )
    try:
        starter = said.packet(packet) if packet else STARTER
        return plan_mash(purpose, schedule.grain, known or usual, starter, _own_yield(schedule, settings))
    except TooFullError as error:
        raise KojimonError(_too_full(error, purpose, schedule, settings)) from error
    except ValueError as error:
        raise UsageError(f"{str(error)[0].upper()}{str(error)[1:]}.") from error


def _too_full(error: TooFullError, purpose: str, schedule: Schedule, settings: Settings) -> str:
    pounds = settings.units.pounds
    fits = plan_mash(purpose, schedule.grain, {"vessel_l": error.vessel_l})
    product = said.show(PURPOSES[purpose].product, fits.amounts[PURPOSES[purpose].product], pounds)
    return (f"It does not fit: {show_volume(error.volume_l, pounds)} in a vessel of "
            f"{show_volume(error.vessel_l, pounds)}. "
            f"With room to rise that vessel gives {product}. Type: kojimon plan --for {purpose} --vessel "
            f"...")  # fmt: skip


def _own_yield(schedule: Schedule, settings: Settings) -> Fact | None:
    """Koji on dry grain as the harvested batches of this schedule gave it, once there are enough."""
    from kojimon.journal.reading.reader import Reader

    path = Path(settings.journal.path)
    if not path.exists():
        return None
    reader = Reader(path)
    try:
        return own_yield(reader.batches(), schedule.name)
    finally:
        reader.close()


def own_yield(batches: Iterable[BatchRow], schedule: str) -> Fact | None:
    """Koji on dry grain as harvested, weighed batches of a schedule gave it; None for fewer than three.

    Only what was inoculated and can be counts.
    """
    mine = [
        row for row in batches if row.schedule == schedule and row.outcome == "harvest" and row.hour0_t_ms is not None
    ]
    own = [row.yield_kg / row.rice_kg for row in mine if row.yield_kg and row.rice_kg]
    own = [ratio for ratio in own if OWN_LEAST <= ratio <= OWN_MOST]
    if len(own) < OWN_BATCHES:
        return None
    return Fact(min(own), median(own), max(own), f"your own {len(own)} batches")


def _wanted(purpose: str, want: str | None) -> dict[str, float]:
    if want is None:
        return {}
    text = tidy(want)
    try:
        litres = parse_volume_l(text)
    except ValueError:
        try:
            mass = parse_mass_kg(text)
        except ValueError as error:
            raise UsageError(
                f"--want {want!r}: wanted an amount with its unit, as in 5 L, 1 gal, 2 kg or 4 lb{_either(error)}."
            ) from error
        if purpose.startswith("sake"):
            raise UsageError(f"--want {want!r}: sake goes by volume, as in 5 L or 1 gal.") from None
        return {PURPOSES[purpose].product: mass}
    if purpose == "koji":
        raise UsageError(f"--want {want!r}: koji goes by weight, as in 2 kg or 4 lb.")
    return {PURPOSES[purpose].product if purpose.startswith("sake") else "volume_l": litres}


def _water(text: str | None) -> float | None:
    """Water as kg, of which a litre is one."""
    if text is None:
        return None
    try:
        return parse_volume_l(tidy(text))
    except ValueError:
        try:
            return parse_mass_kg(tidy(text))
        except ValueError as error:
            raise UsageError(
                f"--water {text!r}: wanted an amount with its unit, as in 5 L, 1 gal or 2 kg{_either(error)}."
            ) from error


def _either(error: ValueError) -> str:
    return f"; {error}" if "two ways" in str(error) else ""


def _area_m2(text: str | None) -> float | None:
    if text is None:
        return None
    match = re.fullmatch(
        r"(\d+(?:[.,]\d+)?)\s*(?:x|by|\*|×)\s*(\d+(?:[.,]\d+)?)\s*(cm|in|inch|inches|mm)", text.strip().lower()
    )
    if match is None:
        raise UsageError(f"--tray {text!r}: wanted length and width with a unit, as in '12 x 16 in' or '30 x 40 cm'.")
    sides = [
        float(side.replace(",", ".")) * {"cm": 0.01, "mm": 0.001}.get(match[3], 0.0254) for side in match.group(1, 2)
    ]
    if not all(0.05 <= side <= 3 for side in sides):
        raise UsageError(f"--tray {text!r}: wanted sides of 5 cm to 3 m (2 in to 10 ft).")
    return sides[0] * sides[1]


def _schedule(settings: Settings, name: str | None, beside: Path) -> Schedule:
    if name is None:
        return settings.incubators[0].schedule
    found = find_schedule(name, beside)
    if found is None:
        raise UsageError(f"There is no schedule {name!r}; there are {', '.join(known_schedules(beside))}.")
    return load_schedule(found)


def _sleep(settings: Settings) -> Sleep:
    first, last = (int(t[:2]) * 60 + int(t[3:]) for t in (settings.person.sleep_from, settings.person.sleep_to))
    return Sleep(first, last)


def _begin(text: str | None, now: datetime) -> datetime:
    """The next such time of day, on the named weekday or date where one is given; just past is now."""
    if text is None:
        return now
    wrong = UsageError(f"--from {text!r}: expected a time to come, as in 18:00, 'Fri 18:00' or '2026-12-04 18:00'.")
    if re.match(r"\d{4}-", text.strip()):
        try:
            at = datetime.strptime(text.strip().replace("T", " "), "%Y-%m-%d %H:%M")  # noqa: DTZ007 - a wall clock
        except ValueError as error:
            raise wrong from error
        if now - JUST_PAST <= at < now:
            return now
        if not now <= at <= now + timedelta(days=366):
            raise UsageError(f"--from {text!r}: expected a date to come, within a year.")
        return at
    parts = text.split()
    try:
        clock = datetime.strptime(parts[-1], "%H:%M")  # noqa: DTZ007 - a time of day, no instant
        days = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
        day = days.index(parts[0][:3].lower()) if len(parts) > 1 else None
    except (ValueError, IndexError) as error:
        raise wrong from error
    at = now.replace(hour=clock.hour, minute=clock.minute, second=0, microsecond=0)
    if now - JUST_PAST <= at < now and day in (None, at.weekday()):
        return now
    while at < now or (day is not None and at.weekday() != day):
        at += timedelta(days=1)
    return at


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


def _by_which(purpose: str, schedule: Schedule) -> str:
    told = f"The hours are those of the schedule {schedule.name}."
    sake = purpose.startswith("sake") and schedule.name != SAKE_SCHEDULE
    return f"{told} For sake there is one of its own: --schedule {SAKE_SCHEDULE}" if sake else told


def _date(at: datetime) -> str:
    return f"{at:%a} {at.day} {at:%b}"


def _timetables(found: list[Plan], picked: int) -> None:
    screen.say(f"\nPlan {picked + 1}: {_headline(found[picked])}", "head")
    screen.table((f"from {_date(found[picked].steps[0].at)}", "", "can be done"), _times(found[picked]))
    screen.say("Likely, not promised: there the koji decides, and kojimon says when it comes.", "quiet")
    for number, one in enumerate(found):
        if number != picked:
            screen.say(
                f"Or plan {number + 1} (--pick {number + 1}): begin {_date(one.steps[0].at)} {one.steps[0].at:%H:%M}, "
                f"{_headline(one)}"
            )


def _headline(one: Plan) -> str:
    night = [step for step in one.steps if not step.optional and _at_night(step)]
    tail = "; ".join(f"{step.label}: {_at_night(step)}" for step in night) or "nothing falls into your sleep"
    return f"spores on {_date(one.inoculate)} {one.inoculate:%H:%M}; {tail}"


def _times(one: Plan) -> list[tuple[str, str, str]]:
    rows = []
    for step in one.steps:
        same = f"{step.closes:%H:%M}" if step.opens.date() == step.closes.date() else f"{step.closes:%a %H:%M}"
        window = "" if step.opens == step.closes else f"{step.opens:%a %H:%M} to {same}"
        marks = [window, "likely" if step.koji_decides else "", "optional" if step.optional else "", _at_night(step)]
        rows.append((f"{step.at:%a %H:%M}", step.label, ", ".join(filter(None, marks))))
    return rows


def _at_night(step: PlannedStep) -> str:
    if step.asleep and not step.koji_decides:
        return "in your sleep"
    chances = min(9, max(1, round(10 * step.chance))) if step.chance else 0
    return f"{show_count(chances, 'chance', 'chances')} in 10 that it is in your sleep" if chances else ""


def _write(
    ics: Path | None, page: Path | None, save: Path | None, mash: Mash, best: Plan, schedule: Schedule,
    settings: Settings, kitchen: said.Kitchen,
) -> None:  # fmt: skip
    what = PURPOSES[mash.purpose].label
    if ics is not None:
        from kojimon.planner.calendar import calendar

        made = datetime.fromtimestamp(SystemClock().wall_ms() / 1000, UTC)
        kind = settings.incubators[0].box.kind if len(settings.incubators) == 1 else "unknown"
        advice = {step.name: "\n".join((*step.advice_for(kind), *step.cautions)) for step in schedule.steps}
        ics.write_bytes(calendar(best, settings.site, made, _sleep(settings), advice))
        screen.say(f"The plan is written to {ics}.", "good")
    if page is not None:
        from kojimon.planner.wall import Table, wall

        labels = said.KOJI_LABELS if mash.purpose == "koji" else {**said.LABELS, "starter_kg": "Starter (spores)"}
        rows = [row[:3] for row in said.rows_of(mash, labels, kitchen)]
        notes = [*said.warnings(mash, schedule.grain, kitchen), *schedule.cautions]
        head = f"When, from {_date(best.steps[0].at)}"
        tables: list[tuple[str, Table]] = [("", rows)]
        if stages := said.stage_rows(mash, kitchen):
            tables += [("Addition by addition (rice weighed dry)", [said.STAGE_COLUMNS, *stages])]
        tables += [(head, [["☐", *row] for row in _times(best)])]
        page.write_text(wall(f"{what}: {schedule.label}", tables, notes), encoding="utf-8")
        screen.say(f"The page for the wall is {page}.", "good")
    if save is not None:
        note = f"{what}. Spores planned for {best.inoculate:%a %d %b %H:%M}."
        write_plan(save, KeptPlan(schedule.name, note, mash.amounts.get("koji_rice_kg")))
        if schedule.name not in settings.schedules:
            screen.say(f"To begin with {schedule.name} your settings must name it: schedule: {schedule.name}", "look")
        screen.say(f"Kept. When you begin: kojimon batch start --plan {save}", "good")
