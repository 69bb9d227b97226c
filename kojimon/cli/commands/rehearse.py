"""`kojimon rehearse`: a recorded curve, or a batch, through a schedule: what would have been said, and when?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click
from msgspec import to_builtins
from msgspec.structs import replace

from kojimon.cli.shared import screen
from kojimon.cli.shared.batches import HOUR_MS, batch_of
from kojimon.cli.shared.opening import any_settings, open_kitchen, reader_of, settings_file
from kojimon.cli.shared.options import config_option, example, json_option, unit_option
from kojimon.contract.events import AlarmChange, MixGuess, ProbeBack, Reading, StepDue, StepOpen
from kojimon.errors import UsageError
from kojimon.model import BoxKind, Cover, plain_event
from kojimon.settings.spec import Box
from kojimon.words import status as words
from kojimon.words.events import Line, Teller
from kojimon.words.speech import Speech

if TYPE_CHECKING:
    from kojimon.model import Event
    from kojimon.rehearsal import Rehearsal
    from kojimon.schedule.spec import Schedule

Document = dict[str, object]
FOLDED = (AlarmChange, MixGuess, StepDue, StepOpen)
ALIKE_TOLD = 3
"""So many lines of a kind are told one by one."""
SPARSE = (
    "too few readings for a probe, so they are taken as read by hand. Each counts for half an hour; between them"
    " nothing is known."
)


@click.command(
    epilog=example(
        "kojimon rehearse last.csv --schedule rice-koji-sake",
        "kojimon rehearse last.csv --schedule mine.yaml --json",
        "kojimon rehearse --batch box-12",
    )
)
@click.argument("curve", required=False, type=click.Path(path_type=Path, dir_okay=False))
@click.option("--schedule", metavar="FILE", help="A schedule file, or the name of one that came with kojimon.")
@click.option(
    "--batch",
    metavar="ID",
    help="A batch of the journal instead of a curve file. Without --schedule: exactly as it was.",
)
@click.option(
    "--box", "kind", type=click.Choice([one.value for one in BoxKind]), metavar="KIND",
    help=f"What kind of box it was: {', '.join(BoxKind)}. (your own, or unknown)",
)  # fmt: skip
@click.option(
    "--cover", type=click.Choice([one.value for one in Cover]), metavar="COVER",
    help=f"How the rice was covered: {', '.join(Cover)}. (your own, or unknown)",
)  # fmt: skip
@click.option("--from-start", is_flag=True, help="The spores went on at the curve's first line.")
@unit_option
@json_option
@config_option
def rehearse(
    curve: Path | None, schedule: str | None, batch: str | None, kind: str | None, cover: str | None, from_start: bool,
    unit: str | None, as_json: bool, config: str | None,
) -> None:  # fmt: skip
    """Run a recorded curve (a file, or a batch of the journal) through a schedule and print the events."""
    if (curve is None) == (batch is None):
        raise click.UsageError("Name a curve file, or a batch with --batch ID.")
    if curve is not None and schedule is None:
        raise click.UsageError(f"By which schedule? Add --schedule and a file or one of: {', '.join(_known(config))}.")
    if batch is not None and (kind or cover):
        raise click.UsageError("A batch was recorded with its box; --box and --cover are for curve files.")
    from kojimon.journal.reading.curve_file import BY_HAND
    from kojimon.rehearsal import INCUBATOR

    speech = _speech(config, unit)
    if batch is not None:
        _batch(batch, schedule, config, unit, as_json)
        return
    assert curve is not None and schedule is not None
    plan = load(schedule, config)
    box = _box(config, kind, cover)
    result = _curve(curve, plan, from_start, config, box)
    probes = {track.name: (track.place, track.tray) for track in result.tracks}
    speech = replace(speech, kinds={INCUBATOR: box[0]}, probes=probes)
    if as_json:
        screen.print_json({"schedule": plan.name, "unknown_steps": result.unknown_steps, "events": _rows(result)})
        return
    screen.say(f"{curve} under {plan.label}:", "head")
    if result.unknown_steps:
        unknown, known = ", ".join(result.unknown_steps), ", ".join(step.name for step in plan.steps)
        screen.say(f"Left out, the schedule has no such step: {unknown}. It has {known}.", "look")
    for track in result.tracks:
        if track.by_hand and not track.name.endswith(BY_HAND):
            screen.say(f"{track.name}: {SPARSE}", "look")
    tell(result, speech.knowing(plan.steps, plan.stages))


def _curve(curve: Path, plan: Schedule, from_start: bool, config: str | None, box: tuple[str, str]) -> Rehearsal:
    from kojimon.core.advance import advance
    from kojimon.journal.reading.curve_file import read_curve
    from kojimon.rehearsal import recording_of, rehearse_curve

    recording = recording_of(read_curve(curve, _places(config)), from_start)
    with screen.progress("Rehearsing", len(recording.readings) + len(recording.steps) + 3) as bar:
        return rehearse_curve(recording, plan, advance, bar, *box)


def _batch(batch: str, schedule: str | None, config: str | None, unit: str | None, as_json: bool) -> None:
    from kojimon.core.advance import advance
    from kojimon.rehearsal import rehearse_batch
    from kojimon.web.api.stamps import stamped

    kitchen = open_kitchen(config)
    row = batch_of(kitchen, batch)
    plan = load(schedule, config) if schedule else None
    with reader_of(kitchen) as journal:
        until_no = journal.last_event()  # a daemon may go on writing
        with screen.progress(f"Rehearsing {row.id}", max(1, journal.last_seq())) as bar:
            result = rehearse_batch(journal, row.id, plan, advance, bar)
        utc_of = journal.stamps().utc_ms
        result = replace(result, events=tuple(stamped(event, utc_of) for event in result.events))
        own = [event for event in journal.events(batch=row.id, limit=10**9) if event.no <= until_no]
    again = [event for event in result.events if event.no <= until_no]
    same = plan is None and [_alike(event) for event in own] == [_alike(event) for event in again]
    if as_json:
        about = {"batch": row.id, "schedule": plan.name if plan else row.schedule}
        screen.print_json({**about, "same": same if plan is None else None, "events": _rows(result)})
        return
    under = f" under {plan.label}" if plan else ""
    screen.say(f"Batch {row.name} ({row.id}){under}:", "head")
    speech = words.speech_of(kitchen.state())
    if unit is not None:
        speech = replace(speech, fahrenheit=unit == "F")
    tell(result, speech.knowing(plan.steps, plan.stages) if plan else speech)
    if plan is None and same:
        screen.say(f"\nThe same {len(own)} events as when it happened.", "good")
    elif plan is None:
        screen.say(f"\nNot the same as when it happened: {len(own)} events then. Another version of kojimon?", "look")


def _alike(event: Event) -> Event:
    """An event as it can be compared with its stored copy."""
    return replace(event, batch="", utc=None)


def _rows(result: Rehearsal) -> list[Document]:
    return [{"hour": _hour(event, result, 4), **to_builtins(plain_event(event))} for event in result.events]


def _hour(event: Event, result: Rehearsal, digits: int) -> float | None:
    return None if result.hour0_t_ms is None else round((event.t_ms - result.hour0_t_ms) / HOUR_MS, digits)


def tell(result: Rehearsal, speech: Speech) -> None:
    """Events with their hours, in words; calls of an alarm that still holds are told in the line they repeat, and so
    are lines of a kind that come again and again."""
    teller = Teller(speech)
    told: list[tuple[Line, list[float | None]]] = []
    called: dict[tuple[str, str], int] = {}
    alike: dict[tuple[str, ...], list[int]] = {}
    for event in result.events:
        what, hour = event.what, _hour(event, result, 2)
        line = None if _of_then(event, curve=bool(result.tracks)) else teller.tell(event)
        if isinstance(what, AlarmChange) and what.event == "re" and (event.incubator, event.key) in called:
            told[called[event.incubator, event.key]][1].append(hour)
        elif line is not None:
            if isinstance(what, AlarmChange):
                called[event.incubator, event.key] = len(told)
            if isinstance(what, FOLDED):
                state = (what.event, what.to) if isinstance(what, AlarmChange) else ()
                alike.setdefault((event.incubator, event.kind, event.key, *state), []).append(len(told))
            told.append((line, [hour]))
    for first, *others in [group for group in alike.values() if len(group) > ALIKE_TOLD]:
        for index in others:
            told[first][1].extend(told[index][1])
            told[index][1].clear()
    rows = [(line, hours) for line, hours in told if hours]
    # Nobody was there to acknowledge a curve.
    unseen = ", not acknowledged" if result.tracks else "\n"
    cells = [[_shown(hours[0]), line.text.replace(unseen, "") + _again(hours[1:])] for line, hours in rows]
    screen.story([">hour", "what"], cells, [line.tone for line, _ in rows])


def _of_then(event: Event, curve: bool) -> bool:
    """Whether it says nothing to whoever looks back: a question of then, or what a curve has in it anyhow."""
    what = event.what
    if isinstance(what, Reading):
        return curve and what.beyond is None and what.probe_value is None
    return isinstance(what, ProbeBack) and event.key in ("asked", "said")


def _shown(hour: float | None) -> str:
    return "" if hour is None else f"{hour:.2f}"


def _again(hours: list[float | None]) -> str:
    often = "once" if len(hours) == 1 else f"{len(hours)} times"
    last = "" if not hours or hours[-1] is None else f", last at hour {hours[-1]:.2f}"
    return f" (repeated {often}{last})" if hours else ""


def load(name: str, config: str | None) -> Schedule:
    """A schedule by its file, or by its name beside the settings or among those that came with kojimon."""
    from kojimon.schedule.load import find_schedule, load_schedule

    path = Path(name)
    if path.suffix in (".yaml", ".yml") or path.exists():
        return load_schedule(path)
    found = find_schedule(name, _folder(config)) if name.replace("-", "").replace("_", "").isalnum() else None
    if found is None:
        raise UsageError(f"{name}: no such schedule. Expected a file, or one of: {', '.join(_known(config))}.")
    return load_schedule(found)


def _folder(config: str | None) -> Path:
    try:
        return settings_file(config).absolute().parent
    except UsageError:
        return Path.cwd()


def _known(config: str | None) -> list[str]:
    from kojimon.schedule.load import known_schedules

    return known_schedules(_folder(config))


def _places(config: str | None) -> dict[str, str]:
    """Place of each probe of the settings, for columns named after probes; none where no settings can be read."""
    settings = any_settings(config)
    return {probe.name: probe.place for probe in settings.probes} if settings else {}


def _box(config: str | None, kind: str | None, cover: str | None) -> tuple[str, str]:
    """Kind and cover as asked for; else those of the settings, where they have one box."""
    settings = any_settings(config)
    own = settings.incubators[0].box if settings and len(settings.incubators) == 1 else Box()
    return kind or own.kind, cover or own.cover


def _speech(config: str | None, unit: str | None) -> Speech:
    settings = any_settings(config)
    if settings is None:
        return Speech(fahrenheit=unit == "F")
    fahrenheit = settings.units.fahrenheit if unit is None else unit == "F"
    return Speech(fahrenheit=fahrenheit, pounds=settings.units.pounds, zone=settings.person.zone)
