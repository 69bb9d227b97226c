"""The engine held against a second, naive model, written from the words of the schedule and sharing no code with it.

Words (kojimon/schedule/spec.py): *after* a step counts from when it was last done; *first of* is the earliest that is
known; *last of* the latest, once all are; a *ramp* moves a limit in a straight line from the one of the stage before; a
*gate* lets through what no probe shows beyond it by more than that probe may be off.
"""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from kojimon.engine import advance, initial_state, view
from kojimon.schedule.spec import After, Band, FirstOf, Gate, LastOf, Moment, Schedule, Stage, Step, Window
from tests.alarms.build import limit
from tests.engine.build import BED, MIDDLE, H, Rows, site
from tests.parts.inputs import says

STEPS = ("inoculate", "turn", "mix")
SEED = Step("inoculate", "Sprinkle", work="inoculate")
HOURS = st.integers(0, 12)
AFTERS = st.builds(lambda step, hours: After(step, hours * H), st.sampled_from(STEPS), HOURS)
MOMENTS = st.recursive(
    AFTERS,
    lambda inner: st.builds(lambda kind, parts: kind(tuple(parts)), st.sampled_from((FirstOf, LastOf)),
                            st.lists(inner, min_size=1, max_size=3)),
    max_leaves=5,
)  # fmt: skip
ENDS = st.one_of(st.none(), st.integers(26, 40))
DONE = st.lists(st.tuples(st.sampled_from(("turn", "mix")), st.integers(1, 20)), max_size=4)


def naive_h(moment: Moment, done: dict[str, list[int]]) -> float | None:
    """The hour of a moment, None where it is not known yet."""
    if isinstance(moment, After):
        hours = done.get(moment.step)
        return max(hours) + moment.wait_s / H if hours else None
    assert isinstance(moment, (FirstOf, LastOf))
    parts = [naive_h(part, done) for part in moment.moments]
    known = [part for part in parts if part is not None]
    if isinstance(moment, FirstOf):
        return min(known) if known else None
    return max(known) if len(known) == len(parts) else None


@settings(max_examples=60, deadline=None)
@given(MOMENTS, DONE)
def test_first_of_last_of_and_after(opens: Moment, done: list[tuple[str, int]]) -> None:
    steps = (SEED, *(Step(name, name, work="none", repeats=True) for name in STEPS[1:]),
             Step("swap", "Swap", window=Window(opens)))  # fmt: skip
    rows = Rows(site(Schedule("home", "Home", "test", (Stage("only", "Only", After("inoculate", 0)),), steps)))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate")
    for step, hour in sorted(done, key=lambda one: one[1]):
        rows.at(hour * H).act("step.done", step=step)
    rows.at(21 * H)
    state, _ = advance(initial_state(), rows.take(), rows.t_ms)
    (shown,) = [step for step in view(state, rows.t_ms).incubators[0].steps if step.name == "swap"]
    hours = {"inoculate": [0], **{name: [h for step, h in done if step == name] for name in STEPS[1:]}}
    wanted = naive_h(opens, hours)
    assert shown.opens_t_ms == (None if wanted is None else rows.t0_ms + wanted * H * 1000)


@settings(max_examples=40, deadline=None)
@given(st.integers(20, 45), st.integers(20, 45), st.integers(1, 240), st.integers(0, 300))
def test_a_ramp_is_a_straight_line_from_minute_to_minute(old: int, new: int, ramp_min: int, after_min: int) -> None:
    bands = [Band("bed", "temperature", low=limit(value)) for value in (old, new)]
    stages = (Stage("one", "One", After("inoculate", 0), (bands[0],)),
              Stage("two", "Two", After("turn", 0), (replace(bands[1], ramp_s=ramp_min * 60.0),)))  # fmt: skip
    rows = Rows(site(Schedule("home", "Home", "test", stages, (SEED, Step("turn", "Turn")))))
    rows.act("batch.start")
    rows.act("step.done", step="inoculate")
    rows.at(H).act("step.done", step="turn")
    rows.at(H + after_min * 60)
    state, _ = advance(initial_state(), rows.take(), rows.t_ms)
    (band,) = view(state, rows.t_ms).incubators[0].bands
    wanted = new if after_min >= ramp_min else old + (new - old) * after_min / ramp_min
    assert band.low is not None and abs(band.low - wanted) < 1e-9


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(50, 90).map(lambda half: half / 2), min_size=1, max_size=2), ENDS, ENDS, st.integers(0, 4))
def test_a_gate_by_its_words(values: list[float], low: int | None, high: int | None, halves: int) -> None:
    """The hottest probe decides where there is an upper end, the coolest where there is none."""
    tolerance = halves / 2
    steps = (replace(SEED, gate=Gate("bed", at_least=low, at_most=high)),)
    setup = site(Schedule("home", "Home", "test", (Stage("only", "Only", After("inoculate", 0)),), steps))
    rows = Rows(replace(setup, probes=tuple(replace(probe, tolerance=tolerance) for probe in setup.probes)))
    rows.act("batch.start")
    for probe, value in zip((BED, MIDDLE), values, strict=False):
        rows.read(probe, value)
    act = rows.act("step.done", step="inoculate")
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    passed = next(event.kind for event in outcome.events if says(event).get("act") == act) == "step-done"
    hottest, coolest = max(values), min(values)
    shown = coolest if high is None else hottest
    too_hot = high is not None and hottest > high + tolerance
    too_cold = low is not None and shown < low - tolerance
    assert passed == (not too_hot and not too_cold)
