"""What the forecast's process is asked and answers, one JSON object a line. Loads no numpy.

A request names the bed it is about (`key`: incubator and tray, as the asker likes); one process serves several.
Answers come in the order of the requests, one each; one request is in flight at a time. After a restart of the
process the asker sends `Start` again with the batch's readings, thinned to one a minute.
"""

from __future__ import annotations

from typing import Final

from msgspec import Struct, json

from kojimon.forecast.answers import Forecast, ForecastSetup, MixAim, Prior

Reading = tuple[float, float | None, float | None, float | None, float | None]
"""Seconds since inoculation; bed, air, room in °C; relative humidity in %. None: no reading."""
Work = tuple[float, str]
"""Seconds since inoculation; `mix`, `spread`, `furrow`, `wrap`, `unwrap`, `swap`, `moved` (the probe), `set` or
`set 28.5` (the box, where known to how many °C), `read 36.5` (the koji by hand, °C)."""


class Start(Struct, frozen=True, tag_field="ask", tag="start"):
    """A batch begins, or is told again from its readings."""

    key: str
    seed: int
    setup: ForecastSetup = ForecastSetup()
    prior: Prior | None = None
    """None: the published one."""
    readings: tuple[Reading, ...] = ()
    works: tuple[Work, ...] = ()


class Observe(Struct, frozen=True, tag_field="ask", tag="observe"):
    """Readings and works since the last request, in order of time."""

    key: str
    readings: tuple[Reading, ...] = ()
    works: tuple[Work, ...] = ()


class Ask(Struct, frozen=True, tag_field="ask", tag="forecast"):
    """A forecast is wanted; limits are upper limits of the bed, °C."""

    key: str
    now_s: float
    limits_c: tuple[float, ...]
    horizon_s: float = 43_200.0
    low_c: float | None = None
    mix: MixAim | None = None
    """None: the batch's own."""


class Finish(Struct, frozen=True, tag_field="ask", tag="finish"):
    """The batch is over: forget it and answer with the prior it leaves."""

    key: str


Request = Start | Observe | Ask | Finish


class Answer(Struct, frozen=True, omit_defaults=True):
    """One a request. `error` is empty when it was done."""

    error: str = ""
    forecast: Forecast | None = None
    prior: Prior | None = None


_REQUESTS: Final = json.Decoder(Request)
MOST_BYTES: Final = 16_000_000
"""A request longer than this is refused: a week of readings once a minute is a tenth of it."""


def encode(message: Request | Answer) -> bytes:
    """One line, with its end."""
    return json.encode(message) + b"\n"


def decode_request(line: bytes) -> Request:
    """Reads a request. Raises msgspec.ValidationError or DecodeError saying what is wrong."""
    request: Request = _REQUESTS.decode(line)
    return request


def decode_answer(line: bytes) -> Answer:
    """Reads an answer. Raises msgspec.ValidationError or DecodeError saying what is wrong."""
    return json.decode(line, type=Answer)
