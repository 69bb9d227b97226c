"""Options that commands share, and values with a unit as people type them: `40 min`, `31 C`, `4 lb`."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from kojimon import units
from kojimon.cli.shared import screen
from kojimon.errors import ConfigurationError, RefusedError, UsageError
from kojimon.typed import tidy

F = TypeVar("F", bound=Callable[..., Any])

if TYPE_CHECKING:
    _FloatParam = click.ParamType[float]
else:
    _FloatParam = click.ParamType  # click before 8.2 has no type argument here


class Amount(_FloatParam):
    """A number with its unit. Lenient in form (`31,5c`, `31.5 °C`, `90 degrees F`), strict about the unit itself.

    Args:
        name: what is expected, for help and errors.
        parse: reads the tidied text; raises ValueError in words.
        bare: unit that a number without one has; "" where a unit is required.
    """

    def __init__(self, name: str, parse: Callable[[str], float], bare: str = "") -> None:
        self.name, self._parse, self._bare = name, parse, bare

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if isinstance(value, float):
            return value
        text = tidy(str(value), self._bare)
        try:
            return self._parse(text)
        except ValueError as error:
            from kojimon.words.speech import Speech

            said = Speech(fahrenheit="F" in text, pounds="lb" in text or "oz" in text).own_units(str(error))
            self.fail(f"{value!r}: {said}.", param, ctx)


class Number(click.FloatRange):
    """A bare number between limits, read as strictly as every other one: no `nan`, no `30.`."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        try:
            return super().convert(units.parse_number(value) if isinstance(value, str) else value, param, ctx)
        except ValueError as error:
            self.fail(f"{value!r}: {error}.", param, ctx)


class AmountText(Amount):
    """The same, read later: only what belongs to the amount is taken together (`PlainCommand`)."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        return str(value)


DURATION = Amount("duration", units.parse_duration_s)
HOURS = Amount("duration", units.parse_duration_s, bare="h")
MASS_TEXT = AmountText("mass", units.parse_mass_kg)
TEMPERATURE = Amount("temperature", units.parse_temperature_c)
VOLUME = Amount("volume", units.parse_volume_l)
MASS = Amount("mass", lambda text: units.checked_mass_kg(units.parse_mass_kg(text)))
TARE = Amount("mass", lambda text: 0.0 if text == "0" else units.checked_mass_kg(units.parse_mass_kg(text)))

_UNIT = re.compile(
    r"(?:°?[cfk]|celsius|fahrenheit|kg|g|lbs?|oz|pounds?|l|ml|lit(?:er|re)s?|gals?|gallons?|qts?|quarts?|pts?|pints?|cups?|fl|fluid|%|s|secs?|seconds?|m|mins?|minutes?|h|hrs?|hours?|d|days?)",
    re.IGNORECASE,
)
_NUMBER = re.compile(r"[+-]?(?:\d+(?:[.,]\d+)?|\.\d+|\d+/\d+|\d*[½¼¾⅓⅔⅛])")
_NUMBER_UNIT = re.compile(r"\d+(?:[.,]\d+)?\s*(?:d|days?|h|hrs?|hours?)", re.IGNORECASE)


def host_port(text: str, usual: int) -> tuple[str, int]:
    """What `--broker` names: HOST or HOST:PORT. UsageError where it is neither."""
    host, _, port = text.rpartition(":") if text.count(":") == 1 else (text, "", str(usual))
    if not host or not port.isdigit() or not 1 <= int(port) <= 65_535:
        raise UsageError(f"{text}: expected a broker's host, as in 192.0.2.10, and perhaps a port from 1 to 65535.")
    return host, int(port)


def also_as(command: click.Command, name: str) -> click.Command:
    """The same command by a name that people try first; help does not list it."""
    other = copy.copy(command)
    other.name, other.hidden = name, True
    other.epilog = (command.epilog or "").replace(f" {command.name} ", f" {name} ")
    return other


class PlainCommand(click.Command):
    """A command whose amounts may be typed with a blank, without quotes: `--ago 2 h 40 min`, `--thermometer 31 C`."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        names = {name for param in self.params if isinstance(param.type, Amount) for name in param.opts}
        return super().parse_args(ctx, join_amounts(args, names))


