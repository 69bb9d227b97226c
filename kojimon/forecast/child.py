"""The process that forecasts: `python -m kojimon.forecast.child`. Keeps numpy's memory out of the daemon.

Reads requests from standard input and writes answers to standard output, one JSON object a line (`protocol`).
A request that cannot be done is answered with its error, and the process goes on; it ends with its input.
"""

from __future__ import annotations

import os
import sys
from typing import BinaryIO

import msgspec

from kojimon.child import begin
from kojimon.errors import KojimonError
from kojimon.forecast import protocol
from kojimon.forecast.protocol import Answer, Ask, Finish, Observe, Request, Start

# One core is the daemon's; matrices here are too small to share out. Read by the libraries when numpy loads.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")


class Batches:
    """The batches this process knows, by key."""

    def __init__(self) -> None:
        from kojimon.forecast.forecaster import Forecaster

        self._batches: dict[str, Forecaster] = {}

    def answer(self, request: Request) -> Answer:
        """Does one request. Raises KojimonError when the batch is not known."""
        if isinstance(request, Start):
            return self._start(request)
        batch = self._batches.get(request.key)
        if batch is None:
            raise KojimonError(f"no batch {request.key!r} has been started here; send `start` with its readings")
        if isinstance(request, Observe):
            batch.take(request.readings, request.works)
            return Answer()
        if isinstance(request, Ask):
            made = batch.forecast(request.now_s, request.limits_c, request.horizon_s, request.low_c, request.mix)
            return Answer(forecast=made)
        assert isinstance(request, Finish)
        return Answer(prior=self._batches.pop(request.key).learnt())

    def _start(self, request: Start) -> Answer:
        from kojimon.forecast.forecaster import Forecaster
        from kojimon.forecast.prior import published

        batch = Forecaster(request.setup, request.prior or published(), request.seed)
        batch.take(request.readings, request.works)
        self._batches[request.key] = batch
        return Answer()


def serve(source: BinaryIO, sink: BinaryIO) -> None:
    """Answers every line of `source` on `sink` until it ends."""
    batches = Batches()
    while line := source.readline(protocol.MOST_BYTES + 1):
        sink.write(protocol.encode(_answer(batches, line)))
        sink.flush()


def _answer(batches: Batches, line: bytes) -> Answer:
    if len(line) > protocol.MOST_BYTES:
        return Answer(error=f"a request is at most {protocol.MOST_BYTES} bytes; thin the readings to one a minute")
    try:
        return batches.answer(protocol.decode_request(line))
    except (KojimonError, msgspec.MsgspecError) as error:
        return Answer(error=str(error))
    except (ArithmeticError, ValueError) as error:
        return Answer(error=f"the forecast failed on this request ({type(error).__name__}: {error}); start it again")


if __name__ == "__main__":
    begin()
    serve(sys.stdin.buffer, sys.stdout.buffer)
