"""Raw numbers lead to the same values and verdicts again, over every restart."""

from __future__ import annotations

from collections import Counter
from math import isclose
from pathlib import Path

import pytest

from kojimon.clock import ManualClock
from kojimon.model import Quality
from tests.daemon.running import WALL_MS, broker_site, running
from tests.golden import meaning, verdicts

VERSIONS = sorted(path for path in meaning.GOLDEN.iterdir() if path.is_dir())


def differing(found: list[verdicts.Judged]) -> list[verdicts.Judged]:
    """Those judged otherwise; a value that another processor rounds otherwise is the same."""
    return [
        one for one in found
        if one.stored[1] != one.again[1] or not isclose(one.stored[0], one.again[0], rel_tol=1e-12)
    ]  # fmt: skip


@pytest.mark.parametrize("version", VERSIONS, ids=lambda version: version.name)
def test_a_recorded_batch_is_judged_again_as_it_was(version: Path, tmp_path: Path) -> None:
    found = list(verdicts.judged_again(meaning.unpacked(version, tmp_path)))
    assert len(found) > 15_000 and differing(found) == []


def test_bad_readings_are_judged_again_as_they_were_over_two_restarts(tmp_path: Path) -> None:
    """Peaks, a sentinel and what no probe can show, in each of three lives; a calibration that outlives the second."""
    settings, wall_ms = broker_site(tmp_path), WALL_MS
    for life in range(3):
        with running(settings, ManualClock(wall_ms, boot_id=f"boot-{life}")) as one:
            if not life:
                one.act("batch.start", name="first")
            for minute in range(30):
                if life == 1 and minute == 10:
                    one.act("probe.calibrate", probe="bed", points=[[0.4, 0.0]], date="2026-10-02", note="ice")
                odd = {7: 85.0, 12: -127.0, 15: 38.5, 20: 400.0}.get(minute)
                one.put("k/bed", 31.0 + minute / 50 if odd is None else odd)
                one.put("k/air", 30.0 + minute % 3 / 10)
                one.tick(60)
            one.commit()
        wall_ms += 3_600_000
    found = list(verdicts.judged_again(Path(settings.journal.path)))
    assert differing(found) == []
    counted = Counter(Quality(one.stored[1]) for one in found)
    assert counted == {Quality.GOOD: 171, Quality.SENTINEL: 3, Quality.RANGE: 3, Quality.SPIKE: 3}
