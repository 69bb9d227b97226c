"""A simulated incubator inside the daemon: ends by itself, with a harvested batch, the same each time."""

from pathlib import Path
from typing import Any

import pytest

from kojimon.contract.acts import Act, BatchHarvest, BatchStart, Deed, StepDone, plain
from kojimon.daemon import run_daemon
from kojimon.daemon.run import Daemon
from kojimon.errors import UsageError
from kojimon.probes.sources.simulated import Glimpse
from kojimon.settings.spec import MqttSource, Settings, SimulatedSource
from tests.daemon.sites import probes_of, simulated_site, site
from tests.parts.opened import reading


def run(settings: Settings) -> tuple[int, list[Glimpse]]:
    seen: list[Glimpse] = []
    return run_daemon(settings, progress=seen.append), seen


def story(settings: Settings) -> list[tuple[int, str, str]]:
    reader = reading(Path(settings.journal.path))
    events = [event for event in reader.events(limit=10_000) if event.kind != "settings"]
    return [(event.t_ms, event.kind, event.key) for event in events]


@pytest.mark.slow(10)
def test_a_whole_batch_with_hands_ends_in_a_harvest(tmp_path: Path) -> None:
    settings = simulated_site(tmp_path, seed=1)
    code, seen = run(settings)
    assert code == 0
    reader = reading(Path(settings.journal.path))
    (batch,) = reader.batches()
    assert batch.outcome == "harvest" and batch.hour0_t_ms is not None and batch.ended_t_ms is not None
    assert 40 <= (batch.ended_t_ms - batch.hour0_t_ms) / 3_600_000 <= 52
    kinds = [event.kind for event in reader.events(limit=10_000)]
    assert kinds[-1] == "stop" and kinds.count("batch-harvest") == 1
    assert {event.key for event in reader.events(limit=10_000, kinds=["step-done"])} >= {"inoculate", "first-check"}
    assert seen[-1].over and seen[-1].event_no == len(kinds) - 1
    hours = [glimpse.hour for glimpse in seen]
    assert hours == sorted(hours) and len(set(map(int, hours))) >= 40


def test_the_same_seed_tells_the_same_story(tmp_path: Path) -> None:
    stories: list[Any] = []
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        settings = simulated_site(tmp_path / name, seed=3, hours=4.0)
        assert run(settings)[0] == 0
        stories.append(story(settings))
    assert stories[0] == stories[1]
    assert "batch-start" in {kind for _, kind, _ in stories[0]}


def test_it_can_be_run_again_on_the_same_journal(tmp_path: Path) -> None:
    settings = simulated_site(tmp_path, seed=1, hours=2.0)
    assert run(settings)[0] == 0
    assert run(settings)[0] == 0
    reader = reading(Path(settings.journal.path))
    first, second = reader.batches()
    assert first.outcome == "discard" and second.outcome == ""
    assert [row.gap_ms > 0 for row in reader.clock_rows() if row.kind == "start"] == [False, True]


def test_whoever_practises_goes_on_with_the_batch_that_is_open(tmp_path: Path) -> None:
    """The world of a batch is the same for the same seed: a start anew goes on where it was left."""
    daemons: list[Daemon] = []

    def begin(seen: Glimpse) -> None:
        if seen.hour >= 1 and seen.state.incubators[0].batch is None:
            start = Act(BatchStart(name="first", hour0_ago_s=60.0), seen.state.incubators[0].name, "me", "test")
            daemons[0].house.act(plain(start))

    settings = simulated_site(tmp_path, seed=1, hours=2.0, hands=False)
    assert run_daemon(settings, ready=daemons.append, progress=begin) == 0
    code, seen = run(simulated_site(tmp_path, seed=1, hours=4.0, hands=False))
    assert code == 0 and seen[0].hour >= 2.0 and seen[-1].hour == 4.0
    reader = reading(Path(settings.journal.path))
    (batch,) = reader.batches()
    assert (batch.name, batch.outcome) == ("first", "")
    assert [row.gap_ms < 60_000 for row in reader.clock_rows() if row.kind == "start"] == [True, True]


def test_without_hands_nobody_starts_a_batch(tmp_path: Path) -> None:
    settings = simulated_site(tmp_path, seed=1, hours=1.0, hands=False)
    assert run(settings)[0] == 0
    assert reading(Path(settings.journal.path)).batches() == []


def test_an_unknown_scenario_is_named(tmp_path: Path) -> None:
    settings = site(tmp_path, (SimulatedSource("sim", scenario="volcano"),), probes_of("sim"))
    assert run_daemon(settings) == 1


def test_a_simulated_source_stands_alone(tmp_path: Path) -> None:
    sources = (*simulated_site(tmp_path).sources, MqttSource("mqtt", "127.0.0.1", 1))
    with pytest.raises(UsageError, match="must be the only source"):
        run_daemon(site(tmp_path, sources, probes_of("sim")))


def hand(daemons: list[Daemon], deed: Deed) -> None:
    daemons[0].house.act(plain(Act(deed, "box", "me", "test")))


def koji_c(seen: Glimpse) -> float:
    beds = [place for place in seen.state.incubators[0].places if place.place == "bed"]
    values = [bed.hottest.value for bed in beds if bed.hottest is not None]
    return max(value for value in values if value is not None)


@pytest.mark.slow(10)
def test_what_is_marked_in_practice_is_done_to_the_koji(tmp_path: Path) -> None:
    """Rice nobody seeded stays as it is; mixing cools, harvested koji cools, and a start anew knows all of it."""
    daemons: list[Daemon] = []
    at: dict[int, float] = {}
    plan: dict[int, Deed] = {
        14: BatchStart(name="first"),
        16: StepDone(step="inoculate"),
        43: StepDone(step="first-check"),
        50: BatchHarvest(),
    }

    def cook(seen: Glimpse) -> None:
        hour = int(seen.hour)
        if hour not in at:
            at[hour] = koji_c(seen) if hour else 0.0
            if hour in plan:
                hand(daemons, plan.pop(hour))

    for hours in (42.0, 53.0):
        daemons.clear()
        settings = simulated_site(tmp_path, seed=1, hours=hours, hands=False)
        assert run_daemon(settings, ready=daemons.append, progress=cook) == 0
    assert not plan
    assert max(at[hour] for hour in range(4, 14)) < 33.0, "nobody put spores on it"
    assert at[42] > 35.0 and at[42] == pytest.approx(at[41], abs=2.5), "the same koji after a start anew"
    assert at[44] < at[43] - 2.0, "mixed"
    assert at[51] < at[50] - 5.0, "out of the box"
