"""A state document as DEVELOPERS.md describes it: two trays, hour 27.4, mixing wanted."""

from __future__ import annotations

import copy
from typing import Any

NOW_MS = 1_000_000_000
H = 3_600_000
NOW_UTC = "2026-01-31T20:00:00+00:00"


def at(hours: float) -> dict[str, Any]:
    """Engine time and UTC of so many hours from now, to be spread under a name."""
    t_ms = round(NOW_MS + hours * H)
    minutes = round(20 * 60 + hours * 60)
    day, minutes = 31 + minutes // 1440, minutes % 1440
    month, day = (1, day) if day <= 31 else (2, day - 31)
    return {"t_ms": t_ms, "utc": f"2026-{month:02d}-{day:02d}T{minutes // 60:02d}:{minutes % 60:02d}:00+00:00"}


def task(name: str, label: str, status: str, **more: Any) -> dict[str, Any]:
    edges: dict[str, Any] = {}
    for edge in ("opens", "due", "closes"):
        hours = more.pop(edge, None)
        moment = at(hours) if hours is not None else {"t_ms": None, "utc": None}
        edges |= {f"{edge}_t_ms": moment["t_ms"], f"{edge}_utc": moment["utc"]}
    plain = {"trade": "", "round": 1, "repeats": False, "optional": False, "marks": [], "advice": [], "cautions": []}
    return {"name": name, "label": label, "status": status, **edges, **plain, **more}


DOCUMENT: dict[str, Any] = {
    "t_ms": NOW_MS,
    "site": "home",
    "now": {"utc": NOW_UTC, "trusted": True, "zone": "America/Chicago"},
    "units": {"fahrenheit": True, "pounds": True},
    "incubators": [
        {
            "name": "box",
            "label": "Cool box",
            "batch": {
                "id": "box-7", "name": "first", "schedule": "home-trays", "label": "Rice koji in home trays",
                "hour": 27.4, "started_t_ms": NOW_MS - 29 * H, "hour0_t_ms": round(NOW_MS - 27.4 * H),
            },
            "stage": {"name": "warming", "label": "Warming by itself"},
            "places": [
                {
                    "place": "bed", "quantity": "temperature",
                    "hottest": {"probe": "koji-top", "tray": "top", "value": 37.2, "age_s": 4.0,
                                "rate_per_h": 1.2},
                    "coldest": {"probe": "koji-low", "tray": "bottom", "value": 35.1, "age_s": 6.0},
                },
                {
                    "place": "air", "quantity": "temperature",
                    "hottest": {"probe": "air", "tray": "", "value": 30.2, "age_s": 4.0},
                    "coldest": {"probe": "air", "tray": "", "value": 30.2, "age_s": 4.0},
                },
                {
                    "place": "air", "quantity": "humidity",
                    "hottest": {"probe": "damp", "tray": "", "value": 86.0, "age_s": 4.0},
                    "coldest": {"probe": "damp", "tray": "", "value": 86.0, "age_s": 4.0},
                },
            ],
            "probes": [
                {"name": "koji-top", "no": 1, "place": "bed", "tray": "top", "quantity": "temperature", "value": 37.2,
                 "rate_per_h": 1.2, "quality": 0, "age_s": 4.0, "silent": False},
                {"name": "koji-low", "no": 2, "place": "bed", "tray": "bottom", "quantity": "temperature",
                 "value": 35.1, "quality": 0, "age_s": 6.0, "silent": False},
                {"name": "air", "no": 3, "place": "air", "tray": "", "quantity": "temperature", "value": 30.2,
                 "quality": 0, "age_s": 4.0, "silent": False},
                {"name": "damp", "no": 4, "place": "air", "tray": "", "quantity": "humidity", "value": 86.0,
                 "quality": 0, "age_s": 4.0, "silent": False},
            ],
            "question": None,
            "derived": [
                {"name": "above_air_k", "place": "bed", "value": 7.0, "age_s": 4.0, "quality": 0,
                 "from": ["koji-top", "air"], "lacking": None},
                {"name": "dry_wet_difference_k", "place": "air", "value": 2.04, "age_s": 4.0, "quality": 0,
                 "from": ["air", "damp"], "lacking": None},
            ],
            "bands": [
                {"place": "bed", "quantity": "temperature", "low_low": 22.0, "low": 26.0, "high": 43.0,
                 "high_high": 45.0},
            ],
            "pending": [],
            "tasks": [
                task("inoculate", "Sprinkle the spores", "done", trade="tane-kiri", work="inoculate",
                     marks=[{"mark": 1, **{"at_" + k: v for k, v in at(-27.4).items()}, "undone": False}]),
                task("mix", "Break up and mix", "open", trade="kirikaeshi", work="mix", opens=-2.0, due=1.5,
                     closes=3.5, repeats=True, advice=["Crumble the mat, turn it, spread it flat again."],
                     cautions=["Wash your hands; koji is food."]),
                task("harvest", "Harvest", "waiting", trade="dekoji", work="harvest", opens=12.6, due=16.6,
                     closes=22.6),
            ],
            "next": {"task": "mix", "status": "open", "at_t_ms": at(1.5)["t_ms"], "at_utc": at(1.5)["utc"]},
            "alarms": [],
        }
    ],
    "alarms": [],
}  # fmt: skip


def document() -> dict[str, Any]:
    """A fresh copy, to be changed at will."""
    return copy.deepcopy(DOCUMENT)


def hot_pending(**changes: Any) -> dict[str, Any]:
    """The top tray over 45 °C for one minute of two."""
    row = {
        "key": "limit/bed/temperature/high", "level": "high_high", "priority": "wake", "probe": "koji-top",
        "tray": "top", "value": 45.6, "limit": 45.0, "since_t_ms": NOW_MS - 60_000, "due_t_ms": NOW_MS + 60_000,
        "held": False,
    }  # fmt: skip
    return row | changes


def hot_alarm(**changes: Any) -> dict[str, Any]:
    """The top tray over 43 °C."""
    alarm = {
        "key": "limit/bed/temperature/high", "state": "UNACK", "level": "high", "priority": "wake", "occurrence": 1,
        "since_t_ms": NOW_MS - 600_000, "since_utc": at(-1 / 6)["utc"], "value": 43.2, "limit": 43.0, "side": "high",
        "tray": "top", "probe": "koji-top",
    }  # fmt: skip
    return alarm | changes
