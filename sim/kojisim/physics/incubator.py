"""Trays, box and room put together and advanced in fixed steps."""

from __future__ import annotations

from random import Random

from kojisim.physics.box import OXYGEN, Box, Room
from kojisim.physics.params import IncubatorParams
from kojisim.physics.tray import Tray

#: Growth is slow beside heat: it is advanced once in so many steps.
_GROW_EVERY = 3


class Incubator:
    """One simulated incubator. Time in s since the world's start; trays from top to bottom."""

    def __init__(self, params: IncubatorParams, rng: Random, bed_c: float) -> None:
        self.p = params
        self.room = Room(params.room, params.start_local_h, rng)
        self.box = Box(params.box, self.room)
        self.trays = [Tray(tray, params.growth, bed_c) for tray in params.trays]
        #: Which tray stands in which place (place 0 on top): places keep their offset and heater share.
        self.places = list(range(len(self.trays)))
        #: Trays still outside the box, cooling in the room, stand in no place.
        self.outside = True
        self.time_s = 0.0
        self._count = 0

    # -- time ------------------------------------------------------------------------------------------

    def advance(self, to_s: float) -> None:
        """Advance in whole steps while they end at or before to_s."""
        dt = self.p.step_s
        while self.time_s + dt <= to_s + 1e-9:
            self.step()

    def step(self) -> None:
        """One step of `step_s`."""
        dt = self.p.step_s
        self._count += 1
        self.time_s = self._count * dt
        if self._count % _GROW_EVERY == 0:
            self._grow(dt * _GROW_EVERY)
        if self.outside:
            self._step_outside(dt)
        else:
            self._step_inside(dt)

    def _grow(self, dt: float) -> None:
        self.room.step(self.time_s, dt)
        timer = self.p.box.timer_h
        if timer and self.time_s / 3600.0 >= timer and self.time_s / 3600.0 - timer < dt / 3600.0:
            self.box.mains = False
        half = self.p.growth.oxygen_half
        share = self.box.breathe(dt, 0.0 if self.outside else sum(tray.growth_w for tray in self.trays))
        supply = share * (OXYGEN + half) / (share + half) / OXYGEN
        for tray in self.trays:
            tray.grow(dt, self.box.air_c, 1.0 if self.outside else supply)

    def _step_outside(self, dt: float) -> None:
        room, book = self.room, self.box.ledger
        for tray in self.trays:
            lost = tray.cool_outside(dt, room.temp_c, room.vapour_pa)
            book.evaporated_kg += lost
            book.aired_kg += lost
        self.box.step(dt, 0.0, 0.0, 1.0)
        self.box.moisten(dt, 0.0, 0.0)

    def _step_inside(self, dt: float) -> None:
        box, trays = self.box, self.trays
        lift = box.air_c - self.room.temp_c
        conductance = warmth = vapour_k = vapour_in = under_share = 0.0
        offsets, pressures = [], []
        for place, index in enumerate(self.places):
            tray = trays[index]
            spot = self.p.trays[place]
            offset = spot.offset_per_k * lift
            offsets.append(offset)
            conductance += tray.top_g + tray.bottom_g
            warmth += tray.top_g * (tray.temp[0] - offset) + tray.bottom_g * (tray.temp[-1] - offset)
            vapour_k += tray.top_k + tray.bottom_k
            over, below = tray.top_vapour_pa(), tray.bottom_vapour_pa()
            pressures.append((over, below))
            vapour_in += tray.top_k * over + tray.bottom_k * below
            under_share += spot.heater_share
        mat_w = box.p.heater_ua * (box.heater_c - box.air_c)
        box.felt_c = self._felt_c()
        air = box.step(dt, conductance, warmth, 1.0 - under_share)
        vapour = box.moisten(dt, vapour_k, vapour_in)
        book = box.ledger
        for place, index in enumerate(self.places):
            tray = trays[index]
            share = self.p.trays[place].heater_share
            over, below = pressures[place]
            lost = tray.top_k * (over - vapour) * dt
            under = tray.bottom_k * (below - vapour) * dt
            from_mat = tray.mat_g * (box.heater_c - tray.temp[-1])
            book.evaporated_kg += lost + under
            book.metabolic_j += tray.growth_w * dt
            if share:
                box.heater_c -= share * mat_w * dt / box.p.heater_capacity
            box.heater_c -= from_mat * dt / box.p.heater_capacity
            tray.step(dt, air + offsets[place], lost, share * mat_w + from_mat, under)

    def _felt_c(self) -> float | None:
        """What a thermostat feels that does not feel the air, °C."""
        sense = self.p.box.sense
        if sense == "air":
            return None
        return self.box.heater_c if sense == "heater" else self.trays[0].temp[-1]
