"""Incubations as a crowd of grains, to judge the forecast by: no biomass grows here, no growth equation is solved.

The mould of each grain walks through steps: GERM of germination, then GROW of age, each taken by chance at a pace its
own temperature and water set (Waggoner & Parlange 1974, Phytopathology 64:1192: a germ tube is so many steps of equal
chance, the same number at every temperature). What a grain breathes hangs on its age alone, up by an exponential and
down by another. The spread between the grains, hence the round top of a batch, comes of the walk. Two pools, core and
skin, each with its own grains, heat and water; air, wall and room as lumps; a person who sleeps, works by the hour
and by the thermometer, and forgets to tell.

`true_c` is the mixture of core and skin where the probe is; `grown` is the heat given over that and what the living
grains have still to give: 0.95 is complete, and a starter that is dead never grows. The record ends at hour 50.

Sources, named at each draw; a page was seen in part where it says so, and what has no name is a judgement:
SAT Sato 1992, J. Brew. Soc. Japan 87:874 (as tabulated by a design page): sake rice 380-440 kJ/kg dry, 30 kJ/kg/h at
    the peak, miso rice 460-750 and 42-65.
OKA the steamed-rice series of that journal, 1979-80 (abstracts): growth best at 37.5 °C, slower below 24 % water, a
    true exponential phase.
MKB Mitchell, Krieger, Berovic 2006, Solid-State Fermentation Bioreactors (parts): 0.236 1/h, dry solids 2.5 kJ/kg/K.
VST von Stockar, Biotechnol. Bioeng. 30:650 (abstract; the author from memory): 440 kJ per mol of oxygen.
NAD the Nada glossary of sake: seeded at 30 °C, break-up 12-16 h on, then mounding, 6-8 h on 34-36 °C, 5-7 h on 37-40.
KAN Kanagawa prefecture, pages on home koji: break-up at hour 20, finished at 42-45.
TOJ makers' pages: 40 -> 35, 45 -> 41.6, 34.6 -> 32.5 °C by a mixing, 42-48 °C before one.
LAT Lattab 2012, Int. J. Food Microbiol. 160:80 (abstract): stored spores germinate 23-28 % later.
YIN Yin 1995, Agric. For. Meteorol. 77:1: the beta response, from memory. MEM numbers of textbooks, from memory.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any, Final

import numpy as np

from tests.forecast.bedtruth import Batch

DT_S: Final = 60.0
HOURS: Final = 50
GERM, GROW, AGE_H = 12, 80, 0.5
LATENT: Final = 2.42e6  # J/kg (MEM)
WORKS: Final = 14
KINDS: Final = ("fan", "heat-mat", "oven-light", "still")
COVERS: Final = ("open", "cloth", "cloth-and-plastic")


def saturated(c: Any) -> Any:
    """Water in saturated air, kg/m3, by Magnus (MEM)."""
    return 611.2 * np.exp(17.62 * c / (243.12 + c)) / (461.5 * (c + 273.15))


def pace(c: Any, low: Any, best: Any, high: Any) -> Any:
    """Share of the best pace at c °C: the beta response between low and high (YIN)."""
    warm = np.clip((c - low) / (best - low), 0.0, None) ** ((best - low) / (high - best))
    return np.clip((high - c) / (high - best), 0.0, None) * warm


def activity(water: Any) -> Any:
    """Water activity of rice with so much water a dry weight: Oswin, best of five on rice; its constants from MEM."""
    return 1 / (1 + (0.125 / np.maximum(water, 0.02)) ** 3.9)


def draw(seed: int) -> dict[str, Any]:
    """One kitchen, one batch, one person; `rng` goes on to the noise of the probes."""
    rng = np.random.default_rng([seed, 20])
    u, n = rng.uniform, rng.normal
    kind = int(rng.choice(4, p=(0.3, 0.22, 0.2, 0.28)))
    cover = int(rng.choice(3, p=(0.04, 0.26, 0.7) if kind == 0 else (0.1, 0.4, 0.5)))
    heat = u(380, 440) if u() < 0.35 else u(440, 720)  # kJ/kg dry: sake or table rice (SAT)
    water = u(0.33, 0.42)  # of the wet weight (SAT 35 sake, 40-45 miso; steamed at home)
    slow = u(1.4, 2.2) if u() < 0.08 else u(0.9, 1.28)  # an old starter (LAT: 1.23-1.28)
    ua = u(*((2.0, 5.0), (3.0, 10.0), (2.0, 4.0), (0.55, 3.3))[kind])  # W/K; a mat stands nearly free; an oven MEM
    lag_h = u(6, 8) * slow  # germination (a textbook of the trade, by a page on koji making)
    cold = u(1.5, 6.0) if u() < 0.35 else 0.0  # heating turned down for the night
    hyst = (u(0.5, 2.0), u(0.3, 1.5), 0.0, u(0.3, 1.0))[kind]
    room, set_c = u(16, 25), u(29, 33)
    plan, left = _plan(rng), u() < 0.25  # slept through: never touched
    return {
        "rng": rng, "kind": kind, "cover": cover, "named": u() < 0.85, "dead": u() < 0.04,
        "heat": heat * 1e3, "mu": u(0.25, 0.4), "nu": u(0.23, 0.4), "top_h": u(13, 19),  # 1/h (MKB, OKA), 1/h, h
        "germ_h": lag_h, "g_best": u(31, 35), "g_high": u(43, 46), "g_low": u(8, 12),  # MEM
        "low": u(7, 12), "best": np.clip(n(37.0, 0.8), 35, 38.5), "high": u(45.5, 48.5), "kill": u(0.02, 0.15),  # OKA
        "dry": rng.choice([0.35, 0.65, 1.0, 1.6]) * u(0.85, 1.15), "deep": u(0.03, 0.065), "rho": u(400, 455),  # kg, m
        "solid": u(1200, 2500), "k": u(0.18, 0.45), "share": u(0.45, 0.7), "soak_h": u(3, 10),  # J/kg/K, W/m/K: MEM-MKB
        "water": water / (1 - water), "start_c": np.clip(n(32, 1.5), 28, 36),  # NAD 30-36
        "h": u(9, 16) if kind == 0 else u(3, 6), "ray": u(3.5, 5.8),  # W/m2/K (MEM)
        "base": u(10, 25) if kind == 1 else u(2, 6),
        "cloth": (0.0, u(0.03, 0.12), u(0.05, 0.15))[cover], "open": (0.6, u(0.08, 0.3), u(0.03, 0.14))[cover],
        "ua": ua, "vent": u(*((0.5, 6), (1, 10), (0.5, 3), (0.05, 0.6))[kind]) / 3600,  # m3/s
        "wall": u(3e3, 12e3), "box": u(1.2e3, 4e3), "space": u(0.03, 0.12), "pan": u(0.0, 0.05) if u() < 0.5 else 0.0,
        "room": room, "swing": u(0.3, 2.5), "cold": cold, "cold_h": u(3, 6), "damp": u(0.35, 0.65),
        "set": set_c, "hyst": hyst, "lamp": u(15, 40), "tied": u() < 0.6, "bottle": kind == 3 and u() < 0.5,
        "power": (ua + 0.33 * 3) * max(set_c - room + cold, 4) * u(1.3, 3.0), "again_h": u(4, 7),
        "mat": u(85, 136), "lost": u(1.5, 5), "turns": not left and u() < 0.85,  # W/m2: a shop sells 136
        "clock": u(8, 21), "act": 99.0 if left else u(39.5, 43.5), "wakes": not left and u() < 0.5,
        "plan": np.full(4, 99.0) if left else plan,
        "takes": np.clip(0.12 * np.exp(n(0, 0.6, WORKS)), 0.04, 0.37), "told": u(size=WORKS) < u(0.75, 1.0),
        "dip": u(0.55, 0.95, WORKS), "thin": u(1.2, 1.8), "handled": u(0.08, 0.35, WORKS) * (u() < 0.5),
        "place": u(0.35, 1.0), "moved": n(0, 0.12, WORKS), "lag": u(60, 360), "air_lag": u(120, 600),
    }  # fmt: skip


def _plan(rng: Any) -> Any:
    """(hour, what) x 4: break-up, mounding, middle work and spreading, those that are done; 99 where not (NAD, KAN)."""
    first = np.clip(rng.normal(19.5, 2.2), 13, 24)
    hours = first + np.cumsum([0.0, rng.uniform(2, 5), rng.uniform(5, 8), rng.uniform(5, 7)])
    return np.where(rng.uniform(size=4) < (0.93, 0.5, 0.8, 0.65), hours, 99.0)


class Kitchens:
    """Many of them at once, a minute at a time."""

    def __init__(self, drawn: list[dict[str, Any]]) -> None:
        self.d = d = {name: np.array([one[name] for one in drawn]) for name in drawn[0] if name != "rng"}
        n, ages = len(drawn), (np.arange(GROW) + 0.5) * AGE_H
        past = ages - d["top_h"][:, None]
        breath = 1 / (np.exp(-d["mu"][:, None] * past) + np.exp(d["nu"][:, None] * past))
        self.breath = (breath / breath.sum(1, keepdims=True))[:, None, :]
        later = self.breath[..., ::-1].cumsum(2)[..., ::-1]
        self.to_give = np.concatenate([np.ones((n, 1, GERM)), later], 2)
        self.grains = np.zeros((n, 2, GERM + GROW))
        self.grains[:, :, 0] = ~d["dead"][:, None]
        self.share = np.stack([d["share"], 1 - d["share"]], 1)
        self.bed_c = np.repeat(d["start_c"][:, None], 2, 1)
        self.water = np.repeat(d["water"][:, None], 2, 1)
        self.area = d["dry"] * (1 + d["water"]) / (d["rho"] * d["deep"])
        self.deep, self.cloth, self.open = d["deep"].copy(), d["cloth"].copy(), d["open"].copy()
        self.air_c = np.where(d["kind"] == 1, d["room"] + 2, np.minimum(d["set"], d["room"] + 8))
        self.wall_c, self.vapour = self.air_c - 2, 0.7 * saturated(self.air_c)
        self.on, self.filled_h = np.ones(n, bool), np.zeros(n)
        self.place, self.probe_c, self.air_probe_c = d["place"].copy(), d["start_c"] - 1, self.air_c.copy()
        self.given, self.act, self.heat_w = np.zeros(n), np.ones(n), np.zeros(n)
        self.done, self.at = np.zeros((n, 4), bool), np.full(n, -9.0)
        self.count, self.back_h = np.zeros(n, int), np.full(n, -1.0)
        self.works: list[list[tuple[float, str, bool]]] = [[] for _ in range(n)]
        self.knob, self.set_c = np.ones(n), d["set"].copy()
        self.unwrap_h = np.where((d["cover"] == 2) & (d["act"] < 99), d["plan"].min(1) + d["thin"] * 4, 99.0)

    def room_c(self, h: float) -> Any:
        """The room: a day's swing, and in some the heating off from 23 to 6."""
        d = self.d
        clock = (d["clock"] + h) % 24
        off, again = (clock - 23) % 24, (clock - 6) % 24
        fallen = 1 - np.exp(-np.minimum(off, 7) / d["cold_h"])
        cooled = np.where(off < 7, fallen, fallen * np.exp(-again / 1.5))
        return d["room"] + d["swing"] * np.cos((clock - 16) / 24 * 2 * np.pi) - d["cold"] * cooled

    def mould(self) -> None:
        """Every grain takes its chance of a step; heat_w is what each pool gives, W/kg dry."""
        d = {name: self.d[name][:, None] for name in ("g_low", "g_best", "g_high", "low", "best", "high", "germ_h")}
        wet = np.clip((self.water / (1 + self.water) - 0.14) / 0.10, 0.0, 1.0)  # slower below 24 % (OKA)
        run = self.act[:, None] * wet * DT_S / 3600
        germ = run * pace(self.bed_c, d["g_low"], d["g_best"], d["g_high"]) * GERM / d["germ_h"]
        grow = run * pace(self.bed_c, d["low"], d["best"], d["high"]) / AGE_H
        step = self.grains.copy()
        step[:, :, :GERM] *= germ[..., None]
        step[:, :, GERM:] *= grow[..., None]
        self.grains -= step
        self.grains[:, :, 1:] += step[:, :, :-1]
        gave = (step[:, :, GERM:] * self.breath).sum(2)
        self.given += (gave * self.share).sum(1)
        self.heat_w = gave * self.d["heat"][:, None] / DT_S
        hot = self.bed_c > 46.0
        if hot.any():
            lost = self.d["kill"][:, None] * np.clip(self.bed_c - 46.0, 0, 6) * DT_S / 3600
            self.grains *= (1 - lost)[..., None]
        self.act += (1 - self.act) * DT_S / 2500

    def grown(self) -> Any:
        """Heat given, over that and what the living have still to give."""
        total = self.given + ((self.grains * self.to_give).sum(2) * self.share).sum(1)
        return np.where(total > 1e-9, self.given / np.maximum(total, 1e-9), 0.0)

    def heaters(self, h: float) -> tuple[Any, Any]:
        """W into the air, W/m2 into the mat; thermostats feel the air, a tied mat's feels the koji."""
        d = self.d
        felt = np.where(d["kind"] == 1, self.bed_c[:, 0], self.air_c)
        self.on = np.where(felt > self.set_c + d["hyst"], False, np.where(felt < self.set_c - d["hyst"], True, self.on))
        clock = (d["clock"] + h) % 24
        fill = (h - self.filled_h > d["again_h"]) & (clock > 7) & (clock < 23.5) & (self.air_c < d["set"])
        self.filled_h = np.where(fill, h, self.filled_h)
        bottle = 0.7 * self.knob * d["power"] * np.exp(-(h - self.filled_h) / 3.5)
        steady = np.where(d["kind"] == 2, d["lamp"] * self.knob, d["power"] * self.on)
        mat = d["mat"] * np.where(d["tied"], self.on, 0.6 * self.knob)
        return np.where(d["kind"] == 1, 0.0, np.where(d["bottle"], bottle, steady)), np.where(d["kind"] == 1, mat, 0.0)

    def heat_and_water(self, h: float) -> None:
        """Two pools, air, wall: heat and water over a minute; the air is solved at once, it is quick."""
        d, room = self.d, self.room_c(h)
        power, mat = self.heaters(h)
        core, skin = self.bed_c[:, 0], self.bed_c[:, 1]
        mass, tight = d["dry"][:, None] * self.share, self.area / (1 / (d["h"] + d["ray"]) + self.cloth)
        through = d["k"] * self.area / (0.5 * self.deep)
        laid, under = d["kind"] == 1, d["base"] + d["lost"]
        plate = np.where(laid, (mat + d["base"] * core + d["lost"] * self.air_c) / under, self.air_c)
        lift = self.open * self.area * np.where(d["cover"] > 0, np.minimum(d["h"], 5), d["h"]) / 1040
        steam = lift * (activity(self.water[:, 1]) * saturated(skin) - self.vapour)
        below = d["base"] * self.area * (plate - core)
        flow = through * (core - skin)
        watts = self.heat_w * mass + np.stack([below - flow, flow - tight * (skin - self.air_c) - steam * LATENT], 1)
        new_c = self.bed_c + watts * DT_S / (mass * (d["solid"][:, None] + 4184 * self.water))
        wander = (self.water[:, 0] - self.water[:, 1]) * mass.min(1) * DT_S / (d["soak_h"] * 3600)
        burnt = self.heat_w * DT_S / 440e3 * 0.015  # kg of water made, 15 g a mol of oxygen on starch (VST)
        self.water = np.maximum(self.water + burnt + np.stack([-wander, wander - steam * DT_S], 1) / mass, 0.05)
        pan = d["pan"] * d["h"] / 1040 * (saturated(self.air_c - 1.5) - self.vapour)
        inside, wind = 6 * 0.7, 1200 * d["vent"]
        back = np.where(laid, d["lost"], d["base"]) * self.area
        keep = d["box"] / DT_S
        gains = keep * self.air_c + tight * skin + inside * self.wall_c + wind * room + power
        gains += back * np.where(laid, plate, core)
        self.air_c = gains / (keep + tight + inside + wind + back)
        self.wall_c += DT_S / d["wall"] * (inside * (self.air_c - self.wall_c) + d["ua"] * (room - self.wall_c))
        full = d["space"] / DT_S
        fresh = d["damp"] * saturated(d["room"])
        self.vapour = (full * self.vapour + d["vent"] * fresh + steam + pan) / (full + d["vent"])
        self.vapour = np.clip(self.vapour, 0.002, np.minimum(saturated(self.air_c), saturated(self.wall_c + 1)))
        self.bed_c = new_c

    def person(self, h: float) -> None:
        """By the plan, kept from sleep; by the thermometer, awake or woken (TOJ: they mix at 40-45 °C)."""
        d = self.d
        clock = (d["clock"] + h) % 24
        awake = (clock > 6.5) & (clock < 23.5)
        since = h - self.at
        if h % 2 == 1:
            turn = 1.0 * (self.probe_c < (29.5 if h < 30 else 32)) - (self.probe_c > 38)
            turn *= awake & d["turns"]
            self.knob = np.clip(self.knob * 1.25**turn, 0.15, 2.0)
            self.set_c = np.clip(self.set_c + turn, 24, 36)
        due = (d["plan"] <= h) & ~self.done & (awake & (since > 1.5))[:, None]
        hot = (self.probe_c > d["act"]) & awake | (self.probe_c > 43.5) & d["wakes"]
        hot &= (since > 1.5) & (h > 12) & (self.count < WORKS - 4)
        for i in np.flatnonzero(due.any(1) | hot):
            nth = int(due[i].argmax()) if due[i].any() else -1
            if nth >= 0:
                self.done[i, nth] = True
            self.mix(i, h, "spread" if nth == 3 else "mix")
        for i in np.flatnonzero((self.unwrap_h <= h) & awake):
            self.unwrap_h[i], self.open[i], self.cloth[i] = 99.0, 0.3, 0.04
            self.works[i].append((h * 3600, "unwrap", bool(d["told"][i, -1])))

    def mix(self, i: int, h: float, what: str) -> None:
        """Hands in the koji: pools become one, a share of the way to the room is lost, breath falls for a while."""
        d, n, share = self.d, self.count[i], self.share[i]
        self.grains[i] = (self.grains[i] * share[:, None]).sum(0)
        mean, wet = float(self.bed_c[i] @ share), float(self.water[i] @ share)
        fall = d["takes"][i, n] * (mean - self.room_c(h)[i] - 1)
        self.bed_c[i], self.water[i] = mean - fall, max(wet - 0.4 * fall * 3500 / LATENT, 0.05)
        self.act[i] *= d["dip"][i, n]
        if what == "spread":
            self.area[i], self.deep[i] = self.area[i] * d["thin"][i], self.deep[i] / d["thin"][i]
        self.place[i] = np.clip(self.place[i] + d["moved"][i, n], 0.2, 1.0)
        self.back_h[i], self.at[i] = h + d["handled"][i, n], h
        self.count[i] += 1
        self.works[i].append((h * 3600, what, bool(d["told"][i, n])))

    def probes(self, h: float) -> tuple[Any, ...]:
        """The spot of the probe, and what lagging probes make of it; out on the table while hands are in the koji."""
        spot = self.place * self.bed_c[:, 0] + (1 - self.place) * self.bed_c[:, 1]
        felt = np.where(h < self.back_h, self.room_c(h) + 3, spot)
        self.probe_c = self.probe_c + (felt - self.probe_c) * DT_S / self.d["lag"]
        self.air_probe_c = self.air_probe_c + (self.air_c - self.air_probe_c) * DT_S / self.d["air_lag"]
        damp = 100 * self.vapour / saturated(self.air_c)
        return self.probe_c, self.air_probe_c, self.room_c(h), damp, spot, self.grown()


