"""A probe moved to another tray: where it is shown from then on, its limits and trend, and until when it holds."""

from __future__ import annotations

from msgspec.structs import replace

from kojimon.engine import advance, decode, encode, initial_state, view
from kojimon.engine.probe_acts import SETTLE_MS
from kojimon.engine.setup import EngineSetup, ProbeSetup, to_json
from kojimon.engine.state import State
from kojimon.model import Event, Outcome
from tests.engine.build import AIR, BED, MIDDLE, H, Rows, alarms, moves, site
from tests.parts.inputs import says

HIGH = "limit/bed/temperature/high"


def run(rows: Rows, state: State | None = None) -> tuple[State, Outcome]:
    return advance(state or initial_state(), rows.take(), rows.t_ms)


def begun() -> Rows:
    rows = Rows()
    rows.act("batch.start", id="b1", name="first")
    rows.read(BED, 30.0)
    rows.act("step.done", step="inoculate", value_c=31.0)
    return rows


def trays(state: State) -> dict[str, str]:
    return {row.name: row.tray for row in view(state, state.t_ms).incubators[0].probes}


def test_from_the_move_on_it_is_shown_under_its_new_tray_until_the_batch_ends() -> None:
    rows = begun().hold(H, {BED: 31.0, MIDDLE: 30.0, AIR: 30.0})
    state, _ = run(rows)
    assert trays(state) == {"koji-top": "top", "koji-middle": "middle", "air": "", "humidity": ""}
    moved = rows.act("probe.move", probe="koji-top", tray="middle")
    state, outcome = run(rows, state)
    (event,) = [one for one in outcome.events if one.kind == "probe-moved"]
    assert (event.key, event.batch, says(event)["before"], says(event)["tray"]) == ("koji-top", "b1", "top", "middle")
    assert says(event)["act"] == moved and says(event)["who"] == "anna"
    rows.hold(2 * H, {BED: 31.0, MIDDLE: 30.0, AIR: 30.0})
    state, _ = run(rows, state)
    hottest = next(row for row in view(state, rows.t_ms).incubators[0].places if row.place == "bed").hottest
    assert (hottest.probe, hottest.tray) == ("koji-top", "middle")
    assert trays(decode(encode(state)))["koji-top"] == "middle"
    rows.act("batch.discard", reason="over")
    state, outcome = run(rows, state)
    (back,) = [one for one in outcome.events if one.kind == "probe-moved"]
    assert (back.batch, says(back)["tray"], says(back)["ended"]) == ("b1", "top", True)
    assert trays(state)["koji-top"] == "top" and not state.moved


def test_a_limit_goes_on_through_the_move_and_its_call_names_the_tray() -> None:
    """43 °C for 10 min calls; the probe is moved after 5 of them, still as hot."""
    rows = begun().hold(3 * H, {BED: 36.0, AIR: 30.0})
    rows.hold(3 * H + 300, {BED: 43.5, AIR: 30.0})
    rows.act("probe.move", probe="koji-top", tray="middle")
    rows.hold(3 * H + 700, {BED: 43.5, AIR: 30.0})
    _, outcome = run(rows)
    assert alarms(outcome, [HIGH]) == [(HIGH, "NORM", "UNACK")]
    (called,) = moves(outcome, HIGH)
    assert says(called)["tray"] == "middle"
    assert called.t_ms <= rows.t0_ms + round((3 * H + 620) * 1000)


def test_its_trend_waits_until_it_has_settled_and_no_mixing_is_guessed() -> None:
    rows = begun().hold(3 * H, {BED: 38.5, MIDDLE: 34.0, AIR: 30.0})
    rows.act("probe.move", probe="koji-top", tray="middle")
    rows.hold(3 * H + SETTLE_MS / 1000 - 10, {BED: 34.0, MIDDLE: 34.0, AIR: 30.0})
    state, outcome = run(rows)
    assert BED not in state.trace and MIDDLE in state.trace
    assert not [event for event in outcome.events if event.kind == "mix-guess"]
    rows.hold(4 * H, {BED: 34.0, MIDDLE: 34.0, AIR: 30.0})
    state, _ = run(rows, state)
    assert len(state.trace[BED]) >= 8


