"""Independent incubations to test the forecast against. Not the forecast's model, and not the simulator's.

Four worlds, each vectorised over seeds (one array element a batch), on a 30 s step:

* `layered`   conduction through layers, evaporation from the top, a spread of germination times, the other
              temperature form (Saucedo), a two-point thermostat that ripples, box air warmed by the bed.
* `mild`      the same with half the heat: beds that many a box keeps below 40 °C whatever happens.
* `gompertz`  core and shell, Gompertz-like growth, square-root temperature law, oxygen that runs short in a heap and
              comes back with mixing, a heat mat of fixed power instead of a thermostat, no room probe.
* `substrate` one lump, substrate-limited growth with death by heat, strong maintenance, a slow thermostat with a
              wide swing, a box turned down for the night, evaporation that dries the rice, a biased probe.

Two more were made to see how the forecast fares on what it was not made with. They stood beside the others (tuning
seeds only) while constants were chosen, and how badly `thermal` fared made the prior on whole batches wider:

* `textbook`  the plain lumped balance with logistic growth that a textbook would write down, with its own constants
              spread widely, either the cardinal or the Saucedo form, a box from too small to generous.
* `thermal`   heat as a fixed bell over thermal time (no feedback of mass), square-wave room, quick thin bed.

Everything drawn here was chosen for plausibility (heat of some 5-15 W per kg of rice, mixing wanted at 18-30 h) and
validates nothing about real koji.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

DT_S = 30.0
HOURS = 52.0
STEPS = int(HOURS * 3600 / DT_S)
EVERY = 2  # samples once a minute


@dataclass
class Batch:
    """One recorded batch, once a minute: what the probes said and what was true."""

    world: str
    seed: int
    t_s: Any
    bed_c: Any  # as read, NaN where there was no reading
    air_c: Any
    room_c: Any
    rh_pct: Any
    true_c: Any  # what a perfect probe at the same spot would show
    grown: Any  # 0-1
    steps: tuple[tuple[float, str], ...]
    box: tuple[str, str] = ("unknown", "unknown")  # kind and cover, as the settings would say
    hidden: tuple[tuple[float, str], ...] = ()  # done, and told to nobody


def vapour_kpa(c: Any) -> Any:
    """Saturation vapour pressure over water, kPa (Tetens form)."""
    return 0.61078 * np.exp(17.27 * c / (c + 237.3))


class Draw:
    """Random numbers by seed, so that one seed is the same batch however many run beside it."""

    def __init__(self, seeds: Any, salt: int) -> None:
        self.rngs = [np.random.default_rng([salt, int(s)]) for s in seeds]

    def uniform(self, low: float, high: float) -> Any:
        return np.array([r.uniform(low, high) for r in self.rngs])

    def log(self, low: float, high: float) -> Any:
        return np.exp(self.uniform(np.log(low), np.log(high)))

    def normal(self, size: int) -> Any:
        return np.array([r.standard_normal(size) for r in self.rngs])


def _steps(draw: Draw, variant: int) -> tuple[Any, Any]:
    """Hours of mixing and spreading; infinity where the variant leaves it out (0 none, 1 mix, 2 mix and spread)."""
    mix = draw.uniform(17.0, 22.0)
    spread = mix + draw.uniform(5.0, 8.0)
    far = np.full_like(mix, np.inf)
    return (mix if variant >= 1 else far), (spread if variant >= 2 else far)


def layered(seeds: Any, variant: int) -> list[Batch]:
    return _layers("layered", seeds, variant, 1.0)


def mild(seeds: Any, variant: int) -> list[Batch]:
    return _layers("mild", seeds, variant, 0.55)


def _layers(world: str, seeds: Any, variant: int, heat_share: float) -> list[Batch]:
    d = Draw(seeds, 101 if world == "layered" else 111)
    n, layers = len(seeds), 4
    depth = d.uniform(0.030, 0.055)[:, None]
    conductivity = d.uniform(0.30, 0.50)[:, None]
    density = d.uniform(550, 700)[:, None]
    cp = d.uniform(2600, 3400)[:, None]
    h_top, h_low = d.uniform(3.5, 8.0), d.uniform(1.5, 6.0)
    wet = d.log(0.05, 0.25)
    mass = d.uniform(1.0, 5.0)
    rate = d.uniform(0.21, 0.30)[:, None, None] / 3600
    heat = d.uniform(0.40, 0.75)[:, None] * 1e6 * heat_share  # J per kg of bed over the whole growth
    keep = d.log(0.005, 0.02)[:, None] / 3600  # maintenance as a share of the whole heat
    lag_mean, lag_spread = d.uniform(6, 12), d.uniform(0.15, 0.35)
    classes = 5
    quantile = np.linspace(-1.3, 1.3, classes)
    lag = (lag_mean[:, None] * np.exp(lag_spread[:, None] * quantile))[:, None, :] * 3600
    x = np.repeat(np.repeat((d.log(0.004, 0.02) / classes)[:, None, None], layers, 1), classes, 2)
    set_c, swing = d.uniform(28.5, 31.5), d.uniform(0.3, 1.2)
    room0, room_swing = d.uniform(16, 25), d.uniform(0.5, 3.0)
    loss, air_heat, power = d.uniform(1.2, 4.0), d.uniform(3e3, 2e4), d.uniform(40, 120)
    rh0 = d.uniform(0.75, 0.95)
    where = d.uniform(0.3, 0.7)
    lag_probe = d.uniform(180, 600)
    noise = d.normal(STEPS)
    room_walk = np.cumsum(d.normal(STEPS) * 0.01, axis=1)
    mix_h, spread_h = _steps(d, variant)
    drop, loosen = d.uniform(0.2, 0.6), d.uniform(0.9, 1.25)
    thin = d.uniform(0.65, 0.85)
    bed = np.repeat(d.uniform(30.5, 33.5)[:, None], layers, 1)
    air = set_c - 1.0
    probe = bed.mean(1).copy()
    on = np.ones(n, bool)
    age = np.zeros((n, layers, 1))
    out: dict[str, list[Any]] = {k: [] for k in ("bed", "air", "room", "rh", "true", "grown")}
    for i in range(STEPS):
        t_h = i * DT_S / 3600
        room = room0 - room_swing * np.sin(2 * np.pi * (t_h - 6) / 24) * 0.7 + room_walk[:, i]
        on = np.where(air > set_c + swing / 2, False, np.where(air < set_c - swing / 2, True, on))
        f = _saucedo(bed)[:, :, None]
        age = age + f * DT_S
        awake = age > lag * 0.75
        total = x.sum(2, keepdims=True)
        grow = rate * f * x * (1 - total) * awake
        x = x + grow * DT_S
        q = heat * (grow.sum(2) + keep * f[:, :, 0] * total[:, :, 0])  # W/kg
        dz = depth / layers
        flux = conductivity / dz * np.diff(bed, axis=1)  # upwards positive into lower index
        capacity = density * cp * dz
        net = q * density * dz
        net[:, :-1] += flux
        net[:, 1:] -= flux
        rh = np.clip(rh0 + 0.03 * np.sin(t_h / 3), 0.5, 0.99)
        vapour = h_top * wet / 0.066 * (vapour_kpa(bed[:, 0]) - rh * vapour_kpa(air))
        net[:, 0] -= h_top * (bed[:, 0] - air) + vapour
        net[:, -1] -= h_low * (bed[:, -1] - air)
        bed = bed + net / capacity * DT_S
        area = mass / (density[:, 0] * depth[:, 0])
        given = area * (h_top * (bed[:, 0] - air) + h_low * (bed[:, -1] - air))
        air = air + (power * on + given - loss * (air - room)) / air_heat * DT_S
        hit = np.abs(t_h - mix_h) < DT_S / 7200
        mean = bed.mean(1)
        bed = np.where(hit[:, None], (mean - drop * (mean - room) * 0.5)[:, None], bed)
        x = np.where(hit[:, None, None], x.mean(1, keepdims=True), x)
        h_top = np.where(hit, h_top * loosen, h_top)
        hit = np.abs(t_h - spread_h) < DT_S / 7200
        mean = bed.mean(1)
        bed = np.where(hit[:, None], (mean - drop * (mean - room) * 0.5)[:, None], bed)
        depth = np.where(hit[:, None], depth * thin[:, None], depth)
        spot = np.clip((where * layers).astype(int), 0, layers - 1)
        here = bed[np.arange(n), spot]
        probe = probe + (here - probe) * DT_S / lag_probe
        if i % EVERY == 0:
            _keep(out, probe + 0.08 * noise[:, i], air, room, rh * 100, here, x.sum(2).mean(1))
    return _batches(world, seeds, out, mix_h, spread_h, 0.0625)


def gompertz(seeds: Any, variant: int) -> list[Batch]:
    d = Draw(seeds, 202)
    rate = d.uniform(0.10, 0.16) / 3600
    heat = d.uniform(120, 230)  # adiabatic rise over the whole growth, K
    keep = d.log(0.004, 0.02) / 3600
    low_c, high_c, bend = d.uniform(8, 12), d.uniform(46, 50), d.uniform(0.2, 0.4)
    inner, outer = d.uniform(0.8, 2.0) / 3600, d.uniform(0.5, 1.2) / 3600
    core_share = d.uniform(0.4, 0.7)
    cap, recover = d.uniform(6, 12) / 3600, d.uniform(1.2, 1.8)  # K/h of heat the heap's oxygen allows
    x = np.exp(-d.uniform(5.5, 8.0))
    lag_s = d.uniform(8, 14) * 3600
    room0, room_swing = d.uniform(17, 26), d.uniform(0.5, 2.5)
    lift, couple = d.uniform(5, 11), d.uniform(0.1, 0.4)
    noise, wander = d.normal(STEPS), np.cumsum(d.normal(STEPS) * 0.008, axis=1)
    mix_h, spread_h = _steps(d, variant)
    drop, thin = d.uniform(0.2, 0.5), d.uniform(1.2, 1.7)
    core = d.uniform(31, 34)
    shell = core - 1.0
    probe = core.copy()
    age = np.zeros(len(seeds))
    air = room0 + lift
    out: dict[str, list[Any]] = {k: [] for k in ("bed", "air", "room", "rh", "true", "grown")}
    peak = _ratkowsky(np.linspace(20, 50, 600)[:, None], low_c, high_c, bend).max(0)
    for i in range(STEPS):
        t_h = i * DT_S / 3600
        room = room0 - room_swing * np.sin(2 * np.pi * (t_h - 6) / 24) + 0.5 * wander[:, i]
        target = (1 - couple) * room + lift + couple * shell
        air = air + (target - air) * DT_S / 1500
        f = _ratkowsky(core, low_c, high_c, bend) / peak
        age = age + f * DT_S
        grow = np.where(age > lag_s * 0.7, rate * f * x * -np.log(np.clip(x, 1e-9, 1 - 1e-12)), 0.0)
        q = heat * (grow + keep * f * x)
        q = cap * (1 - np.exp(-q / cap))
        share = grow / np.maximum(grow + keep * f * x, 1e-12)
        x = np.minimum(x + q / heat * share * DT_S, 1)
        core = core + (q - inner * (core - shell)) * DT_S
        shell = shell + (q + inner * (core - shell) * core_share / (1 - core_share) - outer * 2 * (shell - air)) * DT_S
        hit = np.abs(t_h - mix_h) < DT_S / 7200
        mean = core_share * core + (1 - core_share) * shell
        mean = mean - drop * (mean - room) * 0.4
        core, shell = np.where(hit, mean, core), np.where(hit, mean, shell)
        cap = np.where(hit, cap * recover, cap)
        hit = np.abs(t_h - spread_h) < DT_S / 7200
        outer = np.where(hit, outer * thin, outer)
        core, shell = np.where(hit, mean, core), np.where(hit, mean, shell)
        probe = probe + (core - probe) * DT_S / 300
        if i % EVERY == 0:
            nothing = np.full(len(seeds), np.nan)
            _keep(out, probe + 0.12 * noise[:, i], air + 0.1 * noise[:, -i - 1], nothing, nothing, core, x)
    return _batches("gompertz", seeds, out, mix_h, spread_h, 0.1)


def substrate(seeds: Any, variant: int) -> list[Batch]:
    d = Draw(seeds, 303)
    rate, half = d.uniform(0.24, 0.36) / 3600, d.uniform(0.1, 0.4)
    heat = d.uniform(70, 150)
    keep = d.log(0.01, 0.05) / 3600
    exchange = d.uniform(0.25, 0.55) / 3600
    dry = d.log(0.06, 0.25)
    x = d.log(0.002, 0.01)
    food = np.ones(len(seeds))
    delay = d.uniform(5, 11) * 3600
    set_c, swing, period = d.uniform(28, 31.5), d.uniform(0.8, 1.8), d.uniform(1500, 3900)
    turn_down_h = np.where(d.uniform(0, 1) < 0.5, d.uniform(18, 30), np.inf)
    coupling = d.uniform(0.1, 0.5)
    room0 = d.uniform(16, 24)
    bias = d.uniform(-0.5, 0.5)
    rh0 = d.uniform(0.7, 0.9)
    noise = d.normal(STEPS)
    mix_h, spread_h = _steps(d, variant)
    drop, more = d.uniform(0.8, 3.0), d.uniform(1.2, 1.8)
    bed = d.uniform(30, 33)
    probe = bed.copy()
    age = np.zeros(len(seeds))
    out: dict[str, list[Any]] = {k: [] for k in ("bed", "air", "room", "rh", "true", "grown")}
    x0 = x.copy()
    for i in range(STEPS):
        t_h = i * DT_S / 3600
        room = room0 - np.where((t_h > 12) & (t_h < 21), 2.0, 0.0)
        goal = set_c - np.where(t_h > turn_down_h, 1.5, 0.0)
        warmed = coupling * bed + (1 - coupling) * room + 2.0
        air = np.maximum(goal, warmed) + swing / 2 * np.sin(2 * np.pi * i * DT_S / period) * (goal >= warmed)
        f = np.clip((bed - 9) / 27.5, 0, 1) ** 1.6 * np.where(bed > 36.5, np.exp(-(((bed - 36.5) / 6) ** 2)), 1.0)
        age = age + DT_S * (f > 0.05)
        grow = np.where(age > delay, rate * f * x * food / (half + food) * (1 + half), 0.0)
        dead = 0.08 / 3600 * np.clip(bed - 42, 0, 6) * x
        food = np.clip(food - grow * DT_S * 1.02, 0, 1)
        x = x + (grow - dead) * DT_S
        wetness = dry * (0.3 + 0.7 * food)
        vapour = exchange * wetness / 0.066 * (vapour_kpa(bed) - rh0 * vapour_kpa(air))
        bed = bed + (heat * (grow + keep * f * x) - exchange * (bed - air) - vapour) * DT_S
        for hour, fall in ((mix_h, drop), (spread_h, drop * 0.7)):
            bed = np.where(np.abs(t_h - hour) < DT_S / 7200, bed - fall, bed)
        exchange = np.where(np.abs(t_h - spread_h) < DT_S / 7200, exchange * more, exchange)
        probe = probe + (bed - probe) * DT_S / 420
        if i % EVERY == 0:
            gone = (1 - food) / (1 - 0 * x0)
            _keep(out, probe + bias + 0.05 * noise[:, i], air, room, rh0 * 100, bed + bias, gone)
    return _batches("substrate", seeds, out, mix_h, spread_h, 0.0625)


def textbook(seeds: Any, variant: int, cold: bool = False) -> list[Batch]:
    d = Draw(seeds, 616 if cold else 606)
    nobody = np.full(len(seeds), np.inf)
    off_h = np.where(d.uniform(0, 1) < 0.4, d.uniform(0.5, 16.0), nobody) if cold else nobody
    fall_k = np.where(d.uniform(0, 1) < 0.4, d.uniform(3.0, 10.0), 0.0) if cold else np.zeros(len(seeds))
    start_c = d.uniform(24, 31) if cold else None
    rate = d.uniform(0.19, 0.29) / 3600
    x = d.log(0.002, 0.012)
    rise = d.uniform(75, 150)
    exchange = d.uniform(0.22, 0.50) / 3600
    cardinal = d.uniform(0, 1) < 0.5
    low_c, best_c, high_c = d.uniform(7, 11), d.uniform(35, 38.5), d.uniform(44, 47)
    set_c, swing = d.uniform(29, 31.5), d.uniform(0.2, 1.5)
    room, share = d.uniform(16, 24), d.uniform(0.05, 0.5)
    lag_h = d.uniform(0, 8)
    noise, slow = d.normal(STEPS), np.cumsum(d.normal(STEPS) * 0.006, axis=1)
    mix_h, spread_h = _steps(d, variant)
    drop, more = d.uniform(0.8, 2.5), d.uniform(1.15, 1.6)
    bed = d.uniform(31, 33) if start_c is None else start_c
    probe, age, lasting = bed.copy(), np.zeros(len(seeds)), set_c
    out: dict[str, list[Any]] = {k: [] for k in ("bed", "air", "room", "rh", "true", "grown")}
    for i in range(STEPS):
        t_h = i * DT_S / 3600
        here = room - (fall_k * np.clip((t_h - 2) / 6, 0, 1) if cold else 0.0)
        floating = share * bed + (1 - share) * (here + 1.5)
        ripple = swing / 2 * np.sign(np.sin(2 * np.pi * i * DT_S / 1200))
        held = (floating <= set_c) & (t_h < off_h)
        if cold:  # a weak heater, and a box that takes an hour to follow
            settled = np.where(held, np.minimum(set_c, here + 9.0) + ripple, floating)
            lasting = settled if i == 0 else lasting + (settled - lasting) * DT_S / 3600
            air = lasting
        else:
            air = np.where(held, set_c + ripple, floating)
        air = air + 0.3 * slow[:, i]
        above = np.clip(bed, low_c, high_c) - low_c
        span = best_c - low_c
        form = (np.clip(bed, low_c, high_c) - high_c) * above**2 / (
            span * (span * (bed - best_c) - (best_c - high_c) * (best_c + low_c - 2 * bed)))
        f = np.where(cardinal, np.clip(form, 0, 1), _saucedo(bed))
        age = age + f * DT_S / 3600
        grow = rate * f * x * (1 - x) * (age > lag_h)
        x = x + grow * DT_S
        bed = bed + (rise * grow - exchange * (bed - air)) * DT_S
        for hour, fall in ((mix_h, drop), (spread_h, drop)):
            bed = np.where(np.abs(t_h - hour) < DT_S / 7200, bed - fall, bed)
        exchange = np.where(np.abs(t_h - spread_h) < DT_S / 7200, exchange * more, exchange)
        probe = probe + (bed - probe) * DT_S / 200
        if i % EVERY == 0:
            nothing = np.full(len(seeds), np.nan)
            _keep(out, probe + 0.1 * noise[:, i], air, nothing, nothing, bed, x)
    return _batches("chilled" if cold else "textbook", seeds, out, mix_h, spread_h, 0.1)


def chilled(seeds: Any, variant: int) -> list[Batch]:
    """`textbook` in a cold kitchen: rice left to cool too long, a weak heater, plugs pulled out, a room that falls."""
    return textbook(seeds, variant, cold=True)


def thermal(seeds: Any, variant: int) -> list[Batch]:
    d = Draw(seeds, 707)
    middle, width, lean = d.uniform(17, 23), d.uniform(3.5, 6.0), d.uniform(1.0, 1.6)
    top = d.uniform(4.5, 9.0) / 3600
    exchange, wet = d.uniform(0.35, 0.8) / 3600, d.uniform(0.0, 0.12)
    set_c, room = d.uniform(28, 32), d.uniform(15, 22)
    share = d.uniform(0.1, 0.35)
    noise = d.normal(STEPS)
    mix_h, spread_h = _steps(d, variant)
    drop, more = d.uniform(1.0, 3.0), d.uniform(1.1, 1.5)
    bed = d.uniform(31, 34)
    probe, worth = bed.copy(), np.zeros(len(seeds))
    made = np.zeros(len(seeds))
    whole = top * 3600 * width * (1 + lean) * np.sqrt(np.pi / 2)
    out: dict[str, list[Any]] = {k: [] for k in ("bed", "air", "room", "rh", "true", "grown")}
    for i in range(STEPS):
        t_h = i * DT_S / 3600
        here = room + (2.0 if (int(t_h) // 6) % 2 else 0.0)
        air = np.maximum(set_c + 0.4 * np.sin(i / 13), share * bed + (1 - share) * (here + 3))
        f = np.clip((bed - 12) / 24, 0, 1.15) * np.clip((50 - bed) / 8, 0, 1)
        worth = worth + f * DT_S / 3600
        apart = worth - middle
        bell = top * f * np.exp(-0.5 * (apart / np.where(apart < 0, width, width * lean)) ** 2)
        made = made + bell * DT_S
        drying = exchange * wet / 0.066 * (vapour_kpa(bed) - 0.8 * vapour_kpa(air))
        bed = bed + (bell - exchange * (bed - air) - drying) * DT_S
        for hour, fall in ((mix_h, drop), (spread_h, drop * 0.8)):
            bed = np.where(np.abs(t_h - hour) < DT_S / 7200, bed - fall, bed)
        exchange = np.where(np.abs(t_h - spread_h) < DT_S / 7200, exchange * more, exchange)
        probe = probe + (bed - probe) * DT_S / 500
        if i % EVERY == 0:
            _keep(out, probe + 0.06 * noise[:, i], air, here + 0 * air, np.full(len(seeds), 80.0), bed,
                  np.minimum(made / whole, 1))
    return _batches("thermal", seeds, out, mix_h, spread_h, 0.0625)


WORLDS = {"layered": layered, "mild": mild, "gompertz": gompertz, "substrate": substrate}
KEPT_OUT = {"textbook": textbook, "thermal": thermal, "chilled": chilled}


def _saucedo(c: Any) -> Any:
    kelvin = np.clip(c, 0.0, 90.0) + 273.0
    return 8.31e11 * np.exp(-70225 / (8.314 * kelvin)) / (1 + 1.3e47 * np.exp(-283356 / (8.314 * kelvin)))


def _ratkowsky(c: Any, low: Any, high: Any, bend: Any) -> Any:
    root = np.clip(c - low, 0, None) * (1 - np.exp(bend * (np.minimum(c, high) - high)))
    return root * root


def _keep(out: dict[str, list[Any]], bed: Any, air: Any, room: Any, rh: Any, true: Any, grown: Any) -> None:
    names = ("bed", "air", "room", "rh", "true", "grown")
    for name, value in zip(names, (bed, air, room, rh, true, grown), strict=True):
        out[name].append(np.array(value, float))


def _batches(world: str, seeds: Any, out: dict[str, list[Any]], mix_h: Any, spread_h: Any, step: float) -> list[Batch]:
    made = {k: np.array(v) for k, v in out.items()}
    t_s = np.arange(len(made["bed"])) * DT_S * EVERY
    batches = []
    for j, seed in enumerate(seeds):
        steps = [(h * 3600.0, kind) for h, kind in ((mix_h[j], "mix"), (spread_h[j], "spread")) if np.isfinite(h)]
        bed = np.round(made["bed"][:, j] / step) * step
        batches.append(
            Batch(world, int(seed), t_s, bed, np.round(made["air"][:, j], 1), made["room"][:, j], made["rh"][:, j],
                  made["true"][:, j], made["grown"][:, j], tuple(steps))
        )
    return batches


@cache
def one(world: str = "layered", seed: int = 3, variant: int = 0) -> Batch:
    """One batch, made once for all tests of this process: to be read only."""
    return WORLDS[world]([seed], variant)[0]


def with_faults(batch: Batch) -> Batch:
    """The same batch as poor probes hand it over: lost minutes, one long gap, spikes, a sentinel."""
    rng = np.random.default_rng([404, batch.seed])
    bed, air = batch.bed_c.copy(), batch.air_c.copy()
    bed[rng.random(len(bed)) < 0.03] = np.nan
    air[rng.random(len(air)) < 0.03] = np.nan
    start = int(rng.uniform(6, 26) * 60)
    bed[start : start + int(rng.uniform(60, 240))] = np.nan
    wild = rng.random(len(bed)) < 0.003
    bed[wild] += rng.choice([-12.0, 9.0, 30.0], size=int(wild.sum()))
    bed[rng.integers(0, len(bed), 3)] = 85.0
    return Batch(batch.world, batch.seed, batch.t_s, bed, air, batch.room_c, batch.rh_pct, batch.true_c,
                 batch.grown, batch.steps)
