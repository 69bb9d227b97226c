"""Gates: a step that something must be measured for, with two probes apart and two ends."""

from __future__ import annotations

from typing import Any

import pytest
from msgspec.structs import replace

from kojimon.engine import advance, initial_state
from kojimon.schedule.spec import Gate
from tests.engine.build import BED, MIDDLE, Rows, home_schedule, site
from tests.parts.inputs import says

GATE = Gate("bed", at_least=28.0, at_most=32.2)
"""Probes of this site may be off by 0.5 K."""


def asked(top_c: float | None, middle_c: float | None, **said: Any) -> str:
    """What comes of marking the step: `passed`, or the code and side of the refusal."""
    plain = home_schedule()
    steps = tuple(replace(step, gate=GATE) if step.name == "inoculate" else step for step in plain.steps)
    rows = Rows(site(replace(plain, steps=steps)))
    rows.act("batch.start")
    for probe, value in ((BED, top_c), (MIDDLE, middle_c)):
        if value is not None:
            rows.read(probe, value)
    act = rows.act("step.done", step="inoculate", **said)
    _, outcome = advance(initial_state(), rows.take(), rows.t_ms)
    (event,) = [e for e in outcome.events if says(e).get("act") == act and e.kind in ("refused", "step-done")]
    if event.kind == "step-done":
        return "passed"
    reason = str(says(event)["reason"])
    return f"{says(event)['code']} {'high' if 'at most' in reason else 'low' if 'at least' in reason else ''}".strip()


@pytest.mark.parametrize(
    ("top_c", "middle_c", "comes"),
    [
        (30.0, 30.0, "passed"),
        (40.0, 30.0, "gate high"),  # the hottest rice decides: the spores go on all of it
        (30.0, 40.0, "gate high"),
        (30.0, 18.0, "passed"),  # one that hangs in the air beside warm rice says nothing of it
        (18.0, 30.0, "passed"),
        (18.0, 20.0, "gate low"),
        (32.7, None, "passed"),  # 32.2 and a probe that may be off by 0.5
        (32.8, None, "gate high"),
        (27.5, None, "passed"),
        (27.4, None, "gate low"),
        (None, None, "gate-unknown"),
    ],
)
def test_the_hottest_fresh_probe_decides_at_both_ends(top_c: float | None, middle_c: float | None, comes: str) -> None:
    assert asked(top_c, middle_c) == comes


@pytest.mark.parametrize(
    ("value_c", "comes"),
    [(32.2, "passed"), (32.3, "gate high"), (28.0, "passed"), (27.9, "gate low")],
)
def test_what_a_person_reads_off_a_thermometer_counts_as_said(value_c: float, comes: str) -> None:
    """The tolerance is a probe's: who reads 32.3 has read it, whatever the probes beside show."""
    assert asked(30.0, 30.0, value_c=value_c) == comes
