"""A family of incubations whose physics shares nothing with the forecast: rice in layers, mould on and in the grain.

Every 20 s: five layers of rice (heat by conduction, water as vapour between them: warm rice wets cold rice), a cover
with drops or dampness of its own, a mat or heater with hysteresis, a lamp or hot bottles, air, walls, a room that cools
at night, the oxygen of a tight box. The mould has two parts: threads on the grain (germinating spread out in time, then
exponential, then slowing) and threads that creep inwards from them ("haze"), thinner with depth; both need an essential
part of the cell that heat destroys and time mends, so heat is remembered. What is drawn, and whence:

* heat: 380-440 kJ/kg dry sake rice, 460-750 table rice; peaks 8.3, 11.6-18 W/kg; bulk 230-295 kg dry/m3: Sato, J. Brew.
  Soc. Japan 87:874 (1992), as tabulated by a page on koji rooms. 440 kJ per mol O2: Biotechnol. Bioeng. 30:650 (1987).
* germination 6-8 h (Murakami, Koji Studies, quoted there), about normal: Judet et al., Food Microbiol. 25:902 (2008).
* exponential, then slowed growth: Ikasari and Mitchell (2000), from memory; 0.2-0.34 per h round the 0.236 of Mitchell,
  Krieger and Berovic, Solid-State Fermentation Bioreactors (2006). The start is judgement: 38 C at hour 16-24.
* threads in the grain thin out exponentially with depth: Ito, Hakkokogaku Kaishi 71:115 (1993); speed: judgement.
* cardinal temperatures: Rosso et al., J. Theor. Biol. 162:447 (1993); best 37.5-38 C on steamed rice (Narahara 1982),
  ends from memory. Essential part: Dalsenter et al., Process Biochem. 40:801 (2005), form simplified; its 283 kJ/mol is
  the upper activation energy of Saucedo-Castaneda (1990); speed at 45 C: judgement.
* growth by water activity: Gibson et al., Int. J. Food Microbiol. 23:419 (1994), three strains. Sorption: judgement
  (0.985 at 35 % water wet, 0.93 at 24 %, where growth is known to slow). Sugar lowers it (Narahara): judgement how far.
* oxygen: half speed at 0.1 % (Rahardjo et al., Biomol. Eng. 21:163, 2005), up to 1.5 % for thick mats: judgement.
* heat and vapour at a face linked by Lewis; h within a factor of two, as such formulas differ (Shah, HVAC&R Res. 8:125,
  2002); vapour pressure: glossary of the American Meteorological Society; walls, mats, lamps, rooms, hands: judgement.
* work: 1-8 K taken (1-5 K in published pairs, back in 1-3 h); threads torn, growth paused: judgement.
"""

from __future__ import annotations

from collections.abc import Iterable
from types import SimpleNamespace
from typing import Any, Final

import numpy as np

from tests.forecast.bedtruth import Batch

DT_S: Final = 20.0
HOURS: Final = 54
LAYERS: Final = 5
LATENT: Final = 2.42e6
J_PER_MOL_O2: Final = 440e3
WATER_PER_J: Final = 0.015 / J_PER_MOL_O2
"""kg of water made per J: 5 H2O for 6 O2 from starch."""
GIBSON: Final = ((5.571, -25.16), (6.720, -27.08), (6.904, -29.72))
KINDS: Final = ("fan", "heat-mat", "oven-light", "still")
COVERS: Final = ("open", "cloth", "cloth-and-plastic")
ON_AIR, ON_KOJI, ON_MAT, ALWAYS, BOTTLES = range(5)
NONE, MIX, SPREAD, UNWRAP = range(4)
WORK: Final = {MIX: "mix", SPREAD: "spread", UNWRAP: "unwrap"}
# fmt: off
EVEN: Final = {
    "rho": (230, 300), "k": (0.12, 0.3), "cp": (1400, 2500), "diffuse": (4e-6, 9.3e-6), "start": (29, 35),  # rice
    "lag": (5.5, 8), "spread": (0.7, 1.8), "mu": (0.2, 0.34), "drop": (0.6, 0.9), "slow": (0.16, 0.28),  # mould
    "creep": (0.17, 0.32), "outer": (0.45, 0.65), "upkeep": (0.08, 0.2), "low": (7, 9), "best": (35.5, 38.5),
    "high": (45.5, 48.5), "mend": (2, 6), "sugar": (0.005, 0.025),
    "room": (17, 24), "falls": (1, 6), "clock": (10, 20), "damp": (0.35, 0.6), "volume": (0.03, 0.08),  # box, m3
    "wall_j": (2e3, 8e3), "wall_in": (4, 7), "refill": (4, 7), "h_gap": (4, 9), "gap": (0.003, 0.008),
    "lewis": (0.5, 1), "h_mat": (12, 35), "strong": (1.5, 3),
    "torn": (0, 0.15), "pause": (0.2, 1.5), "thin": (0.4, 0.7),  # hands
    "deep": (0.15, 0.85), "other": (0.15, 0.85), "stem": (0, 0.08), "lags": (30, 240), "noise": (0.02, 0.1),  # probe
}
LOG: Final = {"dry": (0.5, 2.5), "first": (0.006, 0.04), "harm": (0.08, 0.4), "half_o2": (0.001, 0.015),
              "pan": (3e-5, 2.5e-4), "holes": (3e-5, 4e-4)}
