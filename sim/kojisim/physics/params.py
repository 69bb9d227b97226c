"""Parameters of the rice, the trays, the box and the room, each with its source.

"Mitchell 2006" is Mitchell, Krieger and Berovic (eds.), "Solid-State Fermentation Bioreactors".
"Judgement" marks a value chosen here so that whole batches behave as published schedules say.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

Cover = Literal["cloth", "plastic", "open"]
Sense = Literal["air", "heater", "koji"]

#: Heat per mole of oxygen, J/mol: 440 kJ, "Calorimetric investigation of aerobic fermentations",
#: Biotechnology and Bioengineering 30(5):650-660.
HEAT_PER_MOL_O2 = 440e3
#: Starch burnt per mole of oxygen, kg: C6H10O5 + 6 O2 -> 6 CO2 + 5 H2O, 162.14 g / 6 (stoichiometry).
STARCH_PER_MOL_O2 = 0.16214 / 6
#: Water made per mole of oxygen, kg: 5 x 18.015 g / 6 (stoichiometry).
WATER_PER_MOL_O2 = 5 * 0.018015 / 6
#: Heat capacity of dry rice, J/(kg K). Between 1.1e3 (from Koshihikari at 14 % water, Yamada 1984) and
#: 2.5e3 (Mitchell 2006): judgement.
CP_DRY = 1500.0
#: Heat capacity of water, J/(kg K): Mitchell 2006.
CP_WATER = 4184.0


@dataclass(frozen=True)
class GrowthParams:
    """The mould on this batch's rice; rates per hour, heats per kg of white rice."""

    #: Greatest specific growth rate, 1/h. 0.236 for an Aspergillus in reactor models (Mitchell 2006); at
    #: least 0.20 from a chemostat of A. oryzae (Zangirolami et al. 2002).
    mu_opt_h: float = 0.230
    #: Mean time from seeding to a growing hypha at the best temperature, h. Hyphae seen at 8 h (a spore
    #: maker's page), germination 10-12 h in shoyu koji: judgement between them.
    germination_h: float = 6.5
    #: Stages of the distributed delay (Erlang): more stages, less spread between spores. Judgement.
    germination_stages: int = 6
    #: Biomass share that the germinated spores bring, at 1 g starter per kg. Judgement.
    inoculum: float = 0.0225
    #: Starter, g per kg white rice; 1 is the farm and home dose (Kanagawa Prefecture page, 15 g to 15 kg).
    dose_g_kg: float = 1.0
    #: Exponent of the dose: a tenth of it delays growth by about 3 h (technologist's note on ginjo koji).
    dose_exponent: float = 0.2
    #: Saturation constant of accessible starch, share of all accessible starch (Monod form). Judgement.
    starch_half: float = 1.0
    #: Heat of growing from nothing to full biomass, J per kg white rice. Sake rice makes 380-440 kJ per kg dry
    #: in all and 30 kJ/h at its peak (K. Sato, J. Brew. Soc. Japan 87:874-879, 1992, as tabulated in a
    #: published design of a koji room), a kg of white rice being 0.865 kg dry.
    growth_heat: float = 0.365e6
    #: Maintenance, share of growth_heat per hour at full biomass and best temperature. Judgement.
    maintenance_h: float = 0.004
    #: Depth at which oxygen halves the rate in a loose bed at the reference heat, m. About 5 cm is the
    #: practical limit of an unaerated tray layer (Mitchell 2006, trays).
    oxygen_depth_m: float = 0.055
    #: Heat at which that depth holds, W per kg white rice: peak of the order of 6 (derived from the above).
    oxygen_heat_w_kg: float = 6.0
    #: Alive or not: a dead starter never grows.
    viability: float = 1.0
    #: Oxygen in the box's air at which growth is half as fast, share by volume. Judgement: under a covered heap
    #: oxygen falls to about 0 and carbon dioxide rises to 20 % (a paper on koji gases), and the mould lives on.
    oxygen_half: float = 0.015


