"""Where a start stands in time: restarts, power cuts, clocks that are right, wrong or not there."""

from pathlib import Path

import pytest

from kojimon.contract.inputs import Anchor, Clock
from kojimon.core.boot import FIRST_T_MS, LONGEST_BELIEVED_MS, NoPast, boot
from kojimon.core.clockwatch import ClockWatch, Guess, Sight
from kojimon.model import InputRow
from tests.core.rig import WALL_MS, Rig
from tests.parts.machine import MachineClock
from tests.parts.opened import reading

HOUR = 3_600_000


def run(path: Path, clock: MachineClock, seconds: float = 600.0, crash: bool = False) -> Rig:
    """One run of the daemon's core that ends before the test goes on."""
    r = Rig(path, clock).start()
    for _ in range(10):
        r.arrive(1, 30.0)
        r.tick(seconds / 10)
    r.writer.flush(5)
    r.crash() if crash else r.stop()
    return r


def inputs(path: Path, kind: str) -> list[InputRow]:
    return [row for row in reading(path).rows_after(0) if isinstance(row, InputRow) and row.kind == kind]


def test_the_first_start(tmp_path: Path) -> None:
    r = run(tmp_path / "j", MachineClock(WALL_MS, boot_ms=77_000))
    start = r.booted.start
    assert (start.boot, start.gap_ms, start.gap_source, start.clean) == (1, 0, "first", True)
    assert inputs(tmp_path / "j", "start")[0].t_ms == FIRST_T_MS


def test_a_restart_in_the_same_boot_knows_the_gap_exactly(tmp_path: Path) -> None:
    clock = MachineClock(WALL_MS, trusted=False)
    first = run(tmp_path / "j", clock)
    clock.advance(123_456)
    clock.step_wall(-5 * HOUR)
    second = run(tmp_path / "j", clock)
    assert (second.booted.start.boot, second.booted.start.gap_source) == (1, "boot")
    assert second.booted.start.gap_ms == 123_456
    assert second.booted.t0_ms == first.core.present().t_ms + 123_456


def test_a_power_cut_with_a_clock_that_is_right(tmp_path: Path) -> None:
    clock = MachineClock(WALL_MS)
    first = run(tmp_path / "j", clock, crash=True)
    clock.reboot("two", gap_ms=40 * 60_000)
    start = run(tmp_path / "j", clock).booted.start
    assert (start.boot, start.gap_source, start.clean) == (2, "trusted", False)
    assert start.gap_ms == start.gap_low_ms == start.gap_high_ms
    assert start.gap_ms - 40 * 60_000 == first.core.present().t_ms - start.horizon_ms


def test_a_power_cut_without_a_trusted_clock_believes_what_is_plausible(tmp_path: Path) -> None:
    clock = MachineClock(WALL_MS, trusted=False)
    run(tmp_path / "j", clock)
    clock.reboot("two", gap_ms=30 * 60_000)
    clock.advance(20_000)
    start = run(tmp_path / "j", clock).booted.start
    assert (start.gap_source, start.gap_ms) == ("believed", 30 * 60_000 + 20_000)
    assert (start.gap_low_ms, start.gap_high_ms) == (20_000, None)


@pytest.mark.parametrize("off_ms", [-6 * HOUR, -15_000, LONGEST_BELIEVED_MS + HOUR, -50 * 365 * 24 * HOUR])
def test_an_implausible_clock_is_not_believed(tmp_path: Path, off_ms: int) -> None:
    """Nor is one by which the daemon was away for less than the 20 s that the machine has been up."""
    clock = MachineClock(WALL_MS, trusted=False)
    run(tmp_path / "j", clock)
    clock.reboot("two", gap_ms=0, wall_ms=WALL_MS + 600_000 + off_ms)
    clock.advance(20_000)
    start = run(tmp_path / "j", clock).booted.start
    assert (start.gap_source, start.gap_ms) == ("none", 20_000)


def test_a_first_synchronisation_tells_how_long_the_gap_really_was(tmp_path: Path) -> None:
    clock = MachineClock(WALL_MS)
    run(tmp_path / "j", clock)
    clock.reboot("two", gap_ms=0, wall_ms=0)
    clock.trust(False)
    r = Rig(tmp_path / "j", clock).start()
    r.tick(30)
    clock.step_wall(WALL_MS + 600_000 + 25 * 60_000 - clock.wall_ms() + 30_000)
    clock.trust(True)
    r.tick(5)
    r.stop()
    anchors = inputs(tmp_path / "j", "anchor")
    assert [anchor.what for anchor in anchors] == [Anchor(boot=2, delta_ms=25 * 60_000)]
    assert [row.what.trusted for row in inputs(tmp_path / "j", "clock")] == [True]


