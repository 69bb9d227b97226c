"""What the forecast costs: processor time a minute, a restart from a whole batch, memory of its process, instructions.

Aim: a Raspberry Pi 3 forecasts each minute with 2 % of a core (1.2 s). Instructions are counted by valgrind where it is
installed: they do not depend on what else the machine does.
"""

from __future__ import annotations

import os
import pickle
import re
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from kojimon.forecast.answers import ForecastSetup
from kojimon.forecast.forecaster import Forecaster, Reading
from kojimon.forecast.prior import published
from kojimon.forecast.protocol import Ask, Start, decode_answer, encode
from tests.bench.figures import record
from tests.forecast import bedtruth
from tests.parts.need import need

pytestmark = [pytest.mark.bench, pytest.mark.slow]
LIMITS = (38.0, 40.0, 42.0)
WHOLE = 48 * 60
ONE_CORE = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
COUNTED = """
import pickle, sys
forecaster, readings = pickle.load(open(sys.argv[1], "rb"))
forecaster.forecast(90_000.0, (38.0,))
forecaster.take(readings[: int(sys.argv[2])], ())
for _ in range(int(sys.argv[3])):
    forecaster.forecast(93_600.0, (38.0, 40.0, 42.0))
"""


def readings() -> tuple[Reading, ...]:
    """48 h, once a minute."""
    batch = bedtruth.layered([3], 0)[0]
    columns = (batch.t_s, batch.bed_c, batch.air_c, batch.room_c, batch.rh_pct)
    rows = zip(*columns, strict=True)
    return tuple((float(t), float(b), float(a), float(r), float(h)) for t, b, a, r, h in rows)[:WHOLE]


def processor_s() -> float:
    used = resource.getrusage(resource.RUSAGE_SELF)
    return used.ru_utime + used.ru_stime


def test_forecast_processor_time() -> None:
    every, start = readings(), processor_s()
    forecaster = Forecaster(ForecastSetup(), published(), 1)
    drawn = processor_s()
    forecaster.take(every, ())
    read = processor_s()
    for _ in range(10):
        forecaster.forecast(WHOLE * 60.0, LIMITS)
    update_ms, forecast_ms = (read - drawn) / WHOLE * 1e3, (processor_s() - read) / 10 * 1e3
    record(
        "forecast: processor time",
        f"48 h read again in {read - drawn:.2f} s; prior {(drawn - start) * 1e3:.0f} ms, update {update_ms:.3f} ms, "
        f"12 h forecast {forecast_ms:.1f} ms: {(update_ms + forecast_ms) / 600:.3f} % of a core here",
    )
    assert read - start < 4.0
    assert forecast_ms < 300.0


@pytest.mark.skipif(not Path("/proc/self/smaps_rollup").exists(), reason="needs Linux's smaps_rollup")
def test_forecast_process_memory() -> None:
    command = [sys.executable, "-m", "kojimon.forecast.child"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=ONE_CORE) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        for request in (Start("b", 1, readings=readings()), Ask("b", WHOLE * 60.0, LIMITS)):
            child.stdin.write(encode(request))
            child.stdin.flush()
            assert decode_answer(child.stdout.readline()).error == ""
        rollup = Path(f"/proc/{child.pid}/smaps_rollup").read_text()
        child.stdin.close()
        assert child.wait(20) == 0
    found = re.search(r"^Pss:\s+(\d+) kB", rollup, re.MULTILINE)
    assert found
    record("forecast: its process", f"PSS {int(found[1]) / 1024:.1f} MB after a whole batch")
    assert int(found[1]) < 90 * 1024


@pytest.mark.timeout(900)
def test_forecast_instructions(tmp_path: Path) -> None:
    every, kept = readings(), tmp_path / "forecaster"
    forecaster = Forecaster(ForecastSetup(), published(), 1)
    forecaster.take(every[:1500], ())
    kept.write_bytes(pickle.dumps((forecaster, every[1500:1560])))
    idle, updates, asks = (counted(kept, minutes, asked) for minutes, asked in ((0, 0), (60, 0), (60, 3)))
    update, ask = (updates - idle) / 60, (asks - updates) / 3
    record("forecast: update and 12 h forecast, instructions", f"{update / 1e6:.2f} and {ask / 1e6:.0f} million")
    assert update > 0
    assert update + ask < 800e6


def counted(kept: Path, minutes: int, asked: int) -> int:
    """Instructions of a process that takes so many minutes of readings and makes so many forecasts."""
    tool = [need("valgrind"), "--tool=callgrind", "--callgrind-out-file=/dev/null"]
    command = [*tool, sys.executable, "-c", COUNTED, str(kept), str(minutes), str(asked)]
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=ONE_CORE)
    found = re.search(r"Collected : (\d+)", done.stderr)
    assert found
    return int(found[1])
