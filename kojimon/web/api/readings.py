"""POST /v1/readings: what was read by hand, or by a small board that can do no more than HTTP; several at once.

    {"readings": [{"value": 95, "unit": "F", "tray": "top", "at_ago_s": 300}], "idempotency": "board-7-1201"}

Each becomes an act `reading` of its own, in the order of the list, with its own time and the list's key and its place
in it as its key: sent again, nothing is done twice. The answer says of each what came of it.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal

from msgspec import Meta, Struct

from kojimon.contract.acts import PlainAct, act_body
from kojimon.contract.events import Reading
from kojimon.errors import RefusedError
from kojimon.units import c_from_f
from kojimon.web.api.backend import Backend, Document
from kojimon.web.api.queries import BadQuery
from kojimon.words.deeds import still_so
from kojimon.words.status import speech_of

MOST: Final = 60
"""An hour of a board that reads once a minute and had no network."""
KEY_MOST: Final = 120


class One(Struct, forbid_unknown_fields=True):
    """One reading. Its time is now, or `at_ago_s` or `at_utc` as in an act."""

    value: float
    unit: Literal["C", "F", "%"]
    place: str = ""
    tray: str = ""
    at_ago_s: float | None = None
    at_utc: str | None = None


class Body(Struct, forbid_unknown_fields=True):
    """What is posted."""

    readings: Annotated[list[One], Meta(min_length=1, max_length=MOST)]
    incubator: str = ""
    who: str = ""
    idempotency: Annotated[str, Meta(max_length=KEY_MOST)] = ""


def take(backend: Backend, body: bytes, key: str) -> Document:
    """What came of each: taken, repeated (it came before with its key, nothing is done again) or refused. `note`: that
    one which is dated back and calls nobody is beyond a limit.

    One that is refused keeps none of the others out; where acts cannot be taken all ends.

    Args:
        key: where the body has none.

    Raises BadQuery: it cannot be read.
    """
    asked, found = _read(body), []
    key = asked.idempotency or key[:KEY_MOST]
    for place, one in enumerate(asked.readings):
        own = f"{key}/{place}" if key else ""
        try:
            done = backend.act(PlainAct("reading", asked.incubator, asked.who, "api", own, _data(one)))
            repeated, speech = done.repeated, speech_of(backend.state())
            notes = [still_so(event.what, speech) for event in done.events if isinstance(event.what, Reading)]
            note = " ".join(notes).strip()
            found.append({"taken": not repeated, "repeated": repeated, "seq": done.seq, "error": "", "note": note})
        except RefusedError as error:
            found.append({"taken": False, "repeated": False, "seq": None, "error": str(error), "note": ""})
    return {"readings": found}


def _read(body: bytes) -> Body:
    try:
        return act_body(body, Body)
    except ValueError as error:
        wanted = f"JSON with `readings`, 1 to {MOST} of {{value, unit: C, F or %, place, tray, at_ago_s or at_utc}}"
        raise BadQuery(f"the readings cannot be read: {error}", wanted) from None


def _data(one: One) -> Document:
    field = "value_pct" if one.unit == "%" else "value_c"
    data = {"place": one.place, "tray": one.tray, "at_ago_s": one.at_ago_s, "at_utc": one.at_utc}
    value = c_from_f(one.value) if one.unit == "F" else one.value
    return {field: value, **{name: given for name, given in data.items() if given not in ("", None)}}
