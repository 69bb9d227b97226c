"""Live verdicts: each on a series made for it, with what must pass beside what must not."""

from collections.abc import Iterable, Sequence
from typing import Any

from hypothesis import given
from hypothesis import strategies as st

from kojimon.model import Quality
from kojimon.probes.judging.judge import Watch
from kojimon.probes.judging.limits import AIR, BED, HUMIDITY, Limits, limits_of
from kojimon.probes.judging.neighbours import watch_all
from kojimon.settings.spec import Probe

G, SPIKE, RATE = Quality.GOOD, Quality.SPIKE, Quality.RATE


def probe(name: str = "bed", place: str = "bed", quantity: str = "temperature", **more: Any) -> Probe:
    return Probe(name, "box", place, quantity, "s", **more)


def watch(name: str = "bed", place: str = "bed", quantity: str = "temperature", **more: Any) -> Watch:
    own = probe(name, place, quantity, **more)
    return Watch(own, limits_of(own))


def verdicts(one: Watch, values: Iterable[float], every_s: float = 10.0, start_s: float = 0.0) -> list[int]:
    return [one.judge(round(1000 * (start_s + at * every_s)), value, value) for at, value in enumerate(values)]


# -- spike ----------------------------------------------------------------------------------------------------


def test_a_single_reading_far_off_is_a_spike_and_its_neighbours_are_not() -> None:
    assert verdicts(watch(), [30, 30.1, 42, 30.1, 30, 18, 30.2]) == [G, G, SPIKE, G, G, SPIKE, G]


def test_two_in_a_row_that_agree_are_spikes_and_the_third_is_a_real_step() -> None:
    assert verdicts(watch(), [30, 42, 42.1, 42.2, 42.3]) == [G, SPIKE, SPIKE, G, G]


def test_three_that_do_not_agree_are_three_spikes() -> None:
    assert verdicts(watch(), [30, 42, 10, 60, 30.1]) == [G, SPIKE, SPIKE, SPIKE, G]


def test_mixing_and_an_open_lid_pass() -> None:
    # 8 K within a minute through a probe that follows in 30 s, as after a mix of hot koji (judgement).
    falling = [38 - 8 * (1 - 0.72**at) for at in range(12)]
    assert set(verdicts(watch(), falling)) == {G}
    lid = [30 - 9 * (1 - 0.8**at) for at in range(20)]
    assert set(verdicts(watch("air", "air"), lid)) == {G}
    damp = [92 - 35 * (1 - 0.85**at) for at in range(20)]
    assert set(verdicts(watch("rh", "air", "humidity"), damp)) == {G}


def test_a_slow_probe_may_step_further_between_two_readings() -> None:
    assert verdicts(watch(), [38, 30], every_s=60) == [G, G]
    assert verdicts(watch(), [38, 30], every_s=10) == [G, SPIKE]


def test_the_first_reading_after_a_gap_is_believed() -> None:
    one = watch()
    assert verdicts(one, [30, 30.1]) == [G, G]
    assert verdicts(one, [60, 60.1], start_s=700) == [G, G]


def test_a_probe_that_reports_hourly_has_no_gap_between_its_readings() -> None:
    assert verdicts(watch(expect_every_s=3600), [30, 70, 30], every_s=3600) == [G, SPIKE, G]


# -- rate -----------------------------------------------------------------------------------------------------


def test_faster_than_a_probe_can_follow_is_told_for_a_minute() -> None:
    ramp = [30 + 2 * max(0, min(at - 6, 12)) for at in range(40)]  # 12 K a minute for two minutes
    found = verdicts(watch(), ramp)
    assert RATE in found
    assert found[-1] == G
    slow = [30 + 1.2 * max(0, min(at - 6, 12)) for at in range(40)]
    assert set(verdicts(watch(), slow)) == {G}


# -- pinned ---------------------------------------------------------------------------------------------------


