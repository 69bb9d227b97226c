"""What is measured in a box, what follows from it, and the limits it is held to. Part of the state document."""

from __future__ import annotations

from msgspec import Struct, field


class Extreme(Struct, frozen=True):
    """The hottest or coldest fresh probe of a place.

    Attributes:
        probe, tray: its name; its tray, "" for none.
        value: °C or %. age_s: seconds since its last good reading.
        rate_per_h: slope in K/h or %/h, None while too little is known.
        by_hand: it was read by a person; `probe` is no probe then.
    """

    probe: str
    tray: str
    value: float
    age_s: float | None = None
    rate_per_h: float | None = None
    by_hand: bool = False


class Place(Struct, frozen=True):
    """One quantity of one place of a box.

    Attributes:
        place, quantity: `bed`, `air`, `room`, `wet-bulb`; `temperature` or `humidity`.
        probes: how many measure it.
        hottest, coldest: of those with a fresh reading; where none has one, of what was read by hand in the last half
            hour; else None.
    """

    place: str
    quantity: str
    probes: int = 0
    hottest: Extreme | None = None
    coldest: Extreme | None = None

    @property
    def ends(self) -> tuple[Extreme, Extreme] | None:
        """Its hottest and its coldest, the same one twice where one probe is fresh; None for none."""
        return None if self.hottest is None else (self.hottest, self.coldest or self.hottest)


class Probe(Struct, frozen=True):
    """A probe of a box.

    Attributes:
        no: its number in the journal. tray: "" where it is in none.
        value: the last good one, °C or %; None before the first.
        age_s: seconds since then, None before the first.
        quality: of its latest reading (`model.Quality`), 0 is good; None before the first.
        rate_per_h: slope in K/h or %/h, None while too little is known.
        silent: whether its alarm `silent/NAME` is active. doubted: whether it is perhaps not in the koji: it counts for
            no place then.
    """

    name: str
    no: int
    place: str
    tray: str
    quantity: str
    value: float | None = None
    age_s: float | None = None
    quality: int | None = None
    rate_per_h: float | None = None
    silent: bool = False
    doubted: bool = False


class ByHand(Struct, frozen=True):
    """What was last read by hand in a place, however old.

    Attributes:
        place, quantity, tray: where. value: °C or %. at_t_ms: when it was read. age_s: seconds since then.
        fresh: whether it stands for how it is: limits, steps and gates go by it.
        unjudged: of its half hour, no work on the koji since, but not of now: shown as how it is, judged by no limit.
        reading: number of its event, to take it back by; 0 for what was said at a gate.
    """

    place: str
    quantity: str
    tray: str
    value: float
    age_s: float
    at_t_ms: int
    fresh: bool
    unjudged: bool = False
    reading: int = 0
    at_utc: str | None = None


class Derived(Struct, frozen=True):
    """What follows from two probes together (`engine.derived`).

    Attributes:
        name: with its unit: `above_air_k`, `dew_point_c`, `absolute_humidity_g_m3`, `vapour_pressure_deficit_kpa`,
            `dry_wet_difference_k`, and by a wet bulb `humidity_pct`.
        value: None where it cannot be had now.
        age_s, quality: the oldest and the worst of what it was made of; age_s None where a probe has never spoken.
        probes: those it was made of (`from` in JSON).
        lacking: why there is no value: `quality`, `fresh` or `contradiction`; None where there is one.
    """

    name: str
    place: str
    value: float | None
    age_s: float | None
    quality: int
    probes: tuple[str, ...] = field(name="from")
    lacking: str | None = None


class Band(Struct, frozen=True):
    """The limits in force for a place and quantity, °C or %; None where there is none of that level."""

    place: str
    quantity: str
    low_low: float | None = None
    low: float | None = None
    high: float | None = None
    high_high: float | None = None

    def limit(self, level: str) -> float | None:
        """The limit of a level by its name."""
        return {"low_low": self.low_low, "low": self.low, "high": self.high, "high_high": self.high_high}.get(level)


class Pending(Struct, frozen=True):
    """A limit that is passed while its delay runs: no alarm of it yet, or none so grave.

    Attributes:
        key: of the alarm to come. level: `high`, `high_high`, `low` or `low_low`. priority: `wake`, `tell` or `log`.
        value, limit: °C or %.
        since_t_ms: passed since. due_t_ms: the alarm comes then at the earliest, for a delay ends on a reading.
        held: nothing will be said then: the alarm is set aside, or hands are in the koji.
    """

    key: str
    level: str
    priority: str
    probe: str
    tray: str
    value: float
    limit: float
    since_t_ms: int
    due_t_ms: int
    held: bool = False
    since_utc: str | None = None
    due_utc: str | None = None
