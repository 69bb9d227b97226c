"""A recorded curve through the real engine under a small schedule."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from kojimon.errors import UsageError
from kojimon.journal.reading.curve_file import QUANTITY_OF, parse_curve
from kojimon.model import Place, Priority
from kojimon.rehearsal import FIRST_T_MS, Recording, Rehearsal, Track, recording_of, rehearse_curve
from kojimon.schedule.spec import (
    After,
    Band,
    Condition,
    Gate,
    Holds,
    Limit,
    Schedule,
    Stage,
    Step,
    Window,
)
from tests.parts.inputs import says

MIN, H = 60_000, 3_600_000
BED = Track("koji", "bed", "temperature")


def small_schedule() -> Schedule:
    """One stage from hour 0; the mix opens when the koji holds 34 °C; over 43 °C wakes; harvest at 40 h."""
    hot = Limit(43.0, 600, Priority.WAKE)
    return Schedule(
        name="small",
        label="Small",
        purpose="test",
        conditions={"warm": Condition("bed", at_least=34.0, hold_s=600)},
        stages=(Stage("growing", "Growing", After("inoculate", 0), (Band("bed", "temperature", high=hot),)),),
        steps=(
            Step("inoculate", "Sprinkle", work="inoculate", gate=Gate("bed", at_most=32.2)),
            Step("mix", "Mix", work="mix", window=Window(opens=Holds("warm"), due=After("inoculate", 24 * 3600))),
            Step("harvest", "Harvest", work="harvest", window=Window(opens=After("inoculate", 40 * 3600))),
        ),
    )


def ramp(*points: tuple[float, float], every_ms: int = MIN) -> list[tuple[int, int, float]]:
    """Readings of track 0 each minute along straight lines between (hour, °C) points."""
    readings = []
    for (h0, v0), (h1, v1) in pairwise(points):
        steps = round((h1 - h0) * H / every_ms)
        readings += [(round(h0 * H) + i * every_ms, 0, v0 + (v1 - v0) * i / steps) for i in range(steps)]
    h, v = points[-1]
    return [*readings, (round(h * H), 0, v)]


def told(result: Rehearsal) -> list[tuple[str, str, float]]:
    """(kind, key, hours since hour 0) of each event."""
    zero = result.hour0_t_ms or 0
    return [(event.kind, event.key, round((event.t_ms - zero) / H, 3)) for event in result.events]


def test_hours_alone_are_enough_and_the_windows_come_when_the_koji_says_so() -> None:
    curve = Recording((BED,), ramp((0, 31), (10, 31), (20, 36), (24, 36)), hour0_ms=0)
    assert told(rehearse_curve(curve, small_schedule())) == [
        ("batch-start", "rehearsal", 0.0),
        ("step-done", "inoculate", 0.0),
        ("stage", "growing", 0.0),
        # 34 °C is reached at hour 16 and must hold for 10 min, told by the sample of that minute.
        ("step-open", "mix", 16.167),
        ("step-due", "mix", 24.0),
    ]


def test_steps_of_the_curve_are_done_at_their_times_whatever_the_gate_says() -> None:
    curve = Recording(
        (BED,), ramp((-1, 60), (0, 40), (1, 32), (41, 32)), [(0, "inoculate"), (23 * H, "mix"), (41 * H, "harvest")]
    )
    result = rehearse_curve(curve, small_schedule())
    done = [(event.key, round((event.t_ms - (result.hour0_t_ms or 0)) / H, 3)) for event in result.events
            if event.kind == "step-done"]  # fmt: skip
    assert done == [("inoculate", 0.0), ("mix", 23.0), ("harvest", 41.0)]
    assert result.events[-1].kind == "batch-harvest"
    gate = next(says(event)["gate"] for event in result.events if event.key == "inoculate")
    assert gate["override"] == "the recording says so"


def test_an_excursion_wakes_after_its_delay_and_is_over_when_the_koji_is_back() -> None:
    curve = Recording((BED,), ramp((0, 31), (20, 31), (20.1, 44), (21, 44), (21.1, 38), (22, 38)), hour0_ms=0)
    alarms = [event for event in rehearse_curve(curve, small_schedule()).events if event.kind == "alarm"]
    told = [(says(event)["to"], says(event)["event"]) for event in alarms]
    assert (told[0], told[-1]) == (("UNACK", "on"), ("RTNUN", "off"))
    assert {says(event)["occurrence"] for event in alarms} == {1}
    assert alarms[0].t_ms - says(alarms[0])["since_ms"] == 10 * MIN


def test_a_column_with_a_point_an_hour_is_not_called_silent_between_its_points() -> None:
    curve = Recording((BED,), ramp((0, 31), (20, 31), every_ms=H), hour0_ms=0)
    assert not [event for event in rehearse_curve(curve, small_schedule()).events if event.key.startswith("silent/")]


def test_the_example_of_the_readme_is_such_a_file() -> None:
    readme = (Path(__file__).resolve().parents[2] / "config" / "README.md").read_text(encoding="utf-8")
    example = readme.partition("```csv\n")[2].partition("```")[0]
    curve = parse_curve(example.encode(), "README", {})
    assert [column.name for column in curve.columns] == ["bed", "air", "air"]
    assert all(row.step in readme for row in curve.rows) and curve.rows[1].values == (pytest.approx(38.5), 30.0, None)
    for measure in QUANTITY_OF:
        assert f"`{measure}`" in readme
    for place in Place:
        assert f"`{place}`" in readme


def test_a_column_of_few_readings_is_as_if_read_by_hand_and_ends_no_alarm_by_silence() -> None:
    """120 °F at hours 26 and 28, and nothing between, before or after that a probe would have said."""
    lines = "hour,bed.temperature_f\n0,88\n4,88\n9,88\n14,90\n18,93\n20,97\n22,100\n26,120\n28,120\n30,101\n"
    recording = recording_of(parse_curve(lines.encode(), "few", {}))
    assert recording.tracks[0].by_hand
    events = [event for event in rehearse_curve(recording, small_schedule()).events if event.kind == "alarm"]
    told = [(round((event.t_ms - FIRST_T_MS) / H, 2), says(event)) for event in events
            if event.key == "limit/bed/temperature/high"]  # fmt: skip
    hot = [(what["event"], what["ended"] or None, hour) for hour, what in told if what["event"] != "re"]
    assert hot == [("on", None, 26.0), ("off", "old", 26.5), ("on", None, 28.0), ("off", "old", 28.5)]
    assert not [event for event in events if event.key.startswith(("silent/", "blind/"))]


def test_a_probe_with_a_long_hole_is_no_column_of_few_readings() -> None:
    lines = [f"{minute / 60:.3f},31" for minute in range(0, 48 * 60, 5) if not 300 < minute < 1500]
    curve = parse_curve("\n".join(["hour,bed.temperature_c", *lines]).encode(), "hole", {})
    assert not recording_of(curve).tracks[0].by_hand


def test_a_hole_in_the_column_is_silence() -> None:
    readings = ramp((0, 31), (5, 31)) + ramp((7, 31), (8, 31))
    events = rehearse_curve(Recording((BED,), readings, hour0_ms=0), small_schedule()).events
    silent = [event for event in events if event.key == "silent/koji"]
    assert [says(event)["event"] for event in silent] == ["on", "off"]
    assert says(silent[0])["since_ms"] == silent[0].t_ms - 3 * MIN


def test_a_step_the_schedule_does_not_know_is_named_and_left_out() -> None:
    curve = Recording((BED,), ramp((0, 31), (2, 31)), [(0, "inoculate"), (H, "sing-to-it")])
    result = rehearse_curve(curve, small_schedule())
    assert result.unknown_steps == ("sing-to-it",)
    assert not [event for event in result.events if event.kind == "refused"]


def test_a_curve_without_an_hour_0_or_without_readings_is_refused_in_words() -> None:
    with pytest.raises(UsageError, match="when the spores went on"):
        rehearse_curve(Recording((BED,), ramp((0, 31), (2, 31))), small_schedule())
    with pytest.raises(UsageError, match="no reading in it"):
        rehearse_curve(Recording((BED,), [], hour0_ms=0), small_schedule())


def test_the_same_curve_gives_the_same_events_twice() -> None:
    curve = Recording((BED,), ramp((0, 31), (10, 31), (20, 44), (24, 36)), [(0, "inoculate"), (20 * H, "mix")])
    assert rehearse_curve(curve, small_schedule()) == rehearse_curve(curve, small_schedule())


def test_blank_rows_at_the_end_are_silence_not_the_end() -> None:
    text = b"hour,bed.temperature_c\n" + b"".join(b"%.2f,31.0\n" % (at / 60) for at in range(60)) + b"1.0,\n3.0,\n"
    result = rehearse_curve(recording_of(parse_curve(text, "curve.csv", {})), small_schedule())
    alarms = [event.key for event in result.events if event.kind == "alarm"]
    assert "silent/bed" in alarms


def test_a_batch_begun_half_way_has_no_silent_probes_in_hours_when_nobody_listened() -> None:
    """Its export has the spores eighteen hours before its first reading."""
    begun = Recording((BED,), ramp((18, 34), (22, 36)), ((0, "inoculate"),), hour0_ms=0)
    result = rehearse_curve(begun, small_schedule())
    assert result.hour0_t_ms is not None
    assert [event.key for event in result.events if event.kind == "alarm"] == []
    hours = [hour for _, _, hour in told(result)]
    assert min(hours) == 18.0, "the watch begins with the first reading"