def test_humidity_at_its_end_for_an_hour_is_a_wet_element_until_it_has_dried() -> None:
    one = watch("rh", "air", "humidity")
    assert set(verdicts(one, [100.0] * 60, every_s=60)) == {G}
    assert set(verdicts(one, [100.0] * 10, every_s=60, start_s=3660)) == {Quality.PINNED}
    assert set(verdicts(one, [98.0] * 5, every_s=60, start_s=4260)) == {Quality.PINNED}
    assert verdicts(one, [96.0] * 2, every_s=60, start_s=4560)[-1] == G


def test_humidity_that_touches_100_now_and_then_is_no_wet_element() -> None:
    values = [100.0 if at % 30 else 96.0 for at in range(300)]
    assert set(verdicts(watch("rh", "air", "humidity"), values, every_s=60)) == {G}


# -- stuck ----------------------------------------------------------------------------------------------------


def together(*watches: Watch) -> None:
    assert len(watch_all(watches)) == 1


def last_verdicts(watches: Sequence[Watch], minutes: int, value_of: dict[str, Any], start: int = 0) -> dict[str, int]:
    """Feeds one reading a minute to each; `value_of` gives a value by minute. Returns the last verdicts."""
    found = {}
    for minute in range(start, start + minutes):
        for one in watches:
            value = value_of[one.probe.name](minute)
            found[one.probe.name] = one.judge(minute * 60_000, value, value)
    return found


def saw(minute: int) -> float:
    """Air under a thermostat: 2 K up and down within 20 minutes."""
    return 29.0 + abs(minute % 20 - 10) / 5


def warming(minute: int) -> float:
    return 31.0 + minute / 40


def test_a_koji_probe_that_stands_still_while_others_in_the_koji_warm_is_stuck() -> None:
    bed, other = watch(), watch("bed-2")
    together(bed, other)
    values = {"bed": lambda minute: 31.0, "bed-2": warming}
    assert last_verdicts((bed, other), 29, values) == {"bed": G, "bed-2": G}
    assert last_verdicts((bed, other), 20, values, 29) == {"bed": Quality.STUCK, "bed-2": G}
    moving = {"bed": lambda minute: 31.0 + minute % 2 / 8, "bed-2": warming}
    assert last_verdicts((bed, other), 2, moving, 49)["bed"] == G


def test_a_quiet_bed_under_a_thermostat_is_not_stuck() -> None:
    bed, air = watch(), watch("air", "air")
    together(bed, air)
    assert last_verdicts((bed, air), 600, {"bed": lambda minute: 30.0625, "air": saw}) == {"bed": G, "air": G}


def test_a_lone_koji_probe_is_expected_to_move_once_the_koji_warms_itself() -> None:
    bed, air = watch(), watch("air", "air")
    groups = watch_all((bed, air))
    values = {"bed": lambda minute: min(30 + minute / 20, 36.0), "air": saw}
    assert last_verdicts((bed, air), 160, values)["bed"] == G
    assert groups["box"].warmed
    assert last_verdicts((bed, air), 20, values, 160)["bed"] == Quality.STUCK


def test_it_can_be_told_that_the_koji_warms_itself() -> None:
    bed, air = watch(), watch("air", "air")
    watch_all((bed, air))["box"].told(True)
    values = {"bed": lambda minute: 30.0625, "air": saw}
    assert last_verdicts((bed, air), 60, values)["bed"] == G, "warmth was lifted: the koji is as cold as the air"
    assert not watch_all((bed, air))["box"].warmed


def test_hot_rice_that_cools_is_no_self_warming() -> None:
    bed, air = watch(), watch("air", "air")
    groups = watch_all((bed, air))
    cooling = {"bed": lambda minute: 30.0625 + 40 * 0.9**minute, "air": saw}
    assert last_verdicts((bed, air), 100, cooling)["bed"] == G
    assert not groups["box"].warmed
    assert last_verdicts((bed, air), 100, {"bed": lambda minute: 30.0625, "air": saw}, 100)["bed"] == G