def test_without_the_word_the_same_fall_is_taken_for_a_mixing() -> None:
    rows = begun().hold(3 * H, {BED: 38.5, MIDDLE: 34.0, AIR: 30.0})
    rows.hold(3 * H + 600, {BED: 34.0, MIDDLE: 34.0, AIR: 30.0})
    _, outcome = run(rows)
    assert [event for event in outcome.events if event.kind == "mix-guess"]


def test_what_is_no_move_is_refused() -> None:
    rows = Rows()
    rows.act("probe.move", probe="koji-top", tray="middle")
    rows.act("batch.start", id="b1", name="first")
    rows.act("probe.move", probe="nobody", tray="middle")
    rows.act("probe.move", probe="air", tray="middle")
    rows.act("probe.move", probe="koji-top", tray="attic")
    rows.act("probe.move", probe="koji-top", tray="top")
    state, outcome = run(rows)
    refused = [says(event)["code"] for event in outcome.events if event.kind == "refused"]
    assert refused == ["no-batch", "unknown-probe", "not-in-a-tray", "unknown-tray", "in-that-tray"]
    assert not state.moved


def test_new_settings_keep_a_move_unless_they_move_the_probe_themselves() -> None:
    rows = begun()
    rows.act("probe.move", probe="koji-top", tray="middle")
    rows.input("settings", hash="h2", setup=to_json(site(stale_ms=60_000)))
    state, _ = run(rows)
    assert trays(state)["koji-top"] == "middle"
    other = site()
    swapped = EngineSetup(
        other.site, other.incubators, tuple(_in(one, {BED: "middle", MIDDLE: "top"}) for one in other.probes),
        other.schedules,
    )  # fmt: skip
    rows.input("settings", hash="h3", setup=to_json(swapped))
    state, _ = run(rows, state)
    assert (trays(state)["koji-top"], trays(state)["koji-middle"]) == ("middle", "top") and not state.moved
    rows.act("batch.discard", reason="over")
    state, outcome = run(rows, state)
    assert trays(state)["koji-top"] == "middle"
    assert not [event for event in outcome.events if event.kind == "probe-moved"]


def test_moved_back_by_hand_nothing_is_left_to_take_back() -> None:
    rows = begun()
    rows.act("probe.move", probe="koji-top", tray="middle")
    rows.hold(H, {BED: 31.0})
    rows.act("probe.move", probe="koji-top", tray="top")
    rows.act("batch.discard", reason="over")
    state, outcome = run(rows)
    told = [says(event)["tray"] for event in outcome.events if event.kind == "probe-moved"]
    assert told == ["middle", "top"] and not state.moved


def test_a_move_cut_anywhere_gives_the_same_events() -> None:
    """The split law, and replay from a snapshot, across moves, limits and the end of the batch."""
    rows = begun().hold(H, {BED: 36.0, MIDDLE: 34.0, AIR: 30.0}, every_s=30)
    rows.act("probe.move", probe="koji-top", tray="middle")
    rows.hold(2 * H, {BED: 44.0, MIDDLE: 34.0, AIR: 30.0}, every_s=30)
    rows.act("probe.move", probe="koji-middle", tray="top")
    rows.hold(3 * H, {BED: 40.0, MIDDLE: 45.5, AIR: 30.0}, every_s=30)
    rows.act("batch.discard", reason="over")
    every = rows.take()
    whole, outcome = advance(initial_state(), every, rows.t_ms)
    state = initial_state()
    events: list[Event] = []
    for row in every:
        t_ms = row.t_ms if hasattr(row, "t_ms") else row[1]
        state, part = advance(decode(encode(state)), [row], t_ms)
        events += part.events
    assert tuple(events) == outcome.events
    assert encode(state) == encode(whole)


def _in(probe: ProbeSetup, trays: dict[int, str]) -> ProbeSetup:
    return replace(probe, tray=trays[probe.no]) if probe.no in trays else probe
