"""Batches looked at afterwards: the list, a review, batches side by side, photos."""

from __future__ import annotations

import threading
from collections import OrderedDict
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, HTMLResponse, JSONResponse, Response
from starlette.routing import Route

from kojimon.contract.acts import TEXT_MOST, Act, BatchNote, plain
from kojimon.contract.events import Note
from kojimon.errors import KojimonError, UsageError
from kojimon.journal.records import BatchRow
from kojimon.review import photos
from kojimon.review.earlier import scores
from kojimon.review.render import Question, Rendered, rendered
from kojimon.web.page.shared import Page, curve_view, picture
from kojimon.web.page.shown import batch_lines
from kojimon.web.page.small import Smalls
from kojimon.web.page.viewer import Viewer

COMPARED_MOST = 6
KEPT = 8
"""Reviews kept: some 100 KB each."""
WAIT_S = 30.0


def routes(page: Page) -> list[Route]:
    """Addresses of the batches."""
    shown = _Batches(page)
    return [
        Route("/batches", page.guarded(shown.all), methods=["GET"]),
        Route("/batch/{batch}", page.guarded(shown.one), methods=["GET"]),
        Route("/batch/{batch}/review.html", page.guarded(shown.file), methods=["GET"]),
        Route("/batch/{batch}/curve.svg", page.guarded(shown.curve), methods=["GET"]),
        Route("/batch/{batch}/small.svg", page.guarded(shown.small), methods=["GET"]),
        Route("/compare", page.guarded(shown.compare), methods=["GET"]),
        Route("/photos/{name}", page.guarded(shown.photo), methods=["GET"]),
        Route("/photo", page.posted(shown.keep_photo), methods=["POST"]),
    ]


class _Batches:
    def __init__(self, page: Page) -> None:
        self._page = page
        self._kept: OrderedDict[tuple[Question, int, int], Rendered] = OrderedDict()
        self._lock = threading.Lock()
        self._smalls = Smalls()

    def all(self, request: Request) -> Response:
        """The list."""
        document, viewer = self._page.looked(request)
        reader = self._page.backend.reader()
        given = scores(reader.events(kinds=("verdict",), limit=100_000))
        notes = reader.events(kinds=("note",), limit=100_000)
        pictures = {one.batch: one.what.photo for one in notes if isinstance(one.what, Note) and one.what.photo}
        speech, stamps = viewer.speech(document), reader.stamps()
        rows = batch_lines(reader.batches(), given, pictures, stamps, document.t_ms, speech)
        return self._page.html("batches.html", rows=rows, here="batches", zone=viewer.zone)

    def one(self, request: Request) -> Response:
        """A review as a page."""
        document, viewer = self._page.looked(request)
        batch = request.path_params["batch"]
        made = self._made(viewer, (batch,))
        told = self._page.told(request, document, viewer)
        return self._page.html("review.html", made=made, batch=batch, told=told, here="batches", zone=viewer.zone)

    def file(self, request: Request) -> Response:
        """The same as a file that needs nothing else."""
        _, viewer = self._page.looked(request)
        batch = request.path_params["batch"]
        made = self._made(viewer, (batch,), form="file")
        name = "".join(char for char in batch if char.isalnum() or char in "-_") or "batch"
        headers = {"Content-Disposition": f'attachment; filename="{name}.html"', "Cache-Control": "no-store"}
        return HTMLResponse(made.html, headers=headers)

    def curve(self, request: Request) -> Response:
        """A batch's curve."""

        _, viewer = self._page.looked(request)
        batch = request.path_params["batch"]
        self._known(batch)
        now_h = self._page.curves.case(batch).end_ms / 3_600_000
        wanted = curve_view(request.query_params, now_h)
        return picture(request, self._page.curves.svg(batch, wanted, None, viewer.units()), wanted.standalone)

    def small(self, request: Request) -> Response:
        """Its small curve for the list."""
        document, viewer = self._page.looked(request)
        row = self._known(request.path_params["batch"])
        svg = self._smalls.svg(self._page.backend.reader(), row, viewer.speech(document))
        return picture(request, svg, standalone=True)

    def compare(self, request: Request) -> Response:
        """Batches side by side: `b` again and again, `align`."""
        _, viewer = self._page.looked(request)
        names = tuple(dict.fromkeys(request.query_params.getlist("b")))
        if not 2 <= len(names) <= COMPARED_MOST:
            raise UsageError(f"tick two to {COMPARED_MOST} batches to compare them")
        align = "warming" if request.query_params.get("align") == "warming" else "spores"
        made = self._made(viewer, names, align=align)
        return self._page.html("compare.html", made=made, here="batches", zone=viewer.zone)

    def photo(self, request: Request) -> Response:
        """A photo, as it was sent; browsers are told to take it for nothing else."""
        found = photos.find(self._journal(), request.path_params["name"])
        if found is None:
            raise HTTPException(404, "there is no such photo")
        path, kind = found
        return FileResponse(path, media_type=kind, headers={"Cache-Control": "private, max-age=31536000, immutable"})

    def keep_photo(self, request: Request, body: bytes) -> Response:
        """Keeps a photo and writes a note about it: `incubator`, `text`; the body is the picture."""
        document, viewer = self._page.looked(request)
        box = self._page.box(document, request.query_params.get("incubator", ""))
        if not box.batch:
            raise UsageError("no batch is open there; a photo belongs to a batch")
        name = photos.keep(self._journal(), body)
        text = request.query_params.get("text", "").strip()[:TEXT_MOST] or "A photo"
        note = BatchNote(text=text, photo=name)
        self._page.backend.act(plain(Act(note, box.name, viewer.who, "page", name)))
        return JSONResponse({"text": "Photo saved."})

    # -- shared ---------------------------------------------------------------------------------------------------

    def _journal(self) -> Path:
        return self._page.backend.reader().path

    def _known(self, batch: str) -> BatchRow:
        row = self._page.backend.reader().batch(batch)
        if row is None:
            raise HTTPException(404, f"there is no batch {batch!r}")
        return row

    def _made(self, viewer: Viewer, batches: tuple[str, ...], form: str = "page", align: str = "spores") -> Rendered:
        """The review, from what was made before or by a child: one at a time, the others wait for it a while."""
        for batch in batches:
            self._known(batch)
        question = Question(str(self._journal()), batches, form, align, viewer.fahrenheit, viewer.pounds, viewer.zone)
        reader = self._page.backend.reader()
        key = (question, reader.last_event(), self._open_until(batches))
        if not self._lock.acquire(timeout=WAIT_S):
            raise KojimonError("another review is being made; try again in a moment")
        try:
            if key not in self._kept:
                self._kept[key] = rendered(question)
                while len(self._kept) > KEPT:
                    self._kept.popitem(last=False)
            return self._kept[key]
        finally:
            self._lock.release()

    def _open_until(self, batches: tuple[str, ...]) -> int:
        """How far the journal goes, in minutes, where one of the batches still grows; 0 where all are over."""
        reader = self._page.backend.reader()
        rows = [row for row in reader.batches() if row.id in batches]
        return reader.horizon_ms() // 60_000 if any(row.ended_t_ms is None for row in rows) else 0