def test_an_air_probe_that_stands_still_while_humidity_cycles_is_stuck() -> None:
    air, damp = watch("air", "air"), watch("rh", "air", "humidity")
    together(air, damp)
    values = {"air": lambda minute: 29.5, "rh": lambda minute: 85 - 5 * (saw(minute) - 30)}
    assert last_verdicts((air, damp), 45, values) == {"air": Quality.STUCK, "rh": G}


def test_humidity_that_stands_still_while_the_air_cycles_is_stuck_but_not_near_saturation() -> None:
    # Real plateaus of up to 20 h at saturation are reported; a flat-line test has no place there.
    for value, verdict in ((85.0, Quality.STUCK), (98.0, G)):
        air, damp = watch("air", "air"), watch("rh", "air", "humidity")
        together(air, damp)
        values = {"air": saw, "rh": lambda minute, value=value: value}
        assert last_verdicts((air, damp), 45, values)["rh"] == verdict


def test_a_coarse_probe_is_given_three_of_its_own_steps() -> None:
    bed, other = watch(), watch("bed-2")
    together(bed, other)
    coarse = {"bed": lambda minute: float(min(minute, 1) + 30), "bed-2": warming}
    assert last_verdicts((bed, other), 60, coarse)["bed"] == G
    assert last_verdicts((bed, other), 80, coarse, 60)["bed"] == Quality.STUCK


# -- drift ----------------------------------------------------------------------------------------------------


def test_a_probe_that_leaves_the_one_beside_it_drifts_and_the_reference_does_not() -> None:
    bed, other = watch(beside="ref"), watch("ref")
    together(bed, other)
    values = {"bed": lambda minute: saw(minute) + minute * 0.01, "ref": saw}
    assert last_verdicts((bed, other), 120, values) == {"bed": G, "ref": G}
    assert last_verdicts((bed, other), 120, values, 120) == {"bed": Quality.DRIFT, "ref": G}
    back = {"bed": saw, "ref": saw}
    assert last_verdicts((bed, other), 60, back, 240) == {"bed": G, "ref": G}


def test_a_difference_that_has_not_lasted_is_no_drift() -> None:
    """An opened lid, a draught: 20 min are given to it."""
    bed, other = watch(beside="ref"), watch("ref")
    together(bed, other)
    values = {"bed": lambda minute: saw(minute) + 2.5, "ref": saw}
    assert last_verdicts((bed, other), 15, values) == {"bed": G, "ref": G}
    assert last_verdicts((bed, other), 30, values, 15) == {"bed": Quality.DRIFT, "ref": G}


def test_of_three_side_by_side_the_one_that_differs_drifts() -> None:
    three = [watch("a", beside="b"), watch("b"), watch("c", beside="b")]
    together(*three)
    values = {"a": saw, "b": lambda minute: saw(minute) + 2.0, "c": saw}
    assert last_verdicts(three, 60, values) == {"a": G, "b": Quality.DRIFT, "c": G}


def test_trays_that_are_not_declared_side_by_side_may_differ() -> None:
    bed, other = watch(), watch("bed-2")
    together(bed, other)
    values = {"bed": saw, "bed-2": lambda minute: saw(minute) + 6.0}
    assert last_verdicts((bed, other), 120, values) == {"bed": G, "bed-2": G}


def test_a_silent_reference_judges_nothing() -> None:
    bed, other = watch(beside="ref"), watch("ref")
    together(bed, other)
    last_verdicts((bed, other), 5, {"bed": saw, "ref": saw})
    assert last_verdicts((bed,), 120, {"bed": lambda minute: saw(minute) + 5}, 5)["bed"] == G


# -- in general -----------------------------------------------------------------------------------------------


def test_limits_by_place_and_quantity() -> None:
    assert limits_of(probe()) is BED
    assert limits_of(probe("air", "air")) is AIR
    assert limits_of(probe("rh", "bed", "humidity")) is HUMIDITY


