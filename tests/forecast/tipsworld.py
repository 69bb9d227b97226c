"""Batches of the worlds of hyphal tips (tips.py): whose kitchen it is, what is done there, what a probe makes of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Final

import numpy as np

from tests.forecast.bedtruth import Batch
from tests.forecast.tips import AIR, BASE, BED, BULK, DT_S, LAYERS, LEWIS, Kitchen

HOURS: Final = 48
TOGETHER: Final = 60
"""Batches simulated side by side: memory against speed."""

KINDS: Final = ("still", "fan", "heat-mat", "oven-light")
COVERS: Final = ("open", "cloth", "cloth-and-plastic")
COVERED: Final = {
    "still": (0.10, 0.40, 0.50),
    "fan": (0.12, 0.28, 0.60),
    "heat-mat": (0.08, 0.47, 0.45),
    "oven-light": (0.08, 0.47, 0.45),
}


def draw(seed: int) -> dict[str, Any]:
    """Kitchen, rice, starter, probe and cook of one batch."""
    rng = np.random.default_rng([1982, seed])
    u, n = rng.uniform, rng.normal
    kind = str(rng.choice(KINDS, p=(0.40, 0.20, 0.25, 0.15)))
    cover = str(rng.choice(COVERS, p=COVERED[kind]))
    place = COVERS.index(cover)
    rice = float(np.exp(u(np.log(0.5), np.log(3.0))))
    polished = bool(u() < 0.35)  # sake rice; else table rice
    wet = u(0.54, 0.66)
    dry = 0.865 * rice
    heap = dry * (1 + wet) / BULK  # m3
    deep = float(np.clip(heap / (u(0.10, 0.30) if kind == "fan" else u(0.05, 0.14)), 0.015, 0.06))
    d: dict[str, Any] = {
        "seed": seed, "rng": rng, "kind": kind, "cover": cover, "dry": dry, "wet": wet, "deep": deep,
        "polished": polished, "edges": 1.15, "area": heap / deep,
        "starts_h": float(np.clip(n(17.5, 3.0), 8, 23)),
    }  # fmt: skip
    total = u(380e3, 440e3) if polished else u(460e3, 720e3)
    d |= {
        "growth_j": 0.78 * total, "keep_w": 0.22 * total / (15 * 3600),
        "packed": u(0.24, 0.30) if polished else u(0.26, 0.35), "mu_h": float(np.clip(n(0.40, 0.025), 0.34, 0.46)),
        "tau_h": float(np.clip(n(7.0, 0.9), 5.0, 11.0)), "sigma_h": u(1.0, 2.2), "optimum": float(n(37.0, 0.6)),
        "spores": 0.004 * float(np.exp(n(0.0, 0.5))) * (u(0.05, 0.3) if u() < 0.12 else 1.0),
    }  # fmt: skip
    # room: mean, day, night, timetable
    coldest = 12.0 if kind in ("still", "fan") else 16.0  # what has no thermostat is not tried in a colder one
    d |= {"room": u(coldest, 28.0), "swing": u(0.3, 2.0), "back_k": u(1.0, 5.0) if u() < 0.5 else 0.0,
          "off_h": u(21.5, 23.5), "on_h": u(5.5, 7.5), "damp": u(0.35, 0.65), "drift": n(0.0, 1.0)}  # fmt: skip
    if d["room"] > 23:
        d["back_k"] = 0.0  # nobody heats in summer
    # the box
    fan, mat, lamp = kind == "fan", kind == "heat-mat", kind == "oven-light"
    d["h"] = u(8, 14) if fan else u(2.5, 4.5)
    d["through"] = (u(0.5, 0.95), u(0.08, 0.3), u(0.015, 0.10))[place]
    d["felt"] = (1.0, u(0.35, 0.7), u(0.3, 0.6))[place]
    d["cloth"] = (0.0, u(0.15, 0.5), u(0.05, 0.25))[place] * d["area"]  # kg water
    d["breathe"] = d["h"] / LEWIS * (1.0, 0.5, u(0.03, 0.15))[place]
    d["ua"] = u(2.0, 4.0) if fan or lamp else u(2.5, 6.0) if mat else float(np.exp(u(np.log(0.7), np.log(3.0))))
    d["vent"] = (u(2, 8) if fan else u(0.2, 1.0) if mat else float(np.exp(u(np.log(0.03), np.log(0.5))))) / 3600  # m3/s
    d["volume"] = u(0.03, 0.10)
    d["pan"] = u(0.01, 0.05) if u() < 0.5 else 0.0
    d["inside"] = u(10, 16) if fan else u(5, 9)
    d["store"] = u(1500, 9000)
    d["contact"], d["below"] = (u(20, 60), u(0.3, 1.0)) if mat else (u(15, 40), d["h"] * u(0.3, 0.9))
    d["sensor_s"], d["gap"] = (u(20, 90), u(0.5, 2.0)) if fan else (u(60, 400), u(0.3, 1.5))
    d["racks"] = u(2500, 5000) if fan else 150 + 3500 * d["volume"]  # J/K, with the air
    d["fails_h"] = 99.0 if u() > 0.07 else u(0.0, 40.0)  # a plug, a breaker
    d["mended_h"] = d["fails_h"] + u(2.0, 12.0)
    night = d["room"] - d["swing"] - d["back_k"]
    d["set"], d["at"] = u(30.0, 33.0) + (0.0 if place == 2 or not fan else u(1, 5)), AIR
    need = (d["ua"] + 330 * 3.6 * d["vent"]) * max(d["set"] - night, 4.0)
    d["power"] = u(300, 500) if fan else need * u(0.75, 2.5)
    if mat:
        d["power"] = u(100, 167) * min(d["area"], 0.13) * u(0.8, 1.3)
        d["at"], d["set"], d["gap"] = (BASE, u(31, 37), u(0.5, 1.5)) if u() < 0.45 else (3, u(29, 33), u(0.5, 1.5))
        if u() < 0.2:
            d["set"], d["power"] = 99.0, d["power"] * u(0.5, 0.9)  # none, with something between
    if lamp:
        aim = u(27.0, 33.0) - d["room"]  # it was tried with water, one evening
        d["set"], d["power"] = 99.0, float(np.clip(aim * (d["ua"] + 1160 * d["vent"]), 5.0, 60.0))
    if u() < 0.04:
        d["set"] += u(3.0, 6.0)  # a dial that lies
    d["rays"] = u(0.03, 0.12) if lamp else 0.0
    d["bed0"] = u(21, 27) if u() < 0.12 else u(29, 35)
    d |= _cook(rng, kind) | _probe(rng)
    return d


def _cook(rng: Any, kind: str) -> dict[str, Any]:
    u = rng.uniform
    works = int(rng.choice(4, p=(0.20, 0.30, 0.35, 0.15)))
    return {
        "works": works, "sleeps": (u(22.0, 24.0), u(6.0, 7.8)), "up": u(1.0, 5.0) if u() < 0.15 else None,
        "looks_h": u(1.0, 3.5), "mixes_c": (u(33.5, 38.0), u(36.5, 40.5), u(38.0, 41.0)),
        "by_h": (u(14, 22), u(5, 10), u(4, 8)), "tells": u(size=8) < 0.85, "spreads": u() < 0.7,
        "turns": u() < (0.6 if kind != "fan" else 0.4),
    }  # fmt: skip


def _probe(rng: Any) -> dict[str, Any]:
    u, n = rng.uniform, rng.normal
    return {
        "spot": float(np.clip(n(0.5, 0.13), 0.15, 0.85)), "own": float(n(0.0, 0.06)), "lag_s": u(30, 300),
        "off_c": float(n(0.0, 0.2)), "stem": u(0.0, 0.06), "step": float(rng.choice([0.0625, 0.1])),
        "sees_room": u() < 0.6, "sees_rh": u() < 0.75,
    }  # fmt: skip


class Cook:
    """Who looks now and then by day, mixes what is warm or due, and does not always say so."""

    def __init__(self, d: dict[str, Any]) -> None:
        self.d, self.rng, self.done, self.last_h = d, d["rng"], 0, 0.0
        self.told: list[tuple[float, str]] = []
        self.kept: list[tuple[float, str]] = []
        self.next_h = self.after(10.0)

    def after(self, hour: float) -> float:
        """When the next look is, at an hour of the batch or later: not in sleep, but for who gets up once."""
        sleeps, wakes = self.d["sleeps"]
        clock = (self.d["starts_h"] + hour) % 24
        asleep_h = (clock - sleeps) % 24
        night_h = (wakes - sleeps) % 24
        if asleep_h >= night_h:
            return hour
        if self.d["up"] is not None and asleep_h < (self.d["up"] - sleeps) % 24:
            return hour + (self.d["up"] - clock) % 24
        return hour + night_h - asleep_h + 0.01

    def look(self, hour: float, c: float) -> str | None:
        """What is done at a look, if anything."""
        d, k = self.d, self.done
        self.next_h = self.after(hour + d["looks_h"] * self.rng.uniform(0.6, 1.4))
        if k >= d["works"]:
            return None
        if c < d["mixes_c"][k] and (hour - self.last_h < d["by_h"][k] or c < 30.0):
            return None
        self.done, self.last_h = k + 1, hour
        return "spread" if k and self.done == d["works"] and d["spreads"] else "mix"

    def note(self, hour: float, kind: str, always: bool = False) -> None:
        """Marks it, sometimes late, or not at all."""
        told = always or self.d["tells"][len(self.told) + len(self.kept)]
        late_s = 60.0 * int(self.rng.integers(2, 15)) if told and self.rng.random() < 0.2 else 0.0
        (self.told if told else self.kept).append((round(hour * 3600 + late_s), kind))


def batches(seeds: Iterable[int], hours: int = HOURS) -> Iterator[Batch]:
    """One batch a seed."""
    every = list(seeds)
    for start in range(0, len(every), TOGETHER):
        yield from _together([draw(seed) for seed in every[start : start + TOGETHER]], hours)


def _together(drawn: list[dict[str, Any]], hours: int) -> Iterator[Batch]:
    kitchen, cooks = Kitchen(drawn), [Cook(d) for d in drawn]
    rows, count = hours * 60 + 1, len(drawn)
    kept = {k: np.empty((rows, count)) for k in ("bed", "air", "room", "rh", "true", "grown")}
    spot = np.array([d["spot"] for d in drawn])
    own, out_min = np.array([d["own"] for d in drawn]), np.zeros(count)
    lag = 1 - np.exp(-DT_S / np.array([d["lag_s"] for d in drawn]))
    stem = np.array([d["stem"] for d in drawn])
    seen = kitchen.c[:, BED].mean(1)
    for number in range(rows):
        air = kitchen.c[:, AIR]
        place = np.clip(spot * LAYERS - 0.5, 0, LAYERS - 1.001)
        low = place.astype(int)
        bed, at = kitchen.c[:, BED], np.arange(count)
        here = bed[at, low] + (place - low) * (bed[at, low + 1] - bed[at, low])
        true = here + own * (here - air)
        feels = np.where(out_min > 0, kitchen.room + 4, true + stem * (air - true))
        seen = seen + lag * (feels - seen)
        out_min = np.maximum(out_min - 1, 0)
        for key, value in (("bed", seen), ("air", air), ("room", kitchen.room), ("true", true),
                           ("rh", 100 * kitchen.rh()), ("grown", kitchen.mould.grown().mean(1))):  # fmt: skip
            kept[key][number] = value
        for i, cook in enumerate(cooks):
            if number / 60 >= cook.next_h:
                _looked(kitchen, i, cook, number / 60, float(seen[i]), spot, own, out_min)
        kitchen.minute(number)
    for i, (d, cook) in enumerate(zip(drawn, cooks, strict=True)):
        yield _read(d, cook, {key: value[:, i] for key, value in kept.items()})


def _looked(kitchen: Kitchen, i: int, cook: Cook, hour: float, c: float, spot: Any, own: Any, out_min: Any) -> None:
    kind, d, u = cook.look(hour, c), cook.d, cook.rng.uniform
    if kind is None:
        return
    how = {"takes": u(0.08, 0.30), "dries": u(0.005, 0.02), "breaks": u(0.2, 0.6), "thinner": u(0.55, 0.85),
           "opens": u(1.3, 4.0)}  # fmt: skip
    kitchen.work(i, how, kind == "spread")
    cook.note(hour, kind)
    spot[i], own[i] = np.clip(cook.rng.normal(0.5, 0.13), 0.15, 0.85), cook.rng.normal(0.0, 0.06)
    out_min[i] = cook.rng.integers(0, 9)
    if cook.done == d["works"] and c > 36.0 and d["turns"]:
        if kitchen.v["set"][i] > 90:
            kitchen.v["power"][i] = 0.0
            cook.note(hour, "set")
        else:
            kitchen.v["set"][i] -= u(2.0, 5.0)
            cook.note(hour, f"set {kitchen.v['set'][i]:.1f}")


def _read(d: dict[str, Any], cook: Cook, made: dict[str, Any]) -> Batch:
    """What the probes make of it: offsets, noise, steps, missing minutes, gaps."""
    rng, rows = d["rng"], len(made["bed"])
    bed = made["bed"] + d["off_c"] + rng.normal(0, 0.04, rows)
    bed = np.round(bed / d["step"]) * d["step"]
    air = np.round(made["air"] + rng.normal(0, 0.3) + rng.normal(0, 0.08, rows), 1)
    rh = np.clip(made["rh"] + rng.normal(0, 3) + rng.normal(0, 0.6, rows), 5, 100)
    room = made["room"] + rng.normal(0, 0.3)
    for read in (bed, air, rh, room):
        read[rng.random(rows) < 0.02] = np.nan
    if rng.random() < 0.4:
        start = int(rng.uniform(1, 40) * 60)
        bed[start : start + int(rng.uniform(20, 200))] = np.nan
    if not d["sees_room"]:
        room[:] = np.nan
    if not d["sees_rh"]:
        rh[:] = np.nan
    box = (d["kind"], d["cover"]) if rng.random() < 0.9 else ("unknown", "unknown")
    return Batch("tips", d["seed"], np.arange(rows) * DT_S, bed, air, room, rh, made["true"], made["grown"],
                 tuple(sorted(cook.told)), box, tuple(sorted(cook.kept)))  # fmt: skip
