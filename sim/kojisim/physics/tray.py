"""One tray: a bed in layers, layer 0 on top, heated by the mould and cooled at both faces."""

from __future__ import annotations

from math import exp

from kojisim.physics.air import LATENT, saturation_pa
from kojisim.physics.cover import VAPOUR_PER_H, Film, film_balance, holes_kg_s_pa
from kojisim.physics.growth import (
    Germination,
    heat_damage_h,
    starch_factor,
    temperature_factor_fast,
    water_activity,
    water_factor,
)
from kojisim.physics.params import (
    CP_DRY,
    CP_WATER,
    HEAT_PER_MOL_O2,
    STARCH_PER_MOL_O2,
    WATER_PER_MOL_O2,
    GrowthParams,
    TrayParams,
)

#: Moisture evens out between layers with this diffusivity of rice bed moisture, m2/s. Judgement.
_MOISTURE_DIFFUSIVITY = 2.0e-9
#: Exchange factors of cover and shape, on top. Judgement.
_WRAPPED, _FURROW, _LOOSE, _MATTED = 0.42, 0.25, 0.30, 0.10
#: From the bed to a film over it, W/(m2 K): still air 2-5 (textbook, from memory) and radiation. Judgement.
_UNDER_FILM_H = 5.0
#: Sensible and vapour exchange of a wrapped underside and of the cloth against vapour.
_WRAPPED_BOTTOM, _WRAPPED_VAPOUR = 0.65, 0.36
#: Steamed rice spread and turned in the room: W/K per kg white rice, set so that it cools in half an hour.
_TURNED_W_K_KG = 1.5
_LOOSE_H, _SHOCK_H = 1.5, 1.0  # time constants after a mix, h


