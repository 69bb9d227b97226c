"""The state of a batch in one sentence, and its one next step."""

from __future__ import annotations

from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from kojimon.contract import keys
from kojimon.contract.state import Alarm, Band, Box, Document, Left, Step
from kojimon.words import alarms as alarm_words
from kojimon.words import boxes, gates
from kojimon.words import speech as say
from kojimon.words.alarms import MIX_WORKS, Work
from kojimon.words.speech import Speech
from kojimon.words.standing import dated_over, standing

SOON_MS = 3_600_000
COOLS: Final = frozenset(("mix", "spread", "furrow", "swap"))
"""Works that cool the koji: what a message about hot koji asks for as well."""
HOT: Final = (str(keys.HOT_KOJI), str(keys.SOON_HOT))
LEADS: Final = {"due": "Due now", "missed": "Missed", "open": "You can now"}
OLD_S = 120.0
"""From here on the age of a value is said; a value without one is fresh. A probe that speaks once a minute is."""
SAME_C = 0.3
"""A forecast's limit that is no further off is the same one; limits ramp between stages."""


class Sentence(Struct, frozen=True):
    """One sentence and how it is meant: `good`, `look` (by day), `wrong` (now) or `plain`."""

    text: str
    tone: str


class NextStep(Struct, frozen=True):
    """The next thing a hand must do.

    Attributes:
        name: of the step. title: `Due now: break up (kirikaeshi)`.
        window: when, in words; "" where the title says it all.
        late: whether its time has passed.
        soon: whether its time has come, or comes within the hour.
        can: whether it may be done now. harvest: whether it is the harvest.
        gate: what is to be measured first, "" for nothing. shut: whether that would not let it pass now.
        doubt: what is to be looked at first, for the koji may not have grown; "" where nothing is.
    """

    name: str
    title: str
    window: str
    late: bool
    soon: bool
    can: bool
    harvest: bool
    gate: str
    shut: bool
    doubt: str
    advice: tuple[str, ...]
    cautions: tuple[str, ...]


def speech_of(document: Document) -> Speech:
    """How to speak about a state document: its units, its zone, the words of its schedules."""
    found, units = document.incubators, document.units
    speech = Speech(
        fahrenheit=units.fahrenheit,
        pounds=units.pounds,
        zone=document.now.zone,
        probes={probe.name: (probe.place, probe.tray) for box in found for probe in box.probes},
        kinds={box.name: box.kind for box in found},
    )
    for box in found:
        speech = speech.knowing(box.steps, [box.stage] if box.stage else [])
    return speech


def work_of(incubator: Box, now_ms: int) -> Work:
    """What has been done to the koji so far, from an incubator of the state document."""
    mixing = [step for step in incubator.steps if _is_mix(step)]
    marks = [mark.at_t_ms for step in mixing for mark in step.standing]
    batch = incubator.batch
    return Work(
        hour=batch.hour if batch else None,
        mixed_ago_s=(now_ms - max(marks)) / 1000 if marks else None,
        mixes=len(marks),
        mix_open=any(step.can and not (step.optional and step.status == "missed") for step in mixing),
        harvest_open=any(step.can for step in incubator.steps if step.work == "harvest"),
        kind=incubator.kind,
        heat_off=incubator.heat_off,
    )


def _between(box: Box, speech: Speech) -> Sentence:
    if box.ended is not None and box.ended.cool_at_c is not None:
        return _cooling(box, box.ended.name, box.ended.cool_at_c, speech)
    air = _range(box, "air", speech)
    return Sentence(f"No batch is open.{f' The air in the box is at {air}.' if air else ''}", "plain")


def _cooling(box: Box, name: str, cool_at_c: float, speech: Speech) -> Sentence:
    """Harvested koji until it is cool: its hottest, or that a reading is waited for."""
    ends, cool, begun = box.ends("bed"), speech.brief("temperature", cool_at_c), f"Batch {name} is cooling"
    if ends is None:
        return Sentence(f"{begun}: read it by hand (cool at {cool}).", "plain")
    hottest, read = speech.value("temperature", ends[0].value), _read(box)
    return Sentence(f"{begun}: {'' if read else 'probe at '}{hottest}{read} (cool at {cool}).", "plain")


def work_at(document: Document, incubator: str, now_ms: int) -> Work:
    """What has been done to the koji of a box, by its name; nothing where there is none."""
    box = document.box(incubator)
    return Work() if box is None else work_of(box, now_ms)