BY_KIND: Final = {  # W/K, m3/h, J/K, C, W/m2/K
    "ua": ((2, 5), (1, 3.3), (2, 4), (0.7, 2.2)), "vent": ((0.3, 3), (0.04, 0.6), (0.2, 1), (0.04, 0.6)),
    "air_j": ((2e3, 4e3), (500, 1500), (500, 1500), (500, 1500)), "h": ((6, 14), (3, 7), (3, 7), (3, 7)),
    "set": ((29.5, 34), (29.5, 33.5), (29.5, 33.5), (29.5, 33.5)), "swing": ((1, 3), (0.4, 1.5), (1, 1), (0.4, 1.5)),
}
PLANS: Final = ((), (MIX,), (MIX, MIX), (MIX, SPREAD), (UNWRAP, MIX), (SPREAD,))
# fmt: on


def vapour(c: Any) -> Any:
    """Saturated vapour in kg/m3 at a temperature in C."""
    return 2.1668 * np.exp((16.78 * c - 116.9) / (c + 237.3)) / (c + 273.15)


def rosso(c: Any, low: Any, best: Any, high: Any) -> Any:
    """Share of the best growth rate at a temperature, by cardinal temperatures."""
    c = np.clip(c, low, high)
    below = (best - low) * ((best - low) * (c - best) - (best - high) * (best + low - 2 * c))
    return (c - high) * (c - low) ** 2 / below


def activity(water: Any) -> Any:
    """Water activity of steamed rice at kg of water per kg dry."""
    return 1.0 - np.exp(-7.13 * np.maximum(water, 0.02) ** 0.86)


def draw(seed: int) -> dict[str, Any]:
    """Everything that is chosen once for a batch, by its seed alone."""
    r = np.random.default_rng([91, seed])
    u, p = r.uniform, r.random
    d: dict[str, Any] = {name: u(*ends) for name, ends in EVEN.items()}
    d |= {name: float(np.exp(u(*np.log(ends)))) for name, ends in LOG.items()}
    kind, sake, heap = int(r.choice(4, p=(0.3, 0.25, 0.2, 0.25))), p() < 0.35, p() < 0.35
    d |= {name: float(np.exp(u(*np.log(ends[kind])))) for name, ends in BY_KIND.items()}
    cover = int(r.choice(3, p=(0.06, 0.34, 0.6) if kind == 0 else (0.08, 0.5, 0.42)))
    d |= {"seed": seed, "kind": kind, "cover": cover, "told": (p() > 0.15, p() > 0.15)}
    d |= {"depth": u(0.05, 0.08) if heap else u(0.025, 0.05), "water": u(0.54, 0.64) if sake else u(0.62, 0.8)}
    d |= {"heat": 1e3 * (u(380, 440) if sake else u(460, 750)), "gibson": GIBSON[int(r.integers(3))]}
    d["first"] *= u(0.05, 0.3) if p() < 0.05 else 1  # weak starter
    d["pan"] *= 1 if p() < 0.8 else 0.01
    d["set"] += 2.5 * (kind == 0 and cover < 2)
    d["mode"] = mode = (ON_AIR, ON_KOJI if p() < 0.6 else ON_MAT, ALWAYS, ON_AIR if p() < 0.65 else BOTTLES)[kind]
    loss = d["ua"] + 0.33 * d["vent"]
    if mode == ALWAYS:
        d["power"] = float(np.clip((u(30, 36) - d["room"] + d["falls"] / 3) * loss, 10, 90))
    elif mode in (ON_KOJI, ON_MAT):
        d["power"] = u(55, 170) * d["dry"] / d["rho"] / min(d["depth"], 0.04)
    else:
        d["power"] = d["strong"] * loss * (d["set"] - d["room"] + d["falls"])
    d["fails"] = u(2, 30) if p() < 0.04 else 1e9
    mesh = p() < (0.7 if kind == 0 else 0.15)
    d |= {"k_out": d["h"] / 1040 * d["lewis"], "k_gap": 2.6e-5 / d["gap"], "wet": u(0.2, 0.8) if cover == 1 else 0.02}
    d |= {"h_low": 0.6 * d["h"] if mesh else u(2, 5), "k_low": 0.3 * d["h"] / 1040 if mesh else 0.0}
    # what is done; not before, at which reading, at the latest
    plan = PLANS[int(r.choice(6, p=(0.05, 0.05, 0.1, 0.45, 0.05, 0.3) if heap else (0.25, 0.3, 0.2, 0.1, 0.15, 0)))]
    d |= {"plan": [*plan, NONE, NONE, NONE][:3], "early": [u(11, 19), u(18, 26), 99.0]}
    d |= {"at_c": [u(33, 40), u(36, 41), 99.0], "late": [u(18, 24), u(26, 34), 99.0], "rises": p() < 0.3}
    d |= {"marked": [p() < 0.8 for _ in range(4)], "takes": [u(0.04, 0.28) for _ in range(3)]}
    d |= {"turned": u(1.5, 4) if p() < 0.2 else 0.0, "moved": u(3, 26) if p() < 0.1 else 1e9}
    d |= {"off": r.normal(0, 0.25), "step": (0.01, 0.0625, 0.1)[int(r.integers(3))], "gaps": p() < 0.3}
    return d | {"has": [p() < q for q in (0.9, 0.6, 0.7)], "air_off": r.normal(0, 0.3), "rh_off": r.normal(0, 3)}


