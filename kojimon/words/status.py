"""The state of a batch in one sentence, and its one next step."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from msgspec import Struct

from kojimon.contract import keys
from kojimon.words import alarms as alarm_words
from kojimon.words import speech as say
from kojimon.words.alarms import MIX_WORKS, Work
from kojimon.words.speech import Speech
from kojimon.words.standing import standing

SOON_MS = 3_600_000
SAME_C = 0.3
"""A forecast's limit that is no further off is the same one; limits ramp between stages."""


class Sentence(Struct, frozen=True):
    """One sentence and how it is meant: `good`, `look` (by day), `wrong` (now) or `plain`."""

    text: str
    tone: str


class Step(Struct, frozen=True):
    """The next thing a hand must do.

    Attributes:
        title: `Now: break up (kirikaeshi)`.
        window: when, in words.
        late: whether its time has passed.
        soon: whether its time has come, or comes within the hour.
    """

    title: str
    window: str
    late: bool = False
    soon: bool = True
    advice: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


def speech_of(document: Mapping[str, Any]) -> Speech:
    """How to speak about a state document: its units, its zone, the words of its schedules."""
    tasks: dict[str, str] = {}
    works: dict[str, str] = {}
    optional: set[str] = set()
    stages: dict[str, str] = {}
    probes: dict[str, tuple[str, str]] = {}
    for incubator in document["incubators"]:
        tasks |= {task["name"]: task["label"] for task in incubator["tasks"]}
        works |= {task["name"]: _work(task) for task in incubator["tasks"]}
        optional |= {task["name"] for task in incubator["tasks"] if task["optional"]}
        stage = incubator["stage"]
        stages |= {stage["name"]: stage["label"]} if stage else {}
        probes |= {probe["name"]: (probe["place"], probe["tray"]) for probe in incubator["probes"]}
    return Speech(
        fahrenheit=document["units"]["fahrenheit"],
        pounds=document["units"]["pounds"],
        zone=document["now"]["zone"],
        tasks=tasks,
        works=works,
        optional=frozenset(optional),
        stages=stages,
        probes=probes,
    )


def work_of(incubator: Mapping[str, Any], now_ms: int) -> Work:
    """What has been done to the koji so far, from an incubator of the state document."""
    mixing = [task for task in incubator["tasks"] if _is_mix(task)]
    marks = [mark["at_t_ms"] for task in mixing for mark in task["marks"] if not mark["undone"]]
    batch = incubator["batch"]
    ready = ("open", "due", "overdue")
    return Work(
        hour=batch["hour"] if batch else None,
        mixed_ago_s=(now_ms - max(marks)) / 1000 if marks else None,
        mixes=len(marks),
        mix_open=any(task["status"] in ready for task in mixing),
        harvest_open=any(task["status"] in ready for task in incubator["tasks"] if _work(task) == "harvest"),
    )


def sentence(incubator: Mapping[str, Any], speech: Speech, now_ms: int) -> Sentence:
    """How it stands, in one sentence.

    Args:
        incubator: from the state document.
        now_ms: engine time of the document.
    """
    worst = worst_alarm(incubator)
    if worst is not None:
        return _alarm_sentence(worst, incubator, speech, now_ms)
    batch = incubator["batch"]
    if batch is None:
        air = _range(incubator, "air", speech)
        return Sentence(f"No batch is open.{f' The air in the box is at {air}.' if air else ''}", "plain")
    bed = _range(incubator, "bed", speech)
    koji = "koji" if batch["hour"] is not None else "rice"
    if not bed:
        if any(probe["place"] == "bed" for probe in incubator["probes"]):
            return Sentence(f"No fresh reading from the {koji}.", "look")
        return Sentence(f"No probe is in the {koji}: the schedule runs on its hours.", "plain")
    trend = say.trend("temperature", _rate(incubator, "bed", "temperature"))
    moving = f" and {trend}" if trend else ""
    told, tone = standing(incubator, speech, now_ms)
    how = f", {told}" if told else ""
    if batch["hour"] is None:
        how = "" if tone == "good" else how
        return Sentence(f"The rice is at {bed}{moving}{how}; not inoculated yet.", "look" if how else "plain")
    return Sentence(f"The koji is at {bed}{moving}{how}.", tone)


