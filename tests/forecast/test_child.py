"""The forecast's own process, as the daemon would talk to it: JSON lines, one request in flight."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from io import BytesIO

import pytest

from kojimon.forecast.answers import ForecastSetup
from kojimon.forecast.child import serve
from kojimon.forecast.forecaster import Forecaster, Reading
from kojimon.forecast.prior import published
from kojimon.forecast.protocol import (
    MOST_BYTES,
    Answer,
    Ask,
    Finish,
    Observe,
    Request,
    Start,
    decode_answer,
    decode_request,
    encode,
)
from tests.forecast import bedtruth

SETUP = ForecastSetup(members=80)


def readings(hours: float) -> tuple[Reading, ...]:
    batch = bedtruth.one()
    return tuple(
        (float(batch.t_s[i]), float(batch.bed_c[i]), float(batch.air_c[i]), None, None) for i in range(int(hours * 60))
    )


def answers(*lines: bytes) -> list[Answer]:
    """What the process answers, run in this one."""
    sink = BytesIO()
    serve(BytesIO(b"".join(lines)), sink)
    return [decode_answer(line) for line in sink.getvalue().splitlines()]


@pytest.fixture
def process() -> Iterator[subprocess.Popen[bytes]]:
    command = [sys.executable, "-m", "kojimon.forecast.child"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as child:
        yield child
        child.kill()


def exchange(child: subprocess.Popen[bytes], request: Request) -> Answer:
    assert child.stdin is not None
    assert child.stdout is not None
    child.stdin.write(encode(request))
    child.stdin.flush()
    return decode_answer(child.stdout.readline())


def test_a_real_process_forecasts_a_batch_and_ends_with_its_input(process: subprocess.Popen[bytes]) -> None:
    every = readings(20.0)
    assert exchange(process, Start("box/top", 4, SETUP, readings=every[:600])) == Answer()
    assert exchange(process, Observe("box/top", every[600:], ((30_000.0, "mix"),))) == Answer()
    made = exchange(process, Ask("box/top", 72_000.0, (38.0, 40.0)))
    own = Forecaster(SETUP, published(), 4)
    own.take(every[:600], ())
    own.take(every[600:], ((30_000.0, "mix"),))
    assert made.forecast == own.forecast(72_000.0, (38.0, 40.0))
    assert process.stdin is not None
    process.stdin.close()
    assert process.wait(60) == 0


def test_a_restart_from_the_readings_forecasts_the_same() -> None:
    every = readings(12.0)
    bits = [encode(Observe("b", every[i : i + 5])) for i in range(0, len(every), 5)]
    ask = encode(Ask("b", 43_200.0, (40.0,)))
    live = answers(encode(Start("b", 4, SETUP)), *bits, ask)[-1]
    again = answers(encode(Start("b", 4, SETUP, readings=every)), ask)[-1]
    assert live == again
    assert live.forecast is not None


def test_the_prior_left_can_be_given_to_the_next() -> None:
    left = answers(encode(Start("b", 4, SETUP, readings=readings(40.0))), encode(Finish("b")))[-1]
    assert left.prior is not None
    assert left.prior.batches == 1
    following = answers(encode(Start("b", 5, SETUP, left.prior)), encode(Ask("b", 0.0, (40.0,))))
    assert following[1].forecast is not None


def test_wrong_requests_are_answered_and_the_process_goes_on() -> None:
    told = answers(
        b"what?\n",
        b'{"ask":"dance","key":"b"}\n',
        encode(Ask("b", 0.0, (40.0,))),
        b'{"ask":"forecast","key":"b","now_s":"soon","limits_c":[]}\n',
        encode(Start("b", 1, SETUP)),
        encode(Ask("b", 0.0, (40.0,))),
    )
    assert [bool(answer.error) for answer in told] == [True, True, True, True, False, False]
    assert "send `start`" in told[2].error
    assert "now_s" in told[3].error
    assert told[5].forecast is not None


def test_a_request_without_end_is_refused() -> None:
    sink = BytesIO()
    serve(BytesIO(b"x" * (MOST_BYTES + 10)), sink)
    assert b"at most" in sink.getvalue().splitlines()[0]


def test_requests_travel_unchanged() -> None:
    for request in (Start("b", 1, SETUP, published(), readings(0.1), ((1.0, "mix"),)), Observe("b"), Finish("b")):
        assert decode_request(encode(request)) == request


def test_the_daemon_side_needs_no_numpy() -> None:
    """The protocol, the answers and the words must not load numpy into the daemon (its 12 MB belong to the child)."""
    code = "import kojimon.forecast.protocol, kojimon.forecast.words, sys; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
