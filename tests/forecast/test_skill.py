"""The forecast on a few batches of four worlds: loose bounds that can fail. `tests/bench` measures at length."""

from __future__ import annotations

from statistics import median

import pytest

from tests.forecast import gather, skill


@pytest.mark.slow(25)
def test_twenty_odd_batches_of_four_worlds() -> None:
    total = skill.Score()
    for world in ("layered", "substrate", "textbook", "kojisim"):
        gather.add(total, gather.score(world, skill.TEST[:6]))
    print(f"\n{skill.table(total, 'small version')}")
    for lead in skill.LEADS_H:
        assert len(total.errors["forecast", lead]) >= 20
        assert median(total.errors["forecast", lead]) < 0.35 * lead
    inside = [held for lead in skill.LEADS_H for held in total.inside80[lead]]
    assert skill.share(inside) > 0.7
    for lead in (3.0, 4.0, 6.0):
        assert median(total.errors["forecast", lead]) < median(total.errors["straight line", lead])
        assert median(total.errors["forecast", lead]) < median(total.errors["schedule", lead])
    got, base = skill.brier(total)
    assert got < base
    assert median(total.done["forecast"]) < 6.0