def test_a_synchronisation_while_the_daemon_was_down_counts_too(tmp_path: Path) -> None:
    clock = MachineClock(WALL_MS)
    run(tmp_path / "j", clock)
    clock.reboot("two", gap_ms=0, wall_ms=0)
    clock.trust(False)
    began = run(tmp_path / "j", clock)
    clock.step_wall(WALL_MS + 600_000 + 25 * 60_000 + 600_000 - clock.wall_ms())
    clock.trust(True)
    last = run(tmp_path / "j", clock)
    assert last.core.present().state.anchors == ((began.booted.t0_ms, 25 * 60_000),)
    assert [row.what for row in inputs(tmp_path / "j", "anchor")] == [Anchor(boot=2, delta_ms=25 * 60_000)]
    assert inputs(tmp_path / "j", "start")[-1].what.gap_source == "boot"


def test_a_boot_time_that_ran_backwards_is_another_boot(tmp_path: Path) -> None:
    run(tmp_path / "j", MachineClock(WALL_MS, boot_ms=50 * HOUR, boot_id="same"))
    again = run(tmp_path / "j", MachineClock(WALL_MS + HOUR, boot_ms=0, boot_id="same"))
    assert again.booted.start.boot == 2


@pytest.mark.parametrize("step_h", [-1, 1, -6, 24])
def test_a_step_of_the_wall_clock_is_an_event_and_moves_nothing(tmp_path: Path, step_h: int) -> None:
    clock = MachineClock(WALL_MS)
    r = Rig(tmp_path / "j", clock).start()
    r.act("batch.start", name="one")
    r.act("step.done", step="inoculate")
    r.tick(60)
    before = r.core.view().incubators[0]
    t_ms = r.core.present().t_ms
    clock.step_wall(step_h * HOUR)
    r.tick(10)
    after = r.core.view().incubators[0]
    r.stop()
    assert r.core.present().t_ms == t_ms + 10_000
    assert [step.due_t_ms for step in after.steps] == [step.due_t_ms for step in before.steps]
    assert [row.what.step_ms for row in inputs(tmp_path / "j", "clock")] == [step_h * HOUR]
    assert r.kinds().count("clock-step") == 1


def test_the_clock_is_noted_each_hour(tmp_path: Path) -> None:
    clock = MachineClock(WALL_MS)
    r = Rig(tmp_path / "j", clock).start()
    for _ in range(300):
        r.tick(60)
    r.stop()
    rows = inputs(tmp_path / "j", "clock")
    assert len(rows) == 5
    assert all(row.what.step_ms == 0 for row in rows)


def test_a_slewing_clock_is_no_step() -> None:
    watch = ClockWatch(1, "b", Sight(0, WALL_MS, True), None)
    told = [watch.look(Sight(second * 1000, WALL_MS + round(second * 1000.5), True)) for second in range(1, 3600)]
    assert not any(told)


def test_an_anchor_is_never_shorter_than_the_machine_was_up() -> None:
    watch = ClockWatch(
        2, "b", Sight(90_000, 1000, False), Guess(before_utc_ms=WALL_MS, taken_ms=90_000, boot_ms=90_000)
    )
    told = watch.look(Sight(100_000, WALL_MS - HOUR, True))
    assert [one.kind for one in told] == ["clock"]


class OfAnotherVersion(NoPast):
    """A journal whose rows gave more events than they do now."""

    def last_event(self) -> int:
        return 40

    def last_seq(self) -> int:
        return 50


def test_no_number_of_an_event_or_a_reading_is_given_twice() -> None:
    booted = boot(OfAnotherVersion(), MachineClock(WALL_MS), "0.0")
    assert (booted.state.event_no, booted.seq) == (40, 50) and booted.snapshot_wanted


@pytest.mark.parametrize(("step_ms", "noted"), [(0, False), (900, False), (30_000, True), (-30_000, True)])
def test_a_step_of_the_wall_clock_is_noted_and_a_slow_correction_is_not(step_ms: int, noted: bool) -> None:
    watch = ClockWatch(1, "b", Sight(0, WALL_MS, True), None)
    found = watch.look(Sight(5000, WALL_MS + 5000 + step_ms, True))
    assert [clock.step_ms for clock in found if isinstance(clock, Clock)] == ([step_ms] if noted else [])
