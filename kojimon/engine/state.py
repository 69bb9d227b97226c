"""The engine's whole state: frozen records that can be written down and compared.

Times are engine ms; -1 stands for "none". Its dictionaries are never changed: `turn.Turn` copies them before it works.
"""

from __future__ import annotations

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from kojimon.alarms.levels import IDLE, LevelState
from kojimon.alarms.states import AlarmState
from kojimon.contract import earlier, keys
from kojimon.contract.alarms import AlarmFacts
from kojimon.contract.steps import Weighing
from kojimon.engine.air_watch import AirWatch
from kojimon.engine.course import Course
from kojimon.engine.reads import Read
from kojimon.engine.setup import EngineSetup
from kojimon.forecast.answers import Forecast
from kojimon.model import Priority


class ProbeWatch(Struct, frozen=True):
    """The four limits on one probe: (high, high-high) and (low, low-low).

    fell_from: what it showed before it fell further than koji can; its high alarm does not end while this stands.
    """

    high: tuple[LevelState, LevelState] = (IDLE, IDLE)
    low: tuple[LevelState, LevelState] = (IDLE, IDLE)
    fell_from: float | None = None

    @property
    def idle(self) -> bool:
        """Whether no limit is pending or active."""
        return all(level.idle for level in self.high + self.low)


class ConditionState(Struct, frozen=True):
    """When a condition of the schedule was true.

    Attributes:
        since_ms: start of the run that still lasts, -1 when it is false.
        watch_ms: the next moment at which a lasting run completes a hold somebody waits for; -1 for none.
        runs: finished runs (first and last sample at which it was true) that lasted at least the hold.
    """

    since_ms: int = -1
    watch_ms: int = -1
    runs: tuple[tuple[int, int], ...] = ()


class Mark(Struct, frozen=True):
    """A step done, as the person says it was.

    Attributes:
        id: number of the mark, never used again. at_ms: when it was done; recorded_ms when it was said.
        undone: taken back; kept so that the record stays whole. event: number of the event that states it.
    """

    id: int
    step: str
    at_ms: int
    recorded_ms: int
    undone: bool = False
    event: int = 0


class Phase(Struct, frozen=True):
    """What was announced of a step's window: round, 0 waiting, 1 open, 2 due, 3 closed; when any was told as due."""

    round: int = 1
    rank: int = 0
    told_ms: int = -1


class Moved(Struct, frozen=True):
    """A probe that was moved to another tray: the tray of the settings, the one it is in, when it has settled."""

    home: str
    tray: str
    settled_ms: int


class Asked(Struct, frozen=True):
    """Whether the probe is back in the koji is asked: after which work, done when, until when it is asked, and since
    when the readings show it (-1: they do not).

    before: °C of each probe before the work, by number;
    warm: whether the koji was warmer than the box makes it before the work; follows_ms: since when its probes have
    followed the box's air since then (-1: they do not), between least_k and most_k above it; doubted: that was told.
    """

    mark: int
    step: str
    at_ms: int
    until_ms: int
    shown_ms: int = -1
    warm: bool = False
    follows_ms: int = -1
    least_k: float = 0.0
    most_k: float = 0.0
    doubted: bool = False
    before: dict[int, float] = {}


class ProbeTest(Struct, frozen=True):
    """A probe that is to be warmed: the limit for this, until when, how far it has got, who asked."""

    limit: float
    until_ms: int
    level: LevelState = IDLE
    by: dict[str, str] = {}


class Lately(Struct, frozen=True):
    """When something last happened to a box whose batch is open; -1 for never.

    Attributes:
        set_ms: it was set to another temperature; settling_until_ms: which it may take until then; off_ms: or off.
        visited_ms: somebody answered hot koji, or set the box and did not say to what.
        putting_back_ms: somebody has gone to put a probe back. guessed_ms: a sudden fall was asked about.
        forecast_known_ms, forecast_refused_ms: told of the forecast. warm_ms: the koji was as warm as koji is.
        forgotten_ms: told that nobody ended the batch. unwatched_ms: nobody watches the koji; unseen_ms: told of that.
        over_ms: the air came over what the stage allows, and is.
    """

    set_ms: int = -1
    settling_until_ms: int = -1
    visited_ms: int = -1
    putting_back_ms: int = -1
    guessed_ms: int = -1
    forecast_known_ms: int = -1
    forecast_refused_ms: int = -1
    warm_ms: int = -1
    forgotten_ms: int = -1
    off_ms: int = -1
    unwatched_ms: int = -1
    unseen_ms: int = -1
    over_ms: int = -1


class Guess(Struct, frozen=True):
    """A step done by the koji's fall, unmarked (engine.guess): when, the event of it; `told`: a message went out."""

    at_ms: int
    step: str
    event: int
    told: bool = False


