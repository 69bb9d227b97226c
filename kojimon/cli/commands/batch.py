"""`kojimon batch`: start, mark steps, take back, correct, note, harvest, discard; list and show."""

from __future__ import annotations

from pathlib import Path

import click
from msgspec.structs import asdict

from kojimon.cli.shared import screen
from kojimon.cli.shared.batches import typed_as
from kojimon.cli.shared.kitchen import Kitchen, incubator_of, print_events
from kojimon.cli.shared.moments import moment_of, moment_options
from kojimon.cli.shared.opening import of_a_box, open_kitchen
from kojimon.cli.shared.options import (
    HOURS,
    MASS,
    TARE,
    TEMPERATURE,
    Saving,
    config_option,
    example,
    incubator_option,
    json_option,
    output_option,
)
from kojimon.cli.shared.steps import (
    entry_of,
    find_step,
    last_mark,
    not_in_passing,
    print_cautions,
    print_next,
    taken_back,
)
from kojimon.contract import acts
from kojimon.contract.batch_events import WEIGHED
from kojimon.contract.state import Box, Document
from kojimon.mash.facts import KEPT
from kojimon.model import plain_event
from kojimon.words import question
from kojimon.words import status as words


@click.group(
    epilog=example(
        "kojimon batch start first --rice 2 kg",
        "kojimon batch done inoculate",
        "kojimon batch done mix --ago 40 min",
        "kojimon batch harvest --yield 2.3 kg",
    ),
)
def batch() -> None:
    """Start a batch, mark the steps you have done, write notes, harvest."""


@batch.command(
    cls=Saving,
    epilog=example("kojimon batch start first --rice 2 kg", "kojimon batch start first --hours-ago 18 h"),
)
@click.argument("name", required=False, default="")
@click.option("--rice", "rice_kg", type=MASS, metavar="MASS", help="Dry rice: 2 kg, 4 lb.")
@click.option(
    "--hours-ago",
    "hours_ago_s",
    type=HOURS,
    metavar="TIME",
    help="The spores went on so long ago (start in mid-batch).",
)
@click.option("--schedule", metavar="NAME", help="Another schedule than the box's own.")
@click.option("--note", metavar="TEXT", help="A first note.")
@click.option("--plan", metavar="FILE", help="What `kojimon plan --save FILE` kept: rice, schedule, what it is for.")
@incubator_option
@config_option
def start(
    name: str, rice_kg: float | None, hours_ago_s: float | None, schedule: str | None, note: str | None,
    plan: str | None, incubator: str, config: str | None,
) -> None:  # fmt: skip
    """Open a batch, before the rice is cool or in the middle of it."""
    if plan is not None:
        from kojimon.planner.kept_plan import read_plan

        kept = read_plan(Path(plan))
        rice_kg, schedule = rice_kg or kept.rice_kg, schedule or kept.schedule
        note = f"{kept.note} {note}" if note else kept.note
    kitchen = open_kitchen(config)
    box = incubator_of(kitchen.state(), incubator)
    begun = acts.BatchStart(
        name=name, rice_kg=rice_kg, hour0_ago_s=hours_ago_s, schedule=schedule or "", note=note or ""
    )
    said = print_events(kitchen, kitchen.act(begun, box.name))
    _after(kitchen, box.name, said, cautions=True)
    from kojimon.cli.commands.calibrations import print_old

    print_old(kitchen)
    if kitchen.live:
        from kojimon.cli.commands.night_check import print_night_check

        print_night_check(kitchen)


