"""What the mirror costs beside raw line protocol written by hand: bytes, requests, processor time, memory."""

from __future__ import annotations

import gzip
import http.client
import os
from contextlib import closing
from pathlib import Path
from urllib.parse import urlparse

import pytest

from kojimon.clock import real_s
from kojimon.journal.records import Chunk
from kojimon.mirror.child import Address
from kojimon.mirror.feed import Feed, Point
from kojimon.mirror.process import Process
from kojimon.mirror.sender import Mirror
from kojimon.mirror.stream import POINTS_MOST
from kojimon.settings.spec import MirrorSettings
from tests.bench.figures import record
from tests.mirror.kitchen import Kitchen
from tests.mirror.standin import StandIn
from tests.parts.wait import until

pytestmark = [pytest.mark.bench, pytest.mark.timeout(300)]
NOON = 1_780_000_000_000
ROUNDS = 10_000
"""Of three probes: a day and four hours at ten seconds."""
TICK_S = 1 / os.sysconf("SC_CLK_TCK")


def by_hand(points: list[Point], url: str) -> None:
    """The shortest thing that does it: the same tags, values only, gzip, a thousand lines a request."""
    server = http.client.HTTPConnection(urlparse(url).netloc, timeout=10)
    for first in range(0, len(points), POINTS_MOST):
        lines = []
        for point in points[first : first + POINTS_MOST]:
            tags = ",".join(f"{name}={text}".replace(" ", "\\ ") for name, text in sorted(point.tags.items()))
            name, value = next(iter(point.fields.items()))
            lines.append(f"kojimon,{tags} {name}={value} {point.time_ns}")
        body = gzip.compress("\n".join(lines).encode(), 6)
        head = {"Content-Encoding": "gzip", "Authorization": "Token t"}
        server.request("POST", "/api/v2/write?org=o&bucket=b&precision=ns", body, head)
        server.getresponse().read()
    server.close()


def proc(pid: int) -> tuple[float, float, float]:
    """Processor seconds, PSS in MB and data segment in MB of a process (proc(5))."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    rollup = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    pss = next(int(line.split()[1]) for line in rollup if line.startswith("Pss:"))
    status = Path(f"/proc/{pid}/status").read_text().splitlines()
    data = next(int(line.split()[1]) for line in status if line.startswith("VmData"))
    return (int(fields[11]) + int(fields[12])) * TICK_S, pss / 1024, data / 1024


def sums(server: StandIn) -> tuple[int, int, int]:
    return len(server.requests), sum(came for came, _ in server.sizes), sum(plain for _, plain in server.sizes)


def test_beside_raw_line_protocol(tmp_path: Path) -> None:
    kitchen, mine, raw = Kitchen(tmp_path / "journal"), StandIn(), StandIn()
    kitchen.clock(NOON)
    kitchen.read(ROUNDS)
    readings = 3 * ROUNDS
    with closing(kitchen.reader()) as reader:
        points = list(Feed(reader, "cellar").next(0, 10**6).points)
        began_s = real_s()
        by_hand(points, raw.url)
        raw_s = real_s() - began_s
        settings = MirrorSettings(mine.url, "o", "b")
        child = Process(lambda: Address(mine.url, "o", "b", "t", 10.0))
        mirror = Mirror(settings, lambda: "t", "cellar", kitchen.reader, kitchen.writer, lambda *_: None,
                        process=child, pause_s=0.0)  # fmt: skip
        began_s = real_s()
        mirror.start()
        until(lambda: mirror.facts().cursor == kitchen.seq, within_s=120)
        took_s = real_s() - began_s
        assert child.child.pid is not None
        cpu_s, pss_mb, data_mb = proc(child.child.pid)
        requests, sent, plain = sums(mine)
        assert len(mine.stored) == readings
        kitchen.read(12)
        mirror.committed(Chunk(readings=[(kitchen.seq, kitchen.t_ms, 1, 30.0, None, 0)]))
        until(lambda: mirror.facts().cursor == kitchen.seq, within_s=20)
        minute = mine.sizes[-1]
        mirror.stop(5)
    raw_requests, raw_sent, raw_plain = sums(raw)
    record(
        "mirror beside raw line protocol",
        f"{requests} requests for {readings:,} readings, {sent / readings:.1f} bytes a reading "
        f"({plain / readings:.1f} unpacked), {readings / took_s:,.0f}/s; child {cpu_s / readings * 1e6:.0f} us "
        f"a reading, PSS {pss_mb:.0f} MB, data {data_mb:.0f} MB; a quiet minute {minute[0] / 36:.1f} bytes each",
        f"{raw_requests} requests, {raw_sent / readings:.1f} bytes ({raw_plain / readings:.1f}), "
        f"{readings / raw_s:,.0f}/s",
    )
    assert requests <= raw_requests + 5
    kitchen.close()
    mine.close()
    raw.close()
