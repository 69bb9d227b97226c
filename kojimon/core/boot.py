"""How the core starts: the last state from the journal, the timeline carried over, and the first input.

A start is a snapshot plus the rows after it. A new boot begins at the last horizon plus the time the machine was off:
the difference of two trusted wall times, else a plausible difference of believed ones, else nothing but the time since
the machine came up.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple, Protocol

import msgspec
from msgspec.structs import replace

from kojimon import engine, logs
from kojimon.clock import Clock, Timeline
from kojimon.contract.inputs import UNREAD, Start
from kojimon.core.advance import Row, advance, row_t_ms
from kojimon.core.clockwatch import ClockWatch, Guess, Sight, sight
from kojimon.engine.state import State
from kojimon.journal.records import ClockRow, Snapshot
from kojimon.journal.stamps import Stamps
from kojimon.model import InputRow

FIRST_T_MS = 1_000_000_000
"""Engine time at which a new journal begins: 11.6 days, so that a moment before it is still a positive number."""

LONGEST_BELIEVED_MS = 7 * 86_400_000
"""A clock that is not known to be right is not believed about a longer gap: a batch is over by then."""

MANY_ROWS = 20_000
_LOG = logs.get("core")


class Past(Protocol):
    """What a start reads from the journal (`journal.reading.reader.Reader`)."""

    def last_snapshot(self) -> Snapshot | None: ...
    def pages_after(self, seq: int) -> Iterable[Sequence[Row]]: ...
    def horizon_ms(self) -> int: ...
    def last_seq(self) -> int: ...
    def last_event(self) -> int: ...
    def clock_rows(self) -> list[ClockRow]: ...
    def stamps(self) -> Stamps: ...


class NoPast:
    """The past where no journal can be read: none."""

    def last_snapshot(self) -> Snapshot | None:
        return None

    def pages_after(self, seq: int) -> Iterable[Sequence[Row]]:
        return ()

    def horizon_ms(self) -> int:
        return 0

    def last_seq(self) -> int:
        return 0

    def last_event(self) -> int:
        return 0

    def clock_rows(self) -> list[ClockRow]:
        return []

    def stamps(self) -> Stamps:
        return Stamps(())


class Gap(NamedTuple):
    """How long the daemon was away, in ms, whence that is known, and between which bounds it lies (None: unknown)."""

    gap_ms: int
    source: str
    low_ms: int
    high_ms: int | None


class Booted(NamedTuple):
    """Everything the core needs to go on.

    Attributes:
        state: the engine's state at the last horizon.
        seq: last number given.
        timeline: engine time of this boot; t0_ms: where it begins.
        watch: the watch on the wall clock.
        start: the `start` input, which stands at t0_ms.
        snapshot_wanted: whether many rows had to be replayed, some not, or by another version: worth a snapshot.
        unread: how many of the replayed rows could not be read or taken.
        blind: nothing is known of the past because it could not be read: a batch may be open.
    """

    state: State
    seq: int
    timeline: Timeline
    t0_ms: int
    watch: ClockWatch
    start: Start
    snapshot_wanted: bool
    unread: int
    blind: bool = False


class Restored(NamedTuple):
    """The engine's state at the journal's horizon, how many rows were replayed for it, and how many of them could not
    be read or taken (by this version, or at all)."""

    state: State
    rows: int
    unread: int


def restore(past: Past) -> Restored:
    """The engine's state from the last snapshot and the rows after it; a row that cannot be read ends nothing."""
    state, seq = _last_state(past.last_snapshot())
    horizon_ms, count, unread = past.horizon_ms(), 0, 0

    def left_out() -> None:
        nonlocal unread
        unread += 1

    for page in past.pages_after(seq):
        state, _ = advance(state, page, row_t_ms(page[-1]), left_out)
        count += len(page)
        unread += sum(isinstance(row, InputRow) and row.kind == UNREAD for row in page)
    if horizon_ms > state.t_ms:
        state, _ = advance(state, [], horizon_ms)
    return Restored(state, count, unread)


def _last_state(snapshot: Snapshot | None) -> tuple[State, int]:
    if snapshot is None:
        return engine.initial_state(), 0
    try:
        return engine.decode(snapshot.state), snapshot.seq
    except (msgspec.MsgspecError, ValueError) as error:
        _LOG.warning("the last snapshot was written by another version (%s); every row is replayed", error)
        return engine.initial_state(), 0


