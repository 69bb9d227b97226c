"""The mirror against a real time-series server that speaks the InfluxDB v2 write protocol (VictoriaMetrics).

It answers 204 to anything, so everything is read back and compared point by point.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from kojimon.clock import SystemClock
from kojimon.mirror.sender import Mirror
from tests.mirror.kitchen import Kitchen
from tests.parts.victoria import Found, Victoria, journalled
from tests.parts.wait import until

DAY = 86_400_000


@pytest.fixture
def victoria(tmp_path: Path) -> Iterator[Victoria]:
    made = Victoria(tmp_path / "victoria")
    made.start()
    yield made
    made.stop()


def wanted(kitchen: Kitchen) -> Found:
    """What the journal says must be there."""
    with closing(kitchen.reader()) as reader:
        return journalled(reader, "cellar")


def caught_up(kitchen: Kitchen, mirror: Mirror) -> Callable[[], Any]:
    return lambda: mirror.facts().cursor == kitchen.seq and mirror.facts().event_cursor == kitchen.event_no


def test_point_by_point(kitchen: Kitchen, victoria: Victoria, make_mirror: Callable[..., Mirror]) -> None:
    """A batch with odd names, spikes and a restart of the mirror: the server holds exactly the journal's points."""
    kitchen.clock(SystemClock().wall_ms() - 3 * DAY)
    kitchen.read(400)
    kitchen.batch("batch-start", "März, 1st=best")
    kitchen.read(400)
    kitchen.read(5, quality=6)
    first = make_mirror(victoria.url)
    until(caught_up(kitchen, first), what="the first part")
    first.stop(5)
    kitchen.read(200)
    until(caught_up(kitchen, make_mirror(victoria.url)), what="the rest")
    there = victoria.points()
    assert there == wanted(kitchen)
    derived = 2 * 1000 + 999
    assert sum(there.values()) == 3 * 1000 + 3 * 5 * 2 + derived + 3


def test_an_outage_of_the_server(kitchen: Kitchen, victoria: Victoria, make_mirror: Callable[..., Mirror]) -> None:
    """The server goes away in mid-backlog and comes back; some points are sent again; each is there once."""
    kitchen.clock(SystemClock().wall_ms() - 3 * DAY)
    kitchen.read(200)
    mirror = make_mirror(victoria.url)
    until(caught_up(kitchen, mirror), what="before the outage")
    victoria.stop()
    kitchen.read(300)
    until(lambda: mirror.facts().trouble, what="it noticed")
    assert "does not answer" in mirror.facts().trouble
    victoria.start()
    until(caught_up(kitchen, mirror), what="after the outage")
    mirror.stop(5)
    kitchen.writer.run(lambda db: db.execute("UPDATE sink SET seq = 50 WHERE name = 'mirror'").rowcount)
    until(caught_up(kitchen, make_mirror(victoria.url)), what="all sent again from an old cursor")
    assert victoria.points() == wanted(kitchen)
