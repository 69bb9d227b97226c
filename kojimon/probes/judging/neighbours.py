"""Tests that need other probes: stuck while others move, drift against a probe beside it, koji and air exchanged,
out of the koji."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

from kojimon.model import Place, Quality, Quantity
from kojimon.probes.judging import placement
from kojimon.probes.judging.judge import GAP_MS, GOOD, MINUTE_MS, STEP_UNKNOWN, UNPINNED_PCT, Neighbours, Watch
from kojimon.units import median

STUCK, DRIFT = int(Quality.STUCK), int(Quality.DRIFT)
SWAPPED, OUT_OF_KOJI = int(Quality.SWAPPED), int(Quality.OUT_OF_KOJI)

WARM_K: Final = 3.0
WARM_MINUTES: Final = 10
"""Koji so far above the air for so long warms itself (the sign by which the schedules open the first check)."""
COOL_K: Final = 1.0
ALONE_FACTOR: Final = 1.5
"""A single probe in the koji, whose neighbours are air probes only, is given so much longer."""
HUMIDITY_MOVED_K: Final = 1.5
"""A change of the air's temperature that humidity cannot sleep through."""
PCT_PER_K: Final = 5.0
"""Humidity moves some 5 % for each K at the same vapour (at 30 °C and 95 %: -5.4 % for 1 K)."""
SMOOTH: Final = 0.1
"""Part of the newest difference in its running mean, one a minute: a time constant of ten minutes."""
LIFTED: Final = 0.7
"""Drift is lifted once the difference is back below this share of its limit."""
PLACE_MINUTES: Final = 15
"""A place is doubted only after so many minutes in a row of evidence."""
LEFT_OUT_MINUTES: Final = 30
CLOSE_MINUTES: Final = 8
"""... after so many while it is asked whether the probe is back in the koji; `CLOSE_LEFT_OUT_MINUTES` likewise."""
CLOSE_LEFT_OUT_MINUTES: Final = 12
SETTLING_MS: Final = 10 * MINUTE_MS
"""After work on the koji box and tray come to rest from the open lid; what they do until then says nothing."""
FRESH_MS: Final = 3 * MINUTE_MS


class Closer(NamedTuple):
    """Looked at more closely since some work on the koji, until a time (engine ms)."""

    since_ms: int
    until_ms: int


