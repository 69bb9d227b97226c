"""Engine time to UTC and back, over boots, steps of the clock and boots that never synchronised."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.journal.records import ClockRow
from kojimon.journal.stamps import ESTIMATED, OPEN, TRUSTED, Segment, Stamps, segments

HOUR = 3_600_000
NOON = 1_780_000_000_000
"""Some UTC in ms; engine time 0 unless a test says otherwise."""


def row(
    seq: int, t_ms: int, kind: str, boot: int, boot_ms: int, wall_ms: int, trusted: bool, gap_ms: int = 0
) -> ClockRow:
    return ClockRow(seq, t_ms, kind, boot, f"boot-{boot}", boot_ms, wall_ms, trusted, 0, gap_ms)


def test_a_trusted_boot() -> None:
    stamps = Stamps(segments([row(1, 0, "start", 1, 5_000, NOON, True)]))
    assert stamps.utc_ms(HOUR) == (NOON + HOUR, True)
    assert stamps.t_ms(NOON + HOUR) == HOUR


def test_no_clock_row_yet() -> None:
    stamps = Stamps(segments([]))
    assert stamps.utc_ms(7) == (7, False)
    assert stamps.t_ms(NOON) is None


def test_synchronised_late_holds_for_the_whole_boot() -> None:
    rows = [
        row(1, 0, "start", 1, 5_000, NOON - 200 * 24 * HOUR, False),
        row(9, HOUR, "clock", 1, 5_000 + HOUR, NOON, True),
    ]
    assert Stamps(segments(rows[:1])).segments[0].state == OPEN
    assert Stamps(segments(rows[:1])).t_ms(NOON) is None, "an absolute time is refused while the clock is not trusted"
    assert Stamps(segments(rows)).utc_ms(0) == (NOON - HOUR, True)


def test_small_disagreement_changes_nothing_a_large_one_begins_a_segment() -> None:
    rows = [
        row(1, 0, "start", 1, 0, NOON, True),
        row(5, HOUR, "clock", 1, HOUR, NOON + HOUR + 1_900, True),
        row(9, 2 * HOUR, "clock", 1, 2 * HOUR, NOON + 3 * HOUR, True),
        row(11, 3 * HOUR, "clock", 1, 3 * HOUR, NOON + 9 * HOUR, False),
    ]
    stamps = Stamps(segments(rows))
    assert stamps.segments == (Segment(0, NOON, 1, TRUSTED), Segment(2 * HOUR, NOON + HOUR, 1, TRUSTED))
    assert stamps.utc_ms(HOUR + 1) == (NOON + HOUR + 1, True), "the past is not rewritten"
    assert stamps.utc_ms(4 * HOUR) == (NOON + 5 * HOUR, True), "an untrusted step counts for nothing"
    assert stamps.t_ms(NOON + 5 * HOUR // 2) == 2 * HOUR, "an hour that never was is the moment of the step"


@pytest.mark.parametrize(("ahead_ms", "begins"), [(-5_000, True), (-2_100, True), (2_000, False), (5_000, True)])
def test_a_trusted_clock_that_disagrees_by_seconds_is_believed_from_then_on(ahead_ms: int, begins: bool) -> None:
    rows = [row(1, 0, "start", 1, 0, NOON, True), row(5, HOUR, "clock", 1, HOUR, NOON + HOUR + ahead_ms, True)]
    assert Stamps(segments(rows)).utc_ms(2 * HOUR) == (NOON + 2 * HOUR + ahead_ms * begins, True)


def test_a_step_back_repeats_an_hour_and_the_later_one_counts() -> None:
    rows = [row(1, 0, "start", 1, 0, NOON, True), row(2, 2 * HOUR, "clock", 1, 2 * HOUR, NOON + HOUR, True)]
    stamps = Stamps(segments(rows))
    assert stamps.t_ms(NOON + 3 * HOUR // 2) == 5 * HOUR // 2
    assert stamps.t_ms(NOON + HOUR // 2) == HOUR // 2


def test_restart_within_a_boot_keeps_the_offset() -> None:
    rows = [
        row(1, 0, "start", 1, 1_000, NOON, True),
        row(7, HOUR, "start", 1, HOUR + 1_000, NOON + HOUR + 1_000, False),
    ]
    assert Stamps(segments(rows)).segments == (Segment(0, NOON, 1, TRUSTED),)


def test_a_gap_that_was_guessed_short() -> None:
    """The machine was off for five hours, engine time went on by ten minutes: UTC is right on both sides."""
    rows = [
        row(1, 0, "start", 1, 0, NOON, True),
        row(9, 2 * HOUR + 600_000, "start", 2, 30_000, NOON - 999 * HOUR, False, 600_000),
        row(12, 3 * HOUR + 600_000, "clock", 2, HOUR + 30_000, NOON + 8 * HOUR, True),
    ]
    stamps = Stamps(segments(rows))
    assert stamps.utc_ms(2 * HOUR) == (NOON + 2 * HOUR, True)
    assert stamps.utc_ms(2 * HOUR + 600_000) == (NOON + 7 * HOUR, True)
    assert stamps.t_ms(NOON + 4 * HOUR) == 2 * HOUR + 600_000, "a moment while the machine was off"


def never_synchronised(wall_ms: int, later_wall_ms: int | None = None) -> Segment:
    """The middle boot of three: NOON..+2 h trusted, then 1 h unsynchronised, then perhaps trusted again."""
    rows = [
        row(1, 0, "start", 1, 0, NOON, True),
        row(9, 2 * HOUR + 60_000, "start", 2, 60_000, wall_ms, False, 60_000),
    ]
    if later_wall_ms is not None:
        rows.append(row(20, 4 * HOUR, "start", 3, 60_000, later_wall_ms, True, 60_000))
    found = next(part for part in segments(rows) if part.boot == 2)
    assert found.from_t_ms == 2 * HOUR + 60_000
    return found


def test_a_boot_that_never_synchronised_is_estimated_and_says_so() -> None:
    plausible = NOON + 3 * HOUR
    assert never_synchronised(plausible) == (2 * HOUR + 60_000, plausible - 2 * HOUR - 60_000, 2, OPEN)
    assert never_synchronised(plausible, NOON + 9 * HOUR) == (
        2 * HOUR + 60_000, plausible - 2 * HOUR - 60_000, 2, ESTIMATED,
    )  # fmt: skip


def test_an_implausible_clock_is_put_beside_its_neighbour() -> None:
    assert never_synchronised(NOON - 50 * HOUR).offset_ms == NOON, "not before the end of the boot before"
    assert never_synchronised(NOON + 99 * HOUR, NOON + 9 * HOUR).offset_ms == NOON, "not after the boot after"


def test_first_boot_never_synchronised_lies_before_the_next() -> None:
    rows = [row(1, 0, "start", 1, 0, NOON + 90 * HOUR, False), row(5, HOUR, "start", 2, 0, NOON + HOUR, True)]
    assert segments(rows)[0] == (0, NOON, 1, ESTIMATED)


@st.composite
def histories(draw: st.DrawFn) -> list[ClockRow]:
    """Clock rows of some boots: any wall clock, trusted or not, restarts within a boot."""
    rows: list[ClockRow] = []
    t_ms, boot, boot_ms = 0, 0, 0
    for seq in range(1, draw(st.integers(1, 12)) + 1):
        kind = draw(st.sampled_from(["start", "reboot", "clock"])) if rows else "reboot"
        gap_ms = draw(st.integers(0, 5 * HOUR))
        if kind == "reboot":
            boot, boot_ms = boot + 1, draw(st.integers(0, gap_ms))
        else:
            boot_ms += gap_ms
        t_ms += gap_ms
        wall_ms = NOON + draw(st.integers(-100 * HOUR, 100 * HOUR))
        starts = kind != "clock"
        trusted = draw(st.booleans())
        rows.append(
            row(seq, t_ms, "start" if starts else "clock", boot, boot_ms, wall_ms, trusted, gap_ms if starts else 0)
        )
    return rows


@given(histories())
def test_what_is_final_never_changes(rows: list[ClockRow]) -> None:
    """A trusted or estimated offset stays whatever comes later, up to the next segment that begins."""
    for count in range(1, len(rows) + 1):
        earlier, later = Stamps(segments(rows[:count])), Stamps(segments(rows))
        for part in earlier.segments:
            if part.state != OPEN:
                now = later.segment(part.from_t_ms)
                assert now is not None
                if part.from_t_ms < rows[count - 1].t_ms:
                    assert (now.offset_ms, now.state) == (part.offset_ms, part.state)


@given(histories(), st.integers(-HOUR, 50 * HOUR))
def test_there_and_back(rows: list[ClockRow], t_ms: int) -> None:
    """A trusted UTC leads back to its engine time, or to a later one that carries the same UTC."""
    stamps = Stamps(segments(rows))
    utc_ms, trusted = stamps.utc_ms(t_ms)
    back_ms = stamps.t_ms(utc_ms)
    if back_ms is not None and trusted:
        assert back_ms >= t_ms or stamps.segment(t_ms) == stamps.segments[0]
        assert back_ms == t_ms or stamps.segment(back_ms) != stamps.segment(t_ms)


@given(histories())
def test_segments_stand_in_order_and_only_the_end_is_open(rows: list[ClockRow]) -> None:
    parts = segments(rows)
    assert [part.from_t_ms for part in parts] == sorted({part.from_t_ms for part in parts})
    states = [part.state for part in parts]
    assert OPEN not in states[: states.index(OPEN)] if OPEN in states else True
    assert all(state == OPEN for state in states[states.index(OPEN) :]) if OPEN in states else True


def test_the_moment_at_which_a_clock_was_set_back_is_that_moment() -> None:
    stamps = Stamps([Segment(0, NOON, 1, TRUSTED), Segment(10_000, NOON - 500, 1, TRUSTED)])
    assert Stamps([Segment(0, NOON, 1, ESTIMATED)]).utc_ms(7) == (NOON + 7, False)
    assert stamps.utc_ms(10_000) == (NOON + 9_500, True) and stamps.t_ms(NOON + 9_500) == 10_000
