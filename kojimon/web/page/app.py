"""The page: what a person sees and does. Mounted beside the API, behind the checks of the TCP door.

Everything works without a script: forms post, links lead, the page can be loaded again. The script keeps it up to date,
draws the curve to the width of the screen and reads it out.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from kojimon import logs
from kojimon.contract.state import Box, Document
from kojimon.errors import EXIT_USAGE, KojimonError, RefusedError
from kojimon.settings.spec import WebSettings
from kojimon.web.api import metrics as page_metrics
from kojimon.web.api import openapi as page_openapi
from kojimon.web.api import sheet as page_sheet
from kojimon.web.api.app import Backend
from kojimon.web.api.curves import Curves, View
from kojimon.web.api.etag import Etags, not_modified
from kojimon.web.api.queries import digits
from kojimon.web.http.access import Access, App, Receive, Scope, Send, addresses, cookie_of, keys_of
from kojimon.web.http.body import Bodies
from kojimon.web.http.door import address_of
from kojimon.web.http.strangers import Turns
from kojimon.web.page import batches as page_batches
from kojimon.web.page import enter as page_enter
from kojimon.web.page import night as page_night
from kojimon.web.page import steps as page_steps
from kojimon.web.page.forms import act_of, fields_of
from kojimon.web.page.live import Hub
from kojimon.web.page.shown import STATIC, Timer, regions, render, style_sheet, timers_of, version
from kojimon.web.page.view import View as Shown
from kojimon.web.page.view import view_of
from kojimon.web.page.viewer import Viewer, preference_cookies, viewer_of
from kojimon.words.events import Teller

FIRST_WIDTH_PX, FIRST_HEIGHT_PX = 336, 660.0
"""Of a curve before the screen is known: a phone of 360 px."""
CURVE_STEP_MS: Final = 8_000
"""A curve that is looked at is drawn anew so often."""
LONG: Final = "public, max-age=31536000, immutable"
PICTURE_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; sandbox"
"""For a curve that stands alone: it carries its style sheet along and nothing else."""
_LOG = logs.get("web")
Work = Callable[[Request], Response]


def with_page(
    app: Starlette, backend: Backend, web: WebSettings, ports: Callable[[], list[int]] = list,
    stopping: Callable[[], bool] = lambda: False, left: Path | None = None,
) -> App:  # fmt: skip
    """The API with the page beside it, behind the checks of the TCP door.

    Args:
        app: the API (`web.api.create_app`).
        web: settings of the TCP door.
        ports: those it listens on now, to say where the page is.
        stopping: whether the daemon ends.
        left: the file that keeps whose session has ended.
    """
    keys = keys_of(web, left)
    page = Page(backend, stopping)
    page.curves.warm()
    app.router.routes.extend(page.routes())
    app.router.routes.extend(page_batches.routes(page))
    app.router.routes.extend(page_steps.routes(page))
    app.router.routes.extend(page_night.routes(page))
    app.router.routes.extend(page_enter.routes(keys, lambda: addresses(web, ports())))
    app.router.routes.append(page_sheet.route(backend, page.curves))
    app.router.routes.append(page_metrics.route(backend))
    app.router.routes.append(page_openapi.route())
    app.router.routes.append(Mount("/static", StaticFiles(directory=STATIC)))
    zipped = GZipMiddleware(Etags(app), minimum_size=1_000, compresslevel=5)
    return Access(Bodies(Turns(zipped)), web, keys)


class Page:
    """The handlers of the live page; what other pages share."""

    def __init__(self, backend: Backend, stopping: Callable[[], bool]) -> None:
        self.backend = backend
        self.curves = Curves(backend)
        self._hub = Hub(backend.state, stopping)

    def routes(self) -> list[Route]:
        """Addresses of the live page."""
        return [
            Route("/", self.guarded(self.home), methods=["GET"]),
            Route("/box/{box}", self.guarded(self.home), methods=["GET"]),
            Route("/live", self.live, methods=["GET"]),
            Route("/regions", self.guarded(self.regions), methods=["GET"]),
            Route("/curve/{box}.svg", self.guarded(self.curve), methods=["GET"]),
            Route("/act", self.act, methods=["POST"]),
            Route("/prefs", self.prefs, methods=["POST"]),
            Route("/static/looks.css", looks, methods=["GET"]),
        ]

    # -- what handlers share ----------------------------------------------------------------------------------

    def guarded(self, work: Work) -> Callable[[Request], Awaitable[Response]]:
        """Runs `work` in a worker thread and puts every error into words."""

        async def handle(request: Request) -> Response:
            try:
                return await run_in_threadpool(work, request)
            except Exception as error:
                if not isinstance(error, KojimonError | HTTPException):
                    _LOG.exception("%s %s", request.method, request.url.path)
                return self.trouble(request, error)

        return handle

    def trouble(self, request: Request, error: Exception) -> Response:
        """An error as a page, or as JSON for the script."""
        text, status = str(error), 503
        if isinstance(error, HTTPException):
            text, status = str(error.detail), error.status_code
        elif isinstance(error, RefusedError):
            status = 409
        elif isinstance(error, KojimonError):
            status = 400 if error.exit_code == EXIT_USAGE else 503
        else:
            text, status = "That is a fault in kojimon; its log says more.", 500
        if wants_json(request):
            return JSONResponse({"error": text}, status)
        return self.html("message.html", status, heading="That did not work", text=text)

    def html(self, template: str, status: int = 200, **content: Any) -> Response:
        """A page nobody keeps."""
        return HTMLResponse(render(template, **content), status, {"Cache-Control": "no-store"})

    def looked(self, request: Request) -> tuple[Document, Viewer]:
        """The state document and who looks at it."""
        document = self.backend.state()
        return document, viewer_of(request.headers.get("cookie", ""), document)

    def box(self, document: Document, name: str) -> Box:
        """An incubator of the state document. Raises 404."""
        found = document.box(name)
        if found is None:
            raise HTTPException(404, f"there is no box {name!r}")
        return found

    def told(self, request: Request, document: Document, viewer: Viewer) -> list[str]:
        """What the act before this page came to: `?told=NUMBER` of the first event of it."""
        number = digits(request.query_params.get("told", ""))
        if not number:
            return []
        events = self.backend.reader().events(number - 1, limit=10)
        act = events[0].data.get("act") if events and events[0].no == number else None
        own = [event for event in events if act is not None and event.data.get("act") == act]
        return self.sentences(
            [{name: getattr(event, name) for name in event.__struct_fields__} for event in own], document, viewer
        )

    def sentences(self, events: Sequence[Mapping[str, Any]], document: Document, viewer: Viewer) -> list[str]:
        """Events in words."""
        teller = Teller(viewer.speech(document))
        lines = [teller.tell(event) for event in events]
        return [line.text for line in lines if line is not None]

    def timers(self, shown: Shown, document: Document, viewer: Viewer) -> dict[str, list[Timer]]:
        """The kitchen timer of each box that is before its spores."""
        found: dict[str, list[Timer]] = {}
        for box, plain in zip(shown.boxes, document.incubators, strict=True):
            schedule = self.curves.case(box.batch_id).schedule if box.before_spores else None
            found[box.name] = timers_of(box, plain, schedule, viewer.speech(document), shown.now_utc)
        return found

    def versions(self, document: Document) -> dict[str, str]:
        """Changes when there is something new to be drawn of a box, with time and with every event; "" for none."""
        reader = self.backend.reader()
        step, event = document.t_ms // CURVE_STEP_MS, reader.last_event()
        with_batch = {row.incubator for row in reader.batches()}
        return {
            box.name: f"{step if box.batch else 0}-{event}" if box.name in with_batch else ""
            for box in document.incubators
        }

    # -- looking ------------------------------------------------------------------------------------------------

    def home(self, request: Request) -> Response:
        """The live page: all boxes, or one."""
        document, viewer = self.looked(request)
        only = request.path_params.get("box", "")
        if only:
            self.box(document, only)
        shown = view_of(document, viewer.speech(document))
        return self.html(
            "home.html",
            boxes=[box for box in shown.boxes if only in ("", box.name)],
            view=shown,
            timers=self.timers(shown, document, viewer),
            curves=self.versions(document),
            sheets=self._sheets(document, viewer, request, only),
            told=self.told(request, document, viewer),
            here="now",
            zone=viewer.zone,
            now_utc=shown.now_utc,
            box_name=only,
            fahrenheit=viewer.fahrenheit,
            who="" if viewer.who == "page" else viewer.who,
            can_leave=bool(request.scope.get("kojimon.known")),
            only_looks=bool(request.scope.get("kojimon.only_looks")),
        )

    def _sheets(self, document: Document, viewer: Viewer, request: Request, only: str) -> dict[str, str]:
        """The curves as part of the page itself where they are at hand: no second question, and no script needed."""
        width = digits(cookie_of(request.headers.get("cookie", ""), "width"), 9_999)
        wanted = View(FIRST_WIDTH_PX if width is None else width, FIRST_HEIGHT_PX)
        found: dict[str, str] = {}
        for box in document.incubators:
            row = self.curves.row(box.name) if only in ("", box.name) else None
            if row is not None and self.curves.ready(row.id):
                found[box.name] = self.curves.svg(row.id, wanted, box, viewer.units(), document.t_ms)[0]
        return found

    def _regions(self, document: Document, viewer: Viewer, query: Mapping[str, str]) -> dict[str, str]:
        if query.get("page") == "night":
            return {"night": page_night.region(self, document, viewer)}
        only = query.get("box", "")
        shown = view_of(document, viewer.speech(document))
        return regions(shown, self.timers(shown, document, viewer), self.versions(document), only)

    def regions(self, request: Request) -> Response:
        """The parts that change, for a page that gets no stream."""
        document, viewer = self.looked(request)
        found = self._regions(document, viewer, request.query_params)
        return JSONResponse(found, headers={"Cache-Control": "no-store"})

    async def live(self, request: Request) -> App:
        """The same as a stream; 503 where all are taken."""
        query, cookies = request.query_params, request.headers.get("cookie", "")

        async def for_viewer(document: Document) -> Mapping[str, str]:
            viewer = viewer_of(cookies, document)
            return await run_in_threadpool(self._regions, document, viewer, query)

        async def answered(scope: Scope, receive: Receive, send: Send) -> None:
            answer: Response
            stranger = address_of(scope.get("client")) if scope.get("kojimon.only_looks") else None
            still = scope.get("kojimon.still", lambda: True)
            with self._hub.place(stranger) as place:
                if place is not None:
                    headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no", "Content-Encoding": "identity"}
                    parts = self._hub.stream(for_viewer, lambda: not place.lost and still())
                    answer = StreamingResponse(parts, headers=headers, media_type="text/event-stream")
                else:
                    answer = JSONResponse({"error": "too many pages are open"}, 503, {"Retry-After": "10"})
                await answer(scope, receive, send)

        return answered

    def curve(self, request: Request) -> Response:
        """The curve of a box's open or latest batch."""
        document, viewer = self.looked(request)
        box = self.box(document, request.path_params["box"])
        row = self.curves.row(box.name)
        if row is None:
            raise HTTPException(404, "there is no batch yet")
        now_h = self.curves.case(row.id).hours.hour(document.t_ms)
        if row.ended_t_ms is not None:
            now_h = self.curves.case(row.id).end_ms / 3_600_000
        wanted = curve_view(request.query_params, now_h)
        return self.picture(request, row.id, wanted, box, viewer, document.t_ms)

    def picture(
        self, request: Request, batch: str, wanted: View, box: Box | None, viewer: Viewer,
        now_ms: int | None = None,
    ) -> Response:  # fmt: skip
        """A curve as SVG with its tag; `now_ms`: engine time of the state that `box` is from."""
        svg, tag = self.curves.svg(batch, wanted, box, viewer.units(), now_ms)
        headers = {"ETag": tag, "Cache-Control": "no-cache, private"}
        if wanted.standalone:
            headers["Content-Security-Policy"] = PICTURE_POLICY
        if not_modified(request.headers.get("if-none-match", ""), tag):
            return Response(status_code=304, headers=headers)
        return Response(svg, media_type="image/svg+xml", headers=headers)

    # -- doing --------------------------------------------------------------------------------------------------

    async def act(self, request: Request) -> Response:
        """What a form asks for. The answer comes once it is stored."""
        body = await request.body()
        return await self.guarded(lambda again: self._act(again, body))(request)

    def _act(self, request: Request, body: bytes) -> Response:
        fields = fields_of(body)
        document, viewer = self.looked(request)
        wanted = act_of(fields, viewer.speech(document), document.now.utc, viewer.who)
        try:
            done = self.backend.act(wanted)
        except RefusedError as error:
            return page_steps.refused(self, request, wanted, error)
        said = self.sentences(done["events"], document, viewer)
        text = " ".join(said) or ("It was done already." if done["repeated"] else "Done.")
        first = done["events"][0]["no"] if done["events"] else 0
        back = local(fields.get("back", "/"))
        if wants_json(request):
            stays = fields.get("back") is None and wanted.kind not in LEADING
            return JSONResponse({"text": text, **({} if stays else {"goto": f"{back}?told={first}"})})
        return RedirectResponse(f"{back}?told={first}", 303)

    async def prefs(self, request: Request) -> Response:
        """Unit, zone and name, kept in cookies."""
        body = await request.body()

        def work(again: Request) -> Response:
            fields = fields_of(body)
            _, viewer = self.looked(again)
            response = RedirectResponse("/", 303)
            for cookie in preference_cookies(fields, viewer.zone, again.url.scheme == "https"):
                response.headers.append("set-cookie", cookie)
            return response

        return await self.guarded(work)(request)


