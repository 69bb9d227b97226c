"""A curve or a batch through the engine again: what would it have said?

A curve file is readings and steps in one trusted segment, so it gives the batch's events within a second and without
what people did to alarms. A batch from the journal is the very rows the engine was given, so it gives exactly the
batch's own events, unless another schedule is asked for.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import islice, pairwise
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from kojimon import engine
from kojimon.contract import inputs
from kojimon.contract.acts import Act, BatchStart, Reading, StepDone
from kojimon.engine.setup import READABLE, EngineSetup, IncubatorSetup, ProbeSetup, from_json, to_json
from kojimon.engine.state import State
from kojimon.errors import UsageError
from kojimon.journal.reading.curve_file import BY_HAND, Column, Curve
from kojimon.journal.reading.reader import Reader
from kojimon.journal.writing.derive import hour0_ms
from kojimon.model import Event, InputRow, Outcome
from kojimon.schedule.spec import Schedule
from kojimon.units import median

HOUR_ZERO = "inoculate"
INCUBATOR = "box"
BATCH = "rehearsal"
FIRST_T_MS = 1_000_000_000
"""Engine time of a curve's first moment: hour 0 may lie before it."""
STALE_PERIODS, STALE_AT_LEAST_MS = 3.0, 90_000
"""The defaults of `settings.spec.Staleness`, on the interval a curve's column really has."""
SPARSE_MS = 900_000
"""Readings further apart are by hand, or as good as: a limit asks three of a probe, and koji gains 2 K between them."""
SLICE = 20_000
RECORDED = "the recording says so"

Advance = Callable[[State, Sequence[Any], int], tuple[State, Outcome]]
Progress = Callable[[float], None]


class Track(Struct, frozen=True):
    """One column of a curve: where it was measured and what.

    Attributes:
        every_ms: usual time between two readings; 0 takes the median of the readings themselves.
        tolerance: how far the probe may be off (K or %), allowed at gates.
        by_hand: no probe: what somebody read, or as seldom.
    """

    name: str
    place: str
    quantity: str
    tray: str = ""
    every_ms: int = 0
    tolerance: float = 0.5
    by_hand: bool = False


class Recording(Struct, frozen=True):
    """A curve ready for the engine. Times in ms on one axis of its own, values in °C or %.

    Attributes:
        readings: (ms, index of the track, value), in order of time.
        steps: (ms, name of the step), in order of time.
        hour0_ms: when the spores went on; None where only a step `inoculate` says so.
        end_ms: how long somebody listened, where that was longer than anything came.
    """

    tracks: tuple[Track, ...]
    readings: Sequence[tuple[int, int, float]]
    steps: Sequence[tuple[int, str]] = ()
    hour0_ms: int | None = None
    end_ms: int | None = None


class Rehearsal(Struct, frozen=True):
    """What came of it.

    Attributes:
        events: in order; `t_ms` on the engine's axis.
        hour0_t_ms: hour 0 on that axis, None where there was none.
        offset_ms: engine time minus the recording's own time.
        unknown_steps: steps of the recording that the schedule does not have.
        tracks: the columns of a curve.
    """

    events: tuple[Event, ...]
    hour0_t_ms: int | None = None
    offset_ms: int = 0
    unknown_steps: tuple[str, ...] = ()
    tracks: tuple[Track, ...] = ()


def recording_of(curve: Curve, hour0_first: bool = False) -> Recording:
    """A curve file as read, ready for the engine.

    Args:
        curve: from `journal.reading.curve_file.read_curve`.
        hour0_first: the spores went on at the first line, in a file that has times and no step `inoculate`.
    """
    # Two quantities may share a column's name (air.temp_c, air.humidity_pct); a probe's name is its own.
    shared = {name for name, count in Counter(column.name for column in curve.columns).items() if count > 1}
    readings = [
        (row.t_ms, index, value) for row in curve.rows for index, value in enumerate(row.values) if value is not None
    ]
    spans: dict[int, tuple[int, int, int]] = {}
    for t_ms, index, _ in readings:
        count, first_ms, _ = spans.get(index, (0, t_ms, t_ms))
        spans[index] = count + 1, first_ms, t_ms
    tracks = tuple(_track(column, spans.get(index), shared) for index, column in enumerate(curve.columns))
    steps = [(row.t_ms, row.step) for row in curve.rows if row.step]
    by_hour = curve.start_utc_ms is None
    end_ms = curve.rows[-1].t_ms if curve.rows else None
    return Recording(tracks, readings, steps, 0 if by_hour or hour0_first else None, end_ms)