def test_tests_can_be_switched_off() -> None:
    off = replace_limits(BED, stuck_s=0.0)
    bed, other = Watch(probe(), off), watch("bed-2")
    together(bed, other)
    assert last_verdicts((bed, other), 90, {"bed": lambda minute: 31.0, "bed-2": warming})["bed"] == G


def replace_limits(limits: Limits, **changes: float) -> Limits:
    import msgspec

    return msgspec.structs.replace(limits, **changes)


@given(
    st.lists(st.tuples(st.integers(0, 200_000), st.floats(-1e6, 1e6)), max_size=60),
    st.sampled_from(["temperature", "humidity"]),
)
def test_the_same_series_gives_the_same_verdicts_and_memory_is_bounded(
    steps: list[tuple[int, float]], quantity: str
) -> None:
    def judge() -> tuple[list[int], Watch]:
        one, t_ms, found = watch("x", "air", quantity), 0, []
        together(one, watch("y", "air"))
        for step_ms, value in steps:
            t_ms += step_ms
            found.append(one.judge(t_ms, value, value))
        return found, one

    first, one = judge()
    assert first == judge()[0]
    assert len(one.minutes) <= 240
    assert set(first) <= {G, SPIKE, RATE, Quality.PINNED, Quality.STUCK, Quality.DRIFT}


# -- moved to another tray ------------------------------------------------------------------------------------------

SETTLED_MS = 600_000


def test_a_move_to_another_tray_is_no_spike_no_rate_and_no_drift() -> None:
    """38 °C, two minutes in the air at 29 °C, then 33 °C; a bare tip follows at once. The same without the word is a
    fault: that is what the word is for."""
    values = [38.0] * 33 + [29.0, 28.8, 29.1] * 4 + [33.0] * 60
    silent, told = watch(tray="top"), watch(tray="top")
    assert SPIKE in verdicts(silent, values)
    assert set(verdicts(told, values[:30])) == {G}
    told.move("bottom", 300_000 + SETTLED_MS)
    assert set(verdicts(told, values[30:], start_s=300)) == {G}


def test_on_the_way_what_no_move_explains_is_a_spike_all_the_same() -> None:
    one = watch(tray="top")
    verdicts(one, [38.0] * 10)
    one.move("bottom", 100_000 + SETTLED_MS)
    assert verdicts(one, [29.0, 33.0, 68.0, 33.0], start_s=100) == [G, G, SPIKE, G]


def test_once_settled_it_is_judged_as_before() -> None:
    one = watch(tray="top")
    verdicts(one, [38.0] * 10)
    one.move("bottom", 100_000 + SETTLED_MS)
    assert set(verdicts(one, [33.0] * 70, start_s=100)) == {G}
    assert verdicts(one, [33.0, 42.0, 33.0], start_s=800) == [G, SPIKE, G]


def test_probes_side_by_side_are_compared_again_once_they_are_in_one_tray() -> None:
    """The mat probe beside the reference runs 5 K above it once it is in another tray, which is no drift; back beside
    it and still 5 K above, it is."""
    names = {"mat": "reference", "reference": ""}
    ours = [Watch(one := probe(name, tray="top", beside=beside), limits_of(one)) for name, beside in names.items()]
    watch_all(ours)
    mat, reference = ours
    series: list[list[int]] = [[], [], []]
    for minute in range(240):
        t_ms = minute * 60_000
        if minute == 60:
            mat.move("bottom", t_ms + SETTLED_MS)
        if minute == 150:
            mat.move("top", t_ms + SETTLED_MS)
        reference.judge(t_ms, 33.0 + 0.1 * (minute % 3), 33.0 + 0.1 * (minute % 3))
        value = 33.1 + 0.1 * (minute % 2) if minute < 60 else 38.0 + 0.1 * (minute % 2)
        series[(minute >= 60) + (minute >= 150)].append(mat.judge(t_ms, value, value))
    assert set(series[0]) == set(series[1]) == {G}
    assert Quality.DRIFT in series[2]