@batch.command(
    cls=Saving,
    epilog=example(
        "kojimon batch done inoculate --thermometer 31 C",
        "kojimon batch done mix --at 14:20",
        "kojimon batch done mix --ago 40 min",
    ),
)
@click.argument("step")
@moment_options
@click.option(
    "--thermometer", "value_c", type=TEMPERATURE, metavar="TEMP", help="What a kitchen thermometer shows: 31 C, 88 F."
)
@click.option("--override", metavar="REASON", help="Do it although it is not cool enough; the reason is saved.")
@of_a_box(batch=True)
def done(
    kitchen: Kitchen, document: Document, box: Box, step: str, at: str | None, ago_s: float | None,
    value_c: float | None, override: str | None,
) -> None:  # fmt: skip
    """Mark a step as done, now or at a time that has passed."""
    found = find_step(box, step)
    when = moment_of(document, at, ago_s)
    done = acts.StepDone(step=found.name, at_ago_s=when, value_c=value_c, override=override or "")
    said = print_events(kitchen, kitchen.act(done, box.name))
    if value_c is not None and not found.gate:
        screen.say(
            "The thermometer's value was not used: this step asks for no temperature. To save it: kojimon batch "
            "note 'thermometer ...'",
            "look",
        )
    _question(kitchen, box.name)
    _after(kitchen, box.name, said)


def _question(kitchen: Kitchen, incubator: str) -> None:
    """How what is asked is answered."""
    document = kitchen.state()
    asked = question.open_question(incubator_of(document, incubator), words.speech_of(document), document.now.utc)
    if asked is not None:
        screen.say(asked.command, "quiet")


@batch.command(
    cls=Saving,
    epilog=example("kojimon batch mixed", "kojimon batch mixed --at 14:20", "kojimon batch mixed --no"),
)
@click.option("--no", "denied", is_flag=True, help="It was something else.")
@moment_options
@of_a_box(batch=True)
def mixed(
    kitchen: Kitchen, document: Document, box: Box, denied: bool, at: str | None, ago_s: float | None
) -> None:
    """Answer whether the koji was mixed when it cooled suddenly: then, at another time, or not at all.

    Until it is answered the next steps count from that moment.
    """
    when = moment_of(document, at, ago_s)
    if denied and when is not None:
        raise click.UsageError("Either --no, or when it was mixed.")
    asked = box.question.at_t_ms if box.question and box.question.key == "mix-guess" else None
    said = print_events(kitchen, kitchen.act(acts.MixReply(mixed=not denied, guess_ms=asked, at_ago_s=when), box.name))
    _question(kitchen, box.name)
    _after(kitchen, box.name, said)


@batch.command(
    cls=Saving,
    epilog=example("kojimon batch undo", "kojimon batch undo mix", "kojimon undo reading", "kojimon undo weight"),
)
@click.argument("step", required=False, default="", metavar="[STEP|reading|weight]")
@of_a_box(batch=False)
def undo(kitchen: Kitchen, document: Document, box: Box, step: str) -> None:
    """Take back what was entered last (a step, a reading, a weight), or the last of one kind: it was not so.

    A harvest, or a batch thrown away, is taken back for a day, before the next batch begins: the watch goes on. What
    is over an hour old, or ends the watch, must be named: kojimon undo inoculate.
    """
    entry = entry_of(box, step, document)
    if not step:
        not_in_passing(kitchen, document, box, entry)
    said = print_events(kitchen, kitchen.act(taken_back(entry, step, box, document), box.name))
    _after(kitchen, box.name, said)


@batch.command(cls=Saving, epilog=example("kojimon batch correct mix --at 14:20"))
@click.argument("step")
@moment_options
@of_a_box(batch=True)
def correct(
    kitchen: Kitchen, document: Document, box: Box, step: str, at: str | None, ago_s: float | None
) -> None:
    """Say when a step was really done."""
    mark = last_mark(find_step(box, step, "correct"))
    moment = moment_of(document, at, ago_s)
    if moment is None:
        raise click.UsageError("Say when it was done: --at 14:20 or --ago 40 min.")
    said = print_events(kitchen, kitchen.act(acts.StepCorrect(mark=mark.mark, at_ago_s=moment), box.name))
    _after(kitchen, box.name, said)