class BatchState(Struct, frozen=True):
    """An open batch.

    Attributes:
        own_rise_k, own_fall: how far it rose by itself, the part gone; warmth: what was said of it (engine.own_heat).
        slow: it had no heat of its own when most koji has; -1: and that it came late was said (engine.plan).
        hot_ms, hot_c: so long it was too hot in all, and how hot at most (engine.slow). guesses: open questions.
        unanswered: whether the probe is back was asked and is not known; unwatched: so, or no probe in the koji is
            believed (engine.probe_back).
        weighed: as entered. rice_kg: as begun with, else 0.
    """

    id: str
    name: str
    schedule: str
    started_ms: int
    marks: tuple[Mark, ...] = ()
    stage: str = ""
    stage_since_ms: int = -1
    conditions: dict[str, ConditionState] = {}
    phases: dict[str, Phase] = {}
    own_rise_k: float = 0.0
    own_fall: float = 0.0
    warmth: str = ""
    slow: int = 0
    hot_ms: int = 0
    hot_c: float = 0.0
    unanswered: Asked | None = None
    unwatched: bool = False
    guesses: tuple[Guess, ...] = ()
    weighed: tuple[Weighing, ...] = ()
    rice_kg: float = 0.0


class Ended(Struct, frozen=True):
    """A batch that has ended, as it was: its end may be taken back (engine.reopen).

    Attributes:
        at_ms: when it ended; kind: the event that says so; mark: of the harvest, 0 for none; after: last event before.
        trays: of probes that were moved, by number; since, exposed, lately, read: of the box, as in State.
        cooled_ms: when its koji was seen cool (engine.cooling), -1 for not yet.
    """

    batch: BatchState
    at_ms: int
    kind: str
    mark: int = 0
    lately: Lately = Lately()
    trays: dict[int, str] = {}
    since: dict[str, int] = {}
    exposed: dict[str, int] = {}
    read: dict[int, Read] = {}
    after: int = 0
    cooled_ms: int = -1


class AlarmRec(Struct, frozen=True):
    """One alarm: its place in its life and the occurrence it is in.

    Attributes:
        active: whether the condition holds now.
        level: `high`, `high_high`, `low`, `low_low`, or "" for alarms without levels.
        occurrence: number of the present or last occurrence of this alarm, from 1; 0 before the first.
        since_ms: when the present occurrence began.
        calls: how often this occurrence has called a person.
        latching: whether it stays listed when the condition has gone, until reset.
        shelved_until_ms: end of the shelf; silent_until_ms: until when its sound is off.
        reason: why it is out of service, in the person's words. ended: as in `contract.alarms`.
        facts: what its words hang on besides.
    """

    key: str
    incubator: str
    state: AlarmState = AlarmState.NORM
    active: bool = False
    level: str = ""
    priority: Priority = Priority.LOG
    occurrence: int = 0
    since_ms: int = -1
    calls: int = 0
    value: float | None = None
    limit: float | None = None
    probe: str = ""
    shelved_until_ms: int = -1
    silent_until_ms: int = -1
    one_shot: bool = False
    latching: bool = False
    reason: str = ""
    ended: str = ""
    facts: AlarmFacts = AlarmFacts()

    @property
    def about(self) -> keys.AlarmKey:
        """Its key as a value."""
        return keys.parse(self.key)


class Outlook(Struct, frozen=True):
    """A forecast taken in: of which batch, made for which engine time, and when it came."""

    batch: str
    made_ms: int
    taken_ms: int
    forecast: Forecast


