"""`kojimon forecast`: may I sleep, what the koji will do, over a recorded curve, and what earlier batches taught."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from kojimon.cli.commands.learned import reset, show
from kojimon.cli.commands.status import notices, now_of
from kojimon.cli.shared import screen
from kojimon.cli.shared.kitchen import Kitchen, LiveKitchen, incubator_of
from kojimon.cli.shared.opening import open_kitchen
from kojimon.cli.shared.options import DURATION, config_option, example, incubator_option, json_option
from kojimon.contract.state import Box, Foreseen
from kojimon.contract.state import Document as StateDocument
from kojimon.units import show_duration
from kojimon.words import outlook
from kojimon.words import speech as say
from kojimon.words import status as words

if TYPE_CHECKING:
    from collections.abc import Callable

    from kojimon.forecast.answers import Forecast
    from kojimon.words.speech import Speech

Document = dict[str, object]
MINUTES_5_H = 1 / 12
SHOWN_H = (0.0, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0)
SWITCHED_OFF = "Forecasts are switched off in the settings: `forecast: {use: false}`."


@click.group(
    invoke_without_command=True,
    epilog=example(
        "kojimon forecast",
        "kojimon forecast --json",
        "kojimon forecast --from last.csv --every 10min",
        "kojimon forecast --from curves/ --score",
        "kojimon forecast learned show",
    ),
)
@click.option("--from", "curve", type=click.Path(path_type=Path), metavar="FILE",
              help="A recorded curve: every forecast that would have been made, as if live.")  # fmt: skip
@click.option("--every", "every_s", type=DURATION, metavar="TIME", help="With --from: how far apart. (10min)")
@click.option("--schedule", metavar="NAME",
              help="With --from: whose limits and harvest hours. (your own, or rice-koji-sake)")  # fmt: skip
@click.option("--score", is_flag=True,
              help="With --from, a curve or a folder of them: how the forecasts fared against what came.")  # fmt: skip
@incubator_option
@json_option
@config_option
@click.pass_context
def forecast(
    ctx: click.Context, curve: Path | None, every_s: float | None, schedule: str | None, score: bool, incubator: str,
    as_json: bool, config: str | None,
) -> None:  # fmt: skip
    """May I sleep? What the koji will do if left alone, and how sure that is.

    A forecast never silences an alarm, and it cannot say whether koji is good: you judge by eye and nose.
    """
    if ctx.invoked_subcommand:
        return
    if curve is not None:
        from kojimon.cli.commands.recorded import over_curve, over_curves

        (over_curves if score else over_curve)(curve, every_s or 600.0, schedule, incubator, config, as_json)
        return
    if every_s is not None or schedule is not None or score:
        raise click.UsageError("--every, --schedule and --score go with --from.")
    kitchen = open_kitchen(config)
    document = kitchen.state()
    boxes = [incubator_of(document, incubator)] if incubator else [*document.incubators]
    speech = words.speech_of(document)
    if as_json:
        screen.print_json({"utc": now_of(document), "incubators": [_plain(kitchen, box, document, speech)
                                                                   for box in boxes]})  # fmt: skip
        return
    for number, box in enumerate(boxes):
        _show(kitchen, box, document, speech, f"{box.label}: " if len(boxes) > 1 else "")
        if number + 1 < len(boxes):
            screen.say("")
    notices(document, kitchen.live, speech)


def _rest(kitchen: Kitchen, box: Box, document: StateDocument, speech: Speech) -> words.Sentence:
    """May I sleep? Where nothing forecasts, why not."""
    why = _why_none(kitchen) if box.batch and not (box.forecast and box.forecast.fresh) else ""
    if why:
        return words.Sentence(why, "look")
    return outlook.rest(box, speech, document.t_ms, now_of(document))


def _why_none(kitchen: Kitchen) -> str:
    from kojimon.settings.installed import has_part

    if not has_part("forecast"):
        return outlook.NOT_INSTALLED
    if not isinstance(kitchen, LiveKitchen):
        return ""
    part = kitchen.client.health().parts.forecast
    if part is None:
        return SWITCHED_OFF
    return f"No forecast now: {part.trouble}. Alarms stay on without it." if part.trouble else ""


def _plain(kitchen: Kitchen, box: Box, document: StateDocument, speech: Speech) -> Document:
    found = box.forecast
    said = list(_sentences(found, document, speech)) if found else []
    return {"incubator": box.name, "rest": _rest(kitchen, box, document, speech).text, "sentences": said,
            "forecast": found}  # fmt: skip


def _show(kitchen: Kitchen, box: Box, document: StateDocument, speech: Speech, head: str) -> None:
    said = _rest(kitchen, box, document, speech)
    screen.say(f"{head}{said.text}", said.tone)
    found = box.forecast
    if not found or not found.fresh:
        return
    for line in _sentences(found, document, speech):
        if line not in said.text:
            screen.say(line)
    window = found.harvest
    if window and window.opens_utc and window.closes_utc:
        now = now_of(document)
        span = f"{speech.moment(window.opens_utc, now)} to {speech.moment(window.closes_utc, now)}"
        screen.say(f"Harvest window{' by this forecast' if window.by_forecast else ' of the schedule'}: {span}.")
    screen.heading("If left alone" if found.reading_age_s is not None else "If left alone, worked out: not measured")
    _curve(found, speech, _clock(found, document, speech))
    made = speech.moment(found.made_utc or "", now_of(document))
    screen.say(f"Made at {made}, {show_duration(found.age_s)} ago.", "quiet")


def _clock(found: Foreseen, document: StateDocument, speech: Speech) -> Callable[[float], str]:
    """Says a moment some hours from the forecast by the clock."""
    made_ms = say.moment_utc(found.made_utc or now_of(document)).timestamp() * 1000
    now = now_of(document)

    def at(in_h: float) -> str:
        return "now" if in_h < MINUTES_5_H else f"at {speech.moment(made_ms + in_h * 3_600_000, now)}"

    return at


def _sentences(found: Foreseen, document: StateDocument, speech: Speech) -> tuple[str, ...]:
    from kojimon.forecast.words import sleep_first

    return sleep_first(found, speech.fahrenheit, _clock(found, document, speech))[1:]


def _curve(record: Forecast, speech: Speech, clock: Callable[[float], str]) -> None:
    """The likely ranges as a table."""

    def span(low: float, high: float) -> str:
        return f"{speech.brief('temperature', low, unit=False)} to {speech.brief('temperature', high)}"

    rows, curve = [["", "middle", "5 chances in 10", "8 chances in 10"]], record.curve
    for place, hour in enumerate(curve.in_h):
        if hour in SHOWN_H:
            rows.append([clock(hour).removeprefix("at "), speech.value("temperature", curve.p50_c[place]),
                         span(curve.p25_c[place], curve.p75_c[place]),
                         span(curve.p10_c[place], curve.p90_c[place])])  # fmt: skip
    screen.grid(rows)


@forecast.group(epilog=example("kojimon forecast learned show", "kojimon forecast learned reset"))
def learned() -> None:
    """What earlier batches taught the forecasts, for each box and schedule."""


learned.add_command(show)
learned.add_command(reset)