LEADING: Final = ("batch.start", "batch.harvest", "batch.discard", "task.done", "task.undo", "task.correct",
                  "probe.move")  # fmt: skip
"""Acts after which the script loads the page anew where it stands on another."""


def curve_view(query: Mapping[str, str], now_h: float) -> View:
    """How a curve is wanted: `width`, `height`, `last` (hours before now), or `from` and `to` (hours), `file`."""
    last = _number(query, "last")
    from_h = max(0.0, now_h - last) if last else _number(query, "from")
    to_h = min(now_h + max(1.0, (last or 0) / 4), 1e6) if last else _number(query, "to")
    width, height = _number(query, "width"), _number(query, "height")
    return View(round(width or 340), height or 660.0, from_h, to_h, query.get("file") == "1")


def _number(query: Mapping[str, str], name: str) -> float | None:
    from kojimon.web.page.forms import number

    text = query.get(name, "")
    return number(text) if text else None


def wants_json(request: Request) -> bool:
    """Whether it is the script that asks."""
    return "application/json" in request.headers.get("accept", "")


def local(path: str) -> str:
    """A path on this page, for going back to; "/" for anything else."""
    return path if path.startswith("/") and not path.startswith("//") and "\\" not in path and "?" not in path else "/"


async def looks(request: Request) -> Response:
    """The style sheet of page and curves in one: each file more keeps the first picture waiting."""
    tag = f'"{version()}"'
    if not_modified(request.headers.get("if-none-match", ""), tag):
        return Response(status_code=304, headers={"ETag": tag})
    return Response(style_sheet(), media_type="text/css", headers={"ETag": tag, "Cache-Control": LONG})
