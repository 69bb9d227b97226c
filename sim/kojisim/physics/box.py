"""The warm box: air, walls, heater with thermostat, moisture; and the room around it."""

from __future__ import annotations

from dataclasses import dataclass
from math import cos, exp, pi, sqrt
from random import Random

from kojisim.physics.air import (
    CP_AIR,
    LATENT,
    PRESSURE_PA,
    R_VAPOUR,
    air_density,
    humidity_pct,
    saturation_pa,
    vapour_pa,
)
from kojisim.physics.params import HEAT_PER_MOL_O2, BoxParams, RoomParams

#: Oxygen of fresh air, share by volume: 0.2095 (standard atmosphere, from memory).
OXYGEN = 0.2095
_MOLAR_J_MOL_K = 8.314


class Room:
    """Temperature (°C) and vapour (Pa) of the room: a daily swing with a slow wandering on top."""

    def __init__(self, params: RoomParams, start_local_h: float, rng: Random) -> None:
        self.p = params
        self._start_h = start_local_h
        self._rng = rng
        self._wander = rng.gauss(0.0, params.wander_c)
        self._drop = self._drop_to = 0.0
        self.temp_c = self._temperature(0.0)
        self.vapour_pa = vapour_pa(self.temp_c, params.humidity_pct)

    def step(self, now_s: float, dt_s: float) -> None:
        """Move the room on to now_s."""
        keep = exp(-dt_s / 3600.0 / self.p.wander_h)
        spread = self.p.wander_c * sqrt(1.0 - keep * keep)
        self._wander = keep * self._wander + self._rng.gauss(0.0, spread)
        self._drop += (self._drop_to - self._drop) * (1.0 - exp(-dt_s / 3600.0))
        self.temp_c = self._temperature(now_s / 3600.0)
        self.vapour_pa = vapour_pa(self.temp_c, self.p.humidity_pct)

    def drop(self, by_c: float) -> None:
        """The room's heating fails: it cools by by_c °C with a time constant of an hour."""
        self._drop_to += by_c

    def warm(self) -> None:
        """The room's heating works again, with the same time constant."""
        self._drop_to = 0.0

    def _temperature(self, hours: float) -> float:
        day = self.p.swing_c * cos(2 * pi * (self._start_h + hours - 16.0) / 24.0)
        return self.p.mean_c + day + self._wander - self._drop


@dataclass
class Ledger:
    """Heat (J) and water (kg) that crossed the box's boundaries since the start, for balances."""

    heater_j: float = 0.0
    metabolic_j: float = 0.0
    wall_j: float = 0.0
    air_j: float = 0.0
    handling_j: float = 0.0
    evaporated_kg: float = 0.0
    condensed_kg: float = 0.0
    towel_kg: float = 0.0
    humidifier_kg: float = 0.0
    aired_kg: float = 0.0


