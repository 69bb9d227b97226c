"""Worlds of hyphal tips: a bed in layers that heat, vapour and oxygen pass through, and a mould that grows at its tips.

What grows is not a mass but two things (Edelstein 1982): threads, and the tips that make them. Tips come of branching
and are lost where threads meet, so growth is first exponential, then steady, then fed by what is won from inside the
grains. Conidia germinate each at its time (Judet et al. 2008: spread normally). What heat does to growth has a memory
(Dalsenter et al. 2005): an essential part is made anew and denatured, so a bed that was too hot stays slow for hours.
Each layer has its own warmth, water, oxygen and mould; vapour moves between them; a tight cover starves the bed of air.
About it: mat or tray, box air, wall, thermostat, a room with night and timetable, a cook who sleeps.

Nothing here is shared with the forecast or another family; its numbers are checked in test_tips.py by published ones.
"""

from __future__ import annotations

from math import erf
from typing import Any, Final

import numpy as np

LAYERS: Final = 6
BASE, AIR, WALL = 0, LAYERS + 1, LAYERS + 2
BED: Final = slice(1, LAYERS + 1)
DT_S: Final = 60.0

GAS: Final = 8.314
LATENT: Final = 2.42e6  # J/kg
BULK: Final = 455.0  # steamed rice, kg/m3 (Sato 1992)
THINNEST: Final = 0.014  # m, three grains; in thinner layers a minute is too long a step
K_BED: Final = 0.2  # W/m/K; no measurement on koji is known
RAYS: Final = 5.5  # W/m2/K between rice and walls
LEWIS: Final = 1040.0  # J/m3/K: heat over mass transfer of air
OXYGEN: Final = 8.4  # mol/m3 in fresh air
PER_MOL: Final = 440e3  # J per mol oxygen
PORE: Final = 0.2  # what pores leave of free diffusion
VAPOUR_M2_S, O2_M2_S = 2.65e-5 * PORE, 2.1e-5 * PORE


def dense(c: Any) -> Any:
    """Saturated vapour, kg/m3 (Magnus)."""
    return 1.3244 * np.exp(17.62 * c / (243.12 + c)) / (273.15 + c)


def activity(water: Any, sugar: Any = 0.0) -> Any:
    """Water activity of steamed rice; `water` in kg per kg dry. Sugar set free lowers it (Narahara 1982)."""
    return 1.0 - np.exp(-11.0 * np.maximum(water, 0.01) ** 1.1) - 0.02 * sugar


def by_water(active: Any) -> Any:
    """Growth at a water activity beside the best, A. oryzae (Gibson et al. 1994, model 1361)."""
    dry = np.sqrt(np.clip(1.0 - active, 0.0123, 0.5))  # no slower where it is wetter still
    return np.exp(5.571 * dry - 25.16 * dry * dry - 0.3084)


def pace(c: Any, optimum: Any = 37.0) -> tuple[Any, Any]:
    """How fast tips grow while whole, and how fast the essential part is lost, 1/h; it is made anew at 1/h."""
    from_best = 1.0 / (273.15 + optimum) - 1.0 / (273.15 + c)
    return np.exp(70e3 / GAS * from_best) / 0.767, 0.304 * np.exp(300e3 / GAS * from_best)


def steady(c: Any, optimum: Any = 37.0) -> Any:
    """Growth at a temperature held for long, beside the best."""
    fast, lost = pace(c, optimum)
    return fast / (1.0 + lost)


_NORMAL = np.vectorize(lambda x: 0.5 * (1.0 + erf(x / 1.41421356)))
_AT = np.linspace(-4.5, 4.5, 400)
_CUMULATED = _NORMAL(_AT)


