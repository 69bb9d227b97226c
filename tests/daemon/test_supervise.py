"""Sources that hang, die, cannot be built; the watchdog's conditions. Real time is handed in as a number."""

import threading
from collections.abc import Callable
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from kojimon import supervise
from kojimon.clock import SystemClock
from kojimon.contract.health import SourceHealth
from kojimon.model import Arrival, InputRow
from kojimon.supervise import BACKOFF_MOST_S, SILENT_S, TROUBLE_S, Essential, Slot, Supervisor
from tests.daemon.running import broker_site, running
from tests.parts.broker import Broker, publish
from tests.parts.opened import reading
from tests.parts.wait import until

Put = Callable[[Arrival], bool]


class Fake:
    """A source that beats when told to."""

    name = "port"

    def __init__(self) -> None:
        self.beat_s, self.ok, self.stopped = 0.0, True, threading.Event()
        self.hang_at_stop = threading.Event()
        self.hang_at_stop.set()

    def start(self, put: Put, put_wait: Put) -> None:
        self.put, self.put_wait = put, put_wait

    def stop(self) -> None:
        self.hang_at_stop.wait(20)
        self.stopped.set()

    def heartbeat_s(self) -> float:
        return self.beat_s

    def committed(self, receipts: list[int]) -> None:
        self.receipts = receipts

    def facts(self) -> SourceHealth:
        return SourceHealth(kind="fake", ok=self.ok, trouble="" if self.ok else "nobody plugged it in", opened=1)


class Bench:
    """A slot with its fakes, what arrived and what was told."""

    def __init__(self) -> None:
        self.made: list[Fake] = []
        self.arrived: list[Arrival] = []
        self.told: list[tuple[str, bool, str]] = []
        self.failing = False
        self.full = False
        self.slot = Slot("port", self._make, self._put, self._put_wait, "serial:port")
        self.supervisor = Supervisor([self.slot], [], lambda *facts: self.told.append(facts))

    def _make(self) -> Fake:
        if self.failing:
            raise OSError("no such device")
        self.made.append(Fake())
        return self.made[-1]

    def _put(self, arrival: Arrival) -> bool:
        self.arrived.append(arrival)
        return True

    def _put_wait(self, arrival: Arrival, timeout_s: float) -> bool:
        if self.full:
            return threading.Event().wait(min(timeout_s, 0.01))
        return self._put(arrival)


def test_a_silent_source_is_built_anew_and_the_old_one_can_put_nothing_more() -> None:
    bench = Bench()
    bench.supervisor.check(100.0)
    (old,) = bench.made
    old.hang_at_stop.clear()
    bench.supervisor.check(100.0 + SILENT_S - 1)
    assert bench.made == [old]
    bench.supervisor.check(100.0 + SILENT_S + 1)
    assert len(bench.made) == 2
    assert ("serial:port", False) in {fact[:2] for fact in bench.told}
    assert not old.put(Arrival("port", 1, "", b"late"))
    assert bench.made[1].put(Arrival("port", 1, "", b"new"))
    assert [arrival.payload for arrival in bench.arrived] == [b"new"]
    old.hang_at_stop.set()
    assert old.stopped.wait(60)


def test_a_source_that_beats_is_left_alone() -> None:
    bench = Bench()
    for second in range(100, 400):
        bench.supervisor.check(float(second))
        bench.made[0].beat_s = float(second)
    assert len(bench.made) == 1
    assert not any(not ok for _, ok, _ in bench.told)


def test_what_cannot_be_built_is_tried_again_with_growing_delay() -> None:
    bench = Bench()
    bench.failing = True
    tried: list[float] = []
    make = bench.slot._build

    def counted() -> Any:
        tried.append(now)
        return make()

    bench.slot._build = counted
    for second in range(600):
        now = float(second)
        bench.supervisor.check(now)
    gaps = [later - earlier for earlier, later in pairwise(tried)]
    assert gaps[:5] == [1, 2, 4, 8, 16] and max(gaps) == BACKOFF_MOST_S
    assert bench.told[0] == ("serial:port", False, "port cannot be started: no such device")
    bench.failing = False
    bench.supervisor.check(now + BACKOFF_MOST_S)
    assert len(bench.made) == 1


def test_what_fails_without_a_word_is_named_by_its_kind() -> None:
    bench = Bench()
    bench.slot._build = lambda: next(iter(()))
    bench.supervisor.check(0.0)
    assert bench.told[0][2] == "port cannot be started: StopIteration"


def test_trouble_is_told_when_it_lasts_and_its_end_at_once() -> None:
    bench = Bench()
    bench.supervisor.check(0.0)
    source = bench.made[0]
    source.ok = False
    for second in range(1, 70):
        source.beat_s = float(second)
        bench.supervisor.check(float(second))
        assert any(not ok for _, ok, _ in bench.told) == (second > TROUBLE_S)
    assert bench.told[-1] == ("serial:port", False, "nobody plugged it in")
    source.ok = True
    bench.supervisor.check(70.0)
    assert bench.told[-1][:2] == ("serial:port", True)


