"""One batch's forecast: readings and works in, a `Forecast` out.

Readings are gathered into blocks of five minutes on the batch's own clock; a block's median is what the ensemble
learns from. So feeding every second, or once a minute after a restart, gives nearly the same members, and asking
for a forecast never changes them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import Any, Final

import numpy as np

from kojimon.forecast import ahead
from kojimon.forecast.answers import Forecast, ForecastSetup, MixAim, Prior
from kojimon.forecast.box import EVERY_H, Box
from kojimon.forecast.ensemble import BED, EFFECTS, ERROR, GROWN, LEAST_SHARE, Ensemble
from kojimon.forecast.growth import Array
from kojimon.forecast.plausible import weigh
from kojimon.forecast.prior import KINDS, PARAMETERS, ROW, for_box, learn, to_scale
from kojimon.forecast.record import Record
from kojimon.units import median

BLOCK_S: Final = 300
BLOCK_H: Final = BLOCK_S / 3600.0
Reading = tuple[float, float | None, float | None, float | None, float | None]
"""Seconds since inoculation; bed, air and room in °C; relative humidity in %."""
START_C: Final = 32.0
"""Assumed bed at inoculation when nobody says: cooled to 32 °C (common practice, no source)."""
ROOM_C: Final = 20.0
"""Assumed room when there is no probe; chosen."""
BEST_C, WORST_C = -10.0, 80.0
"""A bed or box outside this is no bed or box; such values carry no weight."""
JUMP_K: Final = 2.0
"""A block further off than this, and than six standard deviations, is not believed at first; chosen."""
AIR_BLOCKS: Final = 24
"""A half-hour's air older than two hours says nothing about now; chosen."""
LEAST_HEIGHT_K: Final = 5.0
"""Koji so little above its room says nothing of what a mixing takes; chosen."""
OUT_SHARE: Final = 0.45
"""A probe that after work shows so much of the koji's height above the room gone lies beside it; chosen above what any
published mixing took."""
MOVES_K: Final = 0.7
"""A probe that moves faster in a block has just been put back, or is in a sleeve and still on its way; chosen."""
OUT_BLOCKS: Final = 9
"""Hands are done by then, and what the probe shows is believed; chosen."""
SETTLING_BLOCKS: Final = 6
"""Half an hour after work in which readings count less and the box is not learnt from; chosen."""
REST_FROM_H: Final = 3.0
"""Then the rice has come to what box and room make of it; chosen."""
REST_K: Final = 1.0
"""Koji without heat of its own lies where its box has held it so far, or lower by so much on the average; chosen."""
MAT_C: Final = 30.0
"""What a mat makes of koji without heat of its own, whatever its room: people choose it for that; chosen."""
TIED, TIED_K = 0.6, 4.0
"""Share of mats that a thermostat in the koji switches, and how much more than needed such a mat could give; chosen."""
HOLD_SPREAD_K: Final = 1.5
"""How far what it holds differs from `MAT_C`; chosen."""
MAT_K, DRIES_K = KINDS["heat-mat"]["offset_k"][0], 2.5
"""What it makes of it above the air, and what it gives besides for what evaporates under a usual cover; chosen."""
MATS: Final = 0.15
"""Share of heat mats among boxes of which nobody says what they are; chosen."""
SETTLING_K, BY_HAND_K = 0.5, 0.5
"""Standard deviation more of a reading then, and of one by hand where no probe is read: another spot; chosen."""
DRAWS: Final = 8
"""How many members are drawn for each one kept, when the prior is the published one."""
CHECK_H: Final = 2.0
CHECK_EVERY: Final = 6
"""The batch is checked against a forecast two hours old, every half hour; chosen."""