class Box:
    """State of the box. The caller reckons what the trays give to the air."""

    def __init__(self, params: BoxParams, room: Room) -> None:
        self.p = params
        self.room = room
        self.setpoint_c = params.setpoint_c
        self.air_c = room.temp_c if params.cold else params.setpoint_c - 1.0
        self.wall_c = 0.7 * self.air_c + 0.3 * room.temp_c
        self.heater_c = self.air_c
        self.sensed_c = self.air_c
        self.vapour_kg = vapour_pa(self.air_c, 70.0) * self._hold()
        self.mains = not params.cold
        self.heating = False
        self.stuck_on = False
        #: A stronger lamp, or what lay between mat and tray taken away: times the heater's power.
        self.boost = 1.0
        self.lid_open = False
        self.vent = 0.0
        self.towel = True
        #: What the thermostat feels where it does not feel the air, °C.
        self.felt_c: float | None = None
        #: Oxygen in the air, share by volume. Where it burns starch, carbon dioxide is the rest of OXYGEN.
        self.oxygen = OXYGEN
        self.ledger = Ledger()

    def _hold(self) -> float:
        """Vapour that the box's air holds per Pa at its temperature, kg/Pa (ideal gas)."""
        return self.p.volume_m3 / (R_VAPOUR * (self.air_c + 273.15))

    @property
    def vapour_pa(self) -> float:
        """Vapour pressure of the box air, Pa."""
        return self.vapour_kg / self._hold()

    @property
    def humidity_pct(self) -> float:
        """Relative humidity of the box air, %."""
        return humidity_pct(self.vapour_pa, self.air_c)

    def flow_m3_s(self) -> float:
        """Air exchanged with the room, m3/s."""
        p = self.p
        return p.leak_m3_s + p.vent_m3_s * self.vent + (p.lid_m3_s if self.lid_open else 0.0)

    def heater_w(self) -> float:
        """Electric power now, W, after the thermostat."""
        if not self.mains:
            self.heating = False
            return 0.0
        if self.stuck_on:
            return self.p.heater_w * self.boost
        half = self.p.hysteresis_c / 2.0
        if self.sensed_c < self.setpoint_c - half:
            self.heating = True
        elif self.sensed_c > self.setpoint_c + half:
            self.heating = False
        return self.p.heater_w * self.boost if self.heating else 0.0

    def step(self, dt_s: float, conductance: float, warmth: float, heater_to_air: float) -> float:
        """Advance air and walls by dt_s; the new air temperature, °C.

        `conductance` (W/K) and `warmth` (W, conductance times the temperature it is tied to) sum what the
        trays exchange; heater_to_air is the share of the heater's warmth that goes to the air. The air is
        stepped implicitly, the slow bodies explicitly.
        """
        p, room, book = self.p, self.room, self.ledger
        power = self.heater_w()
        flow = self.flow_m3_s()
        open_g = flow * air_density(room.temp_c) * CP_AIR
        mat_g = p.heater_ua * heater_to_air
        total = conductance + p.inner_ua + open_g + mat_g
        gain = warmth + p.inner_ua * self.wall_c + open_g * room.temp_c + mat_g * self.heater_c
        air = (p.air_capacity * self.air_c + dt_s * gain) / (p.air_capacity + dt_s * total)
        outwards = p.outer_ua * (self.wall_c - room.temp_c)
        below = p.heater_below_ua * (self.heater_c - room.temp_c)
        book.heater_j += power * dt_s
        book.wall_j += (outwards + below) * dt_s
        book.air_j += open_g * (air - room.temp_c) * dt_s
        self.wall_c += dt_s * (p.inner_ua * (air - self.wall_c) - outwards) / p.wall_capacity
        self.air_c = air
        self.heater_c += dt_s * (power - below - mat_g * (self.heater_c - air)) / p.heater_capacity
        felt = air if self.felt_c is None else self.felt_c
        self.sensed_c += (felt - self.sensed_c) * (1.0 - exp(-dt_s / p.thermostat_lag_s))
        return air

    def moisten(self, dt_s: float, conductance: float, source: float) -> float:
        """Advance the vapour by dt_s; the new vapour pressure, Pa.

        `conductance` (kg/(s Pa)) and `source` (kg/s, conductance times the surface's vapour pressure) sum
        the trays; leak, walls, towel and humidifier are added here. Implicit, so that it cannot overshoot.
        """
        p, book, room = self.p, self.ledger, self.room
        hold = self._hold()
        flow = self.flow_m3_s() / (R_VAPOUR * (self.air_c + 273.15))
        before, wall_sat = self.vapour_kg / hold, saturation_pa(self.wall_c)
        wet_wall = self._wall_k() if before > wall_sat else 0.0
        towel = p.towel_kg_s_pa if self.towel else 0.0
        towel_sat = saturation_pa(self.air_c - 1.0)
        mist = 0.0
        if p.humidifier_kg_s and self.mains and humidity_pct(before, self.air_c) < p.humidifier_pct:
            mist = p.humidifier_kg_s
        total = conductance + flow + wet_wall + towel
        gain = source + flow * room.vapour_pa + wet_wall * wall_sat + towel * towel_sat + mist
        new = (self.vapour_kg + dt_s * gain) / (hold + dt_s * total)
        condensed = wet_wall * (new - wall_sat) * dt_s
        given = towel * (towel_sat - new) * dt_s
        book.condensed_kg += condensed
        book.towel_kg += given
        book.humidifier_kg += mist * dt_s
        book.aired_kg += flow * (new - room.vapour_pa) * dt_s
        self.vapour_kg = hold * new
        self.wall_c += condensed * LATENT / p.wall_capacity
        self.air_c -= (given + mist * dt_s) * LATENT / p.air_capacity
        return new

    def breathe(self, dt_s: float, growth_w: float) -> float:
        """Advance the oxygen by dt_s while growth makes growth_w (W); its share by volume. Implicit."""
        taken = growth_w / HEAT_PER_MOL_O2 * _MOLAR_J_MOL_K * (self.air_c + 273.15) / PRESSURE_PA
        flow, volume = self.flow_m3_s(), self.p.volume_m3
        fresh = (self.oxygen * volume + dt_s * (flow * OXYGEN - taken)) / (volume + dt_s * flow)
        self.oxygen = max(fresh, 0.0)
        return self.oxygen

    @property
    def carbon_dioxide(self) -> float:
        """Carbon dioxide, share by volume: one for each oxygen (respiratory quotient about 1.0, Sato 1992)."""
        return OXYGEN - self.oxygen

    def _wall_k(self) -> float:
        """Vapour conductance to the walls by analogy with their heat transfer, kg/(s Pa)."""
        return 0.622 / (CP_AIR * PRESSURE_PA) * self.p.inner_ua
