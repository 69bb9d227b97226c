"""`kojimon setup`: an interview that ends in a settings file, checked, one test alarm, and a box that is watched."""

from __future__ import annotations

import os
import sys
from functools import partial
from pathlib import Path

import click

from kojimon.cli.commands.check import summary, unsteady
from kojimon.cli.commands.page import show_page
from kojimon.cli.setup.answers import Answers, settings_text
from kojimon.cli.setup.asker import Asker, Draft
from kojimon.cli.setup.interview import Given, ask_person
from kojimon.cli.setup.reach import Wish, ask_reach, given_phone, write_secret
from kojimon.cli.setup.sources import HAND, Here, choose, simulated
from kojimon.cli.shared import screen, service
from kojimon.cli.shared.kitchen import LiveKitchen, ShutKitchen
from kojimon.cli.shared.opening import client_of, usual_files
from kojimon.cli.shared.options import MASS_TEXT, Number, PlainCommand, example
from kojimon.clock import SystemClock
from kojimon.contract.acts import AlarmTest
from kojimon.errors import ConfigurationError, KojimonError, UsageError
from kojimon.model import BoxKind, Cover
from kojimon.notify.speaker import find_player
from kojimon.settings.spec import Settings, SimulatedSource
from kojimon.words.speech import moment_utc

CAUTIONS = (
    "kojimon watches and calls. It is no safety cut-out: the heater needs one of its own.",
    "Put the box on a GFCI or RCD, and give every cable a drip loop.",
    "Plug this computer into another circuit than the box, one with its own breaker and its own GFCI or RCD.",
    "Keep wet towels off vents, fan and heater. Local codes and licensed electricians come first.",
)


