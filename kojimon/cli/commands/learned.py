"""`kojimon forecast learned`: what finished batches left for the next: see it, whole with --json, or forget it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from kojimon.cli.shared import screen
from kojimon.cli.shared.kitchen import Kitchen, print_events
from kojimon.cli.shared.opening import of_a_box, open_kitchen, reader_of
from kojimon.cli.shared.options import config_option, example, incubator_option, json_option
from kojimon.contract.acts import ForecastReset
from kojimon.contract.events import Forecast
from kojimon.contract.state import Box, Document
from kojimon.errors import KojimonError
from kojimon.settings.installed import has_part
from kojimon.units import show_count
from kojimon.words.outlook import NOT_INSTALLED

if TYPE_CHECKING:
    from kojimon.forecast.answers import Prior

Learnt = dict[tuple[str, str], "Prior | None"]


def learnt_of(kitchen: Kitchen, incubator: str) -> Learnt:
    """What is believed before the next batch, by box and schedule; None: the published prior."""
    from kojimon.daemon.learning import memories, prior_of

    found: Learnt = {}
    with reader_of(kitchen) as journal:
        for event in memories(journal):
            key = (event.incubator, event.what.schedule if isinstance(event.what, Forecast) else "")
            if event.key == "learnt" and incubator in ("", key[0]):
                found[key] = prior_of(journal, *key)
    return found


@click.command(epilog=example("kojimon forecast learned show", "kojimon forecast learned show --json"))
@incubator_option
@json_option
@config_option
def show(incubator: str, as_json: bool, config: str | None) -> None:
    """What forecasts start from in the next batch, beside the published values."""
    if not has_part("forecast"):
        raise KojimonError(NOT_INSTALLED)
    from kojimon.forecast.prior import inspect, published

    found = learnt_of(open_kitchen(config), incubator)
    root = inspect(published())
    if as_json:
        rows = [{"incubator": key[0], "schedule": key[1], "batches": one.batches if one else 0,
                 "beliefs": [line._asdict() for line in (inspect(one) if one else root)], "prior": one}
                for key, one in found.items()]  # fmt: skip
        screen.print_json({"published": [line._asdict() for line in root], "learnt": rows})
        return
    if not any(found.values()):
        screen.say("Nothing is learned yet: forecasts start from published values. Each harvested batch adds to it.")
    for (box, schedule), one in found.items():
        if one is None:
            screen.say(f"{box}, {schedule}: forgotten, so the published values count.", "quiet")
            continue
        count = show_count(one.batches, "batch", "batches")
        screen.say(
            f"{box}, {schedule}: learned from {count}, which weigh as much as {one.weight:.1f}. Middle, likely "
            "(8 chances in 10), published middle:", "head",
        )  # fmt: skip
        screen.grid([[now.name, f"{now.middle:.3g}", f"{now.low:.3g} to {now.high:.3g}", f"{was.middle:.3g}"]
                     for now, was in zip(inspect(one), root, strict=True)])  # fmt: skip


@click.command(
    epilog=example("kojimon forecast learned reset", "kojimon forecast learned reset --schedule rice-koji-sake")
)
@click.option("--schedule", metavar="NAME", default="", help="Only what was learnt with this schedule.")
@of_a_box(batch=False)
def reset(kitchen: Kitchen, document: Document, box: Box, schedule: str) -> None:
    """Forget what was learned: the next batch's forecasts start from published values."""
    print_events(kitchen, kitchen.act(ForecastReset(schedule=schedule), box.name))
