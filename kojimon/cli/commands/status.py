"""`kojimon status`: one screen, the sentence first."""

from __future__ import annotations

import contextlib

import click

from kojimon.cli.shared import screen
from kojimon.cli.shared.kitchen import Kitchen
from kojimon.cli.shared.opening import open_kitchen
from kojimon.cli.shared.options import HOURS, PlainCommand, config_option, example, json_option, renamed
from kojimon.cli.shared.steps import print_cautions
from kojimon.clock import SystemClock, wait_s
from kojimon.contract.state import Alarm, Box, Document
from kojimon.units import show_duration
from kojimon.words import alarms as alarm_words
from kojimon.words import boxes, derived, outlook, question
from kojimon.words import speech as say
from kojimon.words import status as words
from kojimon.words.measured import Line, measured, unmeasured
from kojimon.words.speech import Speech

WATCH_EVERY_S = 5.0
LEAST_ROWS = 16
OLD_S = 60.0
"""On a narrow screen an age is shown only from here on."""


@click.command(
    cls=PlainCommand,
    epilog=example(
        "kojimon status", "kojimon status --curve --last 8 h", "kojimon status --watch"
    ),
)
@config_option
@json_option
@click.option("--watch", "-w", is_flag=True, help="Stay, and show it anew every few seconds until Ctrl-C.")
@click.option("--curve", "curves", is_flag=True, help="The curve of each open batch too, drawn with letters.")
@click.option("--site", is_flag=True, hidden=True)
@click.option("--last", "last_s", type=HOURS, metavar="TIME", help="Of the curve only the last hours: 8 h.")
def status(
    config: str | None, as_json: bool, watch: bool, curves: bool, site: bool, last_s: float | None
) -> None:  # fmt: skip
    """How it stands in one sentence, the one next step, the values and the alarms; with --curve, how it went."""
    if site:
        raise click.UsageError(renamed("--site", "sites"))
    if last_s is not None and not curves:
        raise click.UsageError("--last goes with --curve.")
    kitchen = open_kitchen(config)
    if as_json:
        screen.print_json(kitchen.state())
        return
    span_h = None if last_s is None else last_s / 3600
    if not watch:
        show(kitchen, curves, span_h)
        return
    with contextlib.suppress(KeyboardInterrupt):
        _watch(kitchen, config, curves, span_h)


def _watch(kitchen: Kitchen, config: str | None, curves: bool, last_h: float | None) -> None:
    """Shows it again and again; each time it is asked anew whether a daemon runs."""
    while True:
        with screen.page():
            show(kitchen, curves, last_h)
        wait_s(WATCH_EVERY_S)
        kitchen = open_kitchen(config)


def show(kitchen: Kitchen, curves: bool = False, last_h: float | None = None) -> None:
    """One screen of the kitchen's state.

    Args:
        curves: with the curve of each open batch; last_h: only its last hours.
    """
    document = kitchen.state()
    speech = words.speech_of(document)
    notices(document, kitchen.live, speech)
    for incubator in document.incubators:
        _incubator(incubator, document, speech)
        if curves:
            _curve(kitchen, incubator, last_h)
    _alarms(document, speech)
    _calibrations(kitchen)
    if kitchen.live and any(incubator.batch for incubator in document.incubators):
        from kojimon.cli.commands.night_check import print_night_check

        print_night_check(kitchen)


def _calibrations(kitchen: Kitchen) -> None:
    from kojimon.cli.commands.calibrations import print_old

    print_old(kitchen)


def _curve(kitchen: Kitchen, incubator: Box, last_h: float | None) -> None:
    """The curve of an open batch, as high as the terminal has room for."""
    batch = incubator.batch
    if not batch:
        screen.say("There is no open batch to draw. An earlier one: kojimon curve BATCH", "quiet")
        return
    from kojimon.cli.commands.curve import show as show_curve

    screen.say("")
    show_curve(kitchen.curve(batch.id, last_h), max(LEAST_ROWS, screen.console().height - LEAST_ROWS))


def now_of(document: Document) -> str:
    """The document's moment, ISO 8601."""
    return document.now.utc


def notices(document: Document, live: bool, speech: Speech) -> None:
    """What must be known before the values are read."""
    if not live:
        stood = speech.moment(now_of(document), SystemClock().wall_ms())
        screen.say(
            f"kojimon is not running. This is how it stood at {stood}. To start it: kojimon run", "wrong"
        )
    if not document.now.trusted:
        screen.say("The clock of this computer is not set: times of day may be wrong.", "look")