class Mould:
    """Growth in every layer. `step` returns heat in W per kg dry."""

    def __init__(self, p: Any, shape: tuple[int, ...]) -> None:
        self.p = p
        self.age, self.sprouted, self.outside, self.depth = (np.zeros(shape) for _ in range(4))
        self.fit, self.rest_s = np.ones(shape), np.zeros(shape[-1])

    def grown(self) -> Any:
        """Share of all growth the rice can carry, per layer."""
        return self.p.outer * self.outside + (1 - self.p.outer) * (1 - np.exp(-self.depth))

    def step(self, c: Any, water: Any, oxygen: Any, dt_s: float) -> Any:
        """One step at bed temperatures, water in kg/kg dry, and the share of oxygen in the bed's gas."""
        p, hours = self.p, dt_s / 3600
        inside = 1 - np.exp(-self.depth)
        bw = np.sqrt(np.maximum(1 - activity(water) + p.sugar * inside, 1e-6))
        wet = np.exp(p.g1 * bw + p.g2 * bw * bw - p.g_top)
        warm = rosso(c, p.low, p.best, p.high)
        harm = p.harm * np.exp(34082 * (1 / 318.15 - 1 / (c + 273.15)))
        self.fit += hours * ((1 - self.fit) / p.mend - harm * self.fit)
        air = oxygen / (oxygen + p.half_o2)
        speed = warm * wet * air * self.fit * np.where(self.rest_s > 0, 0.25, 1.0)
        self.age += hours * warm * wet / p.warm32
        sprouted = 1 / (1 + np.exp(-1.702 * (self.age - p.lag) / p.spread))
        fresh, self.sprouted = p.first * (sprouted - self.sprouted), sprouted
        room_left = -p.slow * np.log(np.clip(self.outside, 1e-9, 1.0))
        rate = np.where(room_left > p.mu * p.drop, p.mu, room_left)
        more = fresh + hours * speed * rate * self.outside
        deeper = hours * speed * p.creep * self.outside
        made = p.outer * more + (1 - p.outer) * (1 - inside) * deeper
        keeps = p.upkeep / 20 * self.grown() * self.fit * air * 2 ** ((np.minimum(c, 45) - 35) / 10)
        self.outside, self.depth = np.minimum(self.outside + more, 1.0), self.depth + deeper
        self.rest_s = np.maximum(self.rest_s - dt_s, 0)
        return p.heat * ((1 - p.upkeep) * made / hours + keeps) / 3600


