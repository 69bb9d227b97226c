"""The calendar of a box: its open batch as it moves, for a phone that subscribes to it or takes it once."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from kojimon.contract.state import Box, Document
from kojimon.errors import KojimonError
from kojimon.settings.spec import Person
from kojimon.web.page.shared import Page
from kojimon.words.speech import moment_utc

if TYPE_CHECKING:  # the planner is loaded once somebody asks for a calendar
    from kojimon.planner.rest import Begun
    from kojimon.planner.served import Question

FRESH_MS = 300_000
"""So long a calendar serves where nothing happened."""
WAIT_S = 30.0


class Calendars:
    """Calendars, each made by a child once: one at a time, the others wait for it a while."""

    def __init__(self, page: Page, person: Person) -> None:
        self._page, self._person = page, person
        self._kept: dict[str, tuple[tuple[str, int, int], str]] = {}
        self._lock = threading.Lock()

    def route(self) -> Route:
        """Its address."""
        return Route("/calendar/{box}.ics", self._page.guarded(self._calendar), methods=["GET"])

    def _calendar(self, request: Request) -> Response:
        from kojimon.planner.served import served

        document = self._page.backend.state()
        box = self._page.box(document, request.path_params["box"])
        key = box.batch_id, self._page.backend.reader().last_event(), document.t_ms // FRESH_MS
        if not self._lock.acquire(timeout=WAIT_S):
            raise KojimonError("another calendar is being made; try again in a moment")
        try:
            if self._kept.get(box.name, (None, ""))[0] != key:
                self._kept[box.name] = key, served(self._question(box, document))
            text = self._kept[box.name][1]
        finally:
            self._lock.release()
        headers = {"Content-Disposition": f'inline; filename="koji-{box.name}.ics"', "Cache-Control": "no-store"}
        return Response(text, media_type="text/calendar; charset=utf-8", headers=headers)

    def _question(self, box: Box, document: Document) -> Question:
        from kojimon.planner.nights import sleep_of
        from kojimon.planner.served import Question

        made = moment_utc(document.now.utc)
        found = sleep_of(self._person), document.site, box.kind, box.cover, box.batch_id
        return Question(made, *found, self._begun(box, document) if box.batch else None)

    def _begun(self, box: Box, document: Document) -> Begun | None:
        from kojimon.planner.own import own_of
        from kojimon.planner.rest import begun_of

        reader = self._page.backend.reader()
        row, schedule = reader.batch(box.batch_id), self._page.curves.case(box.batch_id).schedule
        if row is None or schedule is None:
            return None
        own = own_of(schedule, reader).hours
        return begun_of(box, document.now.utc, schedule, row.note, self._person.zone, own)
