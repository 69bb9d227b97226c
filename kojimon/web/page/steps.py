"""Pages for one step each: a step with its gate and its time, correcting a mark, starting and ending a batch, taking
an alarm out of service."""

from __future__ import annotations

from functools import partial
from typing import Any, Final
from urllib.parse import quote

import msgspec
from msgspec import Struct
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from kojimon.contract.acts import PlainAct
from kojimon.contract.events import Refused
from kojimon.contract.inputs import Settings
from kojimon.contract.state import Box, Document
from kojimon.errors import RefusedError
from kojimon.units import KG_PER_LB
from kojimon.web.api.queries import digits
from kojimon.web.page.alarms import mix_answer
from kojimon.web.page.shared import Page, wants_json
from kojimon.web.page.viewer import Viewer, fresh_key
from kojimon.words import alarms as alarm_words
from kojimon.words import boxes, gates, meaning, question
from kojimon.words import speech as say
from kojimon.words import status as words
from kojimon.words.eating import CAUTIONS

LAST_EVENTS = 20
BARE: dict[str, Any] = {
    "refused": "", "window": "", "gate": "", "doubt": "", "cautions": (), "advice": (), "ask_when": False,
    "ask_yield": False, "ask_reason": False, "ask_start": False, "other": None, "schedules": (), "schedule": "",
    "rice": "",
}  # fmt: skip


def routes(page: Page) -> list[Route]:
    """Addresses of the steps."""

    def step(request: Request) -> Response:
        return _step(page, request, request.path_params["step"], "")

    def harvest(request: Request) -> Response:
        document, _ = page.looked(request)
        box = page.box(document, request.path_params["box"])
        found = next((one for one in box.steps if one.work == "harvest"), None)
        return _end(page, request, "batch.harvest") if found is None else _step(page, request, found.name, "")

    return [
        Route("/repair", page.guarded(partial(_repair, page)), methods=["GET"]),
        Route("/step/{box}/{step}", page.guarded(step), methods=["GET"]),
        Route("/mark/{box}/{mark:int}", page.guarded(partial(_mark, page)), methods=["GET"]),
        Route("/mixed/{box}", page.guarded(partial(_mixed, page)), methods=["GET"]),
        Route("/start/{box}", page.guarded(partial(_start, page)), methods=["GET"]),
        Route("/harvest/{box}", page.guarded(harvest), methods=["GET"]),
        Route("/discard/{box}", page.guarded(partial(_end, page, kind="batch.discard")), methods=["GET"]),
    ]


def refused(page: Page, request: Request, act: PlainAct, error: RefusedError) -> Response:
    """What the engine did not let through: for a gate the three ways on, else the reason."""

    document, viewer = page.looked(request)
    reader = page.backend.reader()
    recent = reader.events(max(0, reader.last_event() - LAST_EVENTS), kinds=("refused",))
    told = ((event.no, event.what) for event in reversed(recent) if isinstance(event.what, Refused))
    no, last = next(((no, what) for no, what in told if what.reason == str(error)), (0, Refused()))
    if not last.at_gate:
        said = viewer.speech(document).refusal(str(error))
        return page.trouble(request, RefusedError(f"{said} Nothing was saved."))
    step = str(act.data.get("step", ""))
    text = _no_pass(last, viewer.speech(document))
    if wants_json(request):
        return JSONResponse(
            {"error": text, "goto": f"/step/{quote(act.incubator)}/{quote(step)}?refused={no}"}, 409
        )
    return _step(page, request, step, text, act.incubator, 409)