@batch.command(cls=Saving, epilog=example("kojimon batch note smells of chestnuts"))
@click.argument("text", nargs=-1, required=True)
@moment_options
@of_a_box(batch=True)
def note(
    kitchen: Kitchen, document: Document, box: Box, text: tuple[str, ...], at: str | None, ago_s: float | None
) -> None:
    """Save a note: what you saw, smelt or did."""
    seen = acts.BatchNote(text=" ".join(text), at_ago_s=moment_of(document, at, ago_s))
    print_events(kitchen, kitchen.act(seen, box.name))


@batch.command(cls=Saving, epilog=example("kojimon batch heat off", "kojimon batch heat on", "kojimon batch heat 86 F"))
@click.argument("to", nargs=-1, required=True, metavar="off|on|TEMPERATURE")
@of_a_box(batch=True)
def heat(kitchen: Kitchen, document: Document, box: Box, to: tuple[str, ...]) -> None:
    """Say that you switched the box's heat off or on, or set it anew: kojimon cannot see it, and asks for it else."""
    said = " ".join(to)
    to_c = None if said in ("off", "on") else TEMPERATURE.convert(said, None, click.get_current_context())
    print_events(kitchen, kitchen.act(acts.Setpoint(to_c=to_c, off=said == "off"), box.name))


@batch.command(
    cls=Saving,
    epilog=example(
        "kojimon batch weigh 5.9 lb --as soaked",
        "kojimon batch weigh 2.6 kg --as work --tare 400 g --ago 10 min",
        "kojimon batch weigh",
    ),
)
@click.argument("amount", nargs=-1, metavar="[MASS]")
@click.option("--as", "stage", type=click.Choice(list(WEIGHED)), metavar="STAGE",
              help=f"What it is: {', '.join(WEIGHED)} (seeded: with the spores; work: at a mixing).")  # fmt: skip
@click.option("--tare", "tare_kg", type=TARE, metavar="MASS",
              help="What the empty vessel weighs; taken off from then on, until you say another, or 0.")  # fmt: skip
@moment_options
@incubator_option
@config_option
def weigh(
    amount: tuple[str, ...], stage: str | None, tare_kg: float | None, at: str | None, ago_s: float | None,
    incubator: str, config: str | None,
) -> None:  # fmt: skip
    """Keep a weight, and see what the weights say: uptake, water lost, moisture. Without one, only see."""
    if bool(amount) != bool(stage):
        raise click.UsageError("Say what it is, as in: kojimon batch weigh 5.9 lb --as soaked")
    kitchen = open_kitchen(config)
    document = kitchen.state()
    box = incubator_of(document, incubator)
    if box.ended is None:
        box = incubator_of(document, incubator, batch=True)
    if stage:
        deed = acts.BatchWeigh(
            stage=stage, kg=MASS.convert(" ".join(amount), None, None), tare_kg=tare_kg,
            at_ago_s=moment_of(document, at, ago_s),
        )  # fmt: skip
        print_events(kitchen, kitchen.act(deed, box.name))
    _say_scale(kitchen, box.batch_id if box.batch or box.ended is None else box.ended.id, config)


def _say_scale(kitchen: Kitchen, batch_id: str, config: str | None) -> None:
    from kojimon.cli.shared.batches import batch_of
    from kojimon.cli.shared.weights import grain_of, print_scale

    row = batch_of(kitchen, batch_id)
    print_scale(kitchen, row, grain_of(row.schedule, config), words.speech_of(kitchen.state()).pounds)


