"""What the forecast is told besides readings and steps, from the batch's events and the engine's state."""

from __future__ import annotations

from msgspec.structs import replace

from kojimon.contract.events import ProbeMoved, Reading, ReadingUndone, Setpoint
from kojimon.daemon.forecast_batch import UNTOLD, Subject, besides, readings_of, setup_of, subject_of
from kojimon.engine import initial_state
from kojimon.engine.moments import NOT_WARMED
from kojimon.engine.setup import EngineSetup, IncubatorSetup, ProbeSetup
from kojimon.engine.state import BatchState, ConditionState, Mark
from kojimon.model import Event
from kojimon.review.measure.minutes import Minute
from kojimon.schedule.load import SHIPPED, load_schedule

HOUR_MS = 3_600_000
SUBJECT = Subject("box", "b", 2 * HOUR_MS, (), ())


def happened(hour: float, what: ProbeMoved | Setpoint | Reading | ReadingUndone, no: int = 1) -> Event:
    return Event(no, round(hour * HOUR_MS), "box", "b", "", what)


def test_a_box_set_anew_a_probe_moved_and_a_mixing_seen_are_told() -> None:
    told = [
        happened(1.0, Setpoint(to_c=30.0)), happened(9.0, Setpoint(to_c=28.5)), happened(10.0, Setpoint()),
        happened(11.0, ProbeMoved(tray="top")), happened(50.0, ProbeMoved(tray="top", ended=True)),
    ]  # fmt: skip
    assert {one.kind for one in told} < set(UNTOLD)
    assert besides(told, SUBJECT, [7 * HOUR_MS]) == (
        (5 * 3600.0, "mix"), (7 * 3600.0, "set 28.5"), (8 * 3600.0, "set"), (9 * 3600.0, "moved"),
    )  # fmt: skip


def test_what_was_read_of_the_koji_by_hand_is_told_unless_it_was_taken_back() -> None:
    at = 9 * HOUR_MS
    read = [Reading(value=36.5, at_ms=at), Reading(value=99.0, at_ms=at), Reading(place="air", value=30.0, at_ms=at),
            Reading(value=36.0, at_ms=at, quality=1)]  # fmt: skip
    told = [happened(9.0, what, no) for no, what in enumerate(read)]
    told.append(happened(11.0, ReadingUndone(reading=1), 9))
    assert {one.kind for one in told} < set(UNTOLD)
    assert besides(told, SUBJECT, []) == ((7 * 3600.0, "read 36.5"),)


def test_a_probe_that_is_perhaps_out_of_the_koji_is_not_told_but_for_what_is_warm_enough() -> None:
    subject = replace(SUBJECT, probes=((1, "bed", "temperature"), (2, "air", "temperature")))
    start = 3 * HOUR_MS
    bed_c = (38.0, 24.0, 33.0)
    minutes = {1: [Minute(start + 60_000 * at, start + 60_000 * at, c, c, 1) for at, c in enumerate(bed_c)],
               2: [Minute(start + 60_000 * at, start + 60_000 * at, 30.0, 30.0, 1) for at in range(3)]}  # fmt: skip
    assert [row[1] for row in readings_of(subject, minutes)] == list(bed_c)
    assert [row[1] for row in readings_of(subject, minutes, {1: 31.0})] == [38.0, None, 33.0]


def test_a_box_with_a_probe_in_its_air_alone_is_forecast_and_one_with_none_is_not() -> None:
    air = ProbeSetup(1, "air", "box", "air", "temperature", "", 60_000, 60.0)
    room = replace(air, no=2, name="room", place="room")
    sown = BatchState("b", "b", "home", 0, marks=(Mark(1, "inoculate", HOUR_MS, HOUR_MS),))

    def subject(*probes: ProbeSetup) -> Subject | None:
        box = IncubatorSetup("box", "home", kind="fan", cover="open")
        setup = EngineSetup("site", incubators=(box,), probes=probes)
        return subject_of(replace(initial_state(), setup=setup, batches={"box": sown}), "box")

    found = subject(air)
    assert found is not None and (found.kind, found.cover) == ("fan", "open")
    assert subject(room) is None


def test_kind_and_cover_of_the_box_are_told() -> None:
    made = setup_of(load_schedule(SHIPPED / "rice-koji-home-trays.yaml"), "fan", "open")
    assert (made.kind, made.cover) == ("fan", "open")


def test_koji_that_began_late_is_harvested_later_by_the_forecast_too() -> None:
    """Own heat came at hour 30, and typically comes at hour 16; at hour 22 koji is not slow yet."""
    home = load_schedule(SHIPPED / "rice-koji-home-trays.yaml")
    setup = EngineSetup("site", incubators=(IncubatorSetup("box", "home"),), schedules={"home": home}, probes=(
        ProbeSetup(1, "koji", "box", "bed", "temperature", "", 60_000, 60.0),
    ))  # fmt: skip
    sown = BatchState(
        "b", "b", "home", 0, marks=(Mark(1, "inoculate", HOUR_MS, HOUR_MS),), own_rise_k=5.0,
        conditions={"own-heat": ConditionState(runs=((31 * HOUR_MS, 39 * HOUR_MS),))},
    )  # fmt: skip

    def hours(batch: BatchState) -> tuple[float | None, float | None]:
        found = subject_of(replace(initial_state(), setup=setup, batches={"box": batch}), "box")
        assert found is not None
        made = setup_of(home, found.kind, found.cover, found.late_h)
        return made.harvest_from_h, made.harvest_until_h

    assert hours(sown) == (40.0, 50.0)
    assert hours(replace(sown, warmth=NOT_WARMED)) == (54.0, 64.0)