class World:
    """Batches side by side; a batch is the same whoever runs beside it."""

    def __init__(self, seeds: Iterable[int], hours: int = HOURS) -> None:
        self.drawn = [draw(seed) for seed in seeds]
        p = self.p = SimpleNamespace(**{k: np.array([d[k] for d in self.drawn]) for k in self.drawn[0]})
        p.g1, p.g2 = p.gibson.T
        p.g_top = -(p.g1**2) / (4 * p.g2)
        p.warm32 = rosso(32.0, p.low, p.best, p.high)
        p.by_mat = (p.mode == ON_KOJI) | (p.mode == ON_MAT)
        n, self.minutes = len(self.drawn), hours * 60
        self.mould, self.heat, self.n = Mould(p, (LAYERS, n)), np.zeros(n), np.arange(n)
        self.c, self.water = np.tile(p.start, (LAYERS, 1)), np.tile(p.water, (LAYERS, 1))
        self.air, self.wall, self.mat, self.lid = ((p.set + p.room) / 2 for _ in range(4))
        self.out, self.outside = p.room.copy(), p.damp * vapour(p.room)
        self.vapour, self.oxygen, self.gas = self.outside * 1.2, np.full(n, 0.209), np.full(n, 0.209)
        self.on, self.open_s, self.bottle, self.since = np.zeros(n, bool), np.zeros(n), np.ones(n), np.zeros(n)
        self.turn, self.last_h, self.drift = np.zeros(n, int), np.full(n, -9.0), np.zeros(n)
        self.told: list[list[tuple[float, str]]] = [[] for _ in range(n)]
        self.hidden: list[list[tuple[float, str]]] = [[] for _ in range(n)]
        rng = [np.random.default_rng([92, d["seed"]]) for d in self.drawn]
        self.sway = np.array([r.normal(0, 0.055, self.minutes) for r in rng])
        self.noise = np.array([r.normal(0, 1, (4, self.minutes)) for r in rng])

    def run(self) -> dict[str, Any]:
        """The whole course, a row a batch, a column a minute."""
        kept: dict[str, list[Any]] = {name: [] for name in ("true", "air", "room", "rh", "grown", "watt")}
        for minute in range(self.minutes):
            self._weather(minute)
            self._hands(minute / 60)
            now = self.spot(), self.air, self.out, 100 * self.vapour / vapour(self.air), self.mould.grown().mean(axis=0)
            for _ in range(3):
                watt = self.step(minute / 60)
            for name, value in zip(kept, (*now, watt), strict=True):
                kept[name].append(value)
        return {name: np.array(values).T for name, values in kept.items()}

    def spot(self) -> Any:
        """The temperature where the probe is."""
        place = np.clip(self.p.deep * LAYERS - 0.5, 0, LAYERS - 1.001)
        low = place.astype(int)
        return self.c[low, self.n] + (place - low) * (self.c[low + 1, self.n] - self.c[low, self.n])

    def step(self, hour: float) -> Any:
        """One step of rice, cover and box; heat of the mould in W/kg dry."""
        p, dt = self.p, DT_S
        area, each = p.dry / (p.rho * p.depth), p.dry / LAYERS
        heat = self.mould.step(self.c, self.water, self.gas, dt)
        made = heat.mean(axis=0)
        self.heat += made * dt
        moist = activity(self.water) * vapour(self.c)
        gap = LAYERS / p.depth * area
        run = p.diffuse * gap * (moist[1:] - moist[:-1])  # kg/s upwards
        k = p.k * np.minimum(0.4 + (self.water[1:] + self.water[:-1]) / 2, 1)  # dry rice conducts less: judgement
        warmth = k * gap * (self.c[1:] - self.c[:-1]) + LATENT * run
        watts, grams = heat * each, heat * each * WATER_PER_J
        watts[:-1] += warmth
        watts[1:] -= warmth
        grams[:-1] += run
        grams[1:] -= run
        half = p.depth / (2 * LAYERS * p.k)  # from the middle of a layer to its face
        warm, damp = self._above(watts, grams, moist[0], area, half)
        lower = (self.c[-1] - np.where(p.by_mat, self.mat, self.air)) * area
        down = lower / (1 / np.maximum(np.where(p.by_mat, p.h_mat, p.h_low), 1e-9) + half)
        off = np.where(p.by_mat, 0, p.k_low * (moist[-1] - self.vapour)) * area
        watts[-1] -= down + LATENT * off
        grams[-1] -= off
        power, lost = self._heater(hour), np.where(p.by_mat, 4 * area * (self.mat - self.wall), 0)
        self.mat = np.where(p.by_mat, self.mat + dt * (down + power - lost) / (3000 * area), self.air)
        self.c = self.c + dt * watts / (each * (p.cp + 4184 * self.water))
        self.water = np.maximum(self.water + dt * grams / each, 0.03)
        self._box(warm + np.where(p.by_mat, 0, down + power), lost, damp + off, made * p.dry, area)
        return made

    def _above(self, watts: Any, grams: Any, moist: Any, area: Any, half: Any) -> tuple[Any, Any]:
        """The top face through its cover: heat in W and vapour in kg/s that reach the air."""
        p, bare, film = self.p, self.p.cover == 0, self.p.cover == 2
        k_out, full = np.where(film, p.holes, p.k_out), vapour(self.lid)
        through = (p.k_gap * moist + k_out * self.vapour) / (p.k_gap + k_out)
        inner = np.where(p.wet > 1e-3, full, np.minimum(through, full))
        up = np.where(bare, p.k_out * (moist - self.vapour), p.k_gap * (moist - inner)) * area
        away = np.where(bare, up, k_out * (inner - self.vapour) * area)
        warm = (self.c[0] - np.where(bare, self.air, self.lid)) * area / (1 / np.where(bare, p.h, p.h_gap) + half)
        to_air = np.where(bare, warm, p.h * (self.lid - self.air) * area)
        watts[0] -= warm + LATENT * up
        p.wet = np.maximum(p.wet + np.where(bare, 0, DT_S * (up - away) / area), 0)
        drips = np.where(film, np.maximum(p.wet - 0.1, 0), 0)
        p.wet = p.wet - drips
        grams[0] += drips * area / DT_S - up
        stiff = p.h_gap + p.h + LATENT * (p.k_gap + k_out) * 0.06 * full  # implicit: a film is light
        gain = (warm + LATENT * (up - away) - to_air) / area
        lid = self.lid + gain / ((800 + 4184 * np.minimum(p.wet, 1)) / DT_S + stiff)
        self.lid = np.where(bare, self.air, lid)
        return to_air, away

    def _heater(self, hour: float) -> Any:
        p = self.p
        felt = np.where(p.mode == ON_KOJI, self.c[LAYERS // 2], np.where(p.mode == ON_MAT, self.mat - 4, self.air))
        self.on = np.where(felt < p.set - p.swing, True, np.where(felt > p.set + p.swing, False, self.on))
        on = np.where(p.mode == ALWAYS, 1.0, np.where(p.mode == BOTTLES, self.bottle, self.on))
        return np.where(hour < p.fails, p.power * on, 0.0)

    def _box(self, warm: Any, lost: Any, damp: Any, made: Any, area: Any) -> None:
        """Air (implicit, it is quick), walls, vapour, and oxygen in the box and in the bed."""
        p, dt = self.p, DT_S
        vent = (p.vent + np.where(self.open_s > 0, 25.0, 0.0)) / 3600
        self.open_s = np.maximum(self.open_s - dt, 0)
        blown, mass = 1160 * vent, p.air_j / dt
        self.air = (mass * self.air + p.wall_in * self.wall + blown * self.out + warm) / (mass + p.wall_in + blown)
        outer = 1 / np.maximum(1 / p.ua - 1 / p.wall_in, 0.02)
        gain = p.wall_in * (self.air - self.wall) + outer * (self.out - self.wall) + lost
        self.wall = self.wall + dt * gain / p.wall_j
        fresh, cold = p.volume / dt, vapour(self.wall)
        drops = p.wall_in / 8 * 2.5e-3 * (self.vapour > cold)
        gain = fresh * self.vapour + vent * self.outside + p.pan * vapour(self.air - 1) + drops * cold + damp
        self.vapour = np.minimum(gain / (fresh + vent + p.pan + drops), vapour(self.air))
        used = made / J_PER_MOL_O2 / 39.5  # m3/s of oxygen
        self.oxygen = np.maximum((fresh * self.oxygen + vent * 0.209 - used) / (fresh + vent), 0)
        hard = p.depth / (3 * 0.3 * 2e-5) + np.where(p.cover == 2, 1 / p.holes, np.where(p.cover == 1, 250, 100))
        self.gas += dt / 300 * (np.maximum(self.oxygen - used / area * hard, 1e-4) - self.gas)

    def _weather(self, minute: int) -> None:
        p, hour = self.p, (self.p.clock + minute / 60) % 24
        self.drift += -self.drift / 120 + self.sway[:, minute]
        self.out = p.room - p.falls * (0.5 + 0.5 * np.cos((hour - 6) / 12 * np.pi)) + self.drift
        self.since += 1 / 60
        refill = (self.since > p.refill) & (hour > 6.5) & (hour < 23.5)
        self.since[refill], self.bottle[refill] = 0.0, 1.0
        self.bottle *= np.exp(-1 / 240)

    def _hands(self, hour: float) -> None:
        p, at = self.p, (self.n, np.minimum(self.turn, 2))
        clock = (p.clock + hour) % 24
        awake = ((clock > 6.5) & (clock < 23.5)) | p.rises
        ripe = (hour >= p.early[at]) & ((self.spot() + p.off >= p.at_c[at]) | (hour >= p.late[at]))
        due = ripe & awake & (hour >= self.last_h + 3) & (p.plan[at] != NONE) & (self.turn < 3)
        for i in np.flatnonzero(due):
            self._work(int(i), int(p.plan[i, self.turn[i]]), hour)
        for i in np.flatnonzero(hour >= p.moved):
            p.deep[i], p.moved[i] = p.other[i], 1e9
            self._tell(int(i), hour, "moved", 3)

    def _work(self, i: int, what: int, hour: float) -> None:
        """Mixed, spread out or unwrapped: cooled by the room, half of it by evaporation; threads torn, lid open."""
        p, m, turn = self.p, self.mould, int(self.turn[i])
        self.turn[i], self.last_h[i], self.open_s[i] = turn + 1, hour, 480 if what != UNWRAP else 120
        self._tell(i, hour, WORK[what], turn)
        if what == UNWRAP:
            p.cover[i] = 0
            return
        for rows in (self.c, self.water, m.age, m.sprouted, m.outside, m.depth, m.fit):
            rows[:, i] += 0.85 * (rows[:, i].mean() - rows[:, i])
        takes = float(np.clip(p.takes[i, turn] * (self.c[:, i].mean() - self.out[i]), 1, 8))
        self.water[:, i] -= 0.5 * takes * (p.cp[i] + 4184 * self.water[:, i]) / LATENT
        self.c[:, i] -= takes
        m.outside[:, i] *= 1 - p.torn[i]
        m.rest_s[i] = 3600 * p.pause[i]
        if what == SPREAD:
            p.depth[i] = max(p.depth[i] * p.thin[i], 0.02)
        if p.turned[i] and p.mode[i] in (ON_AIR, ON_KOJI) and turn:
            p.set[i] -= p.turned[i]
            self._tell(i, hour, f"set {p.set[i]:.1f}", turn)
            p.turned[i] = 0.0

    def _tell(self, i: int, hour: float, what: str, number: int) -> None:
        (self.told if self.p.marked[i, number] else self.hidden)[i].append((hour * 3600, what))


def haze(seeds: Iterable[int], hours: int = HOURS) -> list[Batch]:
    """Batches by seed, as probes read them and as they were."""
    world = World(seeds, hours)
    kept = world.run()
    return [_read(world, kept, i) for i in range(len(world.drawn))]


def _read(world: World, kept: dict[str, Any], i: int) -> Batch:
    d, noise, minutes, names = world.drawn[i], world.noise[i], np.arange(world.minutes), []
    true, air, none = kept["true"][i], kept["air"][i], np.full(world.minutes, np.nan)
    shown, lagged, share = np.empty_like(true), float(true[0]), 1 - np.exp(-60 / d["lags"])
    for at, value in enumerate(true + d["stem"] * (air - true)):
        shown[at] = lagged = lagged + share * (value - lagged)
    bed = np.round((shown + d["off"] + d["noise"] * noise[0]) / d["step"]) * d["step"]
    if d["gaps"]:
        bed[(noise[3] > 2.6) | (np.abs(minutes - 60 * (8 + 5 * abs(noise[3, 0]))) < 20)] = np.nan
        bed[noise[3] < -3.2] += 15
    for name, known in zip((KINDS[d["kind"]], COVERS[d["cover"]]), d["told"], strict=True):
        names.append(name if known else "unknown")
    return Batch(
        "haze", d["seed"], minutes * 60.0, bed,
        air + d["air_off"] + 0.05 * noise[1] if d["has"][0] else none,
        kept["room"][i] + 0.1 * noise[2] if d["has"][1] else none,
        np.clip(kept["rh"][i] + d["rh_off"] + 0.5 * noise[3], 5, 100) if d["has"][0] and d["has"][2] else none,
        true, kept["grown"][i], tuple(world.told[i]), (names[0], names[1]), tuple(world.hidden[i]),
    )  # fmt: skip
