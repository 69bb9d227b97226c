"""`kojimon alarms`: see them, acknowledge, pause, silence, test them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import wraps
from typing import Any

import click

from kojimon.cli.commands.night_check import night_check, probe_to_phone
from kojimon.cli.shared import screen
from kojimon.cli.shared.kitchen import Kitchen, print_events
from kojimon.cli.shared.opening import open_kitchen
from kojimon.cli.shared.options import (
    DURATION,
    PlainCommand,
    also_as,
    config_option,
    example,
    json_option,
)
from kojimon.contract import acts
from kojimon.contract.state import Alarm, ListedAlarm
from kojimon.errors import UsageError
from kojimon.words import alarms as alarm_words
from kojimon.words import status as words
from kojimon.words.card import cards_of
from kojimon.words.listed import acts_of
from kojimon.words.speech import Speech

LIST = example(
    "kojimon alarms", "kojimon alarms night-check", "kojimon alarms ack", "kojimon alarms shelve koji --for 30 min"
)


@click.group(invoke_without_command=True, epilog=LIST)
@config_option
@json_option
@click.pass_context
def alarms(ctx: click.Context, config: str | None, as_json: bool) -> None:
    """See alarms, acknowledge them, pause them, test them.

    An alarm is named by its number in the list, or by a part of its name.
    """
    ctx.find_root().obj = config
    if ctx.invoked_subcommand is None:
        _list(open_kitchen(config), as_json)


def _list(kitchen: Kitchen, as_json: bool) -> None:
    document = kitchen.state()
    rows = document.listed()
    if as_json:
        screen.print_json(rows)
        return
    cards = cards_of(document, words.speech_of(document))
    if not rows:
        screen.say("No alarms.", "good")
        return
    several = len(cards.boxes) > 1
    cells = [
        [f"{number}", f"{one.text} [{one.box}]" if several and one.box else one.text,
         one.state, one.since, one.does, one.key]
        for number, one in enumerate(cards.listed, 1)
    ]  # fmt: skip
    tones = [one.tone for one in cards.listed]
    screen.table([">", "what", "state", "since", "what it does", "name"], cells, tones, title=1)


def find_alarms(rows: Sequence[ListedAlarm], names: tuple[str, ...]) -> list[ListedAlarm]:
    """The alarms meant by numbers of the list or parts of their names. Raises UsageError that lists what there is."""
    if not rows:
        raise UsageError(f"{' '.join(names)}: there are no alarms now. To look again: kojimon alarms")
    found: list[ListedAlarm] = []
    for name in names:
        if name.isdigit() and 1 <= int(name) <= len(rows):
            found.append(rows[int(name) - 1])
            continue
        exact = [row for row in rows if row.key == name]
        near = exact or [row for row in rows if name.lower() in _names(row)]
        if len(near) != 1:
            known = ", ".join(f"{number} {alarm_words.subject(row, Speech())}" for number, row in enumerate(rows, 1))
            what = "is not in the list" if not near else "is more than one"
            raise UsageError(f"{name!r} {what}. Expected the number or a part of the name of one of: {known}.")
        found.append(near[0])
    return found


def _names(alarm: Alarm) -> str:
    koji = "koji " if "/bed" in alarm.key else ""
    return f"{koji}{alarm.key} {alarm.tray or ''} {alarm.probe or ''}".lower()


def _of_alarms(function: Callable[..., acts.Deed]) -> Callable[..., None]:
    """`ALARM...` and `--config` of a command: what it returns is done to each alarm that is meant."""

    @click.argument("alarm", nargs=-1, required=True)
    @config_option
    @wraps(function)
    def command(alarm: tuple[str, ...], config: str | None, **given: Any) -> None:
        kitchen = open_kitchen(config)
        for row in find_alarms(kitchen.state().listed(), alarm):
            _act(kitchen, row, function(row, **given))

    return command


@alarms.command(epilog=example("kojimon alarms ack", "kojimon alarms ack 1"))
@click.argument("alarm", nargs=-1)
@config_option
def ack(alarm: tuple[str, ...], config: str | None) -> None:
    """Acknowledge: the noise stops, kojimon goes on watching. Without a name, all new ones."""
    kitchen = open_kitchen(config)
    rows = kitchen.state().listed()
    unseen = [row for row in rows if "alarm.acknowledge" in acts_of(row)]
    chosen = find_alarms(rows, alarm) if alarm else unseen
    if not chosen:
        screen.say("There is nothing to acknowledge.", "good")
    for row in chosen:
        _act(kitchen, row, acts.Acknowledge(key=row.key, occurrence=row.occurrence))


@alarms.command(
    cls=PlainCommand, epilog=example("kojimon alarms shelve koji --for 30 min", "kojimon alarms shelve 1 --once")
)
@click.option("--for", "for_s", type=DURATION, metavar="TIME", help="How long, an hour at most (and if not given).")
@click.option("--once", is_flag=True, help="Until it is back to normal, if that comes first.")
@_of_alarms
def shelve(row: ListedAlarm, for_s: float | None, once: bool) -> acts.Deed:
    """Pause an alarm for a while. If it still holds when the time is up, a message comes at once."""
    return acts.Shelve(key=row.key, for_s=for_s, one_shot=once)


@alarms.command(epilog=example("kojimon alarms unshelve koji"))
@_of_alarms
def unshelve(row: ListedAlarm) -> acts.Deed:
    """End a pause."""
    return acts.Unshelve(key=row.key)


@alarms.command(
    cls=PlainCommand, epilog=example("kojimon alarms silence koji", "kojimon alarms silence 1 --for 15 min")
)
@click.option("--for", "for_s", type=DURATION, metavar="TIME", help="How long, an hour at most (10 min if not given).")
@_of_alarms
def silence(row: ListedAlarm, for_s: float | None) -> acts.Deed:
    """Silence an alarm for a while. It stays unacknowledged and sounds again."""
    return acts.Silence(key=row.key, occurrence=row.occurrence, for_s=for_s)


@alarms.command(epilog=example("kojimon alarms confirm koji", 'kojimon alarms confirm 1 --note "spread it thinner"'))
@click.option("--note", default="", metavar="TEXT", help="What you did; it is saved.")
@_of_alarms
def confirm(row: ListedAlarm, note: str) -> acts.Deed:
    """Done: you have fixed it. It acknowledges too."""
    return acts.Confirm(key=row.key, occurrence=row.occurrence, text=note)


@alarms.command(epilog=example("kojimon alarms reset koji"))
@_of_alarms
def reset(row: ListedAlarm) -> acts.Deed:
    """Reset an alarm that stays listed until then. Acknowledge it first (ack)."""
    return acts.Reset(key=row.key, occurrence=row.occurrence)


@alarms.command(
    "out-of-service",
    epilog=example('kojimon alarms out-of-service silent/koji-top --why "new cable on Sunday"'),
)  # fmt: skip
@click.argument("alarm", nargs=-1, required=True)
@click.option("--why", default="", metavar="TEXT", help="The reason; it is saved and shown.")
@config_option
def out_of_service(alarm: tuple[str, ...], why: str, config: str | None) -> None:
    """Take an alarm out of service, without a time limit. It sends no message until it is back in service."""
    kitchen = open_kitchen(config)
    for row in find_alarms(kitchen.state().listed(), alarm):
        _act(kitchen, row, acts.OutOfService(key=row.key, reason=why))
        screen.say(f"It sends no message until you put it back: kojimon alarms in-service {row.key}", "look")


@alarms.command("in-service", epilog=example("kojimon alarms in-service silent/koji-top"))
@_of_alarms
def in_service(row: ListedAlarm) -> acts.Deed:
    """Put an alarm back in service. If it still holds, a message comes at once."""
    return acts.InService(key=row.key)


@alarms.command(
    epilog=example(
        "kojimon alarms test", "kojimon alarms test can you hear this", "kojimon alarms test --probe koji-top"
    )
)
@click.argument("text", nargs=-1)
@click.option("--probe", default="", metavar="NAME",
              help="Probe-to-phone test: warm this probe in your hand, and acknowledge on the phone.")  # fmt: skip
@config_option
def test(text: tuple[str, ...], probe: str, config: str | None) -> None:
    """Raise an alarm that means nothing, to see that it gets through.

    With --probe it is the probe-to-phone test: you warm a probe in your hand, and acknowledge on the phone. The time
    it took is saved with its date. The exit code is 0 when you acknowledged on the phone.
    """
    kitchen = open_kitchen(config)
    if probe and text:
        raise click.UsageError(f"The test with --probe has its own text: leave {' '.join(text)!r} out.")
    if probe:
        probe_to_phone(kitchen, probe)
        return
    print_events(kitchen, kitchen.act(acts.AlarmTest(text=" ".join(text)), ""))
    if not kitchen.live:
        screen.say("It is saved, and sent once kojimon runs. To start it: kojimon run", "look")
    screen.say("When it has reached you, acknowledge it: kojimon alarms ack test")


def _act(kitchen: Kitchen, row: ListedAlarm, deed: acts.Deed) -> None:
    print_events(kitchen, kitchen.act(deed, row.incubator))


alarms.add_command(night_check)
alarms.add_command(also_as(shelve, "pause"))
