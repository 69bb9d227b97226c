"""A whole daemon on a simulated box; the forecast's process is killed by -9 in the middle of the batch."""

from __future__ import annotations

import json
import os
import signal
from pathlib import Path
from typing import Any

import pytest

from kojimon.settings.load import load_settings
from kojimon.web.client.local import Client
from tests.cli.conftest import Kitchen, kitchen
from tests.cli.test_simulated_batch import SIMULATED
from tests.parts.inputs import says
from tests.parts.opened import reading
from tests.parts.wait import until

pytestmark = pytest.mark.slow
__all__ = ["kitchen"]


class Seen:
    """What the daemon says of its forecasts."""

    def __init__(self, kitchen: Kitchen) -> None:
        settings = load_settings(kitchen.config)
        self._client = Client.for_journal(settings.journal.path, settings.run_folder)

    def part(self) -> dict[str, Any]:
        found: dict[str, Any] = self._client.get("/v1/health")["parts"]["forecast"]
        return found

    def age_s(self) -> float:
        found = self._client.get("/v1/state")["incubators"][0]["forecast"]
        return float(found["age_s"]) if found else float("inf")


def test_it_is_told_begun_again_and_forecasts_come_again(kitchen: Kitchen) -> None:
    kitchen.config.write_text(SIMULATED.format(folder=kitchen.folder).replace("speed: 0", "speed: 600"))
    kitchen.start()
    seen = Seen(kitchen)
    until(lambda: seen.part()["made"] >= 5, what="the batch is forecast")
    pid = seen.part()["pid"]
    os.kill(pid, signal.SIGKILL)
    until(lambda: seen.part()["failed"] == 1, what="its end is noticed")
    made = seen.part()["made"]
    until(lambda: seen.part()["made"] >= made + 5, what="forecasts come again")
    after = seen.part()
    assert after["pid"] != pid and after["starts"] == 2 and after["trouble"] == ""
    until(lambda: seen.age_s() < 3600, what="the state shows a new one")
    code, _ = kitchen.stop()
    assert code == 0

    events = reading(Path(load_settings(kitchen.config).journal.path)).events(kinds=("alarm",), limit=1000)
    told = [says(event) for event in events if event.key == "health/forecast"]
    assert [data["event"] for data in told if data["event"] != "ack"] == ["on", "off"], "the simulated cook may answer"
    assert "signal 9" in told[0]["text"] and told[0]["priority"] == "tell"
    exact = json.loads(kitchen.run("rehearse", "--batch", "simulated", "--json").stdout)
    assert exact["same"] is True, "replayed without a model it says what it said live"
