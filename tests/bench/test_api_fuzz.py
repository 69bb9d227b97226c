"""The API fuzzed from its own description, at length: no fault, and how many questions a second were answered."""

from __future__ import annotations

from pathlib import Path

import pytest

from kojimon.clock import real_s
from tests.bench.figures import record
from tests.web.fuzzing import fuzz, kitchen_at_work
from tests.web.pages import page

pytestmark = [pytest.mark.bench, pytest.mark.timeout(1800)]
EXAMPLES, SEED = 100, 1


def test_a_long_fuzzing(tmp_path: Path) -> None:
    with page(tmp_path) as door:
        kitchen_at_work(door)
        begun_s = real_s()
        said = fuzz(door, tmp_path, EXAMPLES, SEED)
        cases = next(line.strip() for line in said.splitlines() if "generated" in line)
        assert door.live.client.get("/v1/health")["ok"]
        took = f"{real_s() - begun_s:.0f} s, {EXAMPLES} of a kind at most"
        record("interface asked at random, long", f"no fault; {cases} in {took}")
