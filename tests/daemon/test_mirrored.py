"""The mirror in the running daemon, against a real server that goes away for an hour of a fast batch."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from msgspec.structs import replace

from kojimon.clock import ManualClock, SystemClock
from kojimon.daemon.mirrored import as_lines
from kojimon.journal.reading.reader import Reader
from kojimon.mirror import sender
from kojimon.probes.sources.simulated import Glimpse
from kojimon.settings.spec import MirrorSettings, Secret
from kojimon.words.status import speech_of
from tests.daemon.running import Running, broker_site, running
from tests.daemon.sites import simulated_site
from tests.parts.victoria import Victoria, journalled
from tests.parts.wait import DEADLINE_S, until

DAY = 86_400_000
MB_FLAT = 8.0
"""Growth of the whole process (test, simulator, daemon) in that hour that still counts as flat."""


@pytest.fixture
def victoria(tmp_path: Path) -> Iterator[Victoria]:
    made = Victoria(tmp_path / "victoria")
    made.start()
    yield made
    made.stop()


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    for name, seconds in (("BACKOFF_MOST_S", 0.5), ("BACKOFF_FIRST_S", 0.1), ("PAUSE_S", 0.01), ("FAULT_RETRY_S", 0.2)):
        monkeypatch.setattr(sender, name, seconds)


def memory_mb() -> float:
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e6


def caught_up(one: Running) -> bool:
    facts = one.daemon.health().parts.mirror
    with closing(Reader(Path(one.daemon.settings.journal.path))) as reader:
        rows = next(reader.stored_pages(max(1, reader.last_seq() - 50)))
        return bool(rows[-1][0] <= (facts.cursor or 0) and reader.last_event() == facts.event_cursor)


class Outage:
    """Takes the server away from hour 1 to hour 2 of a simulated batch; watches the process's memory meanwhile."""

    def __init__(self, victoria: Victoria) -> None:
        self._victoria = victoria
        self.before_mb = self.most_mb = 0.0
        self.over, self._back = threading.Event(), threading.Event()
        self._gone = False

    def __call__(self, seen: Glimpse) -> None:
        if seen.hour >= 1.0 and not self._gone:
            self._gone = True
            self._victoria.stop()
            self.before_mb = memory_mb()
            threading.Thread(target=self._watch, daemon=True).start()
        if seen.hour >= 2.0 and not self._back.is_set():
            self._back.set()
            self._victoria.start()
        if seen.over:
            self.over.set()

    def _watch(self) -> None:
        while not self._back.wait(0.005):
            self.most_mb = max(self.most_mb, memory_mb())


@pytest.mark.slow(10)
def test_an_hour_without_the_server_in_a_fast_batch(tmp_path: Path, victoria: Victoria) -> None:
    """Every point of the journal is there once afterwards, and memory stays flat meanwhile."""
    settings = simulated_site(tmp_path, seed=1, hours=4.0)
    settings = replace(settings, mirror=MirrorSettings(victoria.url, "home", "koji"))
    outage = Outage(victoria)
    with running(settings, ManualClock(SystemClock().wall_ms() - DAY), stay=True, progress=outage) as one:
        assert outage.over.wait(5 * DEADLINE_S)
        one.commit()
        until(lambda: caught_up(one), what="the backlog")
        facts = one.daemon.health().parts.mirror
        speech = speech_of(one.daemon.house.state())
    with closing(Reader(Path(settings.journal.path))) as reader:
        wanted = journalled(reader, settings.site, lambda events: as_lines(events, speech), facts.event_cursor)
        rows = sum(len(page) for page in reader.stored_pages(1))
    there = victoria.points()
    assert {point[0] for point in there} == {point[0] for point in wanted}
    texts = [point for point in there if dict(point[0])["__name__"] == "kojimon_event_text"]
    assert len(texts) >= 5
    assert there == wanted and max(there.values()) == 1
    assert rows > 4 * 360 * 5 and facts.sent >= rows and facts.set_aside == facts.expired == 0
    assert facts.trouble == "" and facts.started >= 1
    assert outage.before_mb > 0 and outage.most_mb - outage.before_mb < MB_FLAT


def test_its_trouble_is_an_alarm_that_wakes_nobody(tmp_path: Path, victoria: Victoria) -> None:
    """A token that is not there: told in health at once, gone when it is put right, without a restart."""
    token = tmp_path / "token"
    mirror = MirrorSettings(victoria.url, "home", "koji", Secret(file=str(token)))
    with running(broker_site(tmp_path, mirror=mirror)) as one:
        one.put("k/bed", 31.0)
        one.tick(1)
        one.commit()

        def alarms() -> dict[str, tuple[str, str]]:
            one.tick()
            found = one.client.get("/v1/state")["alarms"]
            return {alarm["key"]: (alarm["state"], alarm["priority"]) for alarm in found}

        until(lambda: alarms().get("health/mirror") == ("UNACK", "log"), what="the alarm")
        assert "has no token" in one.client.get("/v1/health")["parts"]["mirror"]["trouble"]
        token.write_text("right\n")
        until(lambda: alarms().get("health/mirror", ("", ""))[0] != "UNACK", what="over")
        until(lambda: caught_up(one), what="all of it")