def _track(column: Column, span: tuple[int, int, int] | None, shared: set[str]) -> Track:
    """`span`: number of its readings, time of the first and of the last. Too few for their time, on the whole, are no
    probe's; one hole makes none of a probe."""
    count, first_ms, last_ms = span or (0, 0, 0)
    sparse = last_ms - first_ms > SPARSE_MS * max(1, count - 1) and (column.place, column.quantity) in READABLE
    by_hand, tray = column.by_hand or sparse, _tray(column)
    if by_hand and not column.by_hand:
        named = tray or ("" if column.name == column.place else column.name)
        tray = named if column.place == "bed" else ""
    return Track(_probe_name(column, shared), column.place, column.quantity, tray, by_hand=by_hand)


def _probe_name(column: Column, shared: set[str]) -> str:
    if column.name in shared and column.quantity != "temperature":
        return f"{column.name}.{column.quantity}"
    return column.name


def _tray(column: Column) -> str:
    return column.tray.removesuffix(BY_HAND).removesuffix("-") if column.by_hand else column.tray


def ignore(done: float) -> None:
    """Progress that nobody watches."""


def rehearse_curve(
    recording: Recording, schedule: Schedule, advance: Advance = engine.advance, progress: Progress = ignore,
    kind: str = "unknown", cover: str = "unknown",
) -> Rehearsal:  # fmt: skip
    """Runs a recorded curve through the engine under a schedule.

    Args:
        recording: the curve.
        schedule: what to judge it by.
        advance: the engine's step.
        progress: called with the rows done so far.
        kind, cover: of the box (`model.BoxKind`, `model.Cover`).

    Returns:
        The events of the batch, from its start to the end of the recording.

    Raises:
        UsageError: the curve has no reading, or nothing in it says when hour 0 was.
    """
    first_ms, last_ms = _bounds(recording)
    offset_ms = FIRST_T_MS - first_ms
    hour0_ms = _hour0(recording)
    known = {step.name for step in schedule.steps}
    box = IncubatorSetup(INCUBATOR, schedule.name, kind=kind, cover=cover)
    rows = _numbered(_curve_rows(recording, schedule, box, hour0_ms, offset_ms, known))
    events = _run(rows, advance, progress, last_ms + offset_ms)
    unknown = tuple(sorted({name for _, name in recording.steps} - known))
    return Rehearsal(tuple(e for e in events if e.batch), hour0_ms + offset_ms, offset_ms, unknown, recording.tracks)


def rehearse_batch(
    reader: Reader,
    batch: str,
    schedule: Schedule | None = None,
    advance: Advance = engine.advance,
    progress: Progress = ignore,
) -> Rehearsal:
    """Runs the journal's rows through the engine again and keeps the events of one batch.

    Args:
        reader: the journal.
        batch: id of the batch.
        schedule: judge the batch by this one instead of its own; what people did stays as it was.
        advance: the engine's step.
        progress: called with the number of the last row done.

    Raises UsageError when no batch of that id comes up.
    """
    merged = reader.rows_after(0)
    taken = merged if schedule is None else (_under(row, batch, schedule) for row in merged)
    events = tuple(e for e in _run(taken, advance, progress, reader.horizon_ms()) if e.batch == batch)
    if not events:
        raise UsageError(f"The journal has no batch {batch!r}. To see which it has: kojimon batch list")
    return Rehearsal(events, hour0_ms(events))


def _run(rows: Iterable[Any], advance: Advance, progress: Progress, end_ms: int) -> list[Event]:
    state, done = engine.initial_state(), 0
    events: list[Event] = []
    rows = iter(rows)
    while part := list(islice(rows, SLICE)):
        last = part[-1]
        state, outcome = advance(state, part, last[1] if isinstance(last, tuple) else last.t_ms)
        events += outcome.events
        done += len(part)
        progress(done)
    _, outcome = advance(state, [], max(state.t_ms, end_ms))
    return [*events, *outcome.events]


def _bounds(recording: Recording) -> tuple[int, int]:
    if not recording.readings:
        raise UsageError("The curve has no reading in it: expected at least one column with values.")
    # Before its first reading nobody listened: what was done by then is known, and no probe was silent.
    last_ms = max(recording.readings[-1][0], *(t_ms for t_ms, _ in recording.steps), recording.end_ms or 0)
    return recording.readings[0][0], last_ms


def _hour0(recording: Recording) -> int:
    marked = [t_ms for t_ms, name in recording.steps if name == HOUR_ZERO]
    if marked:
        return marked[0]
    if recording.hour0_ms is None:
        raise UsageError(
            "The curve does not say when the spores went on: expected a column `hour`, or `inoculate` in a column "
            "`step`; or say that it was at the first line (--from-start)."
        )
    return recording.hour0_ms


