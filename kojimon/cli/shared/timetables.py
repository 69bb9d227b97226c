"""A timetable as a person reads it, and the files that are made of it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

from msgspec import Struct

from kojimon.cli.shared import mash as said
from kojimon.cli.shared import screen
from kojimon.clock import SystemClock
from kojimon.errors import UsageError
from kojimon.mash.facts import PURPOSES
from kojimon.mash.plan import Mash
from kojimon.planner.kept_plan import KeptPlan, note_of, root_of, write_plan
from kojimon.planner.nights import sleep_of
from kojimon.planner.timetable import Plan, PlannedStep
from kojimon.schedule.spec import Schedule
from kojimon.settings.spec import Box, Settings
from kojimon.units import show_count
from kojimon.words.speech import small_first


def _date(at: datetime) -> str:
    return f"{at:%a} {at.day} {at:%b}"


def print_plans(found: list[Plan], picked: int) -> None:
    """The picked plan whole, the others in a line each."""
    screen.say(f"\nPlan {picked + 1}: {_headline(found[picked])}", "head")
    _print_times(found[picked])
    for number, one in enumerate(found):
        if number != picked:
            screen.say(
                f"Or plan {number + 1} (--pick {number + 1}): begin {_date(one.steps[0].at)} {one.steps[0].at:%H:%M}, "
                f"{_headline(one)}"
            )


def print_rest(rest: Plan, batch: str, by: str) -> None:
    """What is left of a batch, and by which times."""
    if not rest.steps:
        screen.say(f"Nothing is left to do of batch {batch} but to end it.", "head")
        return
    screen.say(f"What is left of batch {batch}, {by}:", "head")
    _print_times(rest)


def _print_times(one: Plan) -> None:
    screen.table((f"from {_date(one.steps[0].at)}", "", "can be done"), _times(one))
    if any(step.koji_decides for step in one.steps):
        screen.say("Likely, not promised: there the koji decides, and kojimon says when it comes.", "quiet")


def _headline(one: Plan) -> str:
    night = [step for step in one.steps if not step.optional and _at_night(step)]
    tail = "; ".join(f"{step.label}: {_at_night(step)}" for step in night) or "nothing falls into your sleep"
    return f"spores on {_date(one.inoculate)} {one.inoculate:%H:%M}; {tail}"


def _times(one: Plan) -> list[tuple[str, str, str]]:
    rows = []
    for step in one.steps:
        same = f"{step.closes:%H:%M}" if step.opens.date() == step.closes.date() else f"{step.closes:%a %H:%M}"
        window = "" if step.opens == step.closes else f"{step.opens:%a %H:%M} to {same}"
        window = f"was due by {step.closes:%a %H:%M}" if step.closes < step.at else window
        marks = [window, "likely" if step.koji_decides else "", "optional" if step.optional else "", _at_night(step)]
        rows.append((f"{step.at:%a %H:%M}", step.label, ", ".join(filter(None, marks))))
    return rows


def _at_night(step: PlannedStep) -> str:
    if step.asleep and not step.koji_decides:
        return "in your sleep"
    chances = min(9, max(1, round(10 * step.chance))) if step.chance else 0
    return f"{show_count(chances, 'chance', 'chances')} in 10 that it is in your sleep" if chances else ""


class Files(Struct, frozen=True):
    """Where a calendar, a page for the wall, and what `batch start --plan` reads are to be written; None: not."""

    calendar: Path | None = None
    page: Path | None = None
    save: Path | None = None

    def check(self, force: bool) -> None:
        """Raises UsageError where one would be written over."""
        for file in (self.calendar, self.page, self.save):
            if file is not None and file.exists() and not force:
                raise UsageError(f"{file} is there already; give another name, or --force to write over it.")


def write_files(
    files: Files, mash: Mash | None, best: Plan, schedule: Schedule, settings: Settings, box: Box,
    kitchen: said.Kitchen, note: str = "", done: Mapping[str, int] = {},
) -> None:  # fmt: skip
    """The files that were asked for.

    Args:
        mash: None for the rest of a batch whose rice is not known. note: of the batch that goes on, "" for a plan.
        done: how often each of its steps was done.
    """
    note = note or note_of(PURPOSES[mash.purpose].label if mash else schedule.label, best.inoculate,
                           best.steps[0].at)  # fmt: skip
    if files.calendar is not None:
        from kojimon.planner.calendar import advice_of, calendar

        made = datetime.fromtimestamp(SystemClock().wall_ms() / 1000, UTC)
        advice, root = advice_of(schedule, box.kind, box.cover), root_of(note) or note
        files.calendar.write_bytes(calendar(best, settings.site, made, sleep_of(settings.person), advice, root, done))
        screen.say(f"The plan is written to {files.calendar}.", "good")
    if files.page is not None:
        _wall(files.page, mash, best, schedule, kitchen)
        screen.say(f"The page for the wall is {files.page}.", "good")
    if files.save is not None and mash is not None:
        write_plan(files.save, KeptPlan(schedule.name, note, mash.amounts.get("koji_rice_kg")))
        if schedule.name not in settings.schedules:
            screen.say(f"To begin with {schedule.name} your settings must name it: schedule: {schedule.name}", "look")
        first = small_first(best.steps[0].label)
        screen.say(f"Kept. When you begin ({first}): kojimon batch start --plan {files.save}", "good")


def _wall(file: Path, mash: Mash | None, best: Plan, schedule: Schedule, kitchen: said.Kitchen) -> None:
    from kojimon.planner.wall import Table, wall

    title, tables, notes = schedule.label, list[tuple[str, Table]](), [*schedule.cautions]
    if mash is not None:
        title = f"{PURPOSES[mash.purpose].label}: {title}"
        labels = said.KOJI_LABELS if mash.purpose == "koji" else {**said.LABELS, "starter_kg": "Starter (spores)"}
        tables = [("", [row[:3] for row in said.rows_of(mash, labels, kitchen)])]
        notes = [*said.warnings(mash, schedule.grain, kitchen), *notes]
        if stages := said.stage_rows(mash, kitchen):
            tables += [("Addition by addition (rice weighed dry)", [said.STAGE_COLUMNS, *stages])]
    head = f"When, from {_date(best.steps[0].at)}" if best.steps else "Nothing is left to do"
    tables += [(head, [["☐", *row] for row in _times(best)])]
    file.write_text(wall(title, tables, notes), encoding="utf-8")