class Tray:
    """State of one tray. Temperatures °C, masses kg per layer, biomass as a share of its greatest."""

    __slots__ = (
        "_activity",
        "_depth_m",
        "_growth",
        "_heat",
        "area",
        "biomass",
        "bottom_g",
        "bottom_k",
        "dry",
        "film",
        "furrowed",
        "germination",
        "growth_w",
        "layer_g",
        "loose",
        "mat",
        "mat_g",
        "p",
        "shock",
        "temp",
        "top_g",
        "top_k",
        "vigour",
        "water",
        "wrapped",
    )

    def __init__(self, params: TrayParams, growth: GrowthParams, start_c: float) -> None:
        self.p = params
        self._growth = growth
        layers = params.layers
        dry = params.white_rice_kg * (1.0 - params.rice_water)
        water = params.white_rice_kg * params.steamed_weight - dry
        self.temp = [start_c] * layers
        self.dry = [dry / layers] * layers
        self.water = [water / layers] * layers
        self.biomass = [0.0] * layers
        self._heat = [0.0] * layers
        self._activity = [water_activity(water / dry)] * layers
        self.vigour = [1.0] * layers
        self.germination: Germination | None = None
        self.area = params.white_rice_kg / params.load_kg_m2
        self._depth_m = 0.0
        self.mat = self.loose = self.shock = 0.0
        self.wrapped = self.furrowed = False
        self.growth_w = 0.0
        self.film: Film | None = None
        self.set_exchange()

    # -- exchange ---------------------------------------------------------------------------------

    def set_exchange(self, air_c: float | None = None) -> None:
        """Work out the conductances (W/K) and the vapour conductances (kg/(s Pa)) from cover and shape.

        Args:
            air_c: air over the tray, °C, for the film of a plastic cover; None: as it was.
        """
        p, layers = self.p, self.p.layers
        mass = sum(self.dry) + sum(self.water)
        self._depth_m = mass / p.bulk_density / self.area
        thin = self._depth_m / layers
        shape = 1.0 + _LOOSE * self.loose - _MATTED * self.mat + (_FURROW if self.furrowed else 0.0)
        cover = p.cover if self.wrapped else "open"
        half = 0.5 * thin / p.conductivity
        self.layer_g = p.conductivity * self.area / thin
        self.top_k = VAPOUR_PER_H * p.top_h * shape * self.area * p.evaporation_share
        self.bottom_k = self.top_k * p.mesh
        top_h, bottom_h = p.top_h * shape, p.bottom_h
        if cover == "cloth":
            top_h, bottom_h = top_h * _WRAPPED, bottom_h * _WRAPPED_BOTTOM
            self.top_k *= _WRAPPED_VAPOUR
            self.bottom_k *= _WRAPPED_VAPOUR
        elif cover == "plastic":
            top_h, bottom_h = self._under_plastic(_UNDER_FILM_H * shape, air_c), bottom_h * _WRAPPED_BOTTOM
            self.top_k = holes_kg_s_pa(p.holes_m2 * self.area, p.hole_m) + p.film_kg_s_m2_pa * self.area
            self.bottom_k = 0.0
        self.top_g = self.area / (1.0 / top_h + half)
        self.bottom_g = 0.0 if p.mat_h else self.area / (1.0 / bottom_h + half)
        self.mat_g = self.area / (1.0 / p.mat_h + half) if p.mat_h else 0.0

    def _under_plastic(self, inner_h: float, air_c: float | None) -> float:
        """Heat transfer from the bed through a film to the air, W/(m2 K), with the heat that drops carry."""
        outer_h, bed_c = self.p.cover_h or self.p.top_h, self.temp[0]
        if air_c is not None:
            self.film = film_balance(bed_c, self._activity[0], air_c, inner_h, outer_h)
        drops = 0.0
        if self.film is not None and bed_c - self.film.temp_c > 0.05:
            drops = min(self.film.drops_kg_s_m2 * LATENT / (bed_c - self.film.temp_c), 10.0 * inner_h)
        return 1.0 / (1.0 / (inner_h + drops) + 1.0 / outer_h)

    @property
    def depth_m(self) -> float:
        """Depth of the bed, m."""
        return self._depth_m

    # -- slow part: growth --------------------------------------------------------------------------

    def inoculate(self) -> None:
        """Sprinkle the spores: germination begins."""
        self.germination = Germination(self._growth)

    def grow(self, dt_s: float, air_c: float, supply: float = 1.0) -> None:
        """Advance germination, biomass and the heat it makes by dt_s; water and starch follow.

        Args:
            air_c: air over the tray, °C; supply: share of the rate that the box's oxygen allows.
        """
        hours = dt_s / 3600.0
        self.loose *= exp(-hours / _LOOSE_H)
        self.shock *= exp(-hours / _SHOCK_H)
        g, layers = self._growth, self.p.layers
        sprout = 0.0
        if self.germination is not None:
            mean_t, mean_a = sum(self.temp) / layers, sum(self._activity) / layers
            speed = temperature_factor_fast(mean_t) * water_factor(mean_a)
            dose = g.inoculum * g.dose_g_kg**g.dose_exponent
            sprout = dose * self.germination.advance(hours, speed)
        rice = self.p.white_rice_kg / layers
        grown = total_w = 0.0
        for i in range(layers):
            t, x = self.temp[i], self.biomass[i]
            self._activity[i] = activity = water_activity(self.water[i] / self.dry[i])
            damage = heat_damage_h(t)
            if damage > 0.0 and self.germination is not None:
                self.vigour[i] *= exp(-damage * hours)
            pace = temperature_factor_fast(t) * water_factor(activity) * self._oxygen(i) * supply
            pace *= self.vigour[i] * (1.0 - 0.25 * self.shock)
            dx = g.mu_opt_h * pace * x * starch_factor(x, g.starch_half) * hours
            dx += sprout * max(1.0 - x, 0.0)
            self.biomass[i] = x + dx
            joule = g.growth_heat * rice * (dx + g.maintenance_h * pace * x * hours)
            mole = joule / HEAT_PER_MOL_O2
            self.dry[i] -= mole * STARCH_PER_MOL_O2
            self.water[i] += mole * WATER_PER_MOL_O2
            self._heat[i] = joule / dt_s
            total_w += joule / dt_s
            grown += dx
        self.mat = min(self.mat + 1.3 * grown / layers, 1.0)
        self.growth_w = total_w
        self.set_exchange(air_c)

    def _oxygen(self, layer: int) -> float:
        """Share of the rate that the oxygen at this depth allows: less when deep, matted, wrapped, active."""
        g = self._growth
        depth = (layer + 0.5) * self._depth_m / self.p.layers
        ratio = depth / g.oxygen_depth_m
        heat = self.growth_w / self.p.white_rice_kg / g.oxygen_heat_w_kg
        tight = (1.0 + 0.5 * self.mat) * (1.5 if self.wrapped else 1.0)
        return 1.0 / (1.0 + ratio * ratio * heat * tight)

    # -- fast part: heat and water -------------------------------------------------------------------

    def top_vapour_pa(self) -> float:
        """Vapour pressure at the bed's surface, Pa."""
        return self._activity[0] * saturation_pa(self.temp[0])

    def bottom_vapour_pa(self) -> float:
        """Vapour pressure at the bed's underside, Pa."""
        return self._activity[-1] * saturation_pa(self.temp[-1])

    def step(self, dt_s: float, air_c: float, vapour_kg: float, under_w: float, under_kg: float = 0.0) -> None:
        """Advance temperatures by dt_s in air at air_c (°C), losing vapour_kg at the top and under_kg below.

        under_w is warmth from the heater straight into the underside, W. `top_g` and `bottom_g` times the
        difference to the air before the step is the heat given to the air, as the box has reckoned it. Conduction
        from layer to layer is implicit: a layer of a few mm would not bear the step (thin trays).
        """
        temp, dry, water, heat = self.temp, self.dry, self.water, self._heat
        last, link = len(temp) - 1, self.layer_g * dt_s
        gain = [joule * dt_s for joule in heat]
        gain[0] += self.top_g * (air_c - temp[0]) * dt_s - vapour_kg * LATENT
        gain[last] += (self.bottom_g * (air_c - temp[last]) + under_w) * dt_s - under_kg * LATENT
        # Thomas: (c + links) t' - link (neighbours') = c t + gain; downwards, then back.
        above = 0.0
        ratio, value = [0.0] * last, 0.0
        values = [0.0] * (last + 1)
        for i in range(last + 1):
            capacity = dry[i] * CP_DRY + water[i] * CP_WATER
            below = link if i < last else 0.0
            middle = capacity + above + below - (above * ratio[i - 1] if i else 0.0)
            value = (capacity * temp[i] + gain[i] + above * value) / middle
            values[i] = value
            if i < last:
                ratio[i] = below / middle
            above = below
        temp[last] = values[last]
        for i in range(last - 1, -1, -1):
            temp[i] = values[i] + ratio[i] * temp[i + 1]
        water[0] -= vapour_kg
        water[last] -= under_kg
        self._even_moisture(dt_s)

    def _even_moisture(self, dt_s: float) -> None:
        water, dry = self.water, self.dry
        thin = self._depth_m / len(water)
        share = _MOISTURE_DIFFUSIVITY * dt_s / (thin * thin)
        for i in range(len(water) - 1):
            flow = share * (water[i + 1] / dry[i + 1] - water[i] / dry[i]) * dry[i]
            water[i] += flow
            water[i + 1] -= flow

    def cool_outside(self, dt_s: float, room_c: float, room_pa: float) -> float:
        """Advance by dt_s spread on a cloth in the room and turned by hand; the water lost, kg."""
        conductance = _TURNED_W_K_KG * self.p.white_rice_kg
        surface = 0.5 * VAPOUR_PER_H * conductance
        vapour = surface * (self.top_vapour_pa() - room_pa) * dt_s
        capacity = sum(self.dry) * CP_DRY + sum(self.water) * CP_WATER
        loss = conductance * (self.mean_c - room_c) * dt_s + vapour * LATENT
        mean = self.mean_c + (self.growth_w * dt_s - loss) / capacity
        layers = len(self.temp)
        self.temp = [mean] * layers
        self.water = [(sum(self.water) - vapour) / layers] * layers
        return vapour

    # -- hands ---------------------------------------------------------------------------------------

    def mix(self, room_c: float, cooling: float, most_k: float = 2.0) -> float:
        """Make the bed uniform, break the mat, let air in; the heat lost to the hands and the room, J.

        It falls by `cooling` of its height over the room (room_c, °C), most_k (K) at most.
        """
        layers = len(self.temp)
        capacity = [d * CP_DRY + w * CP_WATER for d, w in zip(self.dry, self.water, strict=True)]
        mean = sum(c * t for c, t in zip(capacity, self.temp, strict=True)) / sum(capacity)
        fall = min(max(cooling * (mean - room_c), -most_k), most_k)
        self.temp = [mean - fall] * layers
        self.dry = [sum(self.dry) / layers] * layers
        self.water = [sum(self.water) / layers] * layers
        self.biomass = [sum(self.biomass) / layers] * layers
        self.vigour = [sum(self.vigour) / layers] * layers
        self.mat, self.loose, self.shock, self.furrowed = 0.0, 1.0, 1.0, False
        self.set_exchange()
        return fall * sum(capacity)

    def spread(self, factor: float = 1.2) -> None:
        """Spread thinner: `factor` times the area (at most `spread_most` of the loaded one)."""
        limit = self.p.spread_most * self.p.white_rice_kg / self.p.load_kg_m2
        self.area = min(self.area * factor, limit)
        self.set_exchange()

    # -- looking -------------------------------------------------------------------------------------

    @property
    def mean_c(self) -> float:
        """Mean temperature, °C."""
        return sum(self.temp) / len(self.temp)

    def at_depth(self, share: float) -> float:
        """Temperature, °C, at a depth as a share of the bed (0 top, 1 bottom), between layer centres."""
        temp = self.temp
        place = min(max(share * len(temp) - 0.5, 0.0), len(temp) - 1.0)
        index = min(int(place), len(temp) - 2)
        return temp[index] + (place - index) * (temp[index + 1] - temp[index])

    @property
    def weight_kg(self) -> float:
        """Weight of the rice in the tray, kg."""
        return sum(self.dry) + sum(self.water)

    @property
    def grown(self) -> float:
        """Mean biomass as a share of its greatest."""
        return sum(self.biomass) / len(self.biomass)
