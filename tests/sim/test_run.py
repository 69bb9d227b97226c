"""Runs against the monitor's doors (a stand-in), and the command."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from kojisim.cook import Cook
from kojisim.door import Api, Drive, DriveError
from kojisim.main import main
from kojisim.run import Run
from kojisim.scenarios import SCENARIOS
from kojisim.world import World
from tests.parts.broker import Broker
from tests.sim.monitor import ApiDoor, DriverDoor

START_MS = 1_700_000_000_000


@pytest.fixture
def driver(tmp_path: Path) -> Iterator[DriverDoor]:
    door = DriverDoor(tmp_path / "drive", START_MS)
    yield door
    door.close()


class _Counting:
    """A publisher that remembers."""

    def __init__(self) -> None:
        self.sent, self.batches = 0, list[int]()

    def publish(self, samples: Any) -> None:
        self.sent += len(samples)
        self.batches.append(len(samples))

    def close(self) -> None:
        pass


def test_every_instant_is_begun_filled_and_ended(driver: DriverDoor, tmp_path: Path) -> None:
    drive, line = Drive(str(tmp_path / "drive")), _Counting()
    assert drive.wall_ms == START_MS
    work = Run(World(SCENARIOS["healthy"](1), 1), drive.wall_ms, drive=drive, publishers={"mqtt": line})
    work.go(0.05)
    drive.close()
    assert len(driver.heard) == 2 * 18
    for count, (begin, end) in enumerate(zip(driver.heard[::2], driver.heard[1::2], strict=True), 1):
        assert begin == {"begin": START_MS + count * 10_000}
        assert end["end"] == START_MS + count * 10_000
        assert end["counts"] == {"mqtt": sum(line.batches[:count])}
    assert work.events == 18


def test_refusal_of_the_monitor_ends_the_run_with_its_words(tmp_path: Path) -> None:
    door = DriverDoor(tmp_path / "drive", START_MS, refuse_at=6)
    drive = Drive(str(tmp_path / "drive"))
    work = Run(World(SCENARIOS["healthy"](1), 1), START_MS, drive=drive)
    with pytest.raises(DriveError, match="3 messages of mqtt are missing"):
        work.go(1.0)
    drive.close()
    door.close()


def _state(**box: Any) -> dict[str, Any]:
    empty: dict[str, Any] = {"name": "box", "batch": None, "steps": [], "places": [], "alarms": []}
    return {"alarms": [], "incubators": [{**empty, **box}]}


def test_cook_acts_on_the_world_and_at_the_door(tmp_path: Path) -> None:
    door = ApiDoor(tmp_path / "api", _state())

    def on_act(act: dict[str, Any]) -> None:
        box = door.state["incubators"][0]
        if act["kind"] == "batch.start":
            box["batch"] = {"id": "b", "hour": None}
            box["places"] = [{"place": "bed", "quantity": "temperature", "hottest": {"value": 31.0}}]
            box["steps"] = [{"name": "inoculate", "work": "inoculate", "status": "due", "round": 0}]
        else:
            box["steps"] = []

    door.on_act = on_act
    api = Api(str(tmp_path / "api"))
    world = World(replace(SCENARIOS["healthy"](1), inoculate_c=None), 1)
    work = Run(world, START_MS, api=api, cook=Cook(1, start_local_h=12.0))
    work.go(1.5)
    api.close()
    door.close()
    assert [act["kind"] for act in door.acts] == ["batch.start", "step.done"]
    assert all(act["header"] == act["idempotency"] and act["path"] == "/v1/acts" for act in door.acts)
    assert [name for _, name, _ in world.done].count("inoculate") == 1
    assert work.refused == []


def test_refused_act_is_kept_and_the_run_goes_on(tmp_path: Path) -> None:
    door = ApiDoor(tmp_path / "api", _state(), refuse=("batch.start",))
    api = Api(str(tmp_path / "api"))
    work = Run(World(SCENARIOS["healthy"](1), 1), START_MS, api=api, cook=Cook(1, start_local_h=12.0))
    work.go(1.0)
    api.close()
    door.close()
    assert [(act["kind"], answer) for _, act, answer in work.refused] == [("batch.start", {"error": "not now"})]


def test_door_survives_a_closed_connection(tmp_path: Path) -> None:
    door = ApiDoor(tmp_path / "api", _state())
    api = Api(str(tmp_path / "api"))
    assert api.state() == door.state
    api._connection.sock.close()  # type: ignore[union-attr]
    assert api.state() == door.state
    api.close()
    door.close()


def test_free_running_is_paced_by_the_speed(monkeypatch: pytest.MonkeyPatch) -> None:
    real_s, waits = [100.0], list[float]()

    def sleep(seconds: float) -> None:
        waits.append(seconds)
        real_s[0] += seconds

    monkeypatch.setattr("kojisim.run.time.monotonic", lambda: real_s[0])
    monkeypatch.setattr("kojisim.run.time.sleep", sleep)
    Run(World(SCENARIOS["healthy"](1), 1), START_MS, speed=60.0).go(0.1)
    assert sum(waits) == pytest.approx(0.1 * 3600.0 / 60.0)
    assert len(waits) == 36


# -- the command -------------------------------------------------------------------------------------------


def _run(*arguments: str) -> dict[str, Any]:
    result = CliRunner().invoke(main, ["run", "--json", *arguments], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    summary: dict[str, Any] = json.loads(result.stdout)
    return summary


def test_curve_holds_every_probe_and_the_work(tmp_path: Path) -> None:
    out = tmp_path / "curve.csv"
    summary = _run("--scenario", "mixed", "--seed", "7", "--hours", "26", "--every", "60", "--tick", "60",
                   "--start", "2025-01-31T18:00:00+01:00", "--out", str(out))  # fmt: skip
    with out.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert rows[0]["time"] == "2025-01-31T17:01:00.000Z"
    works = [name for _, name in summary["acts"] if name in ("inoculate", "mix")]
    assert [row["step"] for row in rows if row["step"]] == works
    assert works[:2] == ["inoculate", "mix"]
    assert {"bed.temperature_c", "bed-2.temperature_c", "air.temperature_c", "air.humidity_pct"} <= set(rows[0])
    shown = [float(row["bed.temperature_c"]) for row in rows if row["bed.temperature_c"]]
    assert len(shown) == pytest.approx(26 * 60, abs=2)
    assert summary["hours"] == 26.0


def test_curve_has_empty_cells_where_a_probe_was_silent(tmp_path: Path) -> None:
    out = tmp_path / "curve.csv"
    _run("--scenario", "radio_gaps", "--hours", "12", "--out", str(out))
    with out.open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) < 12 * 360 - 6
    assert all(any(cell for name, cell in row.items() if name != "time") for row in rows)


def test_run_over_a_real_broker_with_a_driven_clock(driver: DriverDoor, tmp_path: Path) -> None:
    with Broker(tmp_path / "broker") as broker:
        summary = _run("--scenario", "healthy", "--hours", "0.5", "--mqtt", f"127.0.0.1:{broker.port}",
                       "--drive", str(tmp_path / "drive"))  # fmt: skip
    boards = len(SCENARIOS["healthy"](1).params.trays) + 1
    assert summary["sent"]["mqtt"] == driver.heard[-1]["counts"]["mqtt"]
    assert summary["sent"]["mqtt"] == pytest.approx(180 * boards + 60, abs=boards)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--mqtt", "nowhere"], "expected HOST:PORT"),
        (["--start", "2025-01-31T18:00:00"], "expected a zone"),
        (["--hands", "cook"], "wants --api"),
        (["--scenario", "nothing"], "healthy"),
    ],
)
def test_wrong_use_is_told_in_words(arguments: list[str], words: str) -> None:
    result = CliRunner().invoke(main, ["run", *arguments])
    assert result.exit_code == 2
    assert words in result.output


def test_scenarios_are_listed() -> None:
    result = CliRunner().invoke(main, ["scenarios"])
    assert result.exit_code == 0
    assert all(name in result.output for name in SCENARIOS)
