"""Incubations by oxygen uptake, to judge the forecast by: opened once at the end, no constant was chosen on them.

Another physics than the forecast's, `bedtruth`'s and the simulator's. Tips branch and grow hyphae over the grain;
hyphae eat their way into it (a shrinking core), so heat follows oxygen taken up and not the growth rate. A slab of
three layers lies in a box of two stores, its air and its walls. What goes wrong in kitchens goes wrong here.

Published, the rest is judgement:

* oxygen 0.85-1.7 mol per kg dry in all, 0.068-0.148 mol an hour at most: heat of rice koji, 380-750 kJ and 30-65 kJ/h
  per kg dry (Sato 1992, J. Brew. Soc. Japan 87(12):874-879), at 440 kJ/mol; bulk 400-455 kg/m3 from the same table.
* spores germinate at 6-8 h ("Koji Studies", Murakami, as quoted by a page on the koji making process).
* rate over temperature: Schoolfield, Sharpe, Magnuson 1981, J. Theor. Biol. 88:719-731 (form from memory).
* a mixing takes 1-5 K: pairs of before and after on farm, maker's and brewery pages; up to 8 K in a cold kitchen.
* conductivity 0.12-0.4 W/(m K), heat capacity 2,110-3,140 J/(kg K): bran to cooked rice.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from tests.forecast.bedtruth import DT_S, EVERY, STEPS, Batch, Draw, _batches, _keep, vapour_kpa

KINDS: Final = ("still", "fan", "heat-mat", "oven-light")
COVERS: Final = ("open", "cloth", "cloth-and-plastic")
HEAT_J_PER_MOL: Final = 440e3
DRY: Final = 0.62
LAYERS: Final = 3


def _rate(c: Any, warm_j: Any, high_c: Any) -> Any:
    """Schoolfield's rate, 1 at 36 °C without the loss by heat."""
    kelvin = np.clip(c, 0.0, 60.0) + 273.15
    rise = np.exp(warm_j / 8.314 * (1.0 / 309.15 - 1.0 / kelvin))
    return rise / (1.0 + np.exp(3.4e5 / 8.314 * (1.0 / (high_c + 273.15) - 1.0 / kelvin)))


