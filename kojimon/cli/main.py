"""The command `kojimon`: finds the command, maps every error to one plain paragraph and an exit code.

Commands are imported when called: on a small board the libraries of one command cost the others a second.
"""

from __future__ import annotations

import importlib
import logging
import os
import shlex
import shutil
import sys
import threading
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, NoReturn

import click

from kojimon.cli.shared import screen
from kojimon.errors import EXIT_DONE, EXIT_NOT_NOW, EXIT_USAGE, ConfigurationError, KojimonError

COMMANDS: dict[str, tuple[str, str]] = {
    "setup": ("setup.command:setup", "Answer some questions; the settings file is written for you."),
    "run": ("commands.run:run", "Watch the box until told to stop."),
    "plan": ("commands.plan:plan", "Before the batch: how much of everything, and when to begin."),
    "check": ("commands.check:check", "Read the settings and list everything that is wrong with them."),
    "page": ("commands.page:page", "Where the page is, and a code to sign in with a phone."),
    "status": ("commands.status:status", "How it stands, and the one next step."),
    "forecast": ("commands.forecast:forecast", "May I sleep? What the koji will do if left alone."),
    "sites": ("commands.sites:sites", "Every box of every site on one broker."),
    "reading": ("commands.reading:reading", "Save what you read by hand: 95 F in the koji, 80 % in the air."),
    "batch": ("commands.batch:batch", "Start a batch, mark steps, write notes, harvest."),
    "undo": ("commands.batch:undo", "Take back what you marked last."),
    "alarms": ("commands.alarms:alarms", "See alarms, acknowledge, pause or test them."),
    "probes": ("commands.probes:probes", "See each probe's reading; find new ones."),
    "curve": ("commands.curve:curve", "Draw a batch's curve, here or as a picture."),
    "review": ("commands.review:review", "What happened in a batch; compare batches."),
    "export": ("commands.export:export", "Write a batch's readings to a file."),
    "rehearse": ("commands.rehearse:rehearse", "What a schedule would have said of a recorded batch."),
    "journal": ("commands.journal:journal", "Size and state of the journal; make a copy of it."),
}
"""Name: (module and function below `kojimon.cli`, one line of help)."""

TRACE = "KOJIMON_TRACE"


class Help(click.HelpFormatter):
    """Help that also fits a phone: options take no more than half of the width beside their words."""

    def write_dl(self, rows: Iterable[tuple[str, str]], col_max: int = 30, col_spacing: int = 2) -> None:
        super().write_dl(list(rows), min(col_max, self.width // 2), col_spacing)


click.Context.formatter_class = Help


class Kojimon(click.Group):
    """The group of all commands; imports one when it is called and turns errors into words and exit codes."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module, _, name = COMMANDS[cmd_name][0].partition(":")
        command: click.Command = getattr(importlib.import_module(f"kojimon.cli.{module}"), name)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS:
            from difflib import get_close_matches  # the daemon needs none

            for close in get_close_matches(args[0], COMMANDS, n=1):
                raise click.UsageError(f"There is no command {args[0]!r}. Did you mean {close!r}?", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])

    def main(self, args: Sequence[str] | None = None, prog_name: str | None = None, **extra: Any) -> NoReturn:  # type: ignore[override]
        """Runs a command and leaves with its exit code: 0 done, 1 not now, 2 wrong usage or configuration."""
        extra.pop("standalone_mode", None)
        screen.typed(_program(), COMMANDS)
        # click never goes below 50 columns by itself; a phone shows 40.
        extra.setdefault("terminal_width", max(30, min(80, shutil.get_terminal_size().columns)))
        name = prog_name or "kojimon"
        sys.exit(_guarded(lambda: super(Kojimon, self).main(args, name, standalone_mode=False, **extra)))


def _guarded(call: Callable[[], Any]) -> int:
    try:
        done = call()
        return done if isinstance(done, int) else EXIT_DONE
    except BrokenPipeError:
        # Somebody closed the pipe (`kojimon export ... | head`). Standard output must not be flushed again at exit.
        with Path(os.devnull).open("wb") as nowhere:
            os.dup2(nowhere.fileno(), sys.stdout.fileno())
        return EXIT_DONE
    except (click.Abort, KeyboardInterrupt):
        return _say("Stopped by you.", EXIT_NOT_NOW)
    except Exception as error:
        if os.environ.get(TRACE):
            raise
        return _say(*_explained(error))


def _explained(error: Exception) -> tuple[str, int]:
    """What to print and the exit code."""
    if isinstance(error, click.ClickException):
        context = getattr(error, "ctx", None)
        if type(error).__name__ == "NoArgsIsHelpError":  # click 8.2 and later; before that it prints by itself
            return error.format_message(), EXIT_USAGE
        path = context.command_path if context is not None else "kojimon"
        return f"{error.format_message()}\nHelp and an example: {path} --help", EXIT_USAGE
    if isinstance(error, ConfigurationError):
        return f"{error}\nNothing was started or changed. Correct that, then try again.", error.exit_code
    if isinstance(error, KojimonError):
        return str(error), error.exit_code
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        return f"{where}{error.strerror or error}", EXIT_NOT_NOW
    text = f"That is a fault in kojimon itself ({type(error).__name__}: {error}). Nothing more was done. "
    return f"{text}To see where it happened, run the same again with {TRACE}=1 before it.", EXIT_NOT_NOW


def _say(text: str, code: int) -> int:
    print(screen.unbroken(text), file=sys.stderr)
    return code


EPILOG = """\b
A first evening:
  kojimon setup
  kojimon run
  kojimon batch start first --rice 2 kg
  kojimon status
"""


@click.group(cls=Kojimon, epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="kojimon", message="kojimon %(version)s")
@click.option(
    "--config",
    type=click.Path(readable=False),
    envvar="KOJIMON_CONFIG",
    metavar="FILE",
    help="Settings file (or KOJIMON_CONFIG).",
)
@click.pass_context
def cli(ctx: click.Context, config: str | None) -> None:
    """Watches rice koji while it grows, and says when a hand is needed.

    kojimon measures and tells; it never switches a heater, it is no safety cut-out, and it cannot say whether koji is
    safe to eat.
    """
    ctx.obj = config
    if config and ctx.get_parameter_source("config") is click.core.ParameterSource.COMMANDLINE:
        screen.with_settings(config)
    # Parts that work in here log to the daemon's log, which a command has not; what matters comes as an error.
    logging.getLogger("kojimon").addHandler(logging.NullHandler())


def _program() -> str:
    """How the program that runs is typed: by its name where the shell finds the same one, else by its path."""
    path = sys.argv[0]
    if Path(path).name != "kojimon":
        return "kojimon"
    found = shutil.which("kojimon")
    return "kojimon" if found and Path(found).samefile(path) else shlex.quote(path)


def main() -> NoReturn:
    """Entry point of the console command."""
    screen.plain_letters(sys.stdout, sys.stderr)
    try:
        cli.main()
    except SystemExit as done:
        _leave(done.code if isinstance(done.code, int) else EXIT_NOT_NOW)


def _leave(code: int) -> NoReturn:
    """Ends the process, also where a thread hangs in a driver's call without a limit: what matters is stored."""
    if any(thread is not threading.main_thread() and not thread.daemon for thread in threading.enumerate()):
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
    sys.exit(code)