class Mould:
    """The mould of many layers. Threads are counted as shares of what all food would make."""

    def __init__(self, shape: tuple[int, ...], **own: Any) -> None:
        """`own`: mu_h (1/h at its best), tau_h and sigma_h (germination at 32 °C), spores, packed (most tips),
        optimum (°C), growth_j, keep_w (heat per kg dry of growing whole, and of living)."""
        self.own = own
        self.age, self.out = np.zeros(shape), np.zeros(shape)  # h at 32 °C; share germinated
        self.tips, self.threads = np.zeros(shape), np.zeros(shape)
        self.near, self.inner = np.full(shape, 0.6), np.full(shape, 0.4)
        self.whole, self.alive = np.ones(shape), np.ones(shape)
        self.burnt = np.zeros(shape)  # J per kg dry

    def grow(self, c: Any, water: Any, air: Any) -> Any:
        """A minute at °C, water activity and oxygen as a share of fresh air's. Heat, W per kg dry."""
        own, hours = self.own, DT_S / 3600
        fast, lost = pace(c, own["optimum"])
        wet = by_water(water)
        self.age += hours * fast / (1 + lost) / steady(32.0, own["optimum"]) * wet
        out = np.interp((self.age - own["tau_h"]) / own["sigma_h"], _AT, _CUMULATED)
        new, self.out = np.maximum(out - self.out, 0.0) * own["spores"], np.maximum(out, self.out)
        self.whole = (self.whole + hours) / (1.0 + hours * (1.0 + lost))  # to the end of the minute: 52 °C is fast
        self.alive *= 1.0 - hours * np.minimum(0.008 * lost, 5.0)
        breath = air / (air + 0.09) * 1.09
        active = fast * self.whole * self.alive * breath
        rate = own["mu_h"] * active * wet * self.near / (self.near + 0.12) * 1.2
        made = np.minimum(hours * rate * self.tips, self.near)
        won = hours * 0.17 * active * wet * self.inner * self.threads / (self.threads + 0.2)
        self.tips += new + hours * rate * self.threads * (1.0 - self.tips / own["packed"])
        self.threads += new + made
        self.near += won - made
        self.inner -= won
        heat = own["growth_j"] * made / DT_S + own["keep_w"] * active * self.threads
        self.burnt += heat * DT_S
        return heat

    def grown(self) -> Any:
        """Share of all food that has been grown on."""
        return 1.0 - self.near - self.inner

    def mix(self, i: int, broken: float) -> None:
        """Layers become one; tips break."""
        for part in (self.age, self.out, self.tips, self.threads, self.near, self.inner, self.whole, self.alive,
                     self.burnt):  # fmt: skip
            part[i] = part[i].mean()
        self.tips[i] *= 1.0 - broken


