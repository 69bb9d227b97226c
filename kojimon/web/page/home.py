"""The live page: all boxes or one, kept up to date, their curves, and what its forms ask for.

Everything works without a script: forms post, links lead, the page can be loaded again. The script keeps it up to date,
draws the curve to the width of the screen and reads it out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp, Receive, Scope, Send

from kojimon import logs
from kojimon.contract.state import Document
from kojimon.errors import RefusedError
from kojimon.web.api.curves import View
from kojimon.web.api.etag import not_modified
from kojimon.web.api.queries import digits
from kojimon.web.http.access import cookie_of
from kojimon.web.http.door import address_of
from kojimon.web.page import night, steps
from kojimon.web.page.forms import act_of, fields_of
from kojimon.web.page.live import Hub
from kojimon.web.page.shared import Page, curve_view, local, picture, wants_json
from kojimon.web.page.shown import Timer, regions, style_sheet, timers_of, version
from kojimon.web.page.view import View as Shown
from kojimon.web.page.view import view_of
from kojimon.web.page.viewer import Viewer, preference_cookies, viewer_of
from kojimon.words.scale import WEIGHED_AS

FIRST_WIDTH_PX, FIRST_HEIGHT_PX = 336, 660.0
"""Of a curve before the screen is known: a phone of 360 px."""
CURVE_STEP_MS: Final = 8_000
"""A curve that is looked at is drawn anew so often."""
WARM_STEP_MS: Final = 60_000
"""That of a box without a batch: its rows are read each time."""
LONG: Final = "public, max-age=31536000, immutable"
LEADING: Final = ("batch.start", "batch.harvest", "batch.discard", "batch.reopen", "step.done", "step.undo",
                  "step.correct", "probe.move", "batch.weigh")  # fmt: skip
"""Acts after which the script loads the page anew where it stands on another."""
_LOG = logs.get("web")


class Home:
    """The handlers of the live page."""

    def __init__(self, page: Page, stopping: Callable[[], bool]) -> None:
        self._page = page
        self._hub = Hub(page.backend.state, stopping)

    def routes(self) -> list[Route]:
        """Addresses of the live page."""
        return [
            Route("/", self._page.guarded(self.home), methods=["GET"]),
            Route("/box/{box}", self._page.guarded(self.home), methods=["GET"]),
            Route("/live", self.live, methods=["GET"]),
            Route("/regions", self._page.guarded(self.regions), methods=["GET"]),
            Route("/curve/{box}.svg", self._page.guarded(self.curve), methods=["GET"]),
            Route("/act", self._page.posted(self.act), methods=["POST"]),
            Route("/prefs", self._page.posted(self.prefs), methods=["POST"]),
            Route("/static/looks.css", looks, methods=["GET"]),
        ]

    def timers(self, shown: Shown, document: Document, viewer: Viewer) -> dict[str, list[Timer]]:
        """The kitchen timer of each box that is before its spores."""
        found: dict[str, list[Timer]] = {}
        for box, plain in zip(shown.boxes, document.incubators, strict=True):
            schedule = self._page.curves.case(box.batch_id).schedule if box.before_spores else None
            found[box.name] = timers_of(box, plain, schedule, viewer.speech(document), shown.now_utc)
        return found

    def versions(self, document: Document) -> dict[str, str]:
        """Changes when there is something new to be drawn of a box, with time and with every event; "" for none."""
        reader = self._page.backend.reader()
        step, event = document.t_ms // CURVE_STEP_MS, reader.last_event()
        with_batch = {row.incubator for row in reader.batches()}
        minute = document.t_ms // WARM_STEP_MS
        return {
            box.name: f"{step}-{event}" if box.batch
            else f"0-{event}" if box.ended and box.name in with_batch
            else f"warm-{minute}" if any(probe.value is not None for probe in box.probes)
            else ""
            for box in document.incubators
        }  # fmt: skip

    def home(self, request: Request) -> Response:
        """The live page: all boxes, or one."""
        document, viewer = self._page.looked(request)
        only = request.path_params.get("box", "")
        if only:
            self._page.box(document, only)
        speech = viewer.speech(document)
        shown = view_of(document, speech)
        return self._page.begun(
            request,
            "home.html",
            style_sheet(),  # not a file of its own: nothing is painted until that has come
            lambda: {"sheets": self._sheets(document, viewer, request, only)},
            boxes=[box for box in shown.boxes if only in ("", box.name)],
            view=shown,
            timers=self.timers(shown, document, viewer),
            curves=self.versions(document),
            scales={box.name: self._page.scale(box, speech) for box in document.incubators},
            weighed_as=WEIGHED_AS,
            mass_unit="lb" if speech.pounds else "kg",
            told=self._page.told(request, document, viewer),
            here="now",
            zone=viewer.zone,
            now_utc=shown.now_utc,
            box_name=only,
            host=request.headers.get("host", ""),
            # As who opened the page came here: it is only said to them. iOS opens webcal:, not webcals:.
            scheme="https" if request.headers.get("x-forwarded-proto") == "https" else "http",
            fahrenheit=viewer.fahrenheit,
            who="" if viewer.who == "page" else viewer.who,
            can_leave=bool(request.scope.get("kojimon.known")),
            only_looks=bool(request.scope.get("kojimon.only_looks")),
        )

    def _sheets(self, document: Document, viewer: Viewer, request: Request, only: str) -> dict[str, str]:
        """The curves as part of the page itself where they are at hand: no second question, and no script needed."""
        cookies = request.headers.get("cookie", "")
        width, height = (digits(cookie_of(cookies, name), 9_999) for name in ("width", "height"))
        wanted = View(width or FIRST_WIDTH_PX, float(height or FIRST_HEIGHT_PX))
        found: dict[str, str] = {}
        for box in document.incubators:
            with_batch = only in ("", box.name) and (box.batch or box.ended)
            row = self._page.curves.row(box.name) if with_batch else None
            if row is not None and self._page.curves.ready(row.id):
                try:
                    found[box.name] = self._page.curves.svg(row.id, wanted, box, viewer.units(), document.t_ms)
                except Exception:  # the page is of more use than its curve, which the script asks for again
                    _LOG.exception("the curve of %s", box.name)
        return found

    def _regions(self, document: Document, viewer: Viewer, query: Mapping[str, str]) -> dict[str, str]:
        if query.get("page") == "night":
            return {"night": night.region(self._page, document, viewer)}
        only = query.get("box", "")
        shown = view_of(document, viewer.speech(document))
        return regions(shown, self.timers(shown, document, viewer), self.versions(document), only)

    def regions(self, request: Request) -> Response:
        """The parts that change, for a page that gets no stream."""
        document, viewer = self._page.looked(request)
        found = self._regions(document, viewer, request.query_params)
        return JSONResponse(found, headers={"Cache-Control": "no-store"})

    async def live(self, request: Request) -> ASGIApp:
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
        """The curve of a box's open batch, for a day that of the one that ended, else that of its last hours."""
        document, viewer = self._page.looked(request)
        box = self._page.box(document, request.path_params["box"])
        row = self._page.curves.row(box.name) if box.batch or box.ended else None
        if row is None:
            wanted = curve_view(request.query_params, 0.0)
            svg = self._page.warming(box, wanted, viewer, document)
        else:
            case = self._page.curves.case(row.id)
            now_h = case.hours.hour(document.t_ms) if row.ended_t_ms is None else case.end_ms / 3_600_000
            wanted = curve_view(request.query_params, now_h)
            svg = self._page.curves.svg(row.id, wanted, box, viewer.units(), document.t_ms)
        return picture(request, svg, wanted.standalone)

    def act(self, request: Request, body: bytes) -> Response:
        """What a form asks for. The answer comes once it is stored."""
        fields = fields_of(body)
        document, viewer = self._page.looked(request)
        wanted = act_of(fields, viewer.speech(document), document.now.utc, viewer.who)
        try:
            done = self._page.backend.act(wanted)
        except RefusedError as error:
            return steps.refused(self._page, request, wanted, error)
        said = self._page.sentences(done.events, self._page.backend.state(), viewer)
        text = " ".join(said) or ("It was done already." if done.repeated else "Done.")
        first = done.events[0].no if done.events else 0
        back = local(fields.get("back", "/"))
        if wants_json(request):
            stays = fields.get("back") is None and wanted.kind not in LEADING
            return JSONResponse({"text": text, **({} if stays else {"goto": f"{back}?told={first}"})})
        return RedirectResponse(f"{back}?told={first}", 303)

    def prefs(self, request: Request, body: bytes) -> Response:
        """Unit, zone and name, kept in cookies."""
        document, _ = self._page.looked(request)
        response = RedirectResponse("/", 303)
        for cookie in preference_cookies(fields_of(body), document.now.zone, request.url.scheme == "https"):
            response.headers.append("set-cookie", cookie)
        return response


async def looks(request: Request) -> Response:
    """The style sheet of page and curves for the pages that do not carry it along."""
    tag = f'"{version()}"'
    if not_modified(request.headers.get("if-none-match", ""), tag):
        return Response(status_code=304, headers={"ETag": tag})
    return Response(style_sheet(), media_type="text/css", headers={"ETag": tag, "Cache-Control": LONG})