def _step(page: Page, request: Request, name: str, said: str, box_name: str = "", status: int = 200) -> Response:
    document, viewer = page.looked(request)
    box = page.box(document, box_name or request.path_params["box"])
    step = next((one for one in box.steps if one.name == name), None)
    if step is None:
        raise HTTPException(404, "that step belongs to no open batch")
    speech, now = viewer.speech(document), document.now.utc
    gate = step.gate
    harvest = step.work == "harvest"
    kind = "batch.harvest" if harvest and not gate else "step.done"
    fields = {"kind": kind, "incubator": box.name, "idempotency": fresh_key(), "back": "/"}
    if kind == "step.done":
        fields["step"] = name
    trade = f" ({step.trade})" if step.trade else ""
    return _page(
        page, document, viewer, status,
        heading=f"{step.label}{trade}", refused=said or _refusal(page, request, viewer, document),
        window=words.window_of(step, speech, document.t_ms, now),
        gate=gates.asked(gate, speech) if gate else "",
        doubt=boxes.doubted(step.doubt, speech, step.too_hot), fields=fields, ask_when=True, ask_yield=harvest,
        button="Harvested" if harvest else "Seen" if step.work == "look" else "Done",
        cautions=step.cautions or (CAUTIONS if harvest else ()), advice=step.advice,
    )  # fmt: skip


def _no_pass(told: Refused, speech: say.Speech) -> str:
    return f"{gates.refusal(told, speech)} {gates.way_on(told)}; or measure it by hand; or go on anyway and say why."


def _refusal(page: Page, request: Request, viewer: Viewer, document: Document) -> str:
    """The refusal that led here, `?refused=NUMBER` of its event."""
    number = digits(request.query_params.get("refused", ""))
    if not number:
        return ""
    found = page.backend.reader().events(number - 1, kinds=("refused",), limit=1)
    what = found[0].what if found and found[0].no == number else None
    if not isinstance(what, Refused) or not what.at_gate:
        return ""
    return _no_pass(what, viewer.speech(document))


LAST: Final = " Without the spores kojimon does not watch the koji."


def _mark(page: Page, request: Request) -> Response:
    document, viewer = page.looked(request)
    box = page.box(document, request.path_params["box"])
    number = request.path_params["mark"]
    found = next(
        (
            (step, mark)
            for step in box.steps
            for mark in step.marks
            if mark.mark == number and not mark.undone
        ),
        None,
    )
    if found is None:
        raise HTTPException(404, "that entry is gone: it was taken back or corrected")
    step, mark = found
    own = {"incubator": box.name, "mark": str(number), "back": "/"}
    when = viewer.speech(document).moment(mark.at_utc, document.now.utc) if mark.at_utc else ""
    return _page(
        page, document, viewer,
        heading=f"{step.label}: done {when}", ask_when=True, button="Save this time",
        fields={"kind": "step.correct", "idempotency": fresh_key(), **own},
        other={
            "text": f"Not done at all?{LAST if step.work == 'inoculate' else ''}", "button": "Take it back",
            "fields": {"kind": "step.undo", "idempotency": fresh_key(), **own},
        },
    )  # fmt: skip


def _mixed(page: Page, request: Request) -> Response:
    """Whether koji that cooled suddenly was mixed: where a message leads, and where another time is said."""
    document, viewer = page.looked(request)
    box = page.box(document, request.path_params["box"])
    asked = question.open_question(box, viewer.speech(document), document.now.utc)
    if asked is None or box.question is None or not asked.no:
        raise HTTPException(404, "that is answered already")
    return _page(
        page, document, viewer,
        heading=asked.text, ask_when=True, button="Mixed then", window=asked.meanwhile,
        fields={**mix_answer(box, box.question, "yes"), "idempotency": fresh_key(), "back": "/"},
        other={
            "text": "Or was it something else?", "button": asked.no,
            "fields": {**mix_answer(box, box.question, "no"), "back": "/"},
        },
    )  # fmt: skip


