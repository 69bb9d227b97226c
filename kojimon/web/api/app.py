"""The API: one application for every door, JSON under /v1. Times are engine ms with `*_utc` (ISO 8601) beside them.

GET /v1/state                 the state document (contract/state.py)
GET /v1/health                how the daemon itself is
GET /v1/alarms, /v1/probes    what is up; what is measured, by whom, how fresh
GET /v1/batches[/ID]          batches, oldest first; `incubator`
GET /v1/events                after (number of the last one seen), batch, kinds, limit
GET /v1/series                probe or place (quantity, incubator); batch or from, to; points (lowest and highest of
                              each stretch) or after, limit (readings page by page)
GET /v1/journal               its size, how far it has got
POST /v1/acts                 {kind, incubator, who, channel, idempotency, data}; the answer comes once it is stored
POST /v1/readings             what was read by hand, several at once (web/api/readings.py)

Errors are {error, wanted}: 400 wrong question, 404 no such thing, 409 refused by the engine, 413 too long, 503 not now.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from typing import Any, Final

import msgspec
from anyio import CapacityLimiter
from anyio.to_thread import run_sync
from msgspec.structs import replace
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from kojimon import logs
from kojimon.contract.acts import PlainAct, act_body
from kojimon.contract.health import DaemonHealth
from kojimon.contract.rows import Batch
from kojimon.contract.state import Document
from kojimon.errors import EXIT_NOT_NOW, EXIT_USAGE, KojimonError, RefusedError
from kojimon.journal.reading.facts import JournalFacts, facts_of
from kojimon.journal.reading.reader import Reader
from kojimon.journal.records import ProbeRow
from kojimon.units import UNIT_OF
from kojimon.web.api import queries, readings, series
from kojimon.web.api.backend import Backend, Fields
from kojimon.web.api.queries import BadQuery, Query, Span
from kojimon.web.api.stamps import UtcOf, event_document, iso_utc, reply_document, stamped

EVENTS_MOST = 1_000
_LOG = logs.get("web")
_ENCODE = msgspec.json.Encoder().encode


class Body(PlainAct, frozen=True, forbid_unknown_fields=True):
    """What POST /v1/acts takes."""

    kind: str
    channel: str = "api"


def answer(document: Any, status: int = 200, headers: Mapping[str, str] | None = None) -> Response:
    """A JSON response that nobody keeps."""
    return Response(_ENCODE(document), status, {"Cache-Control": "no-store", **(headers or {})}, "application/json")


def failure(error: Exception) -> Response:
    """The response to an error: words for a person, what is wanted, and the exit code a command should use."""
    status, exit_code, wanted = 500, EXIT_NOT_NOW, "for more, see kojimon's log"
    words, headers = "that is a fault in kojimon", {}
    if isinstance(error, HTTPException):
        status, exit_code, words = error.status_code, EXIT_USAGE, str(error.detail)
        headers = dict(error.headers or {})
        wanted = "an address and method from the list in the documentation"
    elif isinstance(error, BadQuery):
        status, exit_code, words, wanted = error.status, EXIT_USAGE, str(error), error.wanted
    elif isinstance(error, RefusedError):
        status, words, wanted = 409, str(error), ""
    elif isinstance(error, KojimonError):
        exit_code, words = error.exit_code, str(error)
        status, wanted = 400 if exit_code == EXIT_USAGE else 503, ""
    return answer({"error": words, "wanted": wanted, "exit": exit_code}, status, headers)


FROM_MEMORY: Final = frozenset(("/v1/state", "/v1/health", "/v1/alarms"))
"""What needs no journal has threads and turns of its own: who reads one may wait for a disk that answers no more."""
MEMORY_THREADS: Final = 2
Handler = Callable[[Request], Awaitable[Response]]


def guarded(work: Callable[[Request], Any], threads: CapacityLimiter | None = None) -> Handler:
    """Runs `work` in a worker thread, one of `threads` where it has some of its own; puts every error into words."""

    async def handle(request: Request) -> Response:
        try:
            return answer(await run_sync(work, request, limiter=threads))
        except Exception as error:
            if not isinstance(error, KojimonError | HTTPException):
                _LOG.exception("%s %s", request.method, request.url.path)
            return failure(error)

    return handle


class Api:
    """The handlers. See the module text for what each address gives."""

    def __init__(self, backend: Backend) -> None:
        self._backend = backend

    def state(self, request: Request) -> Document:
        queries.only(request.query_params)
        return self._backend.state()

    def health(self, request: Request) -> DaemonHealth:
        queries.only(request.query_params)
        return self._backend.health()

    def probes(self, request: Request) -> Fields:
        queries.only(request.query_params)
        return {"probes": self._backend.probes()}

    def alarms(self, request: Request) -> Fields:
        queries.only(request.query_params)
        return {"alarms": self._backend.state().listed()}

    def batches(self, request: Request) -> Fields:
        queries.only(request.query_params, "incubator")
        utc_of = self._backend.utc_of()
        found = self._backend.reader().batches(request.query_params.get("incubator"))
        return {"batches": [stamped(Batch(**row._asdict()), utc_of) for row in found]}

    def batch(self, request: Request) -> Fields:
        queries.only(request.query_params)
        name = request.path_params["id"]
        row = self._backend.reader().batch(name)
        if row is None:
            raise HTTPException(404, f"there is no batch {name!r}")
        return {"batch": stamped(Batch(**row._asdict()), self._backend.utc_of())}

    def events(self, request: Request) -> Fields:
        query: Query = request.query_params
        queries.only(query, "after", "batch", "kinds", "limit")
        after = queries.whole(query, "after", 0, 0, 2**53)
        limit = queries.whole(query, "limit", EVENTS_MOST, 1, EVENTS_MOST)
        found = self._backend.reader().events(after, query.get("batch"), queries.names(query, "kinds"), limit)
        last = found[-1].no if found else after
        utc_of = self._backend.utc_of()
        shown = [event_document(event, utc_of) for event in found]
        return {"events": shown, "after": last, "more": len(found) == limit}

    def series(self, request: Request) -> Fields:
        query: Query = request.query_params
        queries.only(
            query, "probe", "place", "quantity", "incubator", "batch", "from", "to", "points", "after", "limit"
        )
        reader, stamps, utc_of = self._backend.reader(), self._backend.stamps(), self._backend.utc_of()
        stretch = queries.span(query, reader, stamps, self._backend.now_ms())
        named = queries.probes(query, reader)
        if "points" in query:
            points = queries.whole(query, "points", 0, 1, series.MOST_POINTS)
            by_probe = series.buckets(reader, [row.no for row in named], *stretch, points)
            found = [_buckets(row, by_probe[row.no], utc_of) for row in named]
        else:
            after = queries.whole(query, "after", stretch.t0_ms, 0, 2**53)
            limit = queries.whole(query, "limit", series.MOST_ROWS, 1, series.MOST_ROWS)
            found = [_readings(reader, row, Span(after, stretch.t1_ms), limit, utc_of) for row in named]
        return {"series": found, "from_t_ms": stretch.t0_ms, "to_t_ms": stretch.t1_ms}

    def journal(self, request: Request) -> JournalFacts:
        queries.only(request.query_params)
        return facts_of(self._backend.reader())

    async def acts(self, request: Request) -> Response:
        return await _posted(request, self._act)

    def _act(self, body: bytes, key: str) -> Response:
        return answer(reply_document(self._backend.act(_act(body, key)), self._backend.utc_of()))

    async def readings(self, request: Request) -> Response:
        return await _posted(request, self._readings)

    def _readings(self, body: bytes, key: str) -> Response:
        told = readings.take(self._backend, body, key)
        return answer(told, told.status)


async def _posted(request: Request, work: Callable[[bytes, str], Response]) -> Response:
    """What comes of a body and its idempotency key; every error in words."""
    try:
        body = await request.body()
        return await run_in_threadpool(work, body, request.headers.get("idempotency-key", ""))
    except Exception as error:
        if not isinstance(error, KojimonError | HTTPException):
            _LOG.exception("what was posted to %s could not be taken", request.url.path)
        return failure(error)


def _act(body: bytes, key: str) -> PlainAct:
    try:
        found = act_body(body, Body)
    except ValueError as error:
        raise BadQuery(
            f"the act cannot be read: {error}", "JSON with kind, incubator, who, idempotency, data"
        ) from None
    return found if found.idempotency else replace(found, idempotency=key)


def _head(row: ProbeRow) -> Fields:
    return {
        "probe": row.name, "no": row.no, "incubator": row.incubator, "place": row.place, "tray": row.tray,
        "quantity": row.quantity, "unit": UNIT_OF.get(row.quantity, ""),
    }  # fmt: skip


def _buckets(row: ProbeRow, found: list[series.Bucket], utc_of: UtcOf) -> Fields:
    table = [[one.t_ms, iso_utc(utc_of(one.t_ms)[0]), one.low, one.high, one.readings] for one in found]
    return {**_head(row), "columns": ["t_ms", "utc", "low", "high", "readings"], "rows": table, "after": None}


def _readings(reader: Reader, row: ProbeRow, stretch: Span, limit: int, utc_of: UtcOf) -> Fields:
    found, after = series.page(reader, row.no, stretch.t0_ms, stretch.t1_ms, limit)
    table = [[t_ms, iso_utc(utc_of(t_ms)[0]), value, quality] for t_ms, value, quality in found]
    return {**_head(row), "columns": ["t_ms", "utc", "value", "quality"], "rows": table, "after": after}


async def _http_error(_request: Request, error: Exception) -> Response:
    return failure(error)


def create_app(backend: Backend) -> Starlette:
    """The application, for one door or several."""
    api = Api(backend)
    reads = {
        "/v1/state": api.state,
        "/v1/health": api.health,
        "/v1/probes": api.probes,
        "/v1/alarms": api.alarms,
        "/v1/batches": api.batches,
        "/v1/batches/{id:path}": api.batch,  # an id with a slash is one nobody has, not another address
        "/v1/events": api.events,
        "/v1/series": api.series,
        "/v1/journal": api.journal,
    }
    own = CapacityLimiter(MEMORY_THREADS)
    routes = [
        Route(path, guarded(work, own if path in FROM_MEMORY else None), methods=["GET"])
        for path, work in reads.items()
    ]
    routes.append(Route("/v1/acts", api.acts, methods=["POST"]))
    routes.append(Route("/v1/readings", api.readings, methods=["POST"]))
    return Starlette(routes=routes, exception_handlers={HTTPException: _http_error, Exception: _http_error})