def sentence(incubator: Box, speech: Speech, now_ms: int) -> Sentence:
    """How it stands, in one sentence.

    Args:
        incubator: from the state document.
        now_ms: engine time of the document.
    """
    worst = worst_alarm(incubator)
    if worst is not None:
        return _alarm_sentence(worst, incubator, speech, now_ms)
    dated = dated_over(incubator, speech)
    if dated:
        return Sentence(dated, "wrong")
    batch = incubator.batch
    if batch is None:
        return _between(incubator, speech)
    bed = _range(incubator, "bed", speech)
    koji = "koji" if batch.hour is not None else "rice"
    if not bed:
        return _unseen(incubator, koji, speech)
    trend = say.trend("temperature", _rate(incubator, "bed", "temperature"))
    moving = f" and {trend}" if trend else ""
    told, tone = standing(incubator, speech, now_ms)
    how = f"{_read(incubator)}, {told}" if told else _read(incubator)
    if batch.hour is None:
        look = bool(told) and tone != "good"
        how = how if look else _read(incubator)
        return Sentence(f"The rice is at {bed}{moving}{how}; no spores on it yet.", "look" if look else "plain")
    return Sentence(f"The koji is at {bed}{moving}{how}.", tone)


def _unseen(incubator: Box, koji: str, speech: Speech) -> Sentence:
    """That nothing measures the koji, and what was read by hand last."""
    aside = next((probe for probe in incubator.probes if probe.doubted and probe.value is not None), None)
    if aside is not None:
        shown = speech.value(aside.quantity, aside.value or 0.0)
        return Sentence(f"No reading from the {koji}: probe {aside.name} shows {shown}, perhaps out of it.", "look")
    if any(probe.place == "bed" for probe in incubator.probes):
        return Sentence(f"No reading from the {koji}.", "look")
    reads = [one for one in incubator.by_hand if one.place == "bed"]
    last = min(reads, key=lambda one: one.age_s, default=None)
    if last is None:
        return Sentence(f"No probe is in the {koji}: the schedule runs on its hours.", "plain")
    was = f"{speech.value(last.quantity, last.value)}{'' if last.age_s < 60 else f' {say.ago(last.age_s)}'}"
    return Sentence(f"No probe is in the {koji}. Read by hand: {was}. The schedule runs on its hours.", "plain")


def _read(incubator: Box) -> str:
    """`, read by hand 12 min ago` where the hottest is, and no probe measures the rest."""
    ends, row = incubator.ends("bed"), incubator.place("bed")
    if ends is None or not ends[0].by_hand:
        return ""
    probed = row is not None and row.hottest is not None and not row.hottest.by_hand
    return f", {'the hottest ' if probed else ''}read by hand {say.ago(ends[0].age_s or 0.0)}"


def worst_alarm(incubator: Box) -> Alarm | None:
    """The active alarm to speak of first: what wakes before what is told, new before seen, the older first."""
    rank = {"wake": 0, "tell": 1, "log": 2}
    active = [a for a in incubator.alarms if a.holds and a.priority != "log"]
    return min(
        active, key=lambda a: (rank[a.priority], a.state != "UNACK", a.since_t_ms or 0), default=None
    )


def first_line(alarm: Alarm, incubator: Box | None, speech: Speech, now_ms: int) -> str:
    """The first line of an alarm as it stands now: with the value of this moment, its trend and the time left.

    Args:
        incubator: its box; None for an alarm of the whole site.
    """
    if incubator is None:
        return alarm_words.headline(alarm, speech, Work(), None)
    fresh, age_s = at_present(alarm, incubator)
    ahead = alarm_words.Ahead(worse_limit(fresh, incubator), left_s(fresh, incubator, fresh.rate_per_h), age_s)
    return alarm_words.headline(fresh, speech, work_of(incubator, now_ms), fresh.rate_per_h, ahead)


def alarm_line(alarm: Alarm, incubator: Box | None, speech: Speech, now_ms: int) -> str:
    """An alarm for a list: its first line while it holds, what it was about once it is over."""
    return first_line(alarm, incubator, speech, now_ms) if alarm.holds else alarm_words.subject(alarm, speech)


def _alarm_sentence(alarm: Alarm, incubator: Box, speech: Speech, now_ms: int) -> Sentence:
    seen = " (acknowledged)" if alarm.state == "ACKED" else ""
    text = f"{first_line(alarm, incubator, speech, now_ms)}{seen}"
    return Sentence(text, "wrong" if alarm.priority == "wake" else "look")


