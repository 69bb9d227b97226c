"""How well the end of growth can be told 12 h before, by one who knows the world of `bedtruth.textbook` itself.

Two of them, on the same readings as the forecast gets. One knows the batch's own parameters and only not how much was
sown and when it woke; the other knows the equations and the box, and of the batch only the ranges it was drawn from.
What the first misses is what readings cannot say; what the second misses is what no forecast can beat, for none knows
its batch. Ensemble smoother with the data taken in several times (Emerick & Reynolds 2013, from memory).
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from tests.forecast.bedtruth import Draw, _saucedo
from tests.forecast.skill import done_h

RANGES: Final = {
    "rate": (0.19, 0.29), "sown": (np.log(0.002), np.log(0.012)), "rise": (75.0, 150.0), "exchange": (0.22, 0.50),
    "low_c": (7.0, 11.0), "best_c": (35.0, 38.5), "high_c": (44.0, 47.0), "lag_h": (0.0, 8.0), "drop": (0.8, 2.5),
    "more": (1.15, 1.6),
}  # fmt: skip
"""As `textbook` draws them, in its order but for the box."""
OPEN: Final = ("sown", "lag_h")
STEP_H: Final = 1.0 / 60.0
EVERY_H: Final = 0.25
NOISE_K: Final = 0.08
TIMES: Final = 4


class Oracle:
    """One batch of `textbook` as its maker knows it."""

    def __init__(self, batch: Any) -> None:
        d = Draw([batch.seed], 606)
        one = {name: float(d.uniform(*RANGES[name])[0]) for name in ("rate", "sown", "rise", "exchange")}
        self.cardinal = bool(d.uniform(0, 1)[0] < 0.5)
        one.update((name, float(d.uniform(*RANGES[name])[0])) for name in ("low_c", "best_c", "high_c"))
        self.set_c, _, self.room_c, self.share = (
            float(d.uniform(*of)[0]) for of in ((29, 31.5), (0.2, 1.5), (16, 24), (0.05, 0.5))
        )
        one["lag_h"] = float(d.uniform(*RANGES["lag_h"])[0])
        d.normal(2 * len(batch.t_s))
        d.normal(2 * len(batch.t_s))
        d.uniform(17.0, 22.0), d.uniform(5.0, 8.0)
        one.update((name, float(d.uniform(*RANGES[name])[0])) for name in ("drop", "more"))
        self.start_c, self.batch, self.true = float(d.uniform(31, 33)[0]), batch, one

    def live(self, known: dict[str, Any], hours: float, seen_h: float) -> tuple[Any, Any]:
        """Probe every quarter hour and hour growth is complete, with the air measured until `seen_h`."""
        p = {name: np.atleast_1d(value) for name, value in known.items()}
        members = max(len(value) for value in p.values())
        x, bed = np.exp(p["sown"]) * np.ones(members), np.full(members, self.start_c)
        probe, age, exchange = bed.copy(), np.zeros(members), p["exchange"] * np.ones(members)
        done, shown = np.full(members, np.inf), []
        air_c, works = self.batch.air_c, [at / 3600 for at, _ in self.batch.steps]
        spread = [at / 3600 for at, kind in self.batch.steps if kind == "spread"]
        for i in range(round(hours / STEP_H)):
            hour = i * STEP_H
            if i % round(EVERY_H / STEP_H) == 0:
                shown.append(probe)
            floating = self.share * bed + (1 - self.share) * (self.room_c + 1.5)
            air = np.maximum(self.set_c, floating)
            if hour < seen_h and np.isfinite(air_c[i]):
                air = np.asarray(air_c[i])
            f = self._speed(bed, p)
            age = age + f * STEP_H
            grow = p["rate"] * f * x * (1 - x) * (age > p["lag_h"])
            bed = bed + (p["rise"] * grow - exchange * (bed - air)) * STEP_H
            x = x + grow * STEP_H
            done = np.where((x >= 0.95) & np.isinf(done), hour, done)
            if any(abs(hour - at) < STEP_H / 2 for at in works):
                bed = bed - p["drop"]
            if any(abs(hour - at) < STEP_H / 2 for at in spread):
                exchange = exchange * p["more"]
            probe = probe + (bed - probe) * STEP_H * 3600 / 200
        return np.array(shown), done

    def _speed(self, bed: Any, p: dict[str, Any]) -> Any:
        if not self.cardinal:
            return _saucedo(bed)
        low, best, high = p["low_c"], p["best_c"], p["high_c"]
        inside, span = np.clip(bed, low, high), best - low
        form = (inside - high) * (inside - low) ** 2 / (
            span * (span * (inside - best) - (best - high) * (best + low - 2 * inside)))  # fmt: skip
        return np.clip(form, 0, 1)

    def end_h(self, now_h: float, open_to: tuple[str, ...], members: int = 200) -> float:
        """Middle of the hour growth is complete, from the readings up to `now_h`."""
        rng = np.random.default_rng([31, self.batch.seed])
        hidden = rng.logistic(size=(len(open_to), members))
        seen = self.batch.bed_c[: int(now_h * 60)][:: round(EVERY_H * 60)]
        good = np.isfinite(seen)
        noise = NOISE_K * np.sqrt(TIMES)
        for _ in range(TIMES):
            shown, _done = self.live(self._known(hidden, open_to), now_h, now_h)
            shown = shown[: len(seen)][good]
            apart, away = hidden - hidden.mean(1, keepdims=True), shown - shown.mean(1, keepdims=True)
            cov = away @ away.T / members + noise**2 * np.eye(len(shown))
            wanted = seen[good][:, None] + noise * rng.standard_normal(shown.shape) - shown
            hidden = np.clip(hidden + apart @ away.T / members @ np.linalg.solve(cov, wanted), -8, 8)
        _, done = self.live(self._known(hidden, open_to), now_h + 36, now_h)
        return float(np.median(done))

    def _known(self, hidden: Any, open_to: tuple[str, ...]) -> dict[str, Any]:
        known: dict[str, Any] = dict(self.true)
        for name, row in zip(open_to, hidden, strict=True):
            low, high = RANGES[name]
            known[name] = low + (high - low) / (1 + np.exp(-row))
        return known


def errors(batches: Any) -> dict[str, list[float]]:
    """Errors of both, 12 h before the true end, h."""
    found: dict[str, list[float]] = {"parameters known": [], "ranges known": []}
    for batch in batches:
        done, last = done_h(batch), max((t for t, _ in batch.steps), default=0.0) / 3600
        if done is not None and done - 12 > max(last, 4.0):
            oracle = Oracle(batch)
            found["parameters known"].append(oracle.end_h(done - 12, OPEN) - done)
            found["ranges known"].append(oracle.end_h(done - 12, tuple(RANGES)) - done)
    return found
