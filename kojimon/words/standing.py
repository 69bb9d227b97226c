"""How the koji stands to its limits, in half a sentence: within, over with a delay that runs, over an alarm set aside.

Said of the state document alone. Nothing here says more than that: koji within limits may be spoiled all the same.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

from kojimon.contract import keys
from kojimon.words import alarms as alarm_words
from kojimon.words import speech as say
from kojimon.words.speech import Speech

KOJI: Final = (keys.HOT_KOJI, keys.COLD_KOJI)
SIDES: Final = {"high": "over", "low": "under"}
HIDDEN: Final = ("SHLVD", "DSUPR", "OOSRV")
Document = Mapping[str, Any]


def standing(box: Document, speech: Speech, now_ms: int) -> tuple[str, str]:
    """`within limits`, or what is beyond and when a message goes out, and the tone; "" where no limit is in force.

    Args:
        box: an incubator of the state document whose koji has a fresh reading.
        now_ms: engine time of the document.
    """
    pending = first_pending(box)
    if pending is not None:
        return _running(pending, box, speech, now_ms), "look"
    aside = next((a for a in box["alarms"] if a.get("active") and _key(a) in KOJI), None)
    if aside is not None:
        state = f", alarm {_aside(aside['state'])}" if aside["state"] in HIDDEN else ""
        return f"{_beyond(aside, box, speech)}{state}", "look"
    found = list(_passed(box))
    if found:
        return f"{SIDES[found[0][0]]} {speech.brief('temperature', found[0][1], unit=False)}", "look"
    return ("within limits", "good") if any(_limits(box)) else ("", "plain")


def first_pending(box: Document) -> Document | None:
    """The limit of the koji that is passed while its delay runs, the one whose message goes out first; else None."""
    rows = [row for row in box.get("pending", ()) if _key(row) in KOJI]
    rank = {"wake": 0, "tell": 1, "log": 2}
    return min(rows, key=lambda row: (row["held"], rank[row["priority"]], row["due_t_ms"]), default=None)


def _key(row: Document) -> keys.AlarmKey:
    return keys.parse(str(row["key"]))


def _running(row: Document, box: Document, speech: Speech, now_ms: int) -> str:
    lasts_s, left_s = (now_ms - row["since_t_ms"]) / 1000, (row["due_t_ms"] - now_ms) / 1000
    lasts = f" for {say.span(lasts_s)}" if lasts_s >= 60 else ""
    return f"{_beyond(row, box, speech)}{lasts}{_message(row, box, left_s)}"


def _message(row: Document, box: Document, left_s: float) -> str:
    if row["held"]:
        alarm = next((a for a in box["alarms"] if a["key"] == row["key"] and a["state"] in HIDDEN), None)
        return f", alarm {_aside(alarm['state'] if alarm else 'DSUPR')}"
    if row["priority"] == "log":
        return ""
    if row["priority"] == "tell":
        return ", message by day"
    if left_s <= 0:
        return ", message at the next reading"
    return f", message in {say.span(left_s) if left_s >= 60 else 'less than a minute'}"


def _aside(state: str) -> str:
    return alarm_words.STATE_WORDS[state]


def _beyond(row: Document, box: Document, speech: Speech) -> str:
    """`over 113`, with its tray where several are measured."""
    key, limit = _key(row), row.get("limit")
    probes = [probe for probe in box["probes"] if probe["place"] == "bed" and not probe.get("silent")]
    tray = say.tray_name(row["tray"]) + " " if len(probes) > 1 and row.get("tray") else ""
    edge = "a limit" if limit is None else speech.brief("temperature", limit, unit=False)
    return f"{tray}{SIDES[key.side] if isinstance(key, keys.Limit) else 'beyond'} {edge}"


def _limits(box: Document) -> Iterator[tuple[str, float]]:
    """Sides and limits of the koji in force, the outermost first."""
    band: Document = next((b for b in box["bands"] if [b["place"], b["quantity"]] == ["bed", "temperature"]), {})
    for side in SIDES:
        for name in (f"{side}_{side}", side):
            if band.get(name) is not None:
                yield side, band[name]


def _passed(box: Document) -> Iterator[tuple[str, float]]:
    """Limits that a value is beyond though nothing is pending yet: the limits have just moved, or one reading came."""
    row = next(p for p in box["places"] if [p["place"], p["quantity"]] == ["bed", "temperature"])
    hottest = row["hottest"]["value"]
    coldest = (row.get("coldest") or row["hottest"])["value"]
    for side, limit in _limits(box):
        if hottest >= limit if side == "high" else coldest <= limit:
            yield side, limit