def _with_numbers(state: State, stored: int) -> State:
    """The state with its event number not below the journal's, so that no number is given twice.

    They differ only when the rows were replayed by another version of the engine than the one that stated the events.
    """
    if state.event_no == stored:
        return state
    _LOG.warning(
        "the journal holds %d events, its replay gives %d: another version stated them", stored, state.event_no
    )
    return replace(state, event_no=max(state.event_no, stored))


def boot(past: Past, clock: Clock, version: str, clean: bool = True) -> Booted:
    """Restores the state and works out where this start stands in time.

    Args:
        version: kojimon's version, kept with the start.
        clean: whether the last daemon stopped in order.
    """
    replay, count, unread = restore(past)
    state = _with_numbers(replay, past.last_event())
    now = sight(clock) or Sight(clock.boot_ms(), clock.wall_ms(), clock.trusted())
    rows, boot_id, stamps = past.clock_rows(), clock.boot_id(), past.stamps()
    # Without clock rows (lost with a damaged page) time still never runs backwards.
    horizon_ms = past.horizon_ms() if rows else max(FIRST_T_MS, past.horizon_ms(), state.t_ms)
    same = bool(rows) and _same_boot(rows[-1], boot_id, now, horizon_ms)
    number = rows[-1].boot + (0 if same else 1) if rows else 1
    gap = _gap(rows[-1], same, stamps.utc_ms(horizon_ms), now, horizon_ms) if rows else Gap(0, "first", 0, 0)
    t0_ms = horizon_ms + gap.gap_ms
    start = Start(
        boot=number, boot_id=boot_id, boot_ms=now.boot_ms, wall_ms=now.wall_ms, trusted=now.trusted, clean=clean,
        horizon_ms=horizon_ms, gap_ms=gap.gap_ms, gap_source=gap.source, gap_low_ms=gap.low_ms,
        gap_high_ms=gap.high_ms, version=version,
    )  # fmt: skip
    this = ClockRow(0, t0_ms, "start", number, boot_id, now.boot_ms, now.wall_ms, now.trusted, 0, gap.gap_ms)
    watch = ClockWatch(number, boot_id, now, _guess([row for row in rows if row.boot == number], this, stamps))
    seq = max(past.last_seq(), state.seq)
    wanted = count > MANY_ROWS or unread > 0 or state is not replay
    return Booted(state, seq, Timeline(t0_ms, now.boot_ms), t0_ms, watch, start, wanted, unread)


def _same_boot(last: ClockRow, boot_id: str, now: Sight, horizon_ms: int) -> bool:
    """Whether boot time still counts from the same zero as the journal's last clock row."""
    if last.boot_id != boot_id or boot_id == "unknown-boot":
        return False
    return last.t_ms + now.boot_ms - last.boot_ms >= horizon_ms


def _gap(last: ClockRow, same: bool, before: tuple[int, bool], now: Sight, horizon_ms: int) -> Gap:
    """The time between the last horizon and now. In a new boot the machine has been up for boot_ms of it at least."""
    if same:
        gap_ms = last.t_ms + now.boot_ms - last.boot_ms - horizon_ms
        return Gap(gap_ms, "boot", gap_ms, gap_ms)
    before_utc_ms, before_trusted = before
    difference_ms = now.wall_ms - before_utc_ms
    if before_trusted and now.trusted and difference_ms >= 0:
        return Gap(difference_ms, "trusted", difference_ms, difference_ms)
    if now.boot_ms <= difference_ms <= LONGEST_BELIEVED_MS:
        return Gap(difference_ms, "believed", now.boot_ms, None)
    return Gap(now.boot_ms, "none", now.boot_ms, None)


def _guess(rows: Sequence[ClockRow], this: ClockRow, stamps: Stamps) -> Guess | None:
    """What was taken for the gap before this boot, as long as no trusted clock has spoken in it.

    Args:
        rows: earlier clock rows of this boot (the daemon may have been restarted within it).
    """
    first = rows[0] if rows else this
    if any(row.trusted for row in rows) or first.gap_ms < 0:
        return None
    # A millisecond earlier: at the horizon itself this boot's own stamps hold already where the gap was taken for 0.
    before_utc_ms, trusted = stamps.utc_ms(first.t_ms - first.gap_ms - 1)
    return Guess(before_utc_ms + 1, first.gap_ms, first.boot_ms) if trusted else None
