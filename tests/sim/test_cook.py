"""The simulated person: sleeps, is late, forgets, answers alarms. Driven with made-up state documents."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from kojisim.cook import Cook, Deed, Marks
from kojisim.scenarios import healthy
from kojisim.world import World

H = 3600.0


def _state(
    *steps: dict[str, Any], alarms: tuple[dict[str, Any], ...] = (), koji_c: float = 31.0, **batch: Any
) -> dict[str, Any]:
    place = {"place": "bed", "quantity": "temperature", "hottest": {"value": koji_c}}
    box = {
        "name": "box",
        "batch": {"id": "b1", "hour": 10.0, **batch},
        "places": [place],
        "steps": list(steps),
        "alarms": list(alarms),
    }
    return {"incubators": [box], "alarms": []}


def _step(name: str, status: str, **more: Any) -> dict[str, Any]:
    return {"name": name, "status": status, "round": 0, **more}


def _alarm(key: str, **more: Any) -> dict[str, Any]:
    return {"key": key, "state": "UNACK", "priority": "wake", "occurrence": 1, "side": "high", **more}


def _first(cook: Cook, state: dict[str, Any], from_s: float, for_s: float = 3 * H) -> tuple[float, list[Deed]]:
    """Look each minute until something is done."""
    now = from_s
    while now < from_s + for_s:
        deeds = cook.decide(state, now)
        if deeds:
            return now, deeds
        now += 60.0
    return now, []


def _cook(**more: Any) -> Cook:
    return Cook(1, start_local_h=12.0, **more)


def test_starts_a_batch_once() -> None:
    cook, state = _cook(), _state()
    state["incubators"][0]["batch"] = None
    at_s, deeds = _first(cook, state, 0.0)
    assert 30.0 <= at_s <= 4 * 60.0
    assert [deed.act["kind"] for deed in deeds if deed.act] == ["batch.start"]
    assert _first(cook, state, at_s + 60.0)[1] == []


def test_does_a_due_step_after_a_while_with_hand_and_mark() -> None:
    at_s, deeds = _first(_cook(), _state(_step("mix", "due", work="mix")), 0.0)
    assert 180.0 <= at_s <= 26 * 60.0
    assert deeds[0].act is not None
    assert (deeds[0].act["kind"], deeds[0].act["data"]) == ("step.done", {"step": "mix"})
    assert [name for name, _ in deeds[0].hands] == ["mix", "unwrap", "spread"]


def test_does_not_inoculate_hot_rice() -> None:
    step = _step("inoculate", "open", work="inoculate")
    assert _first(_cook(), _state(step, koji_c=40.0), 0.0)[1] == []
    assert _first(_cook(), _state(step, koji_c=31.5), 0.0)[1][0].hands == (("inoculate", {}),)


@pytest.mark.parametrize(("koji_c", "done"), [(31.0, False), (36.0, True)])
def test_uses_an_open_window_early_only_when_the_koji_is_warm(koji_c: float, done: bool) -> None:
    deeds = _first(_cook(), _state(_step("mix", "open", work="mix"), koji_c=koji_c), 0.0)[1]
    assert bool(deeds) == done


def test_sleeps_through_a_due_step_and_does_it_in_the_morning() -> None:
    cook = _cook(sleeps=(22.5, 6.5))
    at_s, deeds = _first(cook, _state(_step("mix", "due", work="mix")), 11 * H, 12 * H)
    assert deeds
    assert (12.0 + at_s / H) % 24.0 == pytest.approx(6.7, abs=0.3)


def test_is_woken_by_a_wake_alarm_only_and_acknowledges_it() -> None:
    cook = _cook()
    assert _first(cook, _state(alarms=(_alarm("limit/air/temperature/high", priority="tell"),)), 12 * H)[1] == []
    assert cook.woken == 0
    at_s, deeds = _first(cook, _state(alarms=(_alarm("limit/bed/temperature/high"),)), 12 * H)
    assert cook.woken == 1
    assert 4 * 60.0 <= at_s - 12 * H <= 16 * 60.0
    assert deeds[0].act is not None
    assert deeds[0].act["kind"] == "alarm.acknowledge"
    assert deeds[0].act["data"] == {"key": "limit/bed/temperature/high", "occurrence": 1}
    assert "mix" in [name for name, _ in deeds[0].hands]


@pytest.mark.parametrize(
    ("key", "side", "hand"),
    [
        ("limit/bed/temperature/low", "low", "box_on"),
        ("limit/bed/temperature/low", "low", "warm_room"),
        ("limit/bed/temperature/high", "high", "furrow"),
        ("box/off", "", "box_on"),
        ("box/hot", "", "runaway"),
        ("blind/bed", "", "mend_probes"),
        ("silent/bed-2", "", "mend_probes"),
        ("limit/air/temperature/high", "high", "vent"),
    ],
)
def test_answers_an_alarm_with_the_hand_it_needs(key: str, side: str, hand: str) -> None:
    _, deeds = _first(_cook(), _state(alarms=(_alarm(key, side=side),)), 0.0)
    assert hand in [name for name, _ in deeds[0].hands]
    world = World(healthy(1), 1)
    for act, args in deeds[0].hands:
        world.act(act, **args)


def test_does_not_mix_again_at_once() -> None:
    cook, state = _cook(), _state(_step("mix", "due", work="mix"))
    first, _ = _first(cook, state, 0.0)
    second, deeds = _first(cook, state, first + 60.0)
    assert deeds
    assert second - first >= 5400.0


def test_acknowledged_alarm_is_left_alone() -> None:
    assert _first(_cook(), _state(alarms=(_alarm("blind/bed", state="ACKED"),)), 0.0)[1] == []


def test_forgetful_person_works_and_does_not_mark() -> None:
    deeds = _first(_cook(forgets=1.0), _state(_step("mix", "due", work="mix")), 0.0)[1]
    assert deeds[0].hands
    assert deeds[0].act is None


def test_careless_person_leaves_the_probe_out() -> None:
    deeds = _first(_cook(leaves_out=1.0), _state(_step("mix", "due", work="mix")), 0.0)[1]
    assert ("move_probe", {"probe": "bed", "kind": "rim"}) in deeds[0].hands


def test_absent_person_does_nothing() -> None:
    assert _first(_cook(absent_h=((0.0, 4.0),)), _state(_step("mix", "due", work="mix")), 0.0)[1] == []


def test_harvests_and_is_finished() -> None:
    cook = _cook()
    deeds = _first(cook, _state(_step("harvest", "due", work="harvest")), 0.0)[1]
    assert deeds[0].act is not None
    assert deeds[0].act["kind"] == "batch.harvest"
    assert cook.finished
    assert _first(cook, _state(_step("mix", "due")), 4 * H)[1] == []


def test_each_act_has_a_key_of_its_own() -> None:
    steps = (_step("mix", "due", work="mix"), _step("swap", "due", work="swap"))
    cook, keys = _cook(), []
    for minute in range(60):
        keys += [d.act["idempotency"] for d in cook.decide(_state(*steps), minute * 60.0) if d.act]
    assert len(keys) == len(set(keys)) >= 2


def test_same_seed_same_person() -> None:
    state = _state(_step("mix", "due", work="mix"))
    assert _first(_cook(), state, 0.0) == _first(_cook(), state, 0.0)


@pytest.mark.parametrize("name", ["inoculate", "mix", "spread", "unwrap", "swap-trays", "first-check", "harvest"])
def test_every_work_of_the_hands_exists_in_the_world(name: str) -> None:
    world = World(healthy(1), 1)
    deeds = _first(_cook(), _state(_step(name, "missed")), 0.0)[1]
    assert deeds[0].hands
    for act, args in deeds[0].hands:
        world.act(act, **args)


def test_marks_of_a_person_are_done_to_the_koji() -> None:
    """Spores, mixing and harvest act; the spores once only; a second batch has fresh rice."""
    marks, world = Marks(), World(replace(healthy(1), inoculate_c=None, waits_c=31.0), 1)

    def mark(kind: str, step: str = "", **data: Any) -> None:
        for name, args in marks.hands(kind, step, data):
            world.act(name, **args)

    mark("batch-start")
    world.advance(8 * H)
    assert world.truth()["bed_max_c"] == pytest.approx(31.0, abs=0.8)  # nobody seeded it
    for _ in range(2):
        mark("step-done", "inoculate", work="inoculate")
    mark("step-done", "steam", work="none")  # marked late: the koji stays
    world.advance(34 * H)
    warm_c = world.truth()["bed_mean_c"]
    assert warm_c > 34.0 and world.hour == 26.0
    mark("step-done", "first-check", work="mix")
    assert world.truth()["bed_mean_c"] < warm_c - 0.5
    mark("batch-harvest")
    world.advance(38 * H)
    assert world.truth()["bed_max_c"] < 31.0
    mark("batch-start")
    assert world.truth()["bed_mean_c"] > 50.0 and world.hour is None
    mark("step-done", "inoculate", work="inoculate", mid_batch=True)
    assert world.hour == 0.0 and world.truth()["bed_mean_c"] == 32.0
    mark("setpoint", to_c=29.0)
    assert world.incubator.box.setpoint_c == 29.0
    mark("setpoint", off=True)
    assert not world.incubator.box.mains
    mark("setpoint")
    assert world.incubator.box.mains
    mark("note")
    assert [name for _, name, _ in world.done].count("inoculate") == 2
