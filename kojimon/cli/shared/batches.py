"""Batches as lists and one by one."""

from __future__ import annotations

import re
from collections.abc import Sequence

from kojimon.cli.shared import screen
from kojimon.cli.shared.kitchen import Kitchen
from kojimon.cli.shared.weights import weights_of
from kojimon.contract.rows import Batch
from kojimon.errors import KojimonError, UsageError
from kojimon.model import Event
from kojimon.words import speech as say
from kojimon.words import status as words
from kojimon.words.batches import ENDINGS, hours_of
from kojimon.words.card import Card, card_of
from kojimon.words.events import Teller
from kojimon.words.speech import Speech

HOUR_MS = 3_600_000


def print_list(kitchen: Kitchen, rows: Sequence[Batch]) -> None:
    """All batches as a table."""
    if not rows:
        screen.say("No batch yet. To open one: kojimon batch start NAME")
        return
    document = kitchen.state()
    speech, now = words.speech_of(document), document.now.utc
    cells = [
        [
            row.name,
            row.id,
            row.schedule,
            speech.moment(row.started_utc, now),
            hours_of(row, document.t_ms),
            ENDINGS.get(row.outcome, row.outcome),
            speech.mass(kg) if (kg := _koji_kg(kitchen, row)) else "",
        ]
        for row in rows
    ]
    screen.table(["batch", "id", "schedule", "begun", ">hours", "now", ">koji"], cells)


def _koji_kg(kitchen: Kitchen, row: Batch) -> float | None:
    """What it gave: as said at the harvest, else as it was weighed."""
    if row.yield_kg or row.outcome != "harvest":
        return row.yield_kg
    return next((one.kg for one in reversed(weights_of(kitchen, row)) if one.stage == "harvest"), None)


def batch_of(kitchen: Kitchen, text: str) -> Batch:
    """The batch meant by an id or a name; without one, the open one or else the latest. Raises in words."""
    rows = kitchen.batches()
    if not rows:
        raise KojimonError("There is no batch yet. To open one: kojimon batch start NAME")
    if not text:
        return next((row for row in reversed(rows) if row.ended_t_ms is None), rows[-1])
    found = [row for row in rows if row.id == text] or [row for row in rows if row.name == text]
    if len(found) != 1:
        what = "is the name of several batches; give the id" if found else "is no batch"
        known = ", ".join(f"{row.id} ({row.name})" if row.name != row.id else row.id for row in rows[-10:])
        raise UsageError(f"{text!r} {what}. The last ones are: {known}.")
    return found[0]


def typed_as(kitchen: Kitchen, batch_id: str) -> str:
    """What to type for a batch: its name, where that is of it alone and needs no quotes; else its id."""
    named = {row.id: row.name for row in kitchen.batches()}
    name = named[batch_id]
    known = [*named.values(), *(one for one in named if one != batch_id)].count(name) > 1
    return batch_id if known or not re.fullmatch(r"[\w.][\w.-]*", name) else name


def print_batch(kitchen: Kitchen, row: Batch) -> None:
    """One batch: what it was, its steps while it is open, and everything that happened."""
    document = kitchen.state()
    speech, now = words.speech_of(document), document.now.utc
    ending = ENDINGS.get(row.outcome, row.outcome)
    when = f" {speech.moment(row.ended_utc, now)}" if row.ended_utc else ""
    rice = f", {speech.mass(row.rice_kg)} of rice" if row.rice_kg else ""
    screen.say(f"Batch {row.name} ({row.id}): {row.schedule}{rice}.", "head")
    hours = hours_of(row, document.t_ms)
    since = f", {hours} h since the spores" if hours else ""
    screen.say(f"Begun {speech.moment(row.started_utc, now)}, {ending}{when}{since}.")
    box = next((box for box in document.incubators if box.batch_id == row.id), None)
    if box is not None:
        _steps(card_of(box, document, speech))
    screen.heading("What happened")
    _events(kitchen.events(batch=row.id), row, speech)


def _steps(card: Card) -> None:
    cells = [
        [step.name, f"{step.label} ({step.trade})" if step.trade else step.label,
         say.listing([when for _, when in step.done]), step.window]
        for step in card.steps
    ]  # fmt: skip
    screen.heading("Steps")
    screen.table(["step", "what", "done", "when"], cells)


def _events(events: Sequence[Event], row: Batch, speech: Speech) -> None:
    teller = Teller(speech)
    cells, tones = [], []
    for event in events:
        line = teller.tell(event)
        if line is None:
            continue
        hour = "" if row.hour0_t_ms is None else f"{(event.t_ms - row.hour0_t_ms) / HOUR_MS:.1f}"
        cells.append([speech.stamp(event.utc) if event.utc else "", hour, line.text])
        tones.append(line.tone)
    screen.story(["when", ">hour", "what"], cells, tones)
