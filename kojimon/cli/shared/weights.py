"""What the scale says of a batch, on the screen."""

from __future__ import annotations

from kojimon.cli.shared import screen
from kojimon.cli.shared.kitchen import Kitchen
from kojimon.contract.rows import Batch
from kojimon.errors import KojimonError
from kojimon.mash.scale import Weight
from kojimon.units import show_weight
from kojimon.words import scale


def weights_of(kitchen: Kitchen, row: Batch) -> list[Weight]:
    """The weights of a batch that stand."""
    stated = kitchen.events(batch=row.id)
    return scale.standing(stated, row.rice_kg, row.started_t_ms, row.yield_kg, row.ended_t_ms)


def grain_of(schedule: str, config: str | None) -> str:
    """What a schedule of the settings grows on; "" where no settings file can be read."""
    from kojimon.cli.shared.opening import settings_file
    from kojimon.settings.load import load_settings

    try:
        settings = load_settings(settings_file(config))
    except KojimonError:
        return ""
    return settings.schedules[schedule].grain if schedule in settings.schedules else ""


def print_scale(kitchen: Kitchen, row: Batch, grain: str, pounds: bool) -> None:
    """What the weights of a batch say, with formula and source."""
    box = kitchen.state().box(row.incubator)
    kind, cover = (box.kind, box.cover) if box is not None and box.batch_id == row.id else ("", "")
    for text, tone in scale.lines(weights_of(kitchen, row), grain, pounds, kind, cover):
        screen.say(text, tone)
    if box is not None and box.tares:
        kept = ", ".join(f"{stage} {show_weight(kg, pounds)}" for stage, kg in box.tares.items())
        another = "2 lb" if pounds else "900 g"
        screen.say(f"Taken off for the vessel: {kept}. Another: --tare {another}; none: --tare 0", "quiet")
