"""The earlier batch to be drawn behind: the best of the same box and schedule, by the scores a person gave."""

from __future__ import annotations

from msgspec import Struct

from kojimon.contract.events import Verdict
from kojimon.curve import Earlier
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import BatchRow
from kojimon.model import Event
from kojimon.review.load import Case, load_case
from kojimon.review.measure.minutes import Minute, gap_of, hottest, read_minutes, runs


class Best(Struct, frozen=True):
    """The best batch before, with the mean score a person gave it."""

    case: Case
    score: float


def score_of(case: Case) -> float | None:
    """Mean of the scores a person gave, 1-5; None without a verdict or for what was thrown away."""
    verdict = case.story.verdict
    if verdict is None or not verdict.scores or case.row.outcome == "discard":
        return None
    return sum(verdict.scores.values()) / len(verdict.scores)


def scores(verdicts: list[Event]) -> dict[str, float]:
    """Mean score by batch, the last verdict of each counted."""
    found: dict[str, float] = {}
    for event in verdicts:
        given = list(event.what.scores.values()) if isinstance(event.what, Verdict) else []
        if given:
            found[event.batch] = sum(given) / len(given)
    return found


def best_before(reader: Reader, row: BatchRow) -> tuple[BatchRow, float | None] | None:
    """The best batch harvested before this one, with its score; without any score the latest. None: there is none."""
    before = [
        other
        for other in reader.batches(row.incubator)
        if other.outcome == "harvest"
        and other.schedule == row.schedule
        and other.hour0_t_ms is not None
        and other.started_t_ms < row.started_t_ms
    ]
    if not before:
        return None
    given = scores(reader.events(kinds=("verdict",), limit=100_000))
    scored = [other for other in before if other.id in given]
    if not scored:
        return before[-1], None
    best = max(scored, key=lambda other: (given[other.id], other.started_t_ms))
    return best, given[best.id]


def best_of(reader: Reader, row: BatchRow) -> Best | None:
    """The best batch before this one where a person scored one."""
    found = best_before(reader, row)
    if found is None or found[1] is None:
        return None
    return Best(load_case(reader, found[0].id), found[1])


def earlier_of(reader: Reader, row: BatchRow) -> Earlier | None:
    """The pale line behind a batch: the hottest tray of the best one before it, in steps of five minutes."""
    found = best_before(reader, row)
    if found is None:
        return None
    other, score = found
    case = load_case(reader, other.id)
    minutes = read_minutes(reader.path, reader.seq_at(case.t0_ms), reader.seq_at(case.t1_ms + 1))
    beds: list[list[Minute]] = [
        minutes[no]
        for no, site in case.probes.items()
        if (site.place, site.quantity) == ("bed", "temperature") and no in minutes
    ]
    line = hottest(beds)
    label = f"batch {other.name}, {'the last one' if score is None else f'your best, {score:.1f} of 5'}"
    after = [minute for minute in line if case.hours.ms(minute.first_ms) >= 0]
    return Earlier(label, runs(after, gap_of(after), case.hours.hour)) if after else None
