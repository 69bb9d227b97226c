"""The API fuzzed from its own description, with a small budget; `tests/bench/test_api_fuzz.py` has the large one."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.parts.size import size
from tests.web.fuzzing import fuzz, kitchen_at_work
from tests.web.pages import page

pytestmark = pytest.mark.slow(30)


def test_whatever_is_asked_the_answer_is_as_described(tmp_path: Path) -> None:
    with page(tmp_path) as door:
        kitchen_at_work(door)
        said = fuzz(door, tmp_path, size(5, 8), 20261125, whole=bool(size(0, 1)))
        assert re.search(r"\d{3,} generated, \d{3,} passed", said)
        assert door.live.client.get("/v1/health")["ok"]