@batch.command(cls=Saving, epilog=example("kojimon batch harvest --yield 2.3 kg"))
@click.option("--yield", "yield_kg", type=MASS, metavar="MASS", help="Koji got: 2.3 kg, 5 lb.")
@click.option("--note", metavar="TEXT", help="Look, smell, how it was.")
@moment_options
@incubator_option
@config_option
def harvest(
    yield_kg: float | None, note: str | None, at: str | None, ago_s: float | None, incubator: str, config: str | None
) -> None:
    """Take the koji out: the batch is over."""
    kitchen = open_kitchen(config)
    document = kitchen.state()
    box = incubator_of(document, incubator, batch=True)
    got = acts.BatchHarvest(yield_kg=yield_kg, note=note or "", at_ago_s=moment_of(document, at, ago_s))
    ended, typed = box.batch_id, typed_as(kitchen, box.batch_id)
    print_events(kitchen, kitchen.act(got, box.name))
    from kojimon.words.eating import CAUTIONS

    print_cautions(CAUTIONS)
    if yield_kg:
        _say_scale(kitchen, ended, config)
    reading = "80 F" if words.speech_of(document).fahrenheit else "27 C"
    screen.say("\nKoji that is bagged warm heats itself again: spread it thin until it is cool, and leave the bag open "
               f"in the fridge. With a probe in it, or by kojimon reading {reading}, kojimon says when it is cool. "
               f"For the bag: kojimon batch label {typed}")  # fmt: skip
    screen.say(f"\nTo save its curve as a file: kojimon export {typed} -o {typed}.csv")


@batch.command(cls=Saving, epilog=example('kojimon batch discard --reason "slimy, smells of ammonia"'))
@click.option("--reason", required=True, metavar="TEXT", help="Why; it is saved with the batch.")
@of_a_box(batch=True)
def discard(kitchen: Kitchen, document: Document, box: Box, reason: str) -> None:
    """Throw the batch away."""
    print_events(kitchen, kitchen.act(acts.BatchDiscard(reason=reason), box.name))
    screen.say("Bag it before you carry it, and wash trays and cloths hot before the next batch.")


@batch.command("list", epilog=example("kojimon batch list"))
@config_option
@json_option
def list_(config: str | None, as_json: bool) -> None:
    """All batches, the latest last."""
    kitchen = open_kitchen(config)
    rows = kitchen.batches()
    if as_json:
        screen.print_json(rows)
        return
    from kojimon.cli.shared.batches import print_list

    print_list(kitchen, rows)


@batch.command(epilog=example("kojimon batch show", "kojimon batch show box-12"))
@click.argument("batch_id", required=False, default="")
@config_option
@json_option
def show(batch_id: str, config: str | None, as_json: bool) -> None:
    """One batch: its steps and everything that happened. Without an id, the open or latest one."""
    from kojimon.cli.shared.batches import batch_of, print_batch

    kitchen = open_kitchen(config)
    row = batch_of(kitchen, batch_id)
    if as_json:
        events = [plain_event(event) for event in kitchen.events(batch=row.id)]
        screen.print_json({**asdict(row), "events": events})
        return
    print_batch(kitchen, row)


@batch.command(epilog=example("kojimon batch label", "kojimon batch label first --kept freezer -o label.html"))
@click.argument("batch_id", required=False, default="")
@click.option("--kept", type=click.Choice(list(KEPT)), default="fridge", metavar="HOW",
              help=f"How you keep it: {', '.join(KEPT)}. (fridge)")  # fmt: skip
@click.option("--purpose", metavar="TEXT", help="What it is for. (as planned, or the schedule)")
@output_option
@config_option
def label(batch_id: str, kept: str, purpose: str | None, output: Path | None, config: str | None) -> None:
    """A label for koji that is put away: lot, weight, until when it is at its best."""
    from kojimon.cli.shared import label as labels
    from kojimon.cli.shared.batches import batch_of
    from kojimon.cli.shared.weights import grain_of, weights_of

    kitchen = open_kitchen(config)
    row = batch_of(kitchen, batch_id)
    told, weights = purpose or labels.purpose_of(row), weights_of(kitchen, row)
    speech, grain = words.speech_of(kitchen.state()), grain_of(row.schedule, config)
    lines = labels.lines_of(row, kept, told, speech, weights, grain)
    labels.show(lines)
    if output is not None:
        labels.write(lines, output)
        screen.say(f"To print: {output}", "good")


def _after(kitchen: Kitchen, incubator: str, said: str, cautions: bool = False) -> None:
    """The next step with its cautions, after something was done; those of the whole schedule too at its start."""
    document = kitchen.state()
    box = incubator_of(document, incubator)
    print_next(box, document, words.speech_of(document), said, box.cautions if cautions else ())