@dataclass(frozen=True)
class TrayParams:
    """One tray as loaded."""

    name: str = "tray-1"
    #: White rice in the tray, kg. 1.5 kg (1.5-2.5) per koji tray (glossary "Tray koji method").
    white_rice_kg: float = 1.5
    #: White rice per m2 of bed. 14-33 kg/m2 in boxes (glossary "Box koji method", load by inside area).
    load_kg_m2: float = 20.0
    layers: int = 4
    #: Water of the white rice, share of wet weight: 0.135 (J. Brew. Soc. Japan, best rice moisture).
    rice_water: float = 0.135
    #: Weight per white rice once spread out: 1.41-1.42 from the steamer, 1.33 when seeded (technologist's note on
    #: ginjo koji); cooling to the gate takes 0.02 to 0.03 of it.
    steamed_weight: float = 1.365
    #: Conductivity of the bed, W/(m K). 0.3-0.5 for cooked rice, from memory; loose bed lower.
    conductivity: float = 0.30
    #: Bulk density of the steamed rice bed, kg/m3: 550-700, from memory.
    bulk_density: float = 600.0
    #: Heat transfer at the open top and at the tray's underside, W/(m2 K). Still air 2-5 (textbook, from memory),
    #: between stacked trays the lower part of it: there is no colder face to radiate to.
    top_h: float = 3.4
    bottom_h: float = 2.1
    #: Share of a free water surface's evaporation that rice under a cloth shows. Judgement, set so that
    #: finished koji weighs about 117 to 120 per 100 white rice.
    evaporation_share: float = 0.47
    #: What is laid over it when it is wrapped: a cloth, plastic with holes, or nothing.
    cover: Cover = "cloth"
    #: Holes in the plastic, their number a m2 and width, m. 25 of 5 mm on a tray of 35 cm: judgement.
    holes_m2: float = 204.0
    hole_m: float = 5e-3
    #: Vapour through the film itself, kg/(s m2 Pa): LDPE measured at 40 um 11.7 g/(m2 d) (PMC4554610, table 1),
    #: made 12 um thin.
    film_kg_s_m2_pa: float = 7.6e-11
    #: Moving air over the cover, W/(m2 K); 0: as over the bare tray.
    cover_h: float = 0.0
    #: It can be spread to so many times the loaded area at most.
    spread_most: float = 2.0
    #: A tray of mesh dries from below as well, as a share of the top. 0: a tight bottom.
    mesh: float = 0.0
    #: A mat under the tray, W/(m2 K) from its surface to the rice's underside; 0: no mat, air below. Judgement.
    mat_h: float = 0.0
    #: Air at this tray minus mean air, per K of the box over its room (stratification). Judgement.
    offset_per_k: float = 0.0
    #: Part of the heater's warmth that goes straight into this tray's underside. Judgement.
    heater_share: float = 0.0


@dataclass(frozen=True)
class BoxParams:
    """The warm box."""

    volume_m3: float = 0.12
    #: Heat capacity of the air with thin fixtures, and of the walls, J/K. Judgement.
    air_capacity: float = 1500.0
    wall_capacity: float = 9000.0
    #: Air to inner wall and wall to room, W/K. U of 1-3 W/(m2 K) on 1.3-2 m2: judgement.
    inner_ua: float = 10.0
    outer_ua: float = 3.6
    #: Air exchanged with the room when shut, and when the lid is open, m3/s. Judgement.
    leak_m3_s: float = 0.25e-3
    lid_m3_s: float = 10e-3
    #: More air when vented fully (a propped lid), m3/s. Judgement.
    vent_m3_s: float = 3e-3
    setpoint_c: float = 29.6
    #: Switches off at setpoint + half, on at setpoint - half, °C.
    hysteresis_c: float = 1.0
    heater_w: float = 100.0
    #: The heater's own body, J/K, and its coupling to the air, W/K. Judgement.
    heater_capacity: float = 1200.0
    heater_ua: float = 4.0
    #: From the heater's body straight to the room below, W/K: a mat's underside. Judgement.
    heater_below_ua: float = 0.0
    #: What the thermostat feels: the air, the heater's own surface, or the koji's underside.
    sense: Sense = "air"
    #: Time constant of the thermostat's own sensor, s. Judgement.
    thermostat_lag_s: float = 90.0
    #: Wet towel or water pan: evaporation conductance, kg/(s Pa), when in place. Judgement.
    towel_kg_s_pa: float = 1.5e-9
    #: Humidifier: mass flow when on, kg/s, and the humidity it holds, % (0 kg/s: none).
    humidifier_kg_s: float = 0.0
    humidifier_pct: float = 85.0
    #: It begins as cold as its room and switched off (else as warm as its thermostat is set).
    cold: bool = False
    #: The box's own timer switches it off after so many hours (0: none).
    timer_h: float = 0.0


@dataclass(frozen=True)
class RoomParams:
    """The room with its day and night."""

    mean_c: float = 20.5
    #: Half the swing between day and night, °C; warmest at 16 local time.
    swing_c: float = 1.5
    #: Wandering of the room (weather, heating), standard deviation °C, time constant h. Judgement.
    wander_c: float = 0.5
    wander_h: float = 6.0
    humidity_pct: float = 50.0


@dataclass(frozen=True)
class IncubatorParams:
    """All of one simulated incubator."""

    growth: GrowthParams = field(default_factory=GrowthParams)
    trays: tuple[TrayParams, ...] = field(default_factory=lambda: (TrayParams(),))
    box: BoxParams = field(default_factory=BoxParams)
    room: RoomParams = field(default_factory=RoomParams)
    #: Drop at mixing, share of bed minus room: gives the 1-2 °C told on a brewer's page for a stir.
    mix_cooling: float = 0.12
    #: And at most, K. Before and after a mixing 1-5 K are told (farm and brewery pages).
    mix_most_k: float = 2.0
    #: Local time at world start, hours.
    start_local_h: float = 18.0
    step_s: float = 20.0