def _curve_rows(
    recording: Recording, schedule: Schedule, box: IncubatorSetup, hour0_ms: int, offset_ms: int, known: set[str]
) -> Iterator[tuple[int, inputs.What | tuple[int, float]]]:
    """(t_ms, what) of every row: an input, or of a reading (track, value)."""
    setup = _setup(recording, schedule, box)
    yield FIRST_T_MS, inputs.Start(boot=1, boot_id=BATCH, trusted=True, clean=True)
    yield FIRST_T_MS, inputs.Settings(hash=BATCH, setup=to_json(setup))
    first_ms = recording.readings[0][0]
    marked = any(name == HOUR_ZERO and t_ms >= first_ms for t_ms, name in recording.steps)
    begins = BatchStart(id=BATCH, name=BATCH, hour0_t_ms=None if marked else hour0_ms + offset_ms)
    yield FIRST_T_MS, Act(begins, INCUBATOR, channel=BATCH)
    steps = iter([one for one in recording.steps if one[1] in known and (marked or one[1] != HOUR_ZERO)])
    step = next(steps, None)
    for t_ms, track, value in recording.readings:
        while step is not None and step[0] < t_ms:
            yield max(FIRST_T_MS, step[0] + offset_ms), _done(step, offset_ms)
            step = next(steps, None)
        one = recording.tracks[track]
        if one.by_hand:
            value_c, value_pct = (None, value) if one.quantity == "humidity" else (value, None)
            read = Reading(value_c=value_c, value_pct=value_pct, place=one.place, tray=one.tray)
            yield t_ms + offset_ms, Act(read, INCUBATOR, channel=BATCH)
        else:
            yield t_ms + offset_ms, (track, value)
    while step is not None:
        yield step[0] + offset_ms, _done(step, offset_ms)
        step = next(steps, None)


def _done(step: tuple[int, str], offset_ms: int) -> Act:
    """What was done was done, whatever a gate says to it; only a gate that does not pass keeps the reason."""
    done = StepDone(step=step[1], at_t_ms=step[0] + offset_ms, override=RECORDED)
    return Act(done, INCUBATOR, channel=BATCH)


def _numbered(rows: Iterable[tuple[int, inputs.What | tuple[int, float]]]) -> Iterator[Any]:
    for seq, (t_ms, what) in enumerate(rows, 1):
        if isinstance(what, tuple):
            yield (seq, t_ms, what[0] + 1, what[1], 0)
        else:
            yield InputRow(seq, t_ms, what)


def _setup(recording: Recording, schedule: Schedule, box: IncubatorSetup) -> EngineSetup:
    probes = tuple(
        ProbeSetup(
            no=index + 1, name=track.name, incubator=INCUBATOR, place=track.place, quantity=track.quantity,
            tray=track.tray, stale_ms=_stale_ms(recording, index), tolerance=track.tolerance,
        )
        for index, track in enumerate(recording.tracks)
        if not track.by_hand
    )  # fmt: skip
    trays = tuple(dict.fromkeys(track.tray for track in recording.tracks if track.tray))
    return EngineSetup(BATCH, (replace(box, trays=trays),), probes, {schedule.name: schedule})


def _stale_ms(recording: Recording, index: int) -> int:
    every_ms: float = recording.tracks[index].every_ms
    if not every_ms:
        times = [t_ms for t_ms, track, _ in recording.readings if track == index]
        every_ms = median([b - a for a, b in pairwise(times)] or [0])
    return max(STALE_AT_LEAST_MS, round(STALE_PERIODS * every_ms))


def _under(row: Any, batch: str, schedule: Schedule) -> Any:
    """The row as if another schedule had been chosen: it stands among the settings, and the batch asks for it."""
    if isinstance(row, tuple) or not isinstance(row, InputRow):
        return row
    what = row.what
    if isinstance(what, inputs.Settings):
        setup = from_json(what.setup)
        setup = replace(setup, schedules={**setup.schedules, schedule.name: schedule})
        return replace(row, what=inputs.Settings(hash=f"{what.hash}+{schedule.name}", setup=to_json(setup)))
    if not isinstance(what, Act) or not isinstance(what.deed, BatchStart):
        return row
    # The id a start gives its batch: its own, or one made of the row's number.
    if batch not in (what.deed.id, f"{what.incubator}-{row.seq}"):
        return row
    return replace(row, what=replace(what, deed=replace(what.deed, schedule=schedule.name)))