class State(Struct, frozen=True):
    """All the engine knows.

    Attributes:
        t_ms: how far it has advanced. seq: last input taken. event_no, mark_no: last numbers given.
        last_t, last_v: time and value of each probe's last good reading, by probe number.
        read: what was last read by hand, by the number of its place (`setup.read_by_hand`).
        quiet: for each probe the open corridor of values in which a reading changes nothing but last_t and last_v.
        served: after an unclean stop, since when a value found beyond a limit counts as beyond it, by probe number.
        due: deadlines by their text (contract.deadlines); `(due, text)` orders them.
        alarms: by `INCUBATOR/KEY` (contract.keys.named).
        trace: for each probe its value every two minutes, half an hour of it.
        anchors: (engine ms of a boot's first moment, ms the gap before it was longer than believed).
        boots: (boot number, engine ms of its first moment) of the latest boots.
        since: since when the condition of a slow watch holds, by `INCUBATOR/KEY`; exposed: ms added up, likewise.
        lately: what else has happened to each box.
        ended: the last batch of each box that has ended.
        usual: the usual level of each air probe, own: the box's own level there; airs: what is being learnt of them
            (engine.box).
        courses: what each probe in the koji would show without growth, by number.
        work: since when hands are in the koji, by incubator.
        bad: of each probe whose readings are bad now: (since ms, last ms, quality).
        probe_tests: probes that somebody is warming to prove the alarm, by number (engine.alarm_test).
        outlooks: the latest forecast, by incubator (engine.outlook).
        moved: probes that sit in another tray than the settings say, by number (engine.probe_acts); `setup` has the
            tray they are in.
        asked: whether the probe is back in the koji, by incubator (engine.probe_back).
        doubts: probes that are perhaps not in the koji, by number: the °C that shows that they are (engine.doubts).
        awake_ms: since when the daemon has been up; silence is not counted before.
        acts: idempotency keys of the latest acts with their seq.
        tares: what each vessel weighs that things of a box are weighed in, kg, by `INCUBATOR/VESSEL` (engine.scale).
    """

    t_ms: int = 0
    seq: int = 0
    event_no: int = 0
    mark_no: int = 0
    setup: EngineSetup = EngineSetup(site="")
    setup_hash: str = ""
    last_t: dict[int, int] = {}
    last_v: dict[int, float] = {}
    read: dict[int, Read] = {}
    quiet: dict[int, tuple[float, float]] = {}
    watch: dict[int, ProbeWatch] = {}
    served: dict[int, int] = {}
    trace: dict[int, tuple[tuple[int, float], ...]] = {}
    due: dict[str, int] = {}
    alarms: dict[str, AlarmRec] = {}
    batches: dict[str, BatchState] = {}
    ended: dict[str, Ended] = {}
    anchors: tuple[tuple[int, int], ...] = ()
    since: dict[str, int] = {}
    exposed: dict[str, int] = {}
    lately: dict[str, Lately] = {}
    usual: dict[int, float] = {}
    own: dict[int, float] = {}
    work: dict[str, int] = {}
    bad: dict[int, tuple[int, int, int]] = {}
    boots: tuple[tuple[int, int], ...] = ()
    probe_tests: dict[int, ProbeTest] = {}
    outlooks: dict[str, Outlook] = {}
    moved: dict[int, Moved] = {}
    asked: dict[str, Asked] = {}
    doubts: dict[int, float] = {}
    airs: dict[int, AirWatch] = {}
    courses: dict[int, Course] = {}
    awake_ms: int = 0
    acts: dict[str, int] = {}
    tares: dict[str, float] = {}


_ENCODER = msgspec.msgpack.Encoder()
_DECODER = msgspec.msgpack.Decoder(State)


def initial_state() -> State:
    """The state before any input."""
    return State()


def encode(state: State) -> bytes:
    """The state as bytes for a snapshot."""
    return _ENCODER.encode(state)


def decode(data: bytes) -> State:
    """The state from a snapshot. Raises msgspec.DecodeError when it was written by another form of the engine."""
    if earlier.holds(data):
        data = _ENCODER.encode(earlier.plain(msgspec.msgpack.decode(data, strict=False)))
    return _sorted_out(_DECODER.decode(data))


def _sorted_out(state: State) -> State:
    """What versions up to 0.1.0 kept in `since`, moved to where it belongs: `INCUBATOR/visited` and the like."""
    since, lately = dict[str, int](), dict(state.lately)
    for name, t_ms in state.since.items():
        incubator, key = keys.parse_named(name)
        if not isinstance(key, keys.Other):
            since[name] = t_ms
            continue
        if key.text in _ONCE_IN_SINCE:
            found = lately.get(incubator, Lately())
            lately[incubator] = replace(found, **{_ONCE_IN_SINCE[key.text]: t_ms})
    return state if len(since) == len(state.since) else replace(state, since=since, lately=lately)


_ONCE_IN_SINCE = {
    "set": "set_ms", "settling": "settling_until_ms", "visited": "visited_ms", "putting-back": "putting_back_ms",
    "guess": "guessed_ms", "forecast-known": "forecast_known_ms", "forecast-refused": "forecast_refused_ms",
}  # fmt: skip


def elapsed_ms(anchors: tuple[tuple[int, int], ...], from_ms: int, to_ms: int) -> int:
    """Time that really passed between two engine times: the difference plus what gaps in between were longer."""
    return to_ms - from_ms + sum(delta for at, delta in anchors if from_ms < at <= to_ms)


def after_ms(anchors: tuple[tuple[int, int], ...], from_ms: int, wait_ms: int) -> int:
    """The first engine time at which `wait_ms` has really passed since from_ms."""
    t_ms = from_ms + wait_ms
    for at, delta in anchors:
        if from_ms < at <= t_ms:
            t_ms = max(at, t_ms - delta)
    return t_ms