def worst_alarm(incubator: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """The active alarm to speak of first: what wakes before what is told, new before seen, the older first."""
    rank = {"wake": 0, "tell": 1, "log": 2}
    active = [a for a in incubator["alarms"] if a["state"] in ("UNACK", "ACKED") and a["priority"] != "log"]
    return min(
        active, key=lambda a: (rank[a["priority"]], a["state"] != "UNACK", a.get("since_t_ms") or 0), default=None
    )


def first_line(alarm: Mapping[str, Any], incubator: Mapping[str, Any], speech: Speech, now_ms: int) -> str:
    """The first line of an alarm as it stands now: with the value of this moment, its trend and the time left."""
    fresh = at_present(alarm, incubator)
    per_hour = fresh.get("rate_per_h")
    return alarm_words.headline(fresh, speech, work_of(incubator, now_ms), per_hour, left_s(fresh, incubator, per_hour))


def alarm_line(alarm: Mapping[str, Any], incubator: Mapping[str, Any] | None, speech: Speech, now_ms: int) -> str:
    """An alarm for a list: its first line while it holds, what it was about once it is over.

    Args:
        incubator: its box; None for an alarm of the whole site.
    """
    if incubator is None or alarm["state"] not in ("UNACK", "ACKED"):
        return alarm_words.subject(alarm, speech)
    return first_line(alarm, incubator, speech, now_ms)


def _alarm_sentence(alarm: Mapping[str, Any], incubator: Mapping[str, Any], speech: Speech, now_ms: int) -> Sentence:
    seen = " (acknowledged)" if alarm["state"] == "ACKED" else ""
    text = f"{first_line(alarm, incubator, speech, now_ms)}{seen}"
    return Sentence(text, "wrong" if alarm["priority"] == "wake" else "look")


def at_present(alarm: Mapping[str, Any], incubator: Mapping[str, Any]) -> dict[str, Any]:
    """The alarm with its probe's value and slope of now, where the probe still speaks."""
    probe = next((p for p in incubator["probes"] if p["name"] == alarm.get("probe")), None)
    fresh = dict(alarm)
    if probe is not None and not probe.get("silent") and probe.get("value") is not None:
        fresh |= {"value": probe["value"], "rate_per_h": probe.get("rate_per_h")}
    return fresh


def left_s(alarm: Mapping[str, Any], incubator: Mapping[str, Any], per_hour: float | None) -> float | None:
    """Seconds until the next worse limit: if the value goes on as it does, or by the forecast where that says sooner.

    None where there is none or no knowing.
    """
    worse, value, ahead = _worse(alarm, incubator), alarm.get("value"), foreseen(alarm, incubator)
    if worse is None or not per_hour or value is None or (worse - value) / per_hour <= 0:
        return float(ahead["s"]) if ahead else None
    by_line = float((worse - value) / per_hour * 3600)
    return min(by_line, float(ahead["s"])) if ahead else by_line


def _worse(alarm: Mapping[str, Any], incubator: Mapping[str, Any]) -> float | None:
    """The next worse limit of an alarm; None where there is none."""
    key, level = keys.parse(str(alarm["key"])), alarm.get("level")
    if not isinstance(key, keys.Limit) or level not in ("high", "low"):
        return None
    where = [key.place, key.quantity]
    band = next((b for b in incubator["bands"] if [b["place"], b["quantity"]] == where), None)
    found: float | None = band.get(f"{level}_{level}") if band else None
    return found


def foreseen(alarm: Mapping[str, Any], incubator: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """What the forecast says of the koji's next worse limit, where it is sure and narrow (`engine.outlook.Left`)."""
    worse, forecast = _worse(alarm, incubator), incubator.get("forecast")
    koji = keys.parse(str(alarm["key"])) == keys.HOT_KOJI
    if worse is None or alarm.get("level") != "high" or not koji or not forecast:
        return None
    return next((one for one in forecast.get("left", ()) if abs(one["limit_c"] - worse) <= SAME_C), None)


def next_step(incubator: Mapping[str, Any], speech: Speech, now_ms: int, now_utc: str) -> Step | None:
    """The one next step with its window and the time left; None when nothing is waiting.

    Args:
        now_ms, now_utc: the document's moment, as engine time and ISO 8601.
    """
    following = incubator["next"]
    if following is None:
        return None
    task = next((task for task in incubator["tasks"] if task["name"] == following["task"]), None)
    if task is None:
        return None
    name = speech.task(task["name"]) + (f" ({task['trade']})" if task.get("trade") else "")
    status = task["status"]
    lead = {"due": "Now", "overdue": "Late", "open": "Next"}.get(status, "Next")
    return Step(
        title=f"{lead}: {name}",
        window=window_of(task, speech, now_ms, now_utc),
        late=status == "overdue",
        soon=_soon(task, now_ms),
        advice=tuple(task.get("advice") or ()),
        cautions=tuple(task.get("cautions") or ()),
    )


def _soon(task: Mapping[str, Any], now_ms: int) -> bool:
    """Whether its time has come or comes within an hour."""
    first_ms = next((task[edge] for edge in ("opens_t_ms", "due_t_ms") if task.get(edge) is not None), None)
    return task["status"] != "waiting" or (first_ms is not None and first_ms - now_ms <= SOON_MS)


def window_of(task: Mapping[str, Any], speech: Speech, now_ms: int, now_utc: str) -> str:
    """When a task of the state document may, should and must be done, and the time left; "" once it is done."""
    status = task["status"]

    def at(edge: str) -> str:
        t_ms = task.get(f"{edge}_t_ms")
        if t_ms is None:
            return ""
        stamp = task.get(f"{edge}_utc")
        return speech.moment(stamp, now_utc) if stamp else f"in {say.span((t_ms - now_ms) / 1000)}"

    def left(edge: str) -> str:
        t_ms = task.get(f"{edge}_t_ms")
        return say.span((t_ms - now_ms) / 1000) if t_ms is not None and t_ms > now_ms else ""

    opens, due, closes = at("opens"), at("due"), at("closes")
    if status == "waiting":
        wait = left("opens") or left("due")
        first = f"from {opens}" if opens else ""
        return _join(first, f"due {due}" if due else "", f"in {wait}" if wait and wait != "now" else wait) or (
            "not yet; it opens by what the koji does"
        )
    if status == "open":
        return _join("may be done now", f"due {due}" if due else "", _remaining(left("due") or left("closes")))
    if status == "due":
        return _join(
            f"wanted since {due}" if due else "wanted now",
            f"until {closes}" if closes else "",
            _remaining(left("closes")),
        )
    if status == "overdue":
        return _join(f"its time ended {closes}" if closes else f"was wanted {due}", "do it, or say when you did")
    return ""


def _remaining(text: str) -> str:
    return f"{text} left" if text and text != "now" else ""


def _join(*parts: str) -> str:
    return ", ".join(part for part in parts if part)


def _range(incubator: Mapping[str, Any], place: str, speech: Speech) -> str:
    """`36.2 °C`, or `34.1 to 36.2 °C` when trays differ by half a degree or more."""
    row = next((p for p in incubator["places"] if p["place"] == place and p["quantity"] == "temperature"), None)
    if row is None or not row.get("hottest"):
        return ""
    hottest, coldest = row["hottest"]["value"], (row.get("coldest") or row["hottest"])["value"]
    if hottest - coldest < 0.5:
        return speech.value("temperature", hottest)
    low = speech.value("temperature", coldest).split(" ")[0]
    return f"{low} to {speech.value('temperature', hottest)}"


def _rate(incubator: Mapping[str, Any], place: str, quantity: str) -> float | None:
    row = next((p for p in incubator["places"] if (p["place"], p["quantity"]) == (place, quantity)), None)
    hottest = row.get("hottest") if row else None
    return hottest.get("rate_per_h") if hottest else None


def _work(task: Mapping[str, Any]) -> str:
    return str(task.get("work") or "")


def _is_mix(task: Mapping[str, Any]) -> bool:
    return _work(task) in MIX_WORKS