def run(seeds: Iterable[int], hours: int = HOURS) -> tuple[list[int], list[dict[str, Any]], Kitchens, list[Any]]:
    """The seeds, their draws, the kitchens at the end, and per minute what `probes` tells, heat in W/kg dry, water."""
    every = list(seeds)
    drawn = [draw(seed) for seed in every]
    kitchens, kept = Kitchens(drawn), []
    for minute in range(hours * 60):
        h = minute / 60
        kitchens.mould()
        heat = (kitchens.heat_w * kitchens.share).sum(1)
        kitchens.heat_and_water(h)
        kitchens.person(h)
        kept.append((*kitchens.probes(h), heat, (kitchens.water * kitchens.share).sum(1)))
    return every, drawn, kitchens, [np.array(column).T for column in zip(*kept, strict=True)]


def grains(seeds: Iterable[int], hours: int = HOURS) -> list[Batch]:
    """Batches of this family; the same alone as beside others."""
    every, drawn, kitchens, columns = run(seeds, hours)
    return [
        _read(seed, one, works, [column[i] for column in columns])
        for i, (seed, one, works) in enumerate(zip(every, drawn, kitchens.works, strict=True))
    ]


def _read(seed: int, one: dict[str, Any], works: list[tuple[float, str, bool]], columns: list[Any]) -> Batch:
    """Offset, noise, rounding, silence: a DS18B20 is good to 0.5 °C and counts 1/16 (its data sheet, MEM)."""
    rng, (bed, air, room, damp, true, grown, _, _) = one["rng"], columns
    size = len(bed)
    grid = rng.choice([0.0625, 0.1])
    bed = bed + rng.normal(0, 0.2) + rng.normal(0, rng.uniform(0.01, 0.08), size)
    bed = np.round(bed / grid) * grid
    air = np.round(air + rng.normal(0, 0.3) + rng.normal(0, 0.08, size), 1)
    damp = np.round(np.clip(damp + rng.normal(0, 3) + rng.normal(0, 0.4, size), 0, 100), 1)
    room = np.round(room + rng.normal(0, 0.3) + rng.normal(0, 0.05, size), 1)
    no_air, no_damp, no_room, seldom, silent = rng.uniform(size=5) < (0.3, 0.5, 0.6, 0.1, 0.15)
    missing = np.full(size, np.nan)
    if seldom:
        bed = np.where(np.arange(size) % int(rng.integers(3, 11)) == 0, bed, np.nan)
    if silent:
        start = int(rng.integers(120, max(size - 240, 121)))
        bed[start : start + int(rng.integers(20, 120))] = np.nan
    told = tuple((at, what) for at, what, said in works if said)
    hidden = tuple((at, what) for at, what, said in works if not said)
    box = (KINDS[one["kind"]], COVERS[one["cover"]]) if one["named"] else ("unknown", "unknown")
    return Batch(
        "grains", seed, np.arange(size) * DT_S, bed, missing if no_air else air, missing if no_room else room,
        missing if no_air or no_damp else damp, true, grown, told, box, hidden,
    )  # fmt: skip