@click.command(
    cls=PlainCommand,
    epilog=example(
        "kojimon setup",
        "kojimon setup --yes --source simulated -o try.yaml",
    ),
)
@click.option(
    "-o", "--output", type=click.Path(path_type=Path, dir_okay=False), metavar="FILE", help="Settings file to write."
)
@click.option("--yes", "-y", is_flag=True, help="Ask nothing: options, and defaults for the rest.")
@click.option("--temperature", metavar="F|C", help="Unit of temperatures.")
@click.option("--mass", metavar="lb|kg", help="Unit of masses.")
@click.option("--trays", metavar="TEXT", help="How many, or their names from top to bottom: top,bottom.")
@click.option("--rice", type=MASS_TEXT, metavar="MASS", help="Dry rice in a usual batch: 4 lb.")
@click.option("--purpose", metavar="WORD", help="koji, sake, miso, barley or soy-sauce.")
@click.option("--box", metavar="KIND", help=f"What the box is like: {', '.join(BoxKind)}.")
@click.option("--cover", metavar="WORD", help=f"How the rice is covered: {', '.join(Cover)}.")
@click.option("--zone", metavar="NAME", help="Time zone: America/Chicago.")
@click.option("--sleep", metavar="TEXT", help='When you sleep: "22:30 to 06:30".')
@click.option(
    "--source",
    type=click.Choice([HAND, "practice", "simulated"]),
    help="Without looking for probes. hand: none; practice: a simulated box, and you are the cook.",
)
@click.option("--page/--no-page", default=None, help="Show the page to phones in the home network (with a token).")
@click.option(
    "--phone-file", type=click.Path(path_type=Path), metavar="FILE", help="The address of the phone alarm stands in it."
)
@click.option("--speaker/--no-speaker", default=None, help="Sound the loudspeaker of this computer, or never.")
@click.option("--journal", type=click.Path(path_type=Path), metavar="FILE", help="Where everything is kept.")
@click.option("--force", is_flag=True, help="Write although FILE is there; the old one is kept beside it.")
@click.option("--no-look", is_flag=True, help="Do not look for probes on this computer.")
@click.option(
    "--listen",
    "listen_s",
    type=Number(1, 600),
    default=15.0,
    show_default=True,
    metavar="SECONDS",
    help="How long to listen where readings come from.",
)
@click.option("--no-test", is_flag=True, help="Raise no test alarm.")
@click.option("--watch/--no-watch", default=None, help="Begin to watch at the end. (yes, in a terminal)")
def setup(
    output: Path | None, yes: bool, source: str | None, page: bool | None, phone_file: Path | None,
    speaker: bool | None, journal: Path | None, force: bool, no_look: bool, listen_s: float, no_test: bool,
    watch: bool | None, **given: str | None,
) -> int | None:  # fmt: skip
    """Answer some questions; the settings file is written for you. Every question has a default: press Enter.

    Where readings come from it listens at once and shows every number it hears. `<` goes back a question. What was
    answered in a run that broke off is offered in the next one. At the end it watches: as the service where that is
    installed, else in this terminal.
    """
    from kojimon.cli.setup.hearing import Ears, glance

    target = (output or default_file()).absolute()
    draft = Draft(target)
    asker = Asker(yes, draft.keep)
    _may_write(asker, target, force)
    serves = service.for_service() and target == default_file()
    here, listen = Here() if no_look else glance(), Ears(listen_s).listen
    wish, place = Wish(page, given_phone(phone_file), speaker), partial(service.secret_place, target)

    def questions() -> tuple[Settings, bool]:
        person = ask_person(asker, Given(**given))
        asker.mark()
        if source is None:
            found, placed = choose(asker, person, here, listen, partial(_ask_password, asker, target))
        else:
            found, placed = ((), ()) if source == HAND else simulated(person, practice=source == "practice")
        reach = ask_reach(asker, wish, place, service=serves)
        kept = str((journal or default_journal()).absolute())
        return write(target, Answers(person, found, placed, kept, reach)), "web" in reach

    given_before = [] if yes else _greeting(asker, draft)
    settings, opened = asker.interview(questions, given_before)
    draft.drop()
    screen.say(f"\nWritten and checked: {target}", "good")
    for sentence in summary(settings):
        screen.say(sentence)
    for sentence in unsteady(settings):
        screen.say(sentence, "look")
    if not settings.channels and not (settings.speaker.use and find_player(settings.speaker.player)):
        screen.say(
            f"Nothing can wake you yet: no channel, no loudspeaker. Put the address of your phone's message service in "
            f"a file, and write into {target}:", "look",
        )  # fmt: skip
        click.echo(f"  channels: {{phone: {{kind: service, url: {{file: {target.parent / 'phone-url'}}}}}}}")
    if serves:
        service.hand_over(target)
    runs = serves and service.begin(lambda: client_of(settings))
    practice = any(isinstance(one, SimulatedSource) and not one.hands for one in settings.sources)
    if not no_test and not practice and (runs or not serves):
        _test_alarm(settings)
    if runs and opened:
        screen.heading("The page: open this with the phone's camera")
        show_page(client_of(settings))
    watches = not runs and (sys.stdin.isatty() and sys.stdout.isatty() and not yes if watch is None else watch)
    _what_next(target, serves, watches)
    return _watch(settings, target) if watches else None


def _greeting(asker: Asker, draft: Draft) -> list[tuple[str, str]]:
    """What stands before the first question, and the answers of a run that broke off, where they are wanted."""
    screen.say("Some questions, and the settings are written for you. Enter takes what stands in [brackets],")
    screen.say("< goes back one.\n")
    kept = draft.read()
    if not kept:
        return []
    screen.say("An earlier run broke off. What you answered then:")
    screen.grid([[f"  {question}", answer.removeprefix("=")] for question, answer in kept], right=False)
    return kept if asker.sure("Go on from there?", default=True) else []


def _watch(settings: Settings, target: Path) -> int:
    """Watches in this terminal, as `kojimon run` does, until Ctrl-C."""
    from kojimon.cli.commands.run import watch
    from kojimon.daemon import keep

    screen.say("")
    if target not in _usual():
        screen.with_settings(str(target))
    return watch(settings, "", quiet=False, kept=lambda: keep(settings, target))


