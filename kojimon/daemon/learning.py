"""What finished batches leave for the forecasts of the next ones, as the journal has it.

A harvested batch leaves an input `prior`; the act `forecast.reset` forgets. The latest of the two, for an incubator
and a schedule, is what the next batch starts from.
"""

from __future__ import annotations

from typing import Final

import msgspec
from msgspec import Struct

from kojimon.contract import inputs
from kojimon.contract.events import Forecast
from kojimon.daemon.forecast_batch import WORKS, Subject, probes_of
from kojimon.engine.setup import EngineSetup
from kojimon.forecast.answers import PRIOR_SCHEMA, Prior
from kojimon.forecast.protocol import Work
from kojimon.journal.reading.reader import Reader
from kojimon.journal.writing.derive import HOUR0_STEP, MARKING
from kojimon.model import Event, anchors_of, standing_marks
from kojimon.schedule.spec import Schedule

MOST_EVENTS: Final = 100_000


class Lesson(Struct, frozen=True):
    """A harvested batch that has not been learnt from."""

    subject: Subject
    schedule: Schedule
    end_ms: int
    works: tuple[Work, ...]


def memories(reader: Reader) -> list[Event]:
    """Every event `learnt` and `forgotten` that counts, in order: what was learnt of a batch whose end was taken back
    is unlearnt."""
    found: list[Event] = []
    for event in reader.events(kinds=("forecast", "batch-reopened"), limit=MOST_EVENTS):
        if event.kind == "batch-reopened":
            found = [one for one in found if _of(one) != event.batch]
        elif event.key in ("learnt", "forgotten"):
            found.append(event)
    return found


def _of(event: Event) -> str:
    """The batch of which was learnt; "" of another event."""
    return event.what.of if isinstance(event.what, Forecast) and event.key == "learnt" else ""


def latest(reader: Reader, incubator: str, schedule: str) -> Event | None:
    """The last event that learnt or forgot for an incubator and a schedule."""
    found = None
    for event in memories(reader):
        of = event.what.schedule if isinstance(event.what, Forecast) else ""
        if event.incubator == incubator and (of == schedule or (event.key == "forgotten" and not of)):
            found = event
    return found


def prior_of(reader: Reader, incubator: str, schedule: str) -> Prior | None:
    """What the next batch starts from; None: the published prior, for nothing was learnt, or for another model."""
    event = latest(reader, incubator, schedule)
    learnt = event.what if event is not None and event.key == "learnt" else None
    row = reader.input(learnt.input) if isinstance(learnt, Forecast) else None
    if row is None or not isinstance(row.what, inputs.Prior):
        return None
    try:
        prior = msgspec.convert(row.what.prior, Prior)
    except msgspec.ValidationError:
        return None
    return prior if prior.schema == PRIOR_SCHEMA else None


def lessons(reader: Reader, setup: EngineSetup) -> list[Lesson]:
    """Harvested batches not learnt from yet and not meant to be forgotten, oldest first."""
    told = memories(reader)
    learnt = {event.what.of for event in told if isinstance(event.what, Forecast) and event.key == "learnt"}
    corrections = reader.events(kinds=("anchor",), limit=MOST_EVENTS)
    anchors = tuple(anchors_of(corrections))
    found = []
    for row in reader.batches():
        schedule = setup.schedules.get(row.schedule)
        over = row.outcome == "harvest" and row.ended_t_ms is not None and row.hour0_t_ms is not None
        if not over or schedule is None or row.id in learnt or row.ended_t_ms is None or row.hour0_t_ms is None:
            continue
        last = latest(reader, row.incubator, row.schedule)
        if last is not None and last.key == "forgotten" and last.t_ms >= row.ended_t_ms:
            continue
        box = next((one for one in setup.incubators if one.name == row.incubator), None)
        named = (box.kind, box.cover) if box else ()
        subject = Subject(row.incubator, row.id, row.hour0_t_ms, anchors, probes_of(setup, row.incubator), *named)
        if any(one[1:] == ("bed", "temperature") for one in subject.probes):
            found.append(Lesson(subject, schedule, row.ended_t_ms, _works(reader, subject, schedule)))
    return found


def _works(reader: Reader, subject: Subject, schedule: Schedule) -> tuple[Work, ...]:
    """The work on the koji as the batch's events leave it: done, taken back, corrected."""
    work = {step.name: step.work for step in schedule.steps}
    marks = standing_marks(reader.events(batch=subject.batch, kinds=MARKING, limit=MOST_EVENTS)).values()
    done = [(work.get(name, ""), at_ms) for name, at_ms in marks if name != HOUR0_STEP]
    known = [(subject.since_s(at_ms), kind) for kind, at_ms in done if kind in WORKS]
    return tuple(sorted((at_s, kind) for at_s, kind in known if at_s >= 0))