def test_commits_reach_the_present_source_also_while_it_is_shut() -> None:
    bench = Bench()
    bench.slot.committed([1])
    bench.supervisor.check(0.0)
    bench.slot.shut()
    bench.slot.committed([2, 3])
    assert bench.made[0].receipts == [2, 3]
    assert not bench.made[0].put(Arrival("port", 1, "", b"x"))


def test_who_waits_for_room_is_not_silent_and_is_let_go_at_the_end() -> None:
    bench = Bench()
    bench.supervisor.check(0.0)
    bench.full = True
    answers: list[bool] = []
    waiter = threading.Thread(target=lambda: answers.append(bench.made[0].put_wait(Arrival("port", 1, "", b"x"))))
    waiter.start()
    until(lambda: bench.slot._gate is not None and bench.slot._gate.waiting)
    bench.supervisor.check(10 * SILENT_S)
    assert len(bench.made) == 1
    bench.slot.abandon()
    waiter.join(60)
    assert answers == [False] and bench.arrived == []


class Manager:
    """Keeps what it is told."""

    def __init__(self) -> None:
        self.heard: list[str] = []

    def notify(self, state: str) -> None:
        self.heard.append(state)


def test_the_watchdog_is_fed_only_while_the_essential_parts_are_fresh() -> None:
    fresh = {"core": True, "journal": True}
    essentials = [Essential(name, lambda name=name: fresh[name]) for name in fresh]  # type: ignore[misc]
    manager = Manager()
    slot = Bench().slot
    supervisor = Supervisor([slot], essentials, lambda *_: None, lambda: "well", manager, watchdog_s=10.0)
    for second in range(20):
        supervisor.check(float(second))
    assert manager.heard.count("WATCHDOG=1") == 4
    assert manager.heard.count("STATUS=well") == 1
    fresh["journal"] = False
    for second in range(20, 60):
        supervisor.check(float(second))
    assert manager.heard.count("WATCHDOG=1") == 4
    assert supervisor.stale == ("journal",)
    fresh["journal"] = True
    supervisor.check(60.0)
    assert manager.heard.count("WATCHDOG=1") == 5


def test_sources_that_hang_at_the_end_are_left_behind() -> None:
    bench = Bench()
    bench.supervisor.check(0.0)
    bench.made[0].hang_at_stop.clear()
    assert not bench.supervisor.stop_sources(0.05)
    assert not bench.made[0].put(Arrival("port", 1, "", b"x"))
    bench.made[0].hang_at_stop.set()


def test_a_hung_reader_in_a_running_daemon_is_replaced(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervise, "SILENT_S", 0.2)
    made: list[Fake] = []

    def build(*_: Any) -> Fake:
        made.append(Fake())
        if len(made) > 1:
            made[-1].heartbeat_s = lambda: 1e12  # type: ignore[method-assign]
        return made[-1]

    monkeypatch.setattr("kojimon.daemon.run.build", build)
    with running(broker_site(tmp_path)) as one:
        until(lambda: len(made) == 2)
        facts = one.client.get("/v1/health")["sources"]["mqtt"]
        assert facts["lives"] == 2
        until(lambda: any(alarm["key"] == "health/broker:mqtt" for alarm in one.client.get("/v1/alarms")["alarms"]))


def test_a_rebuilt_mqtt_reader_loses_and_doubles_nothing(tmp_path: Path) -> None:
    """What the old one had handed over is not acknowledged yet; the broker sends it to the new one again."""
    with Broker(tmp_path / "b") as broker, running(broker_site(tmp_path, broker.port), SystemClock(True)) as one:
        slot = one.daemon._slots[0]

        def subscribed() -> bool:
            return bool(getattr(slot.facts(), "subscribed", False))

        def arrived() -> int:
            return int(one.daemon.house.core.facts().pipeline["arrivals"])

        until(subscribed)
        for number in range(27):
            publish(broker, "k/bed", f"{30 + number / 100:.2f}")
            if number in (8, 15):
                until(partial(lambda wanted: arrived() > wanted, number))
                old = slot._source
                assert old is not None
                old.heartbeat_s = lambda: 0.0  # type: ignore[method-assign]
                slot._born_s = 0.0
                until(partial(lambda old: slot._source not in (None, old) and subscribed(), old))
        journal = Path(one.daemon.settings.journal.path)
        until(lambda: one.commit() or len(_values(journal)) >= 27)
        assert sorted(_values(journal)) == [round(30 + number / 100, 2) for number in range(27)]
        assert slot.lives == 3


def _values(journal: Path) -> list[float]:
    return [row[3] for row in reading(journal).rows_after(0) if not isinstance(row, InputRow) and row[3] is not None]
