"""`kojimon status`: one screen, the sentence first."""

from __future__ import annotations

import contextlib
from collections.abc import Sequence

import click

from kojimon.cli.shared import screen
from kojimon.cli.shared.kitchen import Kitchen
from kojimon.cli.shared.opening import open_kitchen
from kojimon.cli.shared.options import HOURS, PlainCommand, config_option, example, json_option
from kojimon.cli.shared.steps import print_cautions, print_command
from kojimon.clock import SystemClock, wait_s
from kojimon.contract.state import Box, Document
from kojimon.words import speech as say
from kojimon.words import status as words
from kojimon.words.card import UNSET, Card, cards_of
from kojimon.words.listed import Listed
from kojimon.words.speech import Speech

WATCH_EVERY_S = 5.0
LEAST_ROWS = 16


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
@click.option("--last", "last_s", type=HOURS, metavar="TIME", help="Of the curve only the last hours: 8 h.")
def status(
    config: str | None, as_json: bool, watch: bool, curves: bool, last_s: float | None
) -> None:  # fmt: skip
    """How it stands in one sentence, the one next step, the values and the alarms; with --curve, how it went."""
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
    cards = cards_of(document, speech)
    notices(document, kitchen.live, speech)
    for incubator, card in zip(document.incubators, cards.boxes, strict=True):
        print_card(card, cards.now)
        if curves:
            _curve(kitchen, incubator, last_h)
    print_alarms(cards.listed)
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
        screen.say(UNSET, "look")


def print_card(card: Card, now: str) -> None:
    """One box: how it stands, what comes next, what is asked, what is measured.

    Args:
        now: the moment, in words.
    """
    batch = [f"batch {card.batch}"] if card.batch else []
    hour = [f"hour {card.hour}"] if card.hour else []
    screen.say(f"{', '.join(filter(None, [card.label, *batch, *hour, card.stage]))} ({now})", "quiet")
    screen.say(card.headline.text, card.headline.tone)
    if card.rest is not None:
        tone = "plain" if card.rest.tone == "good" else card.rest.tone
        screen.say(f"Forecast: {say.small_first(card.rest.text)}", tone)
    if card.ready:
        screen.say(card.ready)
    if card.step is not None:
        _step(card.step)
    if card.question is not None:
        screen.say(f"\n{card.question.text} {card.question.command}")
        screen.say(card.question.meanwhile, "quiet", indent=2)
    _values(card)


def _step(step: words.NextStep) -> None:
    screen.say(f"\n{step.title}", "look" if step.late else "head")
    if step.window:
        screen.say(step.window, indent=2)
    if step.doubt:
        screen.say(step.doubt, "look", indent=2)
    if not step.soon:
        return
    for sentence in step.advice:
        screen.say(sentence, indent=2)
    print_cautions(step.cautions, indent=2)
    print_command(step, indent=2)


def _values(card: Card) -> None:
    wide = screen.console().width >= screen.NARROW
    if card.values:
        screen.say("")
        screen.grid([[one.name, one.value, one.moving if wide else one.trend, one.old] for one in card.values])
    beside = [f"{say.small_first(one.name)} {one.value}{f' ({one.old})' if one.old else ''}" for one in card.beside]
    if beside:
        screen.say(say.big_first(f"{', '.join(beside)}."), "quiet")
    for line in filter(None, (card.unmeasured, *card.untold)):
        screen.say(line, "quiet")


def print_alarms(alarms: Sequence[Listed]) -> None:
    """Every alarm, a line each."""
    if not alarms:
        screen.say("\nNo alarms.", "good")
        return
    screen.heading("Alarms")
    for alarm in alarms:
        when = f", since {alarm.since}" if alarm.since else ""
        screen.say(f"{alarm.state}{when}: {alarm.text}", alarm.tone, indent=2)
