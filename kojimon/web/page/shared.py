"""What every page needs: who looks, errors in words, an act's sentences, a curve as a picture."""

from __future__ import annotations

from base64 import b64encode
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from hashlib import sha256
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response, StreamingResponse

from kojimon import logs
from kojimon.contract.events import Unweighed, Weighed
from kojimon.contract.state import Box, Document
from kojimon.curve import draw
from kojimon.errors import EXIT_USAGE, KojimonError, RefusedError
from kojimon.model import Event
from kojimon.web.api.backend import Backend
from kojimon.web.api.curves import Curves, View, style_of
from kojimon.web.api.etag import not_modified
from kojimon.web.api.newest import warming_sheet
from kojimon.web.api.queries import digits
from kojimon.web.http.access import POLICY
from kojimon.web.http.strangers import MAKING
from kojimon.web.page.forms import number
from kojimon.web.page.shown import render
from kojimon.web.page.viewer import Viewer, viewer_of
from kojimon.words import scale
from kojimon.words.events import Teller
from kojimon.words.speech import Speech, big_first, moment_utc
from kojimon.words.standing import after
from kojimon.words.status import work_at

PICTURE_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; sandbox"
"""For a curve that stands alone: it carries its style sheet along and nothing else."""
_LOG = logs.get("web")
Work = Callable[[Request], Response]


class Page:
    """What the pages share: the daemon, the curves, and how a question is answered.

    Args:
        rice_kg: the dry rice of a usual batch by box, where the settings say it.
    """

    def __init__(self, backend: Backend, rice_kg: Mapping[str, float | None]) -> None:
        self.backend, self.rice_kg = backend, rice_kg
        self.curves = Curves(backend)

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

    def posted(self, work: Callable[[Request, bytes], Response]) -> Callable[[Request], Awaitable[Response]]:
        """The same of what came with a request."""

        async def handle(request: Request) -> Response:
            body = await request.body()
            return await self.guarded(lambda again: work(again, body))(request)

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
            text, status = "That is a fault in kojimon. Its log says more: journalctl -u kojimon", 500
        if wants_json(request):
            return JSONResponse({"error": text}, status)
        return self.html("message.html", status, heading="That did not work", text=big_first(text))

    def html(self, template: str, status: int = 200, **content: Any) -> Response:
        """A page nobody keeps."""
        return HTMLResponse(render(template, **content), status, {"Cache-Control": "no-store"})

    def begun(
        self, request: Request, template: str, looks: str, late: Callable[[], dict[str, Any]], **content: Any
    ) -> Response:
        """The same, its head sent before the last of it is made: the browser gets ready for it meanwhile.

        Args:
            looks: the style sheet it carries along, let in by its sum.
            late: makes what takes longest, in a worker thread. What fails there is told in words, though under status
                200: all that reads and may be missing comes before.
        """
        request.scope[MAKING] = True
        own = b64encode(sha256(looks.encode()).digest()).decode()
        policy = POLICY.replace("style-src 'self'", f"style-src 'self' 'sha256-{own}'")
        headers = {"Cache-Control": "no-store", "Content-Security-Policy": policy}

        def made() -> bytes:
            try:
                return render(template, looks=looks, **content, **late()).encode()
            except Exception as error:
                _LOG.exception("%s %s", request.method, request.url.path)
                return bytes(self.trouble(request, error).body)
            finally:
                request.scope[MAKING] = False

        async def parts() -> AsyncIterator[bytes]:
            yield b""
            yield await run_in_threadpool(made)

        return StreamingResponse(parts(), headers=headers, media_type="text/html")

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
        act = events[0].what.act if events and events[0].no == number else 0
        return self.sentences([event for event in events if act and event.what.act == act], document, viewer)

    def sentences(self, events: Sequence[Event], document: Document, viewer: Viewer) -> list[str]:
        """Events of an act in words, with what they mean now; after a weight what the scale says.

        Args:
            document: the state after it.
        """
        speech = viewer.speech(document)
        teller = Teller(speech, lambda event: work_at(document, event.incubator, document.t_ms))
        told = [line.text for event in events if (line := teller.tell(event)) is not None]
        weighed = [event for event in events if isinstance(event.what, Weighed)]
        scales = [self.scale(self.box(document, event.incubator), speech, event.key) for event in weighed]
        said = [text for found in scales for text, tone in found if tone != "quiet"]
        return [*told, *filter(None, after(events, document, speech)), *said]

    def scale(self, box: Box, speech: Speech, of: str = "") -> list[tuple[str, str]]:
        """What the weights of a box's batch say, the open one or for a day the last, and the tone of each sentence.

        Args:
            of: only what the last weight of this stage says; "" for all of it.
        """
        reader = self.backend.reader()
        row = reader.batch(box.batch_id or (box.ended.id if box.ended else ""))
        if row is None:
            return []
        stated = reader.events(batch=row.id, kinds=(Weighed.kind, Unweighed.kind))
        weights = scale.standing(stated, row.rice_kg, row.started_t_ms, row.yield_kg, row.ended_t_ms)
        # The grain counts where something was weighed: a batch is not read whole without need.
        schedule = self.curves.case(row.id).schedule if any(one.stage != "dry" for one in weights) else None
        kind, cover = (box.kind, box.cover) if box.batch else ("", "")
        return scale.lines(weights, schedule.grain if schedule else "", speech.pounds, kind, cover, False, of)

    def warming(self, box: Box, wanted: View, viewer: Viewer, document: Document) -> str:
        """The curve of a box without a batch: its last hours. Raises 404 where nothing was read in them."""
        now_utc_ms = round(moment_utc(document.now.utc).timestamp() * 1000)
        sheet = warming_sheet(self.backend.reader(), box, document.t_ms, now_utc_ms)
        if sheet is None:
            raise HTTPException(404, "no batch is open there, and nothing was read in the last hours")
        return draw(sheet, style_of(wanted, viewer.units()))


def picture(request: Request, svg: str, standalone: bool) -> Response:
    """A curve as SVG with its tag; `standalone`: it carries its style sheet along."""
    headers = {"ETag": f'"{sha256(svg.encode()).hexdigest()[:24]}"', "Cache-Control": "no-cache, private"}
    if standalone:
        headers["Content-Security-Policy"] = PICTURE_POLICY
    if not_modified(request.headers.get("if-none-match", ""), headers["ETag"]):
        return Response(status_code=304, headers=headers)
    return Response(svg, media_type="image/svg+xml", headers=headers)


def curve_view(query: Mapping[str, str], now_h: float) -> View:
    """How a curve is wanted: `width`, `height`, `last` (hours before now) or `from` and `to`, `without`, `file`."""
    last = _number(query, "last")
    from_h = max(0.0, now_h - last) if last else _number(query, "from")
    to_h = min(now_h + max(1.0, (last or 0) / 4), 1e6) if last else _number(query, "to")
    width, height = _number(query, "width"), _number(query, "height")
    hidden = frozenset(filter(None, query.get("without", "").split(",")))
    return View(round(width or 340), height or 660.0, from_h, to_h, query.get("file") == "1", hidden)


def _number(query: Mapping[str, str], name: str) -> float | None:
    text = query.get(name, "")
    return number(text) if text else None


def wants_json(request: Request) -> bool:
    """Whether it is the script that asks."""
    return "application/json" in request.headers.get("accept", "")


def local(path: str) -> str:
    """A path on this page, for going back to; "/" for anything else."""
    return path if path.startswith("/") and not path.startswith("//") and "\\" not in path and "?" not in path else "/"
