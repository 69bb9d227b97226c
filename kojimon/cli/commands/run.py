"""`kojimon run`: the daemon, and what a person would see of it."""

from __future__ import annotations

import logging
import shutil
import sys
import tempfile
import threading
from collections.abc import Callable
from contextlib import ExitStack, closing
from pathlib import Path
from typing import TYPE_CHECKING

import click

from kojimon.cli.commands.check import remarked
from kojimon.cli.commands.page import show_page
from kojimon.cli.commands.telling import Telling
from kojimon.cli.shared import screen
from kojimon.cli.shared.opening import client_of, settings_file
from kojimon.cli.shared.options import config_option, example
from kojimon.errors import EXIT_DONE, KojimonError
from kojimon.words.speech import Speech

if TYPE_CHECKING:
    from kojimon.daemon import Daemon
    from kojimon.probes.sources.simulated import Glimpse
    from kojimon.settings.spec import Settings

FLUSH_S = 10.0
PAGE_S = 60.0
"""So long a page may take to open, before it is said why not."""
LOOK_S = 0.2


@click.command(epilog=example("kojimon run", "kojimon run --config /etc/kojimon/kojimon.yaml", "kojimon run --demo"))
@config_option
@click.option("--demo", is_flag=True, help="A simulated box: a whole batch in minutes, with nothing to be plugged in.")
@click.option("--quiet", "-q", is_flag=True, help="Print only what goes wrong (for a service manager).")
def run(config: str | None, demo: bool, quiet: bool) -> int:
    """Watch until told to stop (Ctrl-C). A line is printed for each thing that happens."""
    from kojimon import logs
    from kojimon.clock import real_s

    logs.configure(real_s, logging.WARNING if sys.stderr.isatty() or quiet else logging.INFO)
    from kojimon.daemon import keep, settings_for_run

    path = demo_file() if demo else _named(config)
    settings, trouble = settings_for_run(path)
    if trouble:
        screen.say(
            f"{trouble}\nA batch is open, so the last good settings stay in force. Correct the file, then start again.",
            "wrong",
            error=True,
        )
    for sentence in remarked(settings):
        screen.say(sentence, "look", error=True)
    if demo:
        screen.with_settings(str(path))
    return watch(
        settings,
        trouble,
        quiet=quiet,
        kept=lambda: None if trouble or demo else keep(settings, path),
    )


def _named(config: str | None) -> Path:
    """The settings file; also one that is gone, where the settings it last held are kept: a batch may be open."""
    from kojimon.daemon.lastgood import kept

    if config is not None and kept(Path(config)) is not None:
        return Path(config)
    return settings_file(config)


def demo_file() -> Path:
    """The simulated box that came with kojimon, copied into a new folder: its journal lies beside it."""
    from kojimon.schedule.load import SHIPPED

    folder = Path(tempfile.mkdtemp(prefix="kojimon-demo-"))
    return Path(shutil.copy(SHIPPED.parent / "simulated.yaml", folder))


def watch(settings: Settings, trouble: str, quiet: bool, kept: Callable[[], None]) -> int:
    """Runs the daemon in this terminal and prints what happens, until Ctrl-C. Returns the exit code.

    Args:
        trouble: why the settings are not those of the file; "" where they are.
        kept: called once it runs.
    """
    from kojimon.daemon import run_daemon
    from kojimon.wiring import simulated_source

    simulated = simulated_source(settings) is not None
    stay = simulated and sys.stdout.isatty()
    with ExitStack() as stack:
        bar = stack.enter_context(screen.progress("A simulated batch", 1.0)) if simulated else None
        telling = Telling(_speech(settings), len(settings.incubators) > 1, _last_event(settings), bar)
        running: list[Daemon] = []
        over = threading.Event()

        def ready(daemon: Daemon) -> None:
            running.append(daemon)
            kept()
            if not quiet:
                _banner(settings, simulated)
                if settings.web.host:
                    threading.Thread(target=_address, args=(settings, over), name="address", daemon=True).start()
                telling.attach(daemon)

        def progress(seen: Glimpse) -> None:
            telling.glimpse(seen)
            if seen.over and stay and running:
                telling.call(lambda: _after_simulation(running[0], settings))

        try:
            code = run_daemon(settings, ready=ready, trouble=trouble, progress=progress, stay=stay)
        finally:
            over.set()
            telling.end()
    if simulated and not stay and code == EXIT_DONE:
        _exported(settings)
    return code


def _last_event(settings: Settings) -> int:
    """Number of the last event in the journal, 0 where there is none yet or it cannot be read."""
    from kojimon.journal.reading.reader import Reader

    try:
        with closing(Reader(Path(settings.journal.path))) as reader:
            return reader.last_event()
    except KojimonError:
        return 0


def _speech(settings: Settings) -> Speech:
    schedules = [box.schedule for box in settings.incubators] + list(settings.schedules.values())
    speech = Speech(
        fahrenheit=settings.units.fahrenheit,
        pounds=settings.units.pounds,
        zone=settings.person.zone,
        probes={probe.name: (probe.place, probe.tray) for probe in settings.probes},
        kinds={box.name: box.box.kind for box in settings.incubators},
    )
    for plan in schedules:
        speech = speech.knowing(plan.steps, plan.stages)
    return speech


def _banner(settings: Settings, simulated: bool) -> None:
    boxes = ", ".join(box.label or box.name for box in settings.incubators)
    what = "A simulated box; nothing here is real." if simulated else f"Watching {boxes}."
    screen.say(f"{what} To stop: Ctrl-C.", "head")
    screen.say("In another terminal: kojimon status")


def _address(settings: Settings, over: threading.Event) -> None:
    """Says where the page is, once it is open: that may come after the first reading.

    Args:
        over: set when the daemon ends.
    """
    from kojimon.clock import real_s

    end_s = real_s() + PAGE_S
    while not over.is_set():
        try:
            show_page(client_of(settings), code=sys.stdout.isatty())
            return
        except KojimonError as error:
            if real_s() > end_s:
                screen.say(str(error), "look", error=True)
                return
        over.wait(LOOK_S)


def _after_simulation(daemon: Daemon, settings: Settings) -> None:
    daemon.house.writer.flush(FLUSH_S)
    _exported(settings)
    screen.say("kojimon stays up: try status, batch show, rehearse and the others. To stop: Ctrl-C.")


def _exported(settings: Settings) -> None:
    """Writes the last batch of a simulated run beside its journal and says where."""
    from kojimon.journal.reading.export import Style, batch_span, write_curve
    from kojimon.journal.reading.reader import Reader
    from kojimon.journal.writing.store import private

    journal = Path(settings.journal.path)
    try:
        with closing(Reader(journal)) as reader:
            batches = reader.batches()
            if not batches:
                return
            target = journal.with_name(f"{batches[-1].id}.csv")
            style = Style(settings.units.fahrenheit, settings.person.zone)
            private(target)
            with target.open("w", encoding="utf-8", newline="") as out:
                done = write_curve(reader, out, batch_span(reader, batches[-1].id), style)
    except (KojimonError, OSError) as error:
        screen.say(f"The curve could not be written: {error}", "look")
        return
    ended = {"harvest": "harvested", "discard": "thrown away"}.get(batches[-1].outcome, "still open")
    screen.say(f"Batch {batches[-1].name} is {ended}. Its curve, {done.rows} lines:", "good")
    click.echo(str(target))
