"""A label for koji that is put away: lot, weight, purpose, and until when it is at its best."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import timedelta
from html import escape
from pathlib import Path

from kojimon.cli.shared import screen
from kojimon.contract.rows import Batch
from kojimon.errors import KojimonError
from kojimon.mash.facts import KEPT, PURPOSES
from kojimon.mash.scale import Weight, impossible_yield
from kojimon.units import show_weight
from kojimon.words.speech import Speech

WEIGHTS_APART = 0.05
"""The yield told and the koji as weighed: further apart, a label names both (judgement)."""

_PAGE = """<!doctype html>
<html lang="en"><meta charset="utf-8"><title>{title}</title>
<style>
@page {{ margin: 8mm }}
body {{ font: 12pt/1.3 sans-serif; color: #000; background: #fff }}
main {{ border: 1px solid #000; padding: 3mm; width: 75mm }} h1 {{ font-size: 16pt; margin: 0 }} p {{ margin: 1mm 0 }}
</style>
<main><h1>{title}</h1>
{lines}
</main>
</html>
"""


def purpose_of(row: Batch) -> str:
    """What a batch was planned for, where its note begins with that; else its schedule."""
    planned = row.note.partition(".")[0]
    known = {purpose.label for purpose in PURPOSES.values()}
    return planned if planned in known else row.schedule.replace("-", " ")


def lines_of(
    row: Batch, kept: str, purpose: str, speech: Speech, weights: Sequence[Weight] = (), grain: str = ""
) -> list[str]:
    """The lines of a label, the first its title. Raises KojimonError for a batch that is not harvested.

    Args:
        weights: those that stand: the last at the harvest is named beside the yield that was told, neither where so
            much koji cannot come of the dry weight. grain: of its schedule.
    """
    if row.outcome != "harvest" or row.ended_utc is None:
        raise KojimonError(f"Batch {row.name} is not harvested: a label is for koji that is put away.")
    how = KEPT[kept]
    taken = speech.local(row.ended_utc).date()
    until = taken + timedelta(days=how.days)
    last = {weight.stage: weight.kg for weight in weights}
    known = [kg for kg in (row.yield_kg, last.get("harvest")) if kg]
    known = [kg for kg in known if not impossible_yield(last.get("dry", math.inf), kg, grain)]
    shown = [show_weight(kg, speech.pounds) for kg in known if abs(kg - known[0]) > WEIGHTS_APART * known[0]]
    weight = [f"Weight when taken out: {' or '.join([show_weight(known[0], speech.pounds), *shown])}"] if known else []
    return [
        f"Koji: {purpose}", f"Lot {row.id} ({row.name})", f"Taken out {taken:%d %b %Y}", *weight,
        f"Kept: {how.label}", f"Best quality until {until:%d %b %Y} ({how.source})",
        "A date of quality, not of safety. Slime, strange colours or smells: throw it out.",
    ]  # fmt: skip


def write(lines: list[str], file: Path) -> None:
    """The label as a page to print."""
    body = "\n".join(f"<p>{escape(line)}</p>" for line in lines[1:])
    file.write_text(_PAGE.format(title=escape(lines[0]), lines=body), encoding="utf-8")


def show(lines: list[str]) -> None:
    """The label on the screen."""
    screen.say(lines[0], "head")
    for line in lines[1:]:
        screen.say(line)