class Kitchen:
    """Some batches side by side, minute by minute."""

    def __init__(self, drawn: list[dict[str, Any]]) -> None:
        self.drawn, self.count = drawn, len(drawn)
        number = [k for k in drawn[0] if all(isinstance(d[k], (int, float)) for d in drawn)]
        self.v = {k: np.array([float(d[k]) for d in drawn]) for k in number}
        self.at, self.mats = self.v["at"].astype(int), np.array([d["kind"] == "heat-mat" for d in drawn])
        rows = (self.count, LAYERS)
        self.mould = Mould(rows, **{k: self.v[k][:, None] for k in (
            "mu_h", "tau_h", "sigma_h", "spores", "packed", "optimum", "growth_j", "keep_w")})  # fmt: skip
        self.water = np.repeat(self.v["wet"][:, None], LAYERS, 1)
        self.c = np.repeat(self.v["bed0"][:, None], LAYERS + 3, 1)
        self.room = self.room_at(0.0)
        self.c[:, AIR] = np.where(self.v["set"] < 90, np.clip(self.v["set"], self.room, 32), self.room + 6)
        self.c[self.mats, AIR] = self.room[self.mats] + 3
        self.c[:, WALL], self.c[:, BASE] = (self.c[:, AIR] + self.room) / 2, self.c[:, AIR]
        self.damp = 0.7 * dense(self.c[:, AIR])
        self.felt = self.c[np.arange(self.count), self.at].copy()
        self.on = np.ones(self.count, bool)
        self.pore, self.fresh = np.full(rows, OXYGEN), np.full(self.count, OXYGEN)
        self.heat = np.zeros(rows)
        self.build()

    def room_at(self, hour: float) -> Any:
        """Room air, with night, timetable and weather."""
        v, now = self.v, (self.v["starts_h"] + hour) % 24
        wave = v["swing"] * np.cos((now - 16.0) / 24 * 2 * np.pi)
        since_off, since_on = (now - v["off_h"]) % 24, (now - v["on_h"]) % 24
        night = (v["on_h"] - v["off_h"]) % 24
        warming = (1 - np.exp(-night / 3)) * np.exp(-since_on / 1.2)
        cold = np.where(since_off < night, 1 - np.exp(-since_off / 3), warming)
        return v["room"] + wave - v["back_k"] * cold + v["drift"] * hour / 24

    def build(self) -> None:
        """Conductances between the nodes, once and after each change: backward Euler, the matrix inverted."""
        v, n = self.v, LAYERS + 3
        joint, self.leak = np.zeros((self.count, n, n)), np.zeros((self.count, n))
        area, cell = v["area"], v["deep"] / LAYERS
        half = cell / 2 / K_BED
        pairs = [(BASE, 1, area / (1 / v["contact"] + half)), (BASE, AIR, area * v["below"]), (BASE, WALL, area * 0.8)]
        pairs += [(j, j + 1, area * K_BED / cell) for j in range(1, LAYERS)]
        up, rays = v["h"] * v["felt"], RAYS * v["felt"]
        top = v["edges"] * area / (1 + (up + rays) * half)
        pairs += [(LAYERS, AIR, top * up), (LAYERS, WALL, top * rays), (AIR, WALL, v["inside"])]
        for a, b, g in pairs:
            joint[:, a, b] -= g
            joint[:, b, a] -= g
            joint[:, a, a] += g
            joint[:, b, b] += g
        self.leak[:, WALL] = 1.0 / np.maximum(1 / v["ua"] - 1 / v["inside"], 0.02)
        self.leak[:, AIR] = 1160 * v["vent"]
        self.full = np.empty((self.count, n))
        self.full[:, BED] = (v["dry"] / LAYERS)[:, None] * (2500 + 4184 * self.water)
        self.full[:, BASE], self.full[:, AIR] = 900 + 4000 * area, v["racks"]
        self.full[:, WALL] = v["store"]
        joint[:, range(n), range(n)] += self.leak + self.full / DT_S
        self.back = np.linalg.inv(joint)

    def minute(self, number: int) -> None:
        """One minute."""
        v, mould, rows = self.v, self.mould, np.arange(self.count)
        if number % 60 == 0:
            self.build()
        if number % 5 == 0:
            self.breathe()
        self.room = self.room_at(number / 60)
        bed = self.c[:, BED]
        active = activity(self.water, mould.threads)
        self.heat = mould.grow(bed, active, self.pore / OXYGEN)
        self.water += 0.6 * self.heat * DT_S / PER_MOL * 0.018  # a part of the water that burning makes stays
        gain = np.zeros_like(self.c)
        gain[:, BED] = self.heat * (v["dry"] / LAYERS)[:, None]
        self.vapour(gain, active, bed)
        self.felt += (self.c[rows, self.at] - self.felt) * (1 - np.exp(-DT_S / v["sensor_s"]))
        self.on = (self.felt < v["set"] - v["gap"]) | (self.on & (self.felt <= v["set"] + v["gap"]))
        fails = (v["fails_h"] <= number / 60) & (number / 60 < v["mended_h"])
        given = v["power"] * (self.on & ~fails)
        where = np.where(self.mats, BASE, AIR)
        gain[rows, where] += given * (1 - v["rays"])
        gain[:, LAYERS] += given * v["rays"]
        self.c = np.einsum("bij,bj->bi", self.back, self.full / DT_S * self.c + gain + self.leak * self.room[:, None])

    def vapour(self, gain: Any, active: Any, bed: Any) -> None:
        """Water between the layers, out of the top and out of the box, and the heat that goes with it."""
        v = self.v
        held = active * dense(bed)
        area, per_layer = v["area"], (v["dry"] / LAYERS)
        up = (held[:, :-1] - held[:, 1:]) * (VAPOUR_M2_S * LAYERS / v["deep"] * area)[:, None]  # kg/s
        net = np.zeros_like(bed)
        net[:, :-1] -= up
        net[:, 1:] += up
        gain[:, BED] += net * LATENT
        wet_cloth = v["cloth"] > 0
        skin = np.where(wet_cloth, dense(bed[:, -1]), held[:, -1])
        k = v["h"] / LEWIS * v["through"] * v["edges"] * area
        lost = k * (skin - self.damp)
        gain[:, LAYERS] -= lost * LATENT
        v["cloth"] = np.maximum(v["cloth"] - np.where(wet_cloth, lost, 0.0) * DT_S, 0.0)
        net[:, -1] -= np.where(wet_cloth, 0.0, lost)
        self.water = np.maximum(self.water + net * DT_S / per_layer[:, None], 0.08)
        pan, air = v["pan"] * 2.5e-3, self.c[:, AIR]
        gain[:, AIR] -= pan * (dense(air - 1) - self.damp) * LATENT * 0.5
        room = v["damp"] * dense(self.room)
        size = v["volume"] / DT_S
        sum_in = size * self.damp + lost + k * self.damp + pan * dense(air - 1) + v["vent"] * room
        self.damp = np.minimum(sum_in / (size + k + pan + v["vent"]), dense(np.minimum(self.c[:, WALL] + 1.0, air)))

    def breathe(self) -> None:
        """Oxygen in the pores, at rest with what is used, and in the box."""
        v = self.v
        cell = v["deep"] / LAYERS
        used = self.heat * (v["dry"] / LAYERS)[:, None] / PER_MOL / (v["area"] * cell)[:, None]  # mol/m3/s
        slope = used / np.maximum(self.pore, 0.05)
        inner = O2_M2_S * (1 - 0.75 * self.mould.threads.mean(1)) / cell**2
        n = LAYERS
        joint = np.zeros((self.count, n, n))
        for j in range(n - 1):
            joint[:, j, j] += inner
            joint[:, j + 1, j + 1] += inner
            joint[:, j, j + 1] -= inner
            joint[:, j + 1, j] -= inner
        outer = v["breathe"] / cell
        joint[:, n - 1, n - 1] += outer
        joint[:, range(n), range(n)] += slope
        given = np.zeros((self.count, n))
        given[:, n - 1] = outer * self.fresh
        self.pore = 0.5 * self.pore + 0.5 * np.linalg.solve(joint, given[..., None])[..., 0]
        five = 5 * DT_S
        spent = (used.mean(1) * v["area"] * v["deep"]) * five / v["volume"]
        swap = v["vent"] * five / v["volume"]
        self.fresh = np.maximum((self.fresh - spent + swap * OXYGEN) / (1 + swap), 0.5)

    def rh(self) -> Any:
        """Relative humidity of the box air, a share."""
        return np.minimum(self.damp / dense(self.c[:, AIR]), 1.0)

    def work(self, i: int, how: dict[str, Any], spread: bool) -> None:
        """A mixing of one batch: one bed again, cooler, drier, its tips broken; spread, it lies thinner and open."""
        v = self.v
        bed = self.c[i, BED]
        bed[:] = bed.mean() - how["takes"] * (bed.mean() - self.room[i])
        self.water[i] = self.water[i].mean() - how["dries"]
        self.mould.mix(i, how["breaks"])
        self.pore[i], self.fresh[i] = OXYGEN, OXYGEN
        self.c[i, AIR] = 0.5 * (self.c[i, AIR] + self.room[i])
        self.damp[i] = 0.5 * (self.damp[i] + v["damp"][i] * dense(self.room[i]))
        thinner = max(how["thinner"], THINNEST / v["deep"][i]) if spread else 1.0
        v["deep"][i] *= thinner
        v["area"][i] /= thinner
        if spread:
            v["through"][i] = min(v["through"][i] * how["opens"], 1.0)
            v["breathe"][i] = min(v["breathe"][i] * how["opens"], v["h"][i] / LEWIS)
        self.build()
