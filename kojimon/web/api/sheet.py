"""GET /v1/curve: what is drawn of a batch, as data (`curve.Sheet`), for the terminal and for programs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.routing import Route

from kojimon.web.api import queries
from kojimon.web.api.app import guarded
from kojimon.web.api.backend import Backend
from kojimon.web.api.curves import Curves
from kojimon.web.api.sheets import Drawn, drawn

if TYPE_CHECKING:
    from kojimon.journal.reading.reader import Reader

FIELDS = ("batch", "incubator", "last", "points", "unit")
HOURS_MOST = 1_000.0


def route(backend: Backend, curves: Curves) -> Route:
    """The address.

    Args:
        curves: those of the page, so that both share what was read.
    """

    def work(request: Request) -> Drawn:
        query = request.query_params
        queries.only(query, *FIELDS)
        document = backend.state()
        unit = query.get("unit", "")
        if "unit" in query and unit not in ("c", "f"):
            raise queries.BadQuery(f"unit: {unit!r}", "c or f")
        points = queries.whole(query, "points", 0, 1, 5_000) if "points" in query else None
        batch = _batch(query, backend.reader())
        return drawn(curves, batch, document, _hours(query), points, unit)

    return Route("/v1/curve", guarded(work), methods=["GET"])


def _batch(query: Mapping[str, str], reader: Reader) -> str:
    if "batch" in query:
        if reader.batch(query["batch"]) is None:
            raise HTTPException(404, f"there is no batch {query['batch']!r}")
        return query["batch"]
    found = reader.batches(query.get("incubator"))
    if not found:
        raise HTTPException(404, "there is no batch yet")
    return next((row for row in reversed(found) if row.ended_t_ms is None), found[-1]).id


def _hours(query: Mapping[str, str]) -> float | None:
    if "last" not in query:
        return None
    try:
        hours = float(query["last"])
    except ValueError:
        hours = math.nan
    if not 0.1 <= hours <= HOURS_MOST:
        raise queries.BadQuery(f"last: {query['last']!r}", f"hours from 0.1 to {HOURS_MOST:g}")
    return hours