class Forecaster:
    """The forecast of one batch. Plain state throughout, so it can be pickled; seeded, so it can be repeated."""

    def __init__(self, setup: ForecastSetup, prior: Prior, seed: int) -> None:
        """
        Args:
            setup: what is known about the batch beforehand.
            prior: belief about bed, mould and box (`prior.published()` or what earlier batches left).
            seed: same seed, same readings: same forecasts.
        """
        self.setup, self.prior, self.seed = setup, prior, seed
        self._rng = np.random.default_rng([seed, 1])
        told = for_box(prior, setup.kind, setup.cover)
        mean, cov = np.array(told.mean), np.array(told.cov)
        n = len(PARAMETERS)
        if setup.set_c is not None:
            mean[n], cov[n, :], cov[:, n] = to_scale(setup.set_c, "plain"), 0.0, 0.0
            cov[n, n] = 0.7**2
        start_c = START_C if setup.start_c is None else setup.start_c
        drawn = setup.members * (DRAWS if prior.batches == 0 else 1)
        self.ensemble = Ensemble(mean[:n], cov[:n, :n], drawn, self._rng, start_c)
        share = {"heat-mat": 1.0, "unknown": 0.0 if prior.batches else MATS}.get(setup.kind, 0.0)
        mat: Array = np.where(np.arange(drawn) < round(share * drawn), 1.0, 0.0)
        tied = (mat > 0.0) & (self._rng.random(drawn) < TIED)
        self.ensemble.hold_c[tied] = MAT_C + HOLD_SPREAD_K * self._rng.standard_normal(int(tied.sum()))
        self.ensemble.shift("offset_k", np.where(tied, TIED_K, 0.0))
        if prior.batches == 0:
            self.ensemble.shift("offset_k", (DRIES_K + MAT_K * (setup.kind == "unknown")) * mat)
            weigh(self.ensemble, setup.members, setup.complete_at, self._rng, MAT_K * mat)
        self.box = Box(mean[n:], cov[n:, n:], setup.members, self._rng, setup.kind)
        self.block = 0
        self.jumps = 0
        self.warmed = False
        self.done_h: float | None = None
        self.record = Record()
        self.last_bed_s: float | None = None
        self.air_half: tuple[int, float] | None = None
        self.room_c = ROOM_C
        self.humidity: Array | None = None
        self._gather: dict[str, list[float]] = {"bed": [], "air": [], "room": [], "rh": []}
        self._half: dict[str, list[float]] = {"bed": [], "air": []}
        self._by_hand: float | None = None
        self._works: list[str] = []
        self._since_step = OUT_BLOCKS
        self._refused: list[float] = []
        self._blind_air = False
        self._air_seen = False
        self._seen_blocks: deque[bool] = deque(maxlen=24)
        self._calm_c: float | None = None
        self._held: list[tuple[float, float | None]] = []
        self._before_c: float | None = None
        self._shown_c: float | None = None
        self._rooms: deque[float] = deque(maxlen=5)

    def observe(
        self, t_s: float, bed_c: float | None, air_c: float | None, room_c: float | None = None,
        rh_pct: float | None = None,
    ) -> None:  # fmt: skip
        """Takes one set of readings. None is "no reading"; readings before inoculation and late ones are left out.

        Args:
            t_s: seconds since inoculation.
            bed_c, air_c, room_c: °C.
            rh_pct: relative humidity of the box air, %.
        """
        if t_s < self.block * BLOCK_S:
            return
        self._catch_up(int(t_s // BLOCK_S))
        for name, value, low, high in (
            ("bed", bed_c, BEST_C, WORST_C),
            ("air", air_c, BEST_C, WORST_C),
            ("room", room_c, -40.0, 60.0),
            ("rh", rh_pct, 1.0, 100.0),
        ):
            if value is not None and low < value <= high:
                self._gather[name].append(value)
                if name == "bed":
                    self.last_bed_s = t_s

    def work(self, t_s: float, kind: str) -> None:
        """Work was done, something was changed or read by hand (`protocol.Work`); any other kind changes nothing.

        `t_s` may lie before readings already taken (told late); it then counts from now.
        """
        what, _, value = kind.partition(" ")
        if what not in EFFECTS and what not in ("set", "read"):
            return
        self._catch_up(int(max(t_s, 0.0) // BLOCK_S))
        if what == "read":
            self._by_hand = float(value)
            self.last_bed_s = max(t_s, self.last_bed_s or 0.0)
        elif what == "set":
            self.box.set_anew(float(value) if value else None)
            self._held.clear()
        else:
            self._works.append(what)

    def take(self, readings: Iterable[Reading], works: Iterable[tuple[float, str]]) -> None:
        """Takes many readings and works, each in order of time; work comes before a reading of its moment."""
        waiting = deque(works)
        for t_s, bed_c, air_c, room_c, rh_pct in readings:
            while waiting and waiting[0][0] <= t_s:
                self.work(*waiting.popleft())
            self.observe(t_s, bed_c, air_c, room_c, rh_pct)
        for t_s, kind in waiting:
            self.work(t_s, kind)

    def forecast(
        self, now_s: float, limits_c: tuple[float, ...], horizon_s: float = 43200.0, low_c: float | None = None,
        mix: MixAim | None = None,
    ) -> Forecast:  # fmt: skip
        """The forecast at `now_s` (seconds since inoculation), for upper limits and perhaps a low one, in °C.

        `mix`: the next mixing, where it is another than the setup's.
        """
        from kojimon.forecast.compose import compose

        self._catch_up(int(max(now_s, 0.0) // BLOCK_S))
        return compose(self, now_s, limits_c, horizon_s, low_c, mix or self.setup.mix)

    def learnt(self) -> Prior:
        """The prior of the next batch of this incubator and schedule. Unchanged where this one never warmed."""
        if not self.warmed:
            return self.prior
        (bed_mean, bed_cov), (box_mean, box_cov) = self.ensemble.belief(), self.box.belief()
        bed_mean[ROW["offset_k"]] -= TIED_K * float(self.ensemble.weights() @ np.isfinite(self.ensemble.hold_c))
        size, both = len(bed_mean), len(bed_mean) + len(box_mean)
        cov = np.zeros((both, both))
        cov[:size, :size], cov[size:, size:] = bed_cov, box_cov
        return learn(self.prior, np.concatenate((bed_mean, box_mean)), cov)

    def run(self, purpose: int, **more: Any) -> ahead.Paths:
        """Runs the batch ahead as it stands, with the randomness of one answer; `more`: as `ahead.run`."""
        return ahead.run(self.ensemble, self.box, self._now(), self.chance(purpose), **more)

    def _now(self) -> ahead.Now:
        """What a run ahead starts from besides the ensemble."""
        air_c = self.air_half[1] if self.air_half and self.block - self.air_half[0] <= AIR_BLOCKS else None
        return ahead.Now(self.room_c, self._room_k_per_h(), air_c, self.humidity)

    def _room_k_per_h(self) -> float:
        """How the room has moved over its last two hours; 0 where it was not read so long."""
        rooms = self._rooms
        return (rooms[-1] - rooms[0]) / ((len(rooms) - 1) * EVERY_H) if len(rooms) == rooms.maxlen else 0.0

    def rest_c(self, air_c: Array) -> Array | None:
        """How far each path may fall while its air (`air_c`, of each moment and path) is no colder than it was.

        None where nothing has held the koji yet, or where it falls towards what it never was: a heater may be off.
        """
        if not self._held:
            return None
        lowest_c, now_c = min(bed_c for bed_c, _ in self._held), self._bed_now()
        if now_c < max(bed_c for bed_c, _ in self._held[-4:]) - REST_K / 2 and now_c < lowest_c + REST_K:
            return None
        rest: Array = min(lowest_c, now_c) - self.chance(3).exponential(REST_K, (air_c.shape[-1],))
        then_c = min((air for _, air in self._held if air is not None), default=None)
        if then_c is None or self.setup.kind == "heat-mat":  # the air of a mat is its room's
            return rest
        return rest + np.minimum(air_c - then_c, 0.0)

    def chance(self, purpose: int) -> np.random.Generator:
        """Randomness for one answer: the same whenever it is asked within a block."""
        return np.random.default_rng([self.seed, 2, self.block, purpose])

    def sighted(self) -> float:
        """Share of the last two hours with bed readings."""
        return sum(self._seen_blocks) / 24.0

    def _catch_up(self, block: int) -> None:
        while self.block < block:
            self._close()

    def _close(self) -> None:
        """Ends the current block: learn from it, then go on to the next."""
        gathered, self._gather = self._gather, {"bed": [], "air": [], "room": [], "rh": []}
        works, self._works = self._works, []
        by_hand, self._by_hand = self._by_hand, None
        bed = median(gathered["bed"]) if gathered["bed"] else by_hand
        air = sum(gathered["air"]) / len(gathered["air"]) if gathered["air"] else None
        if gathered["room"]:
            self.room_c = median(gathered["room"])
        self.humidity = np.asarray(median(gathered["rh"]) / 100.0) if gathered["rh"] else None
        self.ensemble.advance(BLOCK_H, self._air_for(air), self.humidity)
        self._seen_blocks.append(bed is not None)
        if bed is not None and not works and self._shows_koji(bed):
            self._learn(bed, 0.0 if gathered["bed"] else BY_HAND_K)
        for kind in works:
            self.ensemble.work(EFFECTS[kind], self.room_c)
            self._touch()
        if "moved" in works:
            self._held.clear()
        self._since_step += 1
        if any(EFFECTS[kind].cools >= 1.0 for kind in works):
            self._before_c = self._calm_c
        if bed is None:
            self._calm_c = None
        self._half_hour(bed, air, bool(gathered["room"]))
        self.block += 1
        if self.block % CHECK_EVERY == 0:
            self.ensemble.drift(CHECK_EVERY * BLOCK_H)
            self._promise()
        self._notice_warmth()
        self._notice_end()

    def _air_for(self, air: float | None) -> Array:
        """Air for a step: measured, else what the box model says."""
        if self.block == 0 and self.setup.kind == "heat-mat" and self.prior.batches == 0:
            around_c = self.box.expected(self._bed_now(), self.room_c) if air is None else air
            self.ensemble.shift("offset_k", np.full(self.ensemble.size, MAT_C - around_c - MAT_K))
        if air is not None:
            self._air_seen = True
            return np.asarray(air)
        if not self._air_seen and not self._blind_air:
            # Never an air probe so far: the box's own uncertainty becomes the bed's.
            self._blind_air = True
            self.ensemble.rows[ROW["offset_k"]] += 1.5 * self._rng.standard_normal(self.ensemble.size)
            self.ensemble.drift(0.0)
        return np.asarray(self.box.expected(self._bed_now(), self.room_c))

    def _bed_now(self) -> float:
        return float(self.ensemble.weights() @ self.ensemble.state[BED])

    def _shows_koji(self, bed: float) -> bool:
        """Whether a reading is the koji's: after work the probe may lie on the table, or be on its way back."""
        last_c, self._shown_c = self._shown_c, bed
        if self._since_step >= OUT_BLOCKS or last_c is None:
            return True
        whole_c = bed if self._before_c is None else self._before_c
        out = whole_c - bed > OUT_SHARE * max(whole_c - self.room_c, LEAST_HEIGHT_K)
        return abs(bed - last_c) < MOVES_K and not out

    def _learn(self, bed: float, unsure_k: float) -> None:
        before_c, self._before_c = self._before_c, None
        if before_c is not None and before_c - self.room_c > LEAST_HEIGHT_K:
            self.ensemble.saw_fall(max((before_c - bed) / (before_c - self.room_c), LEAST_SHARE))
        mean, spread = self.ensemble.expected()
        settling = max(SETTLING_K if self._since_step < SETTLING_BLOCKS else 0.0, unsure_k)
        if abs(bed - mean) > max(JUMP_K, 6.0 * spread) and not self._persists(bed):
            return
        self._refused.clear()
        self.ensemble.learn(bed, settling)
        if self._since_step > SETTLING_BLOCKS:
            self._calm_c = bed
        self.record.check(self.block, bed)

    def _persists(self, bed: float) -> bool:
        """A jump is believed at its third block in a row: then something was done that nobody told."""
        if self._refused and abs(bed - self._refused[-1]) > 1.5:
            self._refused.clear()
        self._refused.append(bed)
        if len(self._refused) < 3:
            return False
        fell = bed < self._bed_now() - JUMP_K and bed > self.room_c
        if fell and self._calm_c is not None and self._calm_c - self.room_c > LEAST_HEIGHT_K:
            self.ensemble.saw_fall(max((self._calm_c - bed) / (self._calm_c - self.room_c), LEAST_SHARE))
        self.ensemble.work(EFFECTS["unmarked" if fell else "unknown"], self.room_c)
        self.ensemble.cov[:, BED, BED] += (bed - self._bed_now()) ** 2
        self.jumps += 1
        self._touch()
        return True

    def _touch(self) -> None:
        self._since_step = 0
        self.record.work()

    def _half_hour(self, bed: float | None, air: float | None, room: bool) -> None:
        if air is not None and self._since_step > SETTLING_BLOCKS:
            self._half["bed"].append(self._bed_now() if bed is None else bed)
            self._half["air"].append(air)
        if (self.block + 1) % round(EVERY_H / BLOCK_H):
            return
        if room:
            self._rooms.append(self.room_c)
        known = len(self._half["air"]) >= 3
        if bed is not None and self._since_step > SETTLING_BLOCKS and self.block * BLOCK_H >= REST_FROM_H:
            self._held.append((bed, float(np.mean(self._half["air"])) if known else None))
        if not known:
            return
        bed_mean, air_mean = (float(np.mean(self._half[k])) for k in ("bed", "air"))
        self._half = {"bed": [], "air": []}
        self.box.learn(air_mean, bed_mean, self.room_c)
        self.air_half = self.block, air_mean

    def _promise(self) -> None:
        """Keeps what is forecast for two hours on, to be checked then."""
        paths = self.run(9, members=100, hours=CHECK_H, step_h=0.25)
        self.record.promise(self.block + round(CHECK_H / BLOCK_H), paths.seen_c[-1, 0])

    def _notice_warmth(self) -> None:
        """Evidence of self-warming: nearly every member needs heat of the mould's own to explain the readings."""
        if self.warmed or self.sighted() < 0.5 or self.block % CHECK_EVERY:
            return
        heat = self.ensemble.made + self.ensemble.state[ERROR]
        spread = float(
            np.sqrt(self.ensemble.weights() @ ((heat - self.heat_now()) ** 2 + self.ensemble.cov[:, ERROR, ERROR]))
        )
        self.warmed = self.heat_now() > max(0.4, 2.0 * spread)

    def _notice_end(self) -> None:
        if self.warmed and self.done_h is None and self.block % CHECK_EVERY == 0:
            share = self.setup.complete_at
            ended = self.ensemble.state[GROWN] >= np.log(share / (1.0 - share))
            if float(self.ensemble.weights() @ ended) > 0.5:
                self.done_h = self.block * BLOCK_H

    def heat_now(self) -> float:
        """Heat the readings ask for, K/h: the mould's and what the model leaves out."""
        return float(self.ensemble.weights() @ (self.ensemble.made + self.ensemble.state[ERROR]))