def at_present(alarm: Alarm, incubator: Box) -> tuple[Alarm, float | None]:
    """The alarm with the worst that is read of its place now, where that is beyond its limit, else with the last value
    of its own probe; and how long ago that was read, None where it is of now."""
    key = keys.parse(alarm.key)
    ends = incubator.ends(key.place, key.quantity) if isinstance(key, keys.Limit) else None
    own = next((p for p in incubator.probes if p.name == alarm.probe and p.value is not None), None)
    if ends is not None and isinstance(key, keys.Limit):
        worst = ends[0] if key.side == "high" else ends[1]
        alarm = _by_milder(alarm, incubator.band(key.place, key.quantity), worst.value)
        limit = alarm.limit
        beyond = limit is not None and (worst.value >= limit if key.side == "high" else worst.value <= limit)
        if beyond or own is None or own.silent:
            found = replace(alarm, value=worst.value, rate_per_h=worst.rate_per_h, probe=worst.probe, tray=worst.tray)
            return found, worst.age_s if worst.by_hand or (worst.age_s or 0.0) >= OLD_S else None
    if own is None:
        return alarm, None
    old = own.silent or (own.age_s or 0.0) >= OLD_S
    return replace(alarm, value=own.value, rate_per_h=None if old else own.rate_per_h), own.age_s if old else None


def _by_milder(alarm: Alarm, band: Band | None, value: float) -> Alarm:
    """An alarm by a place's critical high limit that is not reached any more: by the milder one, if that is."""
    if alarm.level != "high_high" or alarm.limit is None or value >= alarm.limit:
        return alarm
    milder = band.limit("high") if band else None
    return replace(alarm, level="high", limit=alarm.limit if milder is None or value < milder else milder)


def left_s(alarm: Alarm, incubator: Box, per_hour: float | None) -> float | None:
    """Seconds until the next worse limit: if the value goes on as it does, or by the forecast where that says sooner.

    None where there is none or no knowing.
    """
    worse, value, ahead = worse_limit(alarm, incubator), alarm.value, foreseen(alarm, incubator)
    if worse is None or not per_hour or value is None or (worse - value) / per_hour <= 0:
        return ahead.s if ahead else None
    by_line = float((worse - value) / per_hour * 3600)
    return min(by_line, ahead.s) if ahead else by_line


def worse_limit(alarm: Alarm, incubator: Box) -> float | None:
    """The next worse limit of an alarm; None where there is none."""
    key, level = keys.parse(alarm.key), alarm.level
    if not isinstance(key, keys.Limit) or level not in ("high", "low"):
        return None
    band = incubator.band(key.place, key.quantity)
    return band.limit(f"{level}_{level}") if band else None


def foreseen(alarm: Alarm, incubator: Box) -> Left | None:
    """What the forecast says of the koji's next worse limit, where it is sure and narrow (`engine.outlook.Left`)."""
    worse, forecast = worse_limit(alarm, incubator), incubator.forecast
    if worse is None or alarm.level != "high" or keys.parse(alarm.key) != keys.HOT_KOJI or not forecast:
        return None
    return next((one for one in forecast.left if abs(one.limit_c - worse) <= SAME_C), None)


def next_step(incubator: Box, speech: Speech, now_ms: int, now_utc: str) -> NextStep | None:
    """The one next step with its window and the time left; None when nothing is waiting.

    Args:
        now_ms, now_utc: the document's moment, as engine time and ISO 8601.
    """
    following = incubator.next
    if following is None:
        return None
    step = incubator.step(following.step)
    if step is None:
        return None
    asked = step.status == "open" and bool(answered(incubator))
    last = max((mark.at_utc or "" for mark in step.standing), default="") if step.repeats else ""
    before = f"last done {speech.moment(last, now_utc)}" if last else ""
    name = speech.step(step.name) + (" again" if before else "")
    lead = "Do it now" if asked else "Next" if shut(step) else LEADS.get(step.status, "Next")
    return NextStep(
        name=step.name,
        title=f"{lead}: {name}" + (f" ({step.trade})" if step.trade else ""),
        window="" if asked else _join(_unled(window_of(step, speech, now_ms, now_utc)), before),
        late=step.status == "missed",
        soon=_soon(step, now_ms),
        can=step.can,
        harvest=step.work == "harvest",
        gate=gates.asked(step.gate, speech) if step.gate else "",
        shut=shut(step),
        doubt=boxes.doubted(step.doubt, speech, step.too_hot),
        advice=step.advice,
        cautions=step.cautions,
    )