def _usual() -> list[Path]:
    return [path.absolute() for path in usual_files()]


def default_file() -> Path:
    """Where the settings go when nobody says: the service's place for root where it is installed, else the person's."""
    return list(usual_files())[2 if service.for_service() else 1]


def default_journal() -> Path:
    """Where the journal goes when nobody says."""
    if service.for_service():
        return service.STATE / "kojimon.journal"
    base = os.environ.get("XDG_STATE_HOME")
    return (Path(base) if base else Path.home() / ".local" / "state") / "kojimon" / "kojimon.journal"


def _may_write(asker: Asker, target: Path, force: bool) -> None:
    """Asks before anything is written over; the questions would be for nothing otherwise."""
    if not target.exists() or force:
        return
    if asker.yes:
        raise UsageError(
            f"{target} is there already. Another file: -o FILE; or --force, which keeps the old one beside it."
        )
    screen.say(f"{target} is there already.", "look")
    if not asker.sure("Write a new one, and keep the old one beside it?", default=False):
        raise KojimonError("Nothing was written. To write another file: kojimon setup -o FILE")


def _ask_password(asker: Asker, target: Path) -> str:
    secret = asker.secret("Password at the broker (not shown)")
    return str(write_secret(service.secret_place(target, "mqtt-password"), secret).absolute())


def write(target: Path, answers: Answers) -> Settings:
    """Writes the settings beside their place, reads them as the daemon would, and only then puts them there.

    Raises:
        ConfigurationError: they do not load; an older file is untouched.
    """
    from kojimon.settings.load import load_settings

    target.parent.mkdir(parents=True, exist_ok=True)
    today = moment_utc(SystemClock().wall_ms()).date().isoformat()
    fresh = target.with_name(f".{target.name}.new.yaml")
    fresh.write_text(settings_text(answers, today), encoding="utf-8")
    try:
        settings = load_settings(fresh)
    except ConfigurationError as error:
        fresh.unlink()
        told = str(error).replace(str(fresh), str(target))
        raise UsageError(f"Nothing was written: these answers do not make good settings.\n{told}") from error
    if target.exists():
        old = _free_name(target)
        target.rename(old)
        screen.say(f"The old one is kept: {old}")
    fresh.rename(target)
    return settings


def _free_name(target: Path) -> Path:
    number = 1
    while target.with_name(f"{target.name}.old-{number}").exists():
        number += 1
    return target.with_name(f"{target.name}.old-{number}")


def _test_alarm(settings: Settings) -> None:
    """One test alarm through journal and outbox: what raises it in the night is raised now."""
    client = client_of(settings)
    live = client.running()
    kitchen = LiveKitchen(client) if live else ShutKitchen(settings)
    try:
        kitchen.act(AlarmTest(text="set-up"), "")
    finally:
        if isinstance(kitchen, ShutKitchen):
            kitchen.close()
    where = "was raised" if live else "is saved, and sent once kojimon runs"
    screen.say(f"A test alarm {where}. When it has reached you: kojimon alarms ack test")


def _what_next(target: Path, serves: bool, watches: bool) -> None:
    screen.heading("What next, in another terminal" if watches else "What next")
    if target not in _usual():
        click.echo(f"  export KOJIMON_CONFIG={target}")
    first = ["  systemctl status kojimon", "is it running?"] if serves else ["  kojimon run", "watch the box"]
    screen.grid(
        [
            *([] if watches else [first]),
            ["  kojimon status", "see how it stands"],
            ["  kojimon page", "where the page is, and a code for the phone"],
            ["  kojimon alarms night-check", "before the first night: does an alarm wake you?"],
            ["  kojimon batch start first", "open a batch"],
        ],
        right=False,
    )
    screen.heading("Take care")
    for caution in CAUTIONS:
        screen.say(caution, "look", indent=2)