class Doubts:
    """What speaks against a probe's being in the koji, minute by minute."""

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Drops all of it."""
        self._along = self._close = self._exchange = self._right = self._at_air = 0
        self._swings = self._left_out = self._borrowed = False

    @property
    def exchanged(self) -> bool:
        """Whether koji and air seem to have changed places."""
        return self._exchange >= PLACE_MINUTES

    @property
    def out(self) -> bool:
        """Whether the probe seems to be out of the koji."""
        return self._swings or self._left_out or self._borrowed

    def look_closely(self, now: placement.Swing | None) -> None:
        """Takes the comparison with the air since some work on the koji, where that is looked at."""
        self._close = self._close + 1 if now is not None and placement.swings_along(now) else 0
        if self._close >= CLOSE_MINUTES:
            self._along, self._swings = PLACE_MINUTES, True

    def look(self, now: placement.Swing | None, lately: Callable[[], placement.Swing | None]) -> None:
        """Takes the comparison with the air over the window; `lately` gives that over the last few minutes.

        A doubt once raised stands until something speaks against it: in the hot hours nothing swings for long.
        """
        if now is None or now.air_range > placement.LID_K:
            return
        along = placement.swings_along(now)
        if along or self._along:
            short = lately()
            if (short is not None and placement.is_back(short, along)) or not (along or self._swings):
                self._along, self._swings = 0, False
            elif along:
                self._along = min(self._along + 1, PLACE_MINUTES)
                self._swings = self._swings or self._along >= PLACE_MINUTES
        if placement.is_exchanged(now):
            self._exchange, self._right = min(self._exchange + 1, PLACE_MINUTES), 0
        elif self._exchange < PLACE_MINUTES:
            self._exchange = max(0, self._exchange - 1)
        else:
            self._right = self._right + 1 if placement.is_as_it_should_be(now) else 0
            self._exchange = 0 if self._right >= PLACE_MINUTES else self._exchange

    def put_back(self) -> None:
        """It went to another place and is calm there: what it did before says nothing any more."""
        self._along = self._close = 0
        self._swings = False

    def compare(self, left_out: bool, enough: int = LEFT_OUT_MINUTES) -> None:
        """Takes the comparison with the other trays."""
        self._at_air = min(self._at_air + 1, 2 * LEFT_OUT_MINUTES) if left_out else 0
        self._left_out = left_out and (self._left_out or self._at_air >= enough)

    def heat(self, borrowed: bool, value: float) -> None:
        """Takes whether it went to something hot, and what it shows now."""
        self._borrowed = borrowed or (self._borrowed and value > placement.KOJI_C)


class Incubator(Neighbours):
    """All probes of one incubator, compared with each other.

    Stuck needs a reason to expect movement. Air and wet bulb follow the thermostat; koji sleeps through it for many
    hours, so a koji probe is compared with other koji probes, or, alone, with the air once the koji has warmed itself.
    Before that, a lone koji probe that is stuck cannot be told from a quiet bed.
    """

    def __init__(self, watches: Sequence[Watch]) -> None:
        self._watches = tuple(watches)
        self._bed = self._temperatures(Place.BED)
        self._air = self._temperatures(Place.AIR)
        self._all = tuple(one for one in watches if one.probe.quantity == Quantity.TEMPERATURE)
        self._humid = tuple(
            one for one in watches if one.probe.place == Place.AIR and one.probe.quantity == Quantity.HUMIDITY
        )
        self._beside = {one.probe.name: self._group_of(one) for one in watches}
        self._difference: dict[str, tuple[float, int]] = {}
        self._drifting: set[str] = set()
        self._places = {one.probe.name: Doubts() for one in self._bed}
        self._warm_minutes = 0
        self._warm_next_ms = 0
        self.warmed = False
        """Whether the koji has warmed itself, as seen here or told."""
        self._closer: Closer | None = None
        for one in watches:
            one.group = self

    def told(self, warmed: bool) -> None:
        """Takes a word from outside on whether the koji warms itself."""
        self.warmed, self._warm_minutes = warmed, WARM_MINUTES if warmed else 0

    def look_closer(self, closer: Closer | None) -> None:
        """Looks closer at every probe in the koji, or as usual again: a doubt that is raised stands either way."""
        self._closer = closer

    def _temperatures(self, place: Place) -> tuple[Watch, ...]:
        return tuple(
            one for one in self._watches if one.probe.place == place and one.probe.quantity == Quantity.TEMPERATURE
        )

    def _group_of(self, watch: Watch) -> tuple[Watch, ...]:
        """The probes that measure the same spot, without this one: a declaration counts both ways from three on."""
        own = watch.probe
        same = [one for one in self._watches if one is not watch and one.probe.quantity == own.quantity]
        named = [one for one in same if own.beside in (one.probe.name, one.probe.beside) and own.beside]
        naming = [one for one in same if one.probe.beside == own.name]
        if not own.beside and len(naming) < 2:
            return ()  # the reference of a pair is believed: two that differ cannot say which is wrong
        return tuple(dict.fromkeys(named + naming))

    def verdict(self, watch: Watch, t_ms: int) -> int:
        """See Neighbours."""
        self._look_at_warmth(t_ms)
        if self._stuck(watch, t_ms):
            return STUCK
        misplaced = self._misplaced(watch, t_ms)
        if misplaced:
            return misplaced
        return DRIFT if self._drifts(watch, t_ms) else GOOD

    def moved(self, watch: Watch) -> None:
        """See Neighbours."""
        if (doubts := self._places.get(watch.probe.name)) is not None:
            doubts.clear()
        for one in (watch, *self._beside[watch.probe.name]):
            self._difference.pop(one.probe.name, None)
            self._drifting.discard(one.probe.name)

    # -- self-warming ----------------------------------------------------------------------------------------

    def _look_at_warmth(self, t_ms: int) -> None:
        if t_ms < self._warm_next_ms or not self._bed or not self._air:
            return
        self._warm_next_ms = t_ms + MINUTE_MS
        bed, air = (_newest(group, t_ms) for group in (self._bed, self._air))
        if bed is None or air is None:
            return
        if self.warmed:
            # Freshly steamed rice beside the box looks the same until it has cooled.
            self._warm_minutes = max(0, self._warm_minutes - 1) if bed - air < COOL_K else WARM_MINUTES
            self.warmed = self._warm_minutes > 0
        else:
            self._warm_minutes = self._warm_minutes + 1 if bed - air >= WARM_K else 0
            self.warmed = self._warm_minutes >= WARM_MINUTES

    # -- stuck -----------------------------------------------------------------------------------------------

    def _stuck(self, watch: Watch, t_ms: int) -> bool:
        limits, flat_ms = watch.limits, t_ms - watch.flat_ms
        if not limits.stuck_s or flat_ms < limits.stuck_s * 1000:
            return False
        if watch.probe.quantity == Quantity.HUMIDITY:
            if watch.minutes[-1].raw >= UNPINNED_PCT:
                return False  # real plateaus near saturation last for many hours
            return _most(self._air, watch) >= HUMIDITY_MOVED_K
        step = watch.step if watch.step < 10 else STEP_UNKNOWN
        needed = max(limits.stuck_others, 3 * step)
        if watch.probe.place != Place.BED:
            return max(_most(self._all, watch), _most(self._humid, watch) / PCT_PER_K) >= needed
        if len(self._bed) > 1:
            return _most(self._bed, watch) >= needed
        alone_ms = limits.stuck_s * 1000 * ALONE_FACTOR
        return self.warmed and flat_ms >= alone_ms and _most(self._air, watch) >= needed

    # -- place -----------------------------------------------------------------------------------------------

    def _misplaced(self, watch: Watch, t_ms: int) -> int:
        """SWAPPED or OUT_OF_KOJI, or GOOD."""
        doubts, air = self._places.get(watch.probe.name), self._air[0] if self._air else None
        if air is None or t_ms - air.last_ms > FRESH_MS:
            return GOOD
        exchanged = any(one.exchanged for one in self._places.values())
        if doubts is None:
            return SWAPPED if watch is air and exchanged else GOOD
        if exchanged and not doubts.exchanged:
            doubts.clear()  # what stands for the air is koji: there is nothing to compare with
            return GOOD
        closer = self._closer if self._closer is not None and t_ms < self._closer.until_ms else None
        now = placement.swing(watch.minutes, air.minutes, t_ms)
        doubts.look(now, lambda: placement.swing(watch.minutes, air.minutes, t_ms, placement.SHORT_MS))
        doubts.look_closely(None if closer is None else _since(watch, air, closer, t_ms))
        if doubts.out and placement.is_put_back(watch.minutes, air.minutes, t_ms):
            doubts.put_back()
        others = [
            one.minutes[-1].value
            for one in self._bed
            if one is not watch and one.minutes and one.standing == GOOD and t_ms - one.last_ms <= FRESH_MS
        ]
        at_air = placement.left_out(watch.minutes[-1].value, air.minutes[-1].value, others)
        doubts.compare(at_air, LEFT_OUT_MINUTES if closer is None else CLOSE_LEFT_OUT_MINUTES)
        doubts.heat(placement.borrowed(watch.minutes, t_ms), watch.minutes[-1].value)
        if doubts.exchanged:
            return SWAPPED
        return OUT_OF_KOJI if doubts.out else GOOD

    # -- drift -----------------------------------------------------------------------------------------------

    def _drifts(self, watch: Watch, t_ms: int) -> bool:
        name, group = watch.probe.name, self._beside[watch.probe.name]
        fresh = [
            one for one in group if t_ms - one.last_ms <= FRESH_MS and one.minutes and _still_beside(watch, one)
        ]  # fmt: skip
        if not fresh:
            return False
        reference = median(one.minutes[-1].value for one in fresh)
        before, since_ms = self._difference.get(name, (0.0, t_ms))
        difference = before + SMOOTH * (watch.minutes[-1].value - reference - before)
        tolerance = watch.probe.tolerance + max(one.probe.tolerance for one in fresh)
        limit = tolerance + watch.limits.drift
        if abs(difference) < (LIFTED if name in self._drifting else 1.0) * limit:
            since_ms = t_ms
            self._drifting.discard(name)
        elif t_ms - since_ms >= watch.limits.drift_s * 1000:
            self._drifting.add(name)
        self._difference[name] = (difference, since_ms)
        return name in self._drifting


def _since(watch: Watch, air: Watch, closer: Closer, t_ms: int) -> placement.Swing | None:
    """The comparison with the air since the work alone, once that is long enough; the lid was open before."""
    window_ms = min(placement.CLOSE_MS, t_ms - closer.since_ms - SETTLING_MS)
    return None if window_ms < placement.SHORT_MS else placement.swing(watch.minutes, air.minutes, t_ms, window_ms)


def _still_beside(one: Watch, other: Watch) -> bool:
    """Whether two probes declared side by side are so: neither was moved, or both are in one tray."""
    return one.tray == other.tray or not (one.is_moved or other.is_moved)


def _newest(group: Sequence[Watch], t_ms: int) -> float | None:
    values = [one.minutes[-1].value for one in group if one.minutes and t_ms - one.last_ms <= GAP_MS]
    return median(values) if values else None


def _most(others: Sequence[Watch], watch: Watch) -> float:
    """How far the liveliest of the others has moved since this probe last changed."""
    return max((one.moved(watch.flat_ms) for one in others if one is not watch), default=0.0)


def watch_all(watches: Sequence[Watch]) -> dict[str, Incubator]:
    """Groups watches by incubator and sets each one's neighbours."""
    names = dict.fromkeys(one.probe.incubator for one in watches)
    return {name: Incubator([one for one in watches if one.probe.incubator == name]) for name in names}