def _incubator(incubator: Box, document: Document, speech: Speech) -> None:
    screen.say(_title(incubator, document, speech), "quiet")
    said = words.sentence(incubator, speech, document.t_ms)
    screen.say(said.text, said.tone)
    rest = outlook.brief(incubator, speech, document.t_ms, now_of(document))
    if rest is not None:
        screen.say(f"Forecast: {say.small_first(rest.text)}", "plain" if rest.tone == "good" else rest.tone)
    ready = outlook.ready(incubator, speech, now_of(document))
    if ready:
        screen.say(ready)
    step = words.next_step(incubator, speech, document.t_ms, now_of(document))
    if step is not None:
        _step(step)
    asked = question.open_question(incubator, speech, now_of(document))
    if asked is not None:
        screen.say(f"\n{asked.text} {asked.command}")
        screen.say(asked.meanwhile, "quiet", indent=2)
    _values(incubator, speech)


def _title(incubator: Box, document: Document, speech: Speech) -> str:
    parts = [incubator.label]
    batch = incubator.batch
    if batch:
        parts.append(f"batch {batch.name}")
        if batch.hour is not None:
            parts.append(f"hour {batch.hour:.1f}")
    if incubator.stage:
        parts.append(say.small_first(incubator.stage.label))
    return f"{', '.join(parts)} ({speech.moment(now_of(document), now_of(document))})"


def _step(step: words.NextStep) -> None:
    screen.say(f"\n{step.title}", "look" if step.late else "head")
    screen.say(step.window, indent=2)
    if step.doubt:
        screen.say(step.doubt, "look", indent=2)
    if not step.soon:
        return
    for sentence in step.advice:
        screen.say(sentence, indent=2)
    print_cautions(step.cautions, indent=2)


def _values(incubator: Box, speech: Speech) -> None:
    wide = screen.console().width >= screen.NARROW
    rows = [_row(line, speech, wide) for line in measured(incubator)]
    if rows:
        screen.say("")
        screen.grid(rows)
    beside = [f"{say.small_first(one.name)} {one.value}{_aged(one.age_s)}" for one in derived.brief(incubator, speech)]
    if beside:
        screen.say(say.big_first(f"{', '.join(beside)}."), "quiet")
    missing = unmeasured(incubator)
    if missing:
        screen.say(f"No probe measures {say.listing(missing)}.", "quiet")
    untold = boxes.untold(incubator.off_untold, incubator.place("bed") is not None)
    step = incubator.step(incubator.next.step) if incubator.next else None
    warmth = "" if step and step.doubt else boxes.WARMTH.get(incubator.warmth_untold, "")
    for line in (untold, warmth):
        if line:
            screen.say(line, "quiet")


def _aged(age_s: float | None) -> str:
    return f" ({show_duration(age_s)} ago)" if age_s is not None and age_s >= OLD_S else ""


def _row(line: Line, speech: Speech, wide: bool) -> list[str]:
    name, read = f"{line.spot}, {line.end}" if line.end else line.spot, line.read
    if read is None:
        return [name, "no reading", "", ""]
    quantity, rate, age_s = line.quantity, read.rate_per_h, read.age_s
    moving = (speech.slope(quantity, rate) if wide else say.trend(quantity, rate)) if rate is not None else ""
    old = f"{show_duration(age_s)} ago" if age_s is not None and (wide or age_s >= OLD_S) else ""
    return [name, speech.value(quantity, read.value), moving, old]


def _alarms(document: Document, speech: Speech) -> None:
    rows: list[tuple[Alarm, Box | None]] = [(alarm, box) for box in document.incubators for alarm in box.alarms]
    rows += [(alarm, None) for alarm in document.alarms]
    if not rows:
        screen.say("\nNo alarms.", "good")
        return
    screen.heading("Alarms")
    for alarm, box in rows:
        state = alarm_words.alarm_state(alarm, speech, now_of(document))
        since = alarm.since_utc
        when = f", since {speech.moment(since, now_of(document))}" if since else ""
        text = words.alarm_line(alarm, box, speech, document.t_ms)
        tone = ("wrong" if alarm.priority == "wake" else "look") if alarm.state == "UNACK" else "plain"
        screen.say(f"{state}{when}: {text}", tone, indent=2)