def _start(page: Page, request: Request) -> Response:
    document, viewer = page.looked(request)
    box = page.box(document, request.path_params["box"])
    rows, known = page.backend.reader().batches(box.name), _setup(page)
    last = rows[-1] if rows else None
    rice_kg = last.rice_kg if last and last.rice_kg else page.rice_kg.get(box.name)
    return _page(
        page, document, viewer,
        heading=f"Start a batch in {box.label or box.name}", ask_start=True, button="Start",
        fields={"kind": "batch.start", "incubator": box.name, "idempotency": fresh_key(), "back": "/"},
        rice=_bare_mass(rice_kg, viewer), schedules=_schedules(page),
        schedule=last.schedule if last and last.schedule in known else box.schedule,
        cautions=_first_cautions(page, box),
    )  # fmt: skip


def _bare_mass(value_kg: float | None, viewer: Viewer) -> str:
    """A mass as the viewer types it, without its unit; "" for none."""
    if not value_kg:
        return ""
    return f"{value_kg / (KG_PER_LB if viewer.pounds else 1.0):.2f}".rstrip("0").rstrip(".")


class _Schedule(Struct):
    label: str = ""
    cautions: tuple[str, ...] = ()


class _Setup(Struct):
    schedules: dict[str, _Schedule] = {}


def _setup(page: Page) -> dict[str, _Schedule]:
    """The schedules the settings know."""
    row = page.backend.reader().last_input(Settings.kind)
    told = row.what if row else None
    return msgspec.json.decode(told.setup, type=_Setup).schedules if isinstance(told, Settings) else {}


def _schedules(page: Page) -> list[tuple[str, str]]:
    return sorted((name, schedule.label or name) for name, schedule in _setup(page).items())


def _first_cautions(page: Page, box: Box) -> tuple[str, ...]:
    return _setup(page).get(box.schedule, _Schedule()).cautions


def _end(page: Page, request: Request, kind: str) -> Response:
    document, viewer = page.looked(request)
    box = page.box(document, request.path_params["box"])
    if not box.batch:
        raise HTTPException(404, "no batch is open there")
    throw = kind == "batch.discard"
    bag = "Bag it before you carry it, and wash trays and cloths hot before the next batch."
    return _page(
        page, document, viewer,
        heading=f"{'Throw away' if throw else 'Harvest'} batch {box.batch.name}",
        fields={"kind": kind, "incubator": box.name, "idempotency": fresh_key(), "back": "/"},
        ask_reason=throw, ask_yield=not throw, ask_when=not throw, button="Throw it away" if throw else "Harvested",
        cautions=[bag] if throw else CAUTIONS,
    )  # fmt: skip


def _repair(page: Page, request: Request) -> Response:
    """Taking an alarm out of service: what it means comes before the button."""
    document, viewer = page.looked(request)
    box, key = request.query_params.get("box", ""), request.query_params.get("key", "")
    alarms = page.box(document, box).alarms if box else document.alarms
    alarm = next((one for one in alarms if one.key == key and one.state != "OOSRV"), None)
    if alarm is None:
        raise HTTPException(404, "that alarm is not on the list, or is out of service already")
    subject = say.small_first(alarm_words.subject(alarm, viewer.speech(document)))
    meant = meaning.meaning_of(key)
    risk = f"Out of service it sends no message. If nothing is done: {meant.consequence}." if meant else ""
    return _page(
        page, document, viewer,
        heading=f"Take out of service: {subject}", ask_reason=True, button="Take out of service",
        window="It stays out of service until you put it back. For a short while, pause it instead.",
        cautions=[risk] if risk else (),
        fields={"kind": "alarm.out_of_service", "incubator": box, "key": key, "idempotency": fresh_key(), "back": "/"},
    )  # fmt: skip


def _page(page: Page, document: Document, viewer: Viewer, status: int = 200, **content: Any) -> Response:
    return page.html(
        "step.html", status, **BARE | content, zone=viewer.zone, clock_sure=bool(document.now.trusted),
        unit="°F" if viewer.fahrenheit else "°C", mass_unit="lb" if viewer.pounds else "kg",
        now_utc=document.now.utc,
    )  # fmt: skip
