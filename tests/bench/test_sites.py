"""One broker for 1 to 30 sites: real daemons, six probes each at ten seconds, one viewer over them all."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from kojimon.cli.commands.sites import Board, collected, listening, rows_of
from kojimon.clock import SystemClock, real_s
from kojimon.links.mqtt import Address
from kojimon.web.client.local import Client
from tests.bench.figures import record
from tests.parts.broker import Broker
from tests.parts.wait import until

pytestmark = [pytest.mark.bench, pytest.mark.timeout(600)]
STEPS = (1, 10, 30)
EVERY_S = 10.0
WATCHED_S = 20.0
TICK_S = 1 / os.sysconf("SC_CLK_TCK")
PROBES = ("bed", "bed-2", "bed-3", "air", "damp", "room")
SETTINGS = """
site: {name}
incubators:
  box: {{schedule: rice-koji-home-trays, trays: [top, middle, low]}}
sources:
  house: {{kind: mqtt, host: 127.0.0.1, port: {port}}}
probes:
  bed: {{place: bed, tray: top, topic: probes/{name}/box/bed}}
  bed-2: {{place: bed, tray: middle, topic: probes/{name}/box/bed-2}}
  bed-3: {{place: bed, tray: low, topic: probes/{name}/box/bed-3}}
  air: {{place: air, topic: probes/{name}/box/air}}
  damp: {{place: air, quantity: humidity, topic: probes/{name}/box/damp}}
  room: {{place: room, topic: probes/{name}/box/room}}
publish: {{to: house}}
web: {{port: 0}}
speaker: {{use: false}}
journal: {{file: {folder}/kojimon.journal, ballast: 0 MB}}
run_folder: {folder}/run
clock: {{trusted: true}}
"""


def usage(pid: int) -> tuple[float, float]:
    """Processor seconds and resident MB of a process (proc(5))."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) * TICK_S, int(fields[21]) * os.sysconf("SC_PAGE_SIZE") / 1e6


class Site:
    """One daemon as a process of its own."""

    def __init__(self, folder: Path, name: str, port: int) -> None:
        folder.mkdir()
        config = folder / "kojimon.yaml"
        config.write_text(SETTINGS.format(name=name, port=port, folder=folder))
        self.name = name
        self.client = Client.for_journal(folder / "kojimon.journal", folder / "run")
        with (folder / "log").open("wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "kojimon", "run", "--quiet", "--config", str(config)], stdout=log, stderr=log
            )

    def begin(self) -> None:
        until(self.client.running, within_s=60, what=self.name)
        self.client.act({"kind": "batch.start", "who": "me", "data": {"name": "first"}})


class Boards:
    """All probes of all sites: each speaks every ten seconds, at a moment of its own."""

    def __init__(self, broker: Broker) -> None:
        import paho.mqtt.client as paho
        from paho.mqtt.enums import CallbackAPIVersion

        self.sites: list[str] = []
        self.sent = 0
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.connect("127.0.0.1", broker.port)
        self._client.loop_start()
        self._over = threading.Event()
        threading.Thread(target=self._run, daemon=True).start()

    def _run(self) -> None:
        turn = 0
        while not self._over.wait(EVERY_S / len(PROBES)):
            probe = PROBES[turn % len(PROBES)]
            turn += 1
            for name in list(self.sites):
                self._client.publish(f"probes/{name}/box/{probe}", f"{30 + turn % 7 / 10}", 1)
                self.sent += 1

    def close(self) -> None:
        self._over.set()
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def sites() -> Iterator[list[Site]]:
    made: list[Site] = []
    yield made
    for one in made:
        one.process.terminate()
    for one in made:
        one.process.wait(30)


def alarm_s(site: Site, board: Board) -> float:
    """From a test alarm at a site to its being seen by the viewer, real seconds."""
    topic, began_s = f"kojimon/{site.name}/alarm/test", real_s()
    site.client.act({"kind": "alarm.test", "who": "me", "data": {"text": "bench"}})
    until(lambda: topic in board.topics(), what=topic)
    return real_s() - began_s


def test_one_broker_for_many_sites(tmp_path: Path, sites: list[Site]) -> None:
    with Broker(tmp_path / "broker") as broker:
        boards, address = Boards(broker), Address("127.0.0.1", broker.port)
        assert broker._process is not None
        pid = broker._process.pid
        print(f"\nsix probes a site, one reading each in {EVERY_S:g} s; {os.cpu_count()} processors for all of it")
        for count in STEPS:
            while len(sites) < count:
                sites.append(Site(tmp_path / f"s{len(sites):02}", f"s{len(sites):02}", broker.port))
            for one in sites[len(boards.sites) :]:
                one.begin()
            boards.sites = [one.name for one in sites]
            measure(sites, boards, address, pid)
        boards.close()


def measure(sites: list[Site], boards: Boards, address: Address, broker_pid: int) -> None:
    board: Any = Board()
    with listening(address, board):
        until(lambda: len(rows_of(board.topics(), SystemClock().wall_ms())) == len(sites), within_s=60)
        (broker0_s, _), sent0, began_s = usage(broker_pid), boards.sent, real_s()
        daemons0_s = sum(usage(one.process.pid)[0] for one in sites)
        delays = []
        for one in (sites[0], sites[len(sites) // 2], sites[-1]):
            delays.append(alarm_s(one, board))
            one.client.act({"kind": "alarm.acknowledge", "who": "me", "data": {"key": "test"}})
        until(lambda: real_s() - began_s > WATCHED_S, within_s=60)
        took_s = real_s() - began_s
        broker_s, broker_mb = usage(broker_pid)
        daemons_s = sum(usage(one.process.pid)[0] for one in sites) - daemons0_s
    began_s = real_s()
    rows = collected(address, Board())
    once_s = real_s() - began_s
    assert len(rows) == len(sites) and all(row.online for row in rows)
    said = (
        f"{len(sites)} sites, {(boards.sent - sent0) / took_s:.1f} readings/s: broker "
        f"{(broker_s - broker0_s) / took_s * 100:.1f} % of a processor, {broker_mb:.1f} MB; a daemon "
        f"{daemons_s / len(sites) / took_s * 100:.1f} %; an alarm is seen after {max(delays) * 1000:.0f} ms at most; "
        f"`sites --once` takes {once_s:.1f} s"
    )
    if len(sites) == STEPS[-1]:
        record("broker with 30 sites", said)
    else:
        print(f"  {said}")