def uptake(seeds: Any, variant: int) -> list[Batch]:
    """Batches of every kind of box; variant 0 untouched, 1 mixed once and marked, 2 mixed and spread."""
    d = Draw(seeds, 909)
    n = len(seeds)
    kind, cover = (d.uniform(0, len(of)).astype(int) for of in (KINDS, COVERS))
    fan, mat, lamp = kind == 1, kind == 2, kind == 3
    # The koji.
    whole, most = d.log(0.85, 1.7), d.log(0.068, 0.148)
    warm_j, high_c = d.uniform(5.5e4, 7.5e4), d.uniform(42.5, 45.5)
    branch = d.uniform(0.36, 0.52) / 3600
    germinate_s = d.uniform(6.0, 8.0) * 3600
    classes = np.exp(d.uniform(0.1, 0.35)[:, None] * np.array([-1.2, 0.0, 1.2]))
    tips = np.repeat((d.log(4e-4, 4e-3) / 3)[:, None, None], LAYERS, 1) * np.ones((1, 1, 3))
    slow, dead = d.uniform(0, 1) < 0.06, d.uniform(0, 1) < 0.04
    tips = np.where(dead[:, None, None], 0.0, np.where(slow[:, None, None], tips * 0.1, tips))
    hyphae, eaten = np.zeros((n, LAYERS)), np.zeros((n, LAYERS))
    age = np.zeros((n, LAYERS, 1))
    # The slab.
    depth, bulk = np.where(fan, d.uniform(0.018, 0.03), d.uniform(0.025, 0.05)), d.uniform(400.0, 455.0)
    conductivity, cp = d.log(0.12, 0.4), d.uniform(2110.0, 3140.0)
    above = np.where(fan, d.uniform(8.0, 14.0), np.where(cover == 0, d.uniform(6.0, 9.0), d.uniform(3.0, 6.0)))
    below = np.where(fan, above * 0.6, np.where(mat, 1.0, d.uniform(1.5, 4.0)))
    wet = np.choose(cover, (d.uniform(0.2, 0.5), d.uniform(0.08, 0.25), d.uniform(0.02, 0.08)))
    air_cap = d.log(0.4, 2.0)  # mol an hour the heap's air lets through, a kg dry
    # The box.
    room_c, swing, walk = d.uniform(14, 24), d.uniform(0.5, 4.0), np.cumsum(d.normal(STEPS) * 0.006, axis=1)
    set_c, play = d.uniform(28.5, 32.0), np.where(fan, d.uniform(2.0, 4.0), d.uniform(0.4, 2.0))
    loss, inner = d.uniform(0.8, 3.0), d.uniform(3.0, 12.0)
    stores = d.log(600, 3000), d.log(4e3, 3e4)
    power = np.where(lamp, loss * (d.uniform(29, 32) - room_c), loss * d.uniform(16, 40))
    rice = d.uniform(0.8, 4.0)  # kg steamed
    area = rice / (bulk * depth)
    mat_w = np.where(mat, (above + 2.0) * (d.uniform(29, 31.5) - room_c), 0.0)
    rh = d.uniform(0.65, 0.95)
    # What goes wrong, and what nobody tells.
    off_h = np.where(d.uniform(0, 1) < 0.10, d.uniform(0.5, 16.0), np.inf)
    fall_k = np.where(d.uniform(0, 1) < 0.15, d.uniform(3.0, 9.0), 0.0)
    turn_h = np.where(d.uniform(0, 1) < 0.10, d.uniform(8.0, 24.0), np.inf)
    turn_k = d.uniform(-3.0, 1.5)
    move_h = np.where(d.uniform(0, 1) < 0.08, d.uniform(4.0, 30.0), np.inf)
    unmarked_h = np.where(d.uniform(0, 1) < 0.12, d.uniform(14.0, 26.0), np.inf)
    start_c = np.where(d.uniform(0, 1) < 0.10, d.uniform(22.0, 28.0), d.uniform(29.0, 34.0))
    # Hands and the probe.
    mix_h, spread_h = _hands(d, variant)
    share, floor_k, thin = d.log(0.12, 0.55), d.uniform(0.3, 1.0), d.uniform(0.65, 0.85)
    spot, later_spot = d.uniform(0, LAYERS).astype(int), d.uniform(0, LAYERS).astype(int)
    lag_s, bias, noise = d.log(60, 600), d.uniform(-0.5, 0.5), d.normal(STEPS)
    bed = np.repeat(start_c[:, None], LAYERS, 1)
    air = np.where(lamp, 29.0, set_c) - d.uniform(0, 3.0)
    wall, probe, on, water = air - 1.0, start_c.copy(), np.ones(n, bool), np.full(n, 0.38)
    every = np.arange(n)
    out: dict[str, list[Any]] = {k: [] for k in ("bed", "air", "room", "rh", "true", "grown")}
    for i in range(STEPS):
        t_h = i * DT_S / 3600
        room = room_c - swing * np.sin(2 * np.pi * (t_h - 6) / 24) + walk[:, i] - fall_k * np.clip((t_h - 2) / 6, 0, 1)
        goal = set_c + np.where(t_h > turn_h, turn_k, 0.0)
        on = np.where(air > goal + play / 2, False, np.where(air < goal - play / 2, True, on)) | lamp
        alive = t_h < off_h
        # Growth, uptake and heat.
        f = _rate(bed, warm_j[:, None], high_c[:, None])
        age = age + f[:, :, None] * DT_S
        awake = age > (germinate_s[:, None] * classes)[:, None, :]
        room_left = np.clip(1.0 - hyphae, 0.0, 1.0)
        tips = tips + branch[:, None, None] * f[:, :, None] * tips * awake * room_left[:, :, None] * DT_S
        hyphae = np.minimum(hyphae + branch[:, None] * f * (tips * awake).sum(2) * room_left * DT_S, 1.0)
        left = np.clip(1.0 - eaten / whole[:, None], 0.0, 1.0)
        mol_h = most[:, None] * 1.25 * f * hyphae * left ** (2.0 / 3.0)
        mol_h = air_cap[:, None] * most[:, None] * 2.0 * np.tanh(mol_h / (air_cap[:, None] * most[:, None] * 2.0))
        eaten = eaten + mol_h / 3600 * DT_S
        made = mol_h / 3600 * HEAT_J_PER_MOL * DRY  # W per kg steamed
        # Heat through the slab and out of it.
        dz = (depth / LAYERS)[:, None]
        flux = conductivity[:, None] / dz * np.diff(bed, axis=1)
        net = made * bulk[:, None] * dz
        net[:, :-1] += flux
        net[:, 1:] -= flux
        dry_out = np.clip((water - 0.15) / 0.2, 0.0, 1.0)
        vapour = above * wet * dry_out / 0.066 * np.maximum(vapour_kpa(bed[:, 0]) - rh * vapour_kpa(air), -0.2)
        net[:, 0] -= above * (bed[:, 0] - air) + vapour
        net[:, -1] += mat_w * alive - below * (bed[:, -1] - air)
        bed = bed + net / (bulk[:, None] * cp[:, None] * dz) * DT_S
        water = water - vapour * DT_S / 2.42e6 / (bulk * depth)
        given = area * (above * (bed[:, 0] - air) + below * (bed[:, -1] - air))
        into = np.where(mat, 0.0, power * on * alive) + given - inner * (air - wall)
        air = np.where(mat, air + (room + 0.25 * (bed[:, 0] - room) - air) * DT_S / 900,
                       air + into / stores[0] * DT_S)  # fmt: skip
        wall = np.where(mat, room, wall + (inner * (air - wall) - loss * (wall - room)) / stores[1] * DT_S)
        # Hands.
        for hour, what in ((mix_h, share), (spread_h, share), (unmarked_h, share)):
            hit = np.abs(t_h - hour) < DT_S / 7200
            mean = bed.mean(1)
            fallen = mean - np.clip(what * (mean - room), floor_k, 8.0)
            bed = np.where(hit[:, None], fallen[:, None], bed)
            hyphae = np.where(hit[:, None], hyphae.mean(1, keepdims=True), hyphae)
            eaten = np.where(hit[:, None], eaten.mean(1, keepdims=True), eaten)
        hit = np.abs(t_h - spread_h) < DT_S / 7200
        depth, area = np.where(hit, depth * thin, depth), np.where(hit, area / thin, area)
        spot = np.where(t_h > move_h, later_spot, spot)
        here = bed[every, spot] + bias
        probe = probe + (here - probe) * DT_S / lag_s
        if i % EVERY == 0:
            _keep(out, probe + 0.05 * noise[:, i], air, room, rh * 100, here, (eaten / whole[:, None]).mean(1))
    made_of = _batches("uptake", seeds, out, mix_h, spread_h, 0.0625)
    for batch, own_kind, own_cover in zip(made_of, kind, cover, strict=True):
        batch.box = KINDS[own_kind], COVERS[own_cover]
        if batch.seed % 4:  # three in four have no probe in the room
            batch.room_c = np.full(len(batch.t_s), np.nan)
    return made_of


def _hands(d: Draw, variant: int) -> tuple[Any, Any]:
    mix = d.uniform(16.0, 23.0)
    spread = mix + d.uniform(3.0, 8.0)
    far = np.full_like(mix, np.inf)
    return (mix if variant >= 1 else far), (spread if variant >= 2 else far)
