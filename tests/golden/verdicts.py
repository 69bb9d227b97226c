"""A second replay: from the raw numbers that a journal keeps to the verdicts on them, every restart included.

The engine's own replay takes the stored verdicts as they are; here the judge makes them again, guided by an engine that
is fed what he makes. What came without a number, or while its device was said to be gone, is not stored as it came: it
stays as it was judged.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

from msgspec.structs import replace

from kojimon import engine
from kojimon.contract.inputs import Settings as SettingsInput
from kojimon.contract.inputs import Start
from kojimon.core.advance import advance, row_t_ms
from kojimon.daemon.certificates import Certificates
from kojimon.daemon.guide import Guide, moves_in_force
from kojimon.engine.state import State
from kojimon.journal.reading.certificates import certificates
from kojimon.journal.reading.reader import Reader
from kojimon.model import Arrival, InputRow, Quality
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.plain import from_json
from kojimon.settings.spec import Settings, SimulatedSource

RAW = SimulatedSource("raw")
"""A source that hands over what is in °C or % already."""
GONE = (Quality.LOST, Quality.SIGNED_OFF)


class Judged(NamedTuple):
    """One reading: the value and verdict stored, and those made of its raw number again."""

    seq: int
    probe: int
    stored: tuple[float, int]
    again: tuple[float, int]


def judged_again(journal: Path) -> Iterator[Judged]:
    """Every reading of a journal that has a raw number, judged again."""
    reader = Reader(journal)
    try:
        yield from _judged(reader)
    finally:
        reader.close()


def _judged(reader: Reader) -> Iterator[Judged]:
    raws = {row[0]: row[3] for page in reader.stored_pages(0) for row in page}
    rows, state, judge = list(reader.rows_after(0)), engine.initial_state(), None
    for part in _turns(rows):
        turn: list[Any] = []
        t_ms = row_t_ms(part[-1])
        for row in part:
            if isinstance(row, InputRow):
                if isinstance(row.what, Start):
                    judge = _Judge(reader, _settings(rows, row.seq), state, t_ms)
                turn.append(row)
                continue
            again = judge.again(row, raws[row[0]]) if judge else None
            if again is not None and row[3] is not None:
                yield Judged(row[0], row[2], (row[3], row[4]), again)
            turn.append(row if again is None else (*row[:3], *again))
        state, outcome = advance(state, turn, t_ms)
        if judge:
            judge.guide.take(outcome.guidance)


def _turns(rows: list[Any]) -> Iterator[list[Any]]:
    """The rows of each turn of the core, as far as they tell: readings of one moment, then inputs. What comes of a turn
    guides the next."""
    part: list[Any] = []
    for row in rows:
        anew = not isinstance(row, InputRow) and isinstance(part[-1], InputRow) if part else False
        if part and (anew or row_t_ms(row) != row_t_ms(part[-1])):
            yield part
            part = []
        part.append(row)
    if part:
        yield part


def _settings(rows: list[Any], seq: int) -> Settings:
    """The settings in force from a start on: those that came right after it, else the last before."""
    found = [row for row in rows if isinstance(row, InputRow) and isinstance(row.what, SettingsInput)]
    whole = [row.what.settings for row in found if row.seq <= seq + 1][-1]
    return from_json(bytes(whole))


class _Judge:
    """What judges from one start to the next."""

    def __init__(self, reader: Reader, settings: Settings, state: State, t_ms: int) -> None:
        probes = tuple(replace(one, source=RAW.name, topic="", unit="C", scale=1.0) for one in settings.probes)
        settings = replace(settings, probes=probes, sources=(RAW,))
        self._names = {probe.no: probe.name for probe in reader.probes()}
        self._pipeline = Pipeline(probes, {name: no for no, name in self._names.items()}, (RAW,))
        corrects = Certificates(settings, self._pipeline)
        for one in certificates(reader, t_ms).values():
            corrects.take(one)
        self.guide = Guide(settings, self._pipeline, corrects)
        self.guide.begin(state, moves_in_force(state, settings))

    def again(self, row: Any, raw: float | None) -> tuple[float, int] | None:
        """Value and verdict of a raw number, None where it is not to be had again."""
        _, t_ms, no, _, quality = row
        if raw is None or quality in GONE:
            return None
        late, retained = quality == Quality.LATE, quality == Quality.RETAINED
        arrival = Arrival(RAW.name, t_ms, self._names[no], raw, retained=retained, late=late)
        (made,) = self._pipeline.take(arrival, t_ms)
        return None if made.value is None else (made.value, made.quality)