def shut(step: Step) -> bool:
    """Whether its gate would not let it pass now, or cannot know."""
    return step.gate is not None and not step.gate.passed


def answered(box: Box) -> tuple[str, ...]:
    """Alarms that hold and that the next step answers: that the koji is hot, where it cools the koji."""
    step = box.step(box.next.step) if box.next else None
    if step is None or not step.can or step.work not in COOLS:
        return ()
    return tuple(alarm.key for alarm in box.alarms if alarm.holds and alarm.key in HOT)


def _unled(window: str) -> str:
    """A window without what its step's title says already; "" where it says no more."""
    for said in ("can be done now", "due now"):
        window = window.removeprefix(said).removeprefix(", ")
    return window.removeprefix("due ") if window.startswith("due since") else window


def _soon(step: Step, now_ms: int) -> bool:
    """Whether its time has come or comes within an hour."""
    first_ms = step.due_t_ms if step.opens_t_ms is None else step.opens_t_ms
    return step.status != "waiting" or (first_ms is not None and first_ms - now_ms <= SOON_MS)


def window_of(step: Step, speech: Speech, now_ms: int, now_utc: str) -> str:
    """When a step of the state document may, should and must be done, and the time left; "" once it is done."""
    status = step.status

    def at(t_ms: int | None, stamp: str | None) -> str:
        if t_ms is None:
            return ""
        apart = f"in {say.span((t_ms - now_ms) / 1000)}" if t_ms > now_ms else say.ago((now_ms - t_ms) / 1000)
        return speech.moment(stamp, now_utc) if stamp else apart

    def left(t_ms: int | None) -> str:
        return say.span((t_ms - now_ms) / 1000) if t_ms is not None and t_ms > now_ms else ""

    opens, due = at(step.opens_t_ms, step.opens_utc), at(step.due_t_ms, step.due_utc)
    closes = at(step.closes_t_ms, step.closes_utc)
    wait = left(step.due_t_ms)
    if status == "waiting":
        wait = left(step.opens_t_ms) or wait
        first = f"from {opens}" if opens else ""
        return _join(first, f"due {due}" if due else "", f"in {wait}" if wait and wait != "now" else wait) or (
            "opens when the koji is warm enough"
        )
    if status in ("open", "due") and (other := _no_hour(step)):
        return other
    if status == "open":
        return _join("can be done now", f"due {due}" if due else "", _remaining(wait or left(step.closes_t_ms)))
    if status == "due":
        return _join(
            _past("due since", due) if due else "due now",
            f"until {closes}" if closes else "",
            _remaining(left(step.closes_t_ms)),
        )
    if status == "missed":
        late = f"{_past('was due by', closes or due)}. Do it now, or enter when you did"
        return "not marked" if step.optional else late
    return ""


def _past(words: str, moment: str) -> str:
    """`due since 13:30`, but `due 3 h ago`, where no clock says when."""
    return f"{words.rpartition(' ')[0] if moment.endswith(' ago') else words} {moment}"


def _no_hour(step: Step) -> str:
    """What is said in place of hours: of a sign of the koji, which none makes come, and before a gate that is shut."""
    if step.work == "look" and step.optional:
        return "mark it when you see it"
    if step.gate is None or step.gate.passed:
        return ""
    return "once its temperature is measured" if step.gate.passed is None else "once its temperature is right"


def _remaining(text: str) -> str:
    return f"{text} left" if text and text != "now" else ""


def _join(*parts: str) -> str:
    return ", ".join(part for part in parts if part)


def _range(incubator: Box, place: str, speech: Speech) -> str:
    """`36.2 °C`, or `34.1 to 36.2 °C` when trays differ by half a degree or more."""
    ends = incubator.ends(place)
    if ends is None:
        return ""
    hottest, coldest = (end.value for end in ends)
    if hottest - coldest < 0.5:
        return speech.value("temperature", hottest)
    low = speech.value("temperature", coldest).split(" ")[0]
    return f"{low} to {speech.value('temperature', hottest)}"


def _rate(incubator: Box, place: str, quantity: str) -> float | None:
    row = incubator.place(place, quantity)
    return row.hottest.rate_per_h if row and row.hottest else None


def _is_mix(step: Step) -> bool:
    return step.work in MIX_WORKS
