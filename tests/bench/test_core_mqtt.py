"""Rates over MQTT beside a bare client in the same run. Prints its figures beside the aims."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from tests.bench.figures import record
from tests.daemon.process import Process
from tests.parts.opened import reading
from tests.parts.wait import until

pytestmark = [pytest.mark.bench, pytest.mark.timeout(240)]

PARTS = Path(__file__).resolve().parents[1] / "parts"
TICK_S = 1 / os.sysconf("SC_CLK_TCK")


@contextmanager
def flood(qos: int, count: int, rate: float = 0.0, window: int = 100) -> Iterator[subprocess.Popen[str]]:
    """The source; its first line was read, `port` is set."""
    words = [sys.executable, str(PARTS / "flood.py"), str(qos), str(count), str(rate), str(window)]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
    try:
        process.port = hear(process)["port"]  # type: ignore[attr-defined]
        yield process
    finally:
        process.kill()
        process.wait(10)
        assert process.stdout is not None
        process.stdout.close()


def hear(process: subprocess.Popen[str]) -> Any:
    assert process.stdout is not None
    return json.loads(process.stdout.readline())


def cpu_s(pid: int) -> float:
    """Processor time of a process so far, user and system, all threads (proc(5), stat fields 14 and 15)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) * TICK_S


def rss_mb(pid: int) -> float:
    text = Path(f"/proc/{pid}/status").read_text()
    return next(int(line.split()[1]) for line in text.splitlines() if line.startswith("VmRSS")) / 1024


def bare(qos: int, count: int, database: Path | None = None) -> tuple[float, float]:
    """A bare client's rate, as it sees it, and processor microseconds a message."""
    with flood(qos, count) as source:
        words = [sys.executable, str(PARTS / "bareclient.py"), str(source.port), str(count)]  # type: ignore[attr-defined]
        words += [str(database)] if database else []
        client = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        answer = hear(client)
        client.wait(10)
        assert client.stdout is not None
        client.stdout.close()
    return count / answer["real_s"], answer["cpu_s"] / count * 1e6


def readings(path: Path) -> int:
    reader = reading(path)
    try:
        return sum(1 for page in reader.pages_after(0) for row in page if type(row) is tuple)
    finally:
        reader.close()


def test_qos_0_at_half_the_bare_rate(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bare_rate, bare_us = bare(0, 300_000)
    rate = bare_rate / 2
    count = int(rate * 10)
    with flood(0, count, rate) as source, Process(tmp_path, source.port) as one:  # type: ignore[attr-defined]
        one.start()
        began, before_s = hear(source)["begin"], cpu_s(one.pid)
        ended = hear(source)["end"]
        until(lambda: one.client.get("/v1/health")["core"]["pipeline"]["arrivals"] >= count, within_s=10)
        used_us = (cpu_s(one.pid) - before_s) / count * 1e6
        core = one.client.get("/v1/health")["core"]
        memory_mb = rss_mb(one.pid)
        assert one.stop() == 0
    stored, reached = readings(one.journal), count / (ended - began)
    with capsys.disabled():
        record(
            "QoS 0 at half the bare rate, 10 s",
            f"{reached:,.0f}/s for {ended - began:.1f} s at {used_us:.1f} us ({used_us / bare_us:.1f} times), dropped "
            f"{core['dropped']}, stored {stored:,} of {count:,}, {memory_mb:.0f} MB",
            f"paho {bare_rate:,.0f}/s at {bare_us:.1f} us",
        )
    assert core["dropped"] == 0
    assert stored == count
    assert reached >= 0.98 * rate
    assert used_us <= 2 * bare_us


def test_qos_1_beside_a_bare_client_that_commits_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # The disk swings from second to second, and the anchor with it: the middle one of five pairs.
    pairs = sorted((_pair(tmp_path / str(number)) for number in range(5)), key=lambda pair: pair[0])
    ratio, ours, anchor = pairs[2]
    with capsys.disabled():
        every = ", ".join(f"{pair[0]:.2f}" for pair in pairs)
        record("QoS 1 beside a bare client that commits first", f"{ratio:.2f} of it ({every}): {ours}", anchor)
    assert ratio >= 0.7


def _pair(folder: Path, count: int = 60_000) -> tuple[float, str, str]:
    """The daemon's rate beside the bare client's, and both in words."""
    folder.mkdir()
    bare_rate, bare_us = bare(1, count, folder / "bare.sqlite")
    with flood(1, count) as source, Process(folder, source.port) as one:  # type: ignore[attr-defined]
        one.start()
        began, before_s = hear(source)["begin"], cpu_s(one.pid)
        over = hear(source)
        used_us = (cpu_s(one.pid) - before_s) / count * 1e6
        commits = one.client.get("/v1/health")["journal"]["commits"]
        assert one.stop() == 0
    assert count <= readings(one.journal) <= over["sent"]
    rate = count / (over["end"] - began)
    return (
        rate / bare_rate,
        f"{rate:,.0f}/s at {used_us:.1f} us; {commits} commits",
        f"{bare_rate:,.0f}/s at {bare_us:.1f} us",
    )
