"""What the pipeline says of readings as they come, held against the same tests of ioos_qc over the whole series.

ioos_qc implements the QARTOD manuals of IOOS (flags 1 good, 3 suspect, 4 bad). Where its test is the same as ours the
flags are the same, reading by reading; its spike test knows the reading after a spike, so that only spikes that stand
alone can be compared.
"""

from __future__ import annotations

import warnings
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from kojimon.model import Arrival, Quality
from kojimon.probes.judging.limits import Limits
from kojimon.probes.pipeline import Pipeline
from kojimon.settings.spec import Probe, SimulatedSource

GOOD, SUSPECT, BAD = 1, 3, 4
NEVER = 1e9
STEADY = Limits(spike=NEVER, rate_per_min=NEVER, stuck_s=0.0)
EIGHTHS = st.integers(0, 40).map(lambda number: 30 + number / 8)
SMALL = st.integers(0, 5).map(lambda number: 30 + number / 8)
"""Differences of eighths are exact: both see the same side of every threshold."""


def verdicts(limits: Limits, values: Sequence[float], beside: Iterable[float] = (), **probe: Any) -> list[int]:
    """The pipeline's verdict on one reading a minute, of a tray beside which another may be read."""
    probes = [Probe(name, "box", "bed", "temperature", "sim", tray=name, expect_every_s=60.0, **probe) for name in "ab"]
    pipe = Pipeline(probes, {"a": 1, "b": 2}, [SimulatedSource("sim")], {"a": limits, "b": STEADY})
    other, found = iter(beside), []
    for minute, value in enumerate(values):
        for name, one in (("b", next(other, None)), ("a", value)):
            if one is not None:
                found += [r.quality for r in pipe.take(Arrival("sim", 0, name, one), minute * 60_000) if r.probe == 1]
    return found


def theirs(test: str, values: Sequence[float], **thresholds: Any) -> list[int]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the libraries that it stands on
        from ioos_qc import qartod
    if test in ("rate_of_change", "flat_line"):
        start = np.datetime64("2026-01-01T00:00:00")
        thresholds["tinp"] = start + (np.arange(len(values)) * 60).astype("timedelta64[s]")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return [int(flag) for flag in getattr(qartod, f"{test}_test")(np.array(values), **thresholds)]


@settings(max_examples=30, deadline=None)
@given(st.lists(EIGHTHS, min_size=2, max_size=40))
def test_out_of_range_where_their_gross_range_is_bad(values: list[float]) -> None:
    flags = theirs("gross_range", values, fail_span=(31, 34))
    assert verdicts(STEADY, values, range_low=31.0, range_high=34.0) == [
        int(Quality.RANGE) if flag == BAD else int(Quality.GOOD) for flag in flags
    ]


@settings(max_examples=30, deadline=None)
@given(st.lists(EIGHTHS, min_size=2, max_size=40))
def test_too_fast_where_their_rate_of_change_is_suspect(values: list[float]) -> None:
    flags = theirs("rate_of_change", values, threshold=0.75 / 60)
    limits = Limits(spike=NEVER, rate_per_min=0.75, stuck_s=0.0)
    assert verdicts(limits, values) == [int(Quality.RATE) if flag == SUSPECT else int(Quality.GOOD) for flag in flags]


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 12), SMALL), min_size=1, max_size=6))
def test_stuck_where_their_flat_line_is_bad_while_another_tray_moves(runs: list[tuple[int, float]]) -> None:
    values = [value for count, value in runs for _ in range(count)]
    flags = theirs("flat_line", values, suspect_threshold=NEVER, fail_threshold=300, tolerance=1e-6)
    limits = Limits(spike=NEVER, rate_per_min=NEVER, stuck_s=300.0)
    moving = [30.0 + 9 * (minute % 2) for minute in range(len(values))]
    assert verdicts(limits, values, moving) == [
        int(Quality.STUCK) if flag == BAD else int(Quality.GOOD) for flag in flags
    ]


@settings(max_examples=30, deadline=None)
@given(st.lists(st.tuples(st.integers(3, 8), st.integers(-31, 31)), min_size=1, max_size=6))
def test_a_spike_where_their_spike_is_bad(spikes: list[tuple[int, int]]) -> None:
    """Spikes below twice the threshold: beyond it theirs flags the sound readings beside them as well."""
    values = [30.0]
    for count, eighths in spikes:
        values += [*[30.0] * count, 30 + eighths / 8]
    flags = theirs("spike", [*values, 30.0], suspect_threshold=2.0, fail_threshold=2.0)[:-1]
    limits = Limits(spike=2.0, rate_per_min=0.0, stuck_s=0.0)
    assert [verdict == Quality.SPIKE for verdict in verdicts(limits, values)] == [flag == BAD for flag in flags]
