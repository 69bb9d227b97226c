"""Forms of the page turned into acts. A form field is text; what it should be is read here, in the viewer's units."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any, Final
from urllib.parse import parse_qsl

from kojimon import typed
from kojimon.contract.acts import OF_KIND, Dated, PlainAct
from kojimon.errors import UsageError
from kojimon.units import c_from_f, checked_mass_kg, parse_mass_kg
from kojimon.words.moments import ago_of
from kojimon.words.speech import Speech, moment_utc, zone_info

FIELDS_MOST: Final = 40

Fields = Mapping[str, str]
Reading = Callable[[str, Speech], Any]


def fields_of(body: bytes) -> dict[str, str]:
    """The fields of a form. Raises UsageError when it cannot be read."""
    try:
        pairs = parse_qsl(body.decode("ascii"), keep_blank_values=True, max_num_fields=FIELDS_MOST, errors="strict")
    except (UnicodeDecodeError, ValueError):
        raise UsageError("the form cannot be read; load the page again") from None
    return dict(pairs)


def act_of(fields: Fields, speech: Speech, now_utc: str, who: str) -> PlainAct:
    """The act a form asks for.

    Args:
        now_utc: the present by the state document, for times of day.
        who: the viewer's name.

    Raises UsageError in words: a field is not what it should be.
    """
    kind = fields.get("kind", "")
    readings = FORMS.get(kind)
    if readings is None:
        raise UsageError("this form is not known here; load the page again")
    data: dict[str, Any] = {}
    for name, read in readings.items():
        text = fields.get(name, "").strip()
        if text:
            data[name] = read(text, speech)
    if issubclass(OF_KIND[kind], Dated):
        data |= _moment(fields, speech, now_utc)
    return PlainAct(kind, fields.get("incubator", ""), who, "page", fields.get("idempotency", "")[:64], data)


def _text(text: str, _: Speech) -> str:
    return text.replace("\r\n", "\n")


def number(text: str) -> float:
    """A number as people type it. Raises UsageError."""
    try:
        return typed.number(text)
    except ValueError as error:
        raise UsageError(str(error)) from None


def _whole(text: str, _: Speech) -> int:
    value = number(text)
    if value != int(value):
        raise UsageError(f"{text[:40]!r}: expected a whole number")
    return int(value)


def _stamp(text: str, _: Speech) -> int:
    if not re.fullmatch(r"\d{1,15}", text, re.ASCII):
        raise UsageError("the form cannot be read; load the page again")
    return int(text)


def _seconds(text: str, _: Speech) -> float:
    return number(text)


def _yes(text: str, _: Speech) -> bool:
    return text == "yes"


def _hours(text: str, _: Speech) -> float:
    return _positive(number(text)) * 3600


def _temperature(text: str, speech: Speech) -> float:
    value = number(text.removesuffix("°").strip())
    return c_from_f(value) if speech.fahrenheit else value


def _percent(text: str, _: Speech) -> float:
    return number(text.removesuffix("%").strip())


def _mass(text: str, speech: Speech) -> float:
    """With a unit, or in the one that stands beside the field."""
    amount = typed.tidy(text)
    whole = amount if re.search("[a-z]", amount) else f"{amount} {'lb' if speech.pounds else 'kg'}"
    try:
        return checked_mass_kg(parse_mass_kg(whole))
    except ValueError as error:
        raise UsageError(f"{text[:40]!r}: {speech.own_units(str(error))}") from None


def _tare(text: str, speech: Speech) -> float:
    return 0.0 if text == "0" else _mass(text, speech)


def _positive(value: float) -> float:
    if value < 0:
        raise UsageError(f"{value:g}: expected 0 or more")
    return value


_ALARM: Final[dict[str, Reading]] = {"key": _text, "occurrence": _whole}
_SCORES: Final[dict[str, Reading]] = {f"{sense}_score": _whole for sense in ("look", "smell", "taste")}
FORMS: Final[dict[str, dict[str, Reading]]] = {
    "batch.start": {"name": _text, "rice_kg": _mass, "schedule": _text, "note": _text, "hour0_ago_s": _hours},
    "batch.harvest": {"yield_kg": _mass, "note": _text},
    "batch.discard": {"reason": _text},
    "batch.reopen": {"batch": _text},
    "batch.weigh": {"stage": _text, "kg": _mass, "tare_kg": _tare},
    "batch.note": {"text": _text, "photo": _text},
    "box.setpoint": {"off": _yes, "to_c": _temperature},
    "batch.unweigh": {"stage": _text},
    "batch.verdict": {"batch": _text, "look": _text, "smell": _text, "taste": _text, "text": _text, **_SCORES},
    "reading": {"value_c": _temperature, "value_pct": _percent, "place": _text, "tray": _text},
    "reading.undo": {"reading": _stamp},
    "step.done": {"step": _text, "value_c": _temperature, "override": _text},
    "step.undo": {"mark": _whole},
    "step.correct": {"mark": _whole},
    "alarm.acknowledge": _ALARM,
    "alarm.confirm": _ALARM,
    "alarm.reset": _ALARM,
    "alarm.shelve": {**_ALARM, "for_s": _seconds},
    "alarm.silence": {**_ALARM, "for_s": _seconds},
    "alarm.out_of_service": {"key": _text, "reason": _text},
    "alarm.unshelve": {"key": _text},
    "alarm.in_service": {"key": _text},
    "alarm.test": {"text": _text, "wake": _yes},
    "alarm.probe_test": {"probe": _text},
    "mix.answer": {"mixed": _yes, "guess_ms": _stamp},
    "probe.back": {},
    "probe.move": {"probe": _text, "tray": _text},
}
"""Every act the page can do: its fields and how each is read."""


def _moment(fields: Fields, speech: Speech, now_utc: str) -> dict[str, float]:
    """When it was done, where that was not now: `ago_min`, or `at` as a time of day in the viewer's zone."""
    ago, at = fields.get("ago_min", "").strip(), fields.get("at", "").strip()
    if at:
        return {"at_ago_s": ago_of(at, moment_utc(now_utc).astimezone(zone_info(speech.zone)))}
    if ago:
        minutes = _positive(number(ago))
        return {"at_ago_s": minutes * 60} if minutes else {}
    return {}