class Saving(PlainCommand, click.Command):
    """A command that saves what somebody says. Whatever is wrong with it, its last words are that nothing was saved."""

    def make_context(self, *args: Any, **more: Any) -> click.Context:
        with _unsaved():
            return super().make_context(*args, **more)

    def invoke(self, ctx: click.Context) -> Any:
        with _unsaved():
            return super().invoke(ctx)


@contextmanager
def _unsaved() -> Iterator[None]:
    try:
        yield
    except click.UsageError as error:
        raise click.UsageError(_with_end(error.format_message()), error.ctx) from error
    except ConfigurationError:
        raise  # it says by itself what became of it, and has more than a text
    except (RefusedError, UsageError) as error:
        raise type(error)(_with_end(str(error))) from error


def _with_end(text: str) -> str:
    text = text.rstrip()
    return f"{text}{'' if text.endswith(('.', '?')) else '.'} Nothing was saved."


def join_amounts(args: list[str], names: set[str]) -> list[str]:
    """Joins a number and the unit words behind it into one argument, after each option in `names`."""
    joined: list[str] = []
    rest = list(args)
    while rest:
        word = rest.pop(0)
        if word == "--":
            return [*joined, word, *rest]
        joined.append(word)
        if word in names and rest:
            amount = [rest.pop(0)]
            while rest and _belongs(amount[-1], rest[0]):
                amount.append(rest.pop(0))
            joined.append(" ".join(amount))
    return joined


def _belongs(before: str, word: str) -> bool:
    if _NUMBER.fullmatch(before):
        return bool(_UNIT.fullmatch(word) or word == "degrees" or re.fullmatch(r"\d+/\d+|[½¼¾⅓⅔⅛]", word))
    if before.lower() in ("fl", "fluid"):
        return bool(_UNIT.fullmatch(word) or word.startswith("ounce"))
    if re.fullmatch(r".*(?:lbs?|pounds?)", before, re.IGNORECASE) and _NUMBER.match(word):
        return True
    if before in ("degrees", "deg"):
        return bool(_UNIT.fullmatch(word))
    after_a_part = _NUMBER_UNIT.fullmatch(before) or before.lower() in ("h", "d", "hours", "days", "hour", "day")
    return bool(after_a_part and re.fullmatch(r"\d+(?:[.,]\d+)?(?:\s*(?:h|m|min|s))?", word))


def example(*lines: str) -> str:
    """The end of a command's help: examples as they are typed."""
    head = "Example:" if len(lines) == 1 else "Examples:"
    return "\n".join(["\b", head, *(f"  {line}" for line in lines)])


def _settings(ctx: click.Context, _: click.Parameter, value: str | None) -> str | None:
    if value:
        screen.with_settings(value)
    return value or ctx.find_root().obj


def config_option(function: F) -> F:
    """`--config FILE`, on every command that reads the settings; without it the group's, then the usual places."""
    return click.option(
        "--config",
        # Whether it can be read is for those to say who know what to do without it.
        type=click.Path(readable=False),
        metavar="FILE",
        help="Settings file (or KOJIMON_CONFIG).",
        callback=_settings,
    )(function)


def json_option(function: F) -> F:
    """`--json`: the same as data, for programs."""
    return click.option("--json", "as_json", is_flag=True, help="Print as JSON, for programs.")(function)


def incubator_option(function: F) -> F:
    """`--incubator NAME`: which box, where there are several."""
    return click.option("--incubator", "-i", metavar="NAME", default="", help="Which box, if you have several.")(
        function
    )


def output_option(function: F) -> F:
    """`-o FILE`."""
    return click.option("-o", "--output", type=click.Path(path_type=Path), metavar="FILE", help="Write to this file.")(
        function
    )


def unit_option(function: F) -> F:
    """`--unit C|F`: `C` or `F`, None for the person's own."""
    kinds = click.Choice(["C", "F"], case_sensitive=False)
    return click.option("--unit", type=kinds, help="Unit of temperatures. (your own)")(function)
