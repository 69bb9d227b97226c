"""The page and the API as one application, behind the checks of the TCP door."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

from starlette.applications import Starlette
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from kojimon.settings.spec import Person, WebSettings
from kojimon.web.api import metrics, sheet
from kojimon.web.api.backend import Backend
from kojimon.web.api.etag import Etags
from kojimon.web.http.access import Access, addresses, keys_of
from kojimon.web.http.body import Bodies
from kojimon.web.http.strangers import Turns
from kojimon.web.page import batches, enter, night, steps
from kojimon.web.page.calendars import Calendars
from kojimon.web.page.home import Home
from kojimon.web.page.shared import Page
from kojimon.web.page.shown import STATIC


def with_page(
    app: Starlette, backend: Backend, web: WebSettings, ports: Callable[[], list[int]] = list,
    stopping: Callable[[], bool] = lambda: False, left: Path | None = None,
    rice_kg: Mapping[str, float | None] | None = None, person: Person | None = None,
) -> ASGIApp:  # fmt: skip
    """The API with the page beside it, behind the checks of the TCP door.

    Args:
        app: the API (`web.api.app.create_app`).
        web: settings of the TCP door.
        ports: those it listens on now, to say where the page is.
        stopping: whether the daemon ends.
        left: the file that keeps whose session has ended.
        rice_kg: the dry rice of a usual batch by box. person: when they sleep, where they live.
    """
    keys = keys_of(web, left)
    page = Page(backend, rice_kg or {})
    page.curves.warm()
    app.router.routes.extend(Home(page, stopping).routes())
    app.router.routes.extend(batches.routes(page))
    app.router.routes.extend(steps.routes(page))
    app.router.routes.extend(night.routes(page))
    app.router.routes.append(Calendars(page, person or Person()).route())
    app.router.routes.extend(enter.routes(keys, lambda: addresses(web, ports())))
    app.router.routes.append(sheet.route(backend, page.curves))
    app.router.routes.append(metrics.route(backend))
    app.router.routes.append(Route("/v1/openapi.json", _described, methods=["GET"]))
    app.router.routes.append(Mount("/static", StaticFiles(directory=STATIC)))
    zipped = GZipMiddleware(Etags(app), minimum_size=1_000, compresslevel=5)
    return Access(Bodies(Turns(zipped)), web, keys)


async def _described(request: Request) -> Response:
    from kojimon.web.api.openapi import encoded  # loaded by who asks for it, and hardly anybody does

    return Response(encoded(), media_type="application/json")
