"""The page before the night: whether the way to the phone is passed, the test call, a probe warmed in the hand."""

from __future__ import annotations

from typing import Any, Final

from msgspec import Struct
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from kojimon.contract.events import ProbeTestBegin
from kojimon.contract.night import Trial
from kojimon.contract.state import Document
from kojimon.web.page.alarms import press
from kojimon.web.page.shared import Page
from kojimon.web.page.shown import environment
from kojimon.web.page.viewer import Viewer, fresh_key
from kojimon.words import night_check as words
from kojimon.words import speech as say
from kojimon.words.outlook import tonight
from kojimon.words.status import Sentence

LATEST: Final = 200
"""A probe that waits to be warmed is looked for among so many events: a quarter of an hour has fewer."""


class Night(Struct, frozen=True):
    """How the night check stands.

    Attributes:
        passed: whether the night check is passed. text: that in words. late: tests that are overdue.
        lines: (words, tone) of the latest test, while it runs.
        seen: the fields of the form that answers it; empty when there is nothing to answer.
        warming: what a probe that is to be warmed waits for, "" for none.
        can: whether there is any channel to try.
        rest: what the forecasts say of the night.
    """

    passed: bool
    text: str
    late: tuple[str, ...]
    lines: tuple[tuple[str, str], ...]
    seen: dict[str, str]
    warming: str
    can: bool
    rest: tuple[Sentence, ...]


def routes(page: Page) -> list[Route]:
    """The address of the page."""

    def show(request: Request) -> Response:
        document, viewer = page.looked(request)
        return page.html(
            "night.html", night=night_of(page, document, viewer), advice=words.ADVICE, zone=viewer.zone,
            probes=probes_of(document), told=page.told(request, document, viewer), follows="night", here="night",
            now_utc=document.now.utc, call_key=fresh_key(), probe_test_key=fresh_key(),
        )  # fmt: skip

    return [Route("/night", page.guarded(show), methods=["GET"])]


def region(page: Page, document: Document, viewer: Viewer) -> str:
    """The part of the page that changes, as markup."""
    parts: Any = environment().get_template("parts.html").module
    return str(parts.night(night_of(page, document, viewer)))


def probes_of(document: Document) -> list[tuple[str, str]]:
    """(name, where it is) of every probe that speaks, for warming."""
    return [
        (probe.name, say.small_first(say.spot(probe.place, probe.quantity, probe.tray)))
        for box in document.incubators
        for probe in box.probes
        if probe.value is not None
    ]


def night_of(page: Page, document: Document, viewer: Viewer) -> Night:
    """How the proof stands now."""
    found = page.backend.night_check()
    last = found.last
    running = last is not None and not last.over
    test = next((alarm for alarm in document.alarms if alarm.key == "test" and alarm.state == "UNACK"), None)
    seen = {}
    if test is not None:
        number = str(test.occurrence)
        seen = {
            "kind": "alarm.acknowledge", "incubator": "", "key": "test", "occurrence": number, "back": "/night",
            "idempotency": press("seen", "test", number),
        }  # fmt: skip
    shown = tuple(words.lines(last)) if last is not None and (running or last.answered_s is not None) else ()
    late = found.late + ((found.chain,) if found.chain else ())
    warming = _warming(page, document, viewer, last)
    rest = tonight(document, viewer.speech(document))
    return Night(found.passed, found.why, late, shown, seen, warming, bool(found.channels), rest)


def _warming(page: Page, document: Document, viewer: Viewer, last: Trial | None) -> str:
    reader = page.backend.reader()
    found = reader.events(max(0, reader.last_event() - LATEST), kinds=("probe-test-begin", "probe-test-missed"))
    what = found[-1].what if found else None
    if not isinstance(what, ProbeTestBegin):
        return ""
    begun, now_ms = found[-1], document.t_ms
    if what.until_ms <= now_ms or (last is not None and last.at_t_ms >= begun.t_ms):
        return ""
    rows = (probe for box in document.incubators for probe in box.probes if probe.name == begun.key)
    probe = next(rows, None)
    if probe is None or probe.value is None:
        return ""
    speech, minutes = viewer.speech(document), max(1, round((what.until_ms - now_ms) / 60_000))
    value, limit = (speech.value(probe.quantity, one) for one in (probe.value, what.limit))
    return (
        f"Take probe {begun.key} in your hand (or breathe on it): it is at {value} and has {minutes} min to reach "
        f"{limit} and stay there for 20 s. Put it back afterwards."
    )
