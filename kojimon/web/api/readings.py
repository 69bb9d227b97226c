"""POST /v1/readings: what was read by hand, or by a small board that can do no more than HTTP; several at once.

    {"readings": [{"value": 95, "unit": "F", "tray": "top", "at_ago_s": 300}], "idempotency": "board-7-1201"}

Each becomes an act `reading` of its own, in the order of the list, with its own time and the list's key and its place
in it as its key: sent again, nothing is done twice. The answer says of each what came of it, in the same order; one
that is refused keeps none of the others out. Where one has not the form, nothing is taken, and each such one is named.
"""

from __future__ import annotations

from typing import Annotated, Any, Final, Generic, Literal, TypeVar

import msgspec
from msgspec import Meta, Raw, Struct

from kojimon.contract.acts import PlainAct, act_body
from kojimon.contract.events import Fact, Reading
from kojimon.contract.state import Box, Document
from kojimon.errors import KojimonError, RefusedError
from kojimon.units import c_from_f
from kojimon.web.api.backend import Backend
from kojimon.web.api.queries import BadQuery
from kojimon.words.deeds import still_so
from kojimon.words.standing import read_now
from kojimon.words.status import speech_of

MOST: Final = 60
"""An hour of a board that reads once a minute and had no network."""
KEY_MOST: Final = 120
WANTED: Final = "{value, unit: C, F or %, place, tray, at_ago_s or at_utc}"

T = TypeVar("T")


class HandReading(Struct, forbid_unknown_fields=True):
    """A reading. Its time is now, or `at_ago_s` or `at_utc` as in an act."""

    value: float
    unit: Literal["C", "F", "%"]
    place: str = ""
    tray: str = ""
    at_ago_s: float | None = None
    at_utc: str | None = None


class Body(Struct, Generic[T], forbid_unknown_fields=True):
    """What is posted."""

    readings: Annotated[list[T], Meta(min_length=1, max_length=MOST)]
    incubator: str = ""
    who: str = ""
    idempotency: Annotated[str, Meta(max_length=KEY_MOST)] = ""


class Taken(Struct, frozen=True):
    """What came of one: `taken`, or `repeated` (it came before with its key; nothing is done again), or why not.

    `later`: it could not be taken now and may be sent again; without it what is refused stays refused. `note`: what
    it means now, in words: within limits, or beyond which and where its alarm stands; "" where no limit is in force.
    """

    taken: bool = False
    repeated: bool = False
    later: bool = False
    seq: int | None = None
    error: str = ""
    note: str = ""


class Answer(Struct, frozen=True):
    """What came of each reading, in their order. `error`: that some may be sent again, and how; else ""."""

    readings: list[Taken]
    error: str = ""

    @property
    def status(self) -> int:
        """HTTP status: 503 where something may be sent again."""
        return 503 if self.error else 200


def take(backend: Backend, body: bytes, key: str) -> Answer:
    """What came of each. Where acts cannot be taken now, the rest is not tried.

    Args:
        key: where the body has none.

    Raises BadQuery: something in it has not the form; nothing was taken.
    """
    asked = _read(body)
    key, found, trouble = asked.idempotency or key[:KEY_MOST], list[Taken](), ""
    for place, one in enumerate(asked.readings):
        own = f"{key}/{place}" if key else ""
        try:
            if trouble:
                raise KojimonError(f"not tried: {trouble}")
            found.append(_taken(backend, PlainAct("reading", asked.incubator, asked.who, "api", own, _data(one))))
        except RefusedError as error:
            found.append(Taken(error=str(error)))
        except KojimonError as error:
            trouble = trouble or str(error)
            found.append(Taken(later=True, error=str(error)))
    again = "the same again" if key else "those marked `later` again"
    return Answer(found, f"{trouble}; send {again}" if trouble else "")


def _taken(backend: Backend, act: PlainAct) -> Taken:
    done, state = backend.act(act), backend.state()
    notes = [_meant(event.what, state.box(event.incubator), state) for event in done.events]
    return Taken(not done.repeated, done.repeated, seq=done.seq, note=" ".join(filter(None, notes)))


def _meant(what: Fact, box: Box | None, state: Document) -> str:
    if not isinstance(what, Reading) or box is None:
        return ""
    speech = speech_of(state)
    return still_so(what, speech) or read_now(what, box, speech, state.now.utc)


def _read(body: bytes) -> Body[HandReading]:
    wanted, wrong, ones = f"JSON with `readings`, 1 to {MOST} of {WANTED}", [], []
    try:
        asked = act_body(body, Body[Raw])
    except ValueError as error:
        raise BadQuery(f"the readings cannot be read: {error}", wanted) from None
    for place, raw in enumerate(asked.readings):
        try:
            ones.append(msgspec.json.decode(raw, type=HandReading))
        except msgspec.ValidationError as error:
            wrong.append(f"readings[{place}]: {error}")
    if wrong:
        raise BadQuery(f"the readings cannot be read, and none was taken: {'; '.join(wrong)}", wanted)
    return Body(ones, asked.incubator, asked.who, asked.idempotency)


def _data(one: HandReading) -> dict[str, Any]:
    data = {"place": one.place, "tray": one.tray, "at_ago_s": one.at_ago_s, "at_utc": one.at_utc}
    value = c_from_f(one.value) if one.unit == "F" else one.value
    field = "value_pct" if one.unit == "%" else "value_c"
    return {field: value, **{name: given for name, given in data.items() if given not in ("", None)}}
