"""Outside check: published sake-koji operations, rehearsed under the shipped schedule, fall into its windows."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest

from kojimon.journal.reading.curve_file import parse_curve
from kojimon.rehearsal import recording_of, rehearse_curve
from kojimon.schedule.load import SHIPPED, load_schedule
from tests.parts.inputs import says

H = 3_600_000
BED = ((0, 30.0), (20, 31.0), (27, 35.0), (34, 38.5), (44, 40.0))
"""(hour, °C). About 30 °C after the seeding, 34-36 °C at the middle work, 37-40 °C at the final work: Nada sake
glossary, "Koji making" (hours since the seeding). The value at the mounding and the lines between are ours."""
WORKS = {
    "first trial": {20: "mori", 28: "naka", 38: "shimai"},
    "second trial": {20: "mori", 29: "naka", 38: "shimai"},
}
"""Hours of mounding, middle and final work: National Research Institute of Brewing (Japan), "Respiratory activity of
koji mould" and "Amino acids in koji", trials with rice koji by the ordinary method."""


def curve_file(works: dict[int, str]) -> bytes:
    """A reading every six minutes, and the works at their hours."""
    lines = ["hour,bed.temperature_c,step"]
    for (h0, c0), (h1, c1) in pairwise(BED):
        for step in range((h1 - h0) * 10):
            hour = h0 + step / 10
            lines.append(f"{hour:.1f},{c0 + (c1 - c0) * step / 10 / (h1 - h0):.2f},{works.get(hour, '')}")  # type: ignore[call-overload]
    return "\n".join(lines).encode()


@pytest.mark.parametrize("trial", list(WORKS))
def test_published_works_fall_into_the_windows_of_the_sake_schedule(trial: str) -> None:
    works = WORKS[trial]
    curve = parse_curve(curve_file(works), trial, {})
    result = rehearse_curve(recording_of(curve), load_schedule(Path(SHIPPED) / "rice-koji-sake.yaml"))
    assert result.unknown_steps == ()
    at = {(event.kind, event.key): round((event.t_ms - (result.hour0_t_ms or 0)) / H, 2) for event in result.events}
    for hour, work in works.items():
        assert at["step-open", work] <= hour, f"{work} opens too late for what is published"
        assert at["step-done", work] == hour
        assert at.get(("step-missed", work), hour) >= hour, f"{work} closes before what is published"
    opens_h = at["step-open", "naka"]
    koji_c = next(c0 + (opens_h - h0) * (c1 - c0) / (h1 - h0) for (h0, c0), (h1, c1) in pairwise(BED) if opens_h < h1)
    # Nada glossary: the middle work is done with the bed at 34-36 °C.
    assert 34 <= koji_c <= 36
    # Such a batch wakes nobody.
    assert [event.key for event in result.events if event.kind == "alarm" and says(event)["priority"] == "wake"] == []
