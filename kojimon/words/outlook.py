"""What a forecast comes to for the person: may they sleep? From the state document alone."""

from __future__ import annotations

from typing import Final

from kojimon.contract.events import Forecast
from kojimon.contract.state import Box, Document, Foreseen, Step
from kojimon.forecast.words import SURE, cold, mixing_helps, odds, reason
from kojimon.units import show_duration
from kojimon.words import status
from kojimon.words.speech import Speech, moment_utc, small_first
from kojimon.words.standing import first_pending
from kojimon.words.status import Sentence

WAITING_MS: Final = 300_000
"""So long after the spores, or after work on the koji, a forecast may be on its way."""
NOT_INSTALLED: Final = (
    "Forecasts are not installed here (the part `forecast`). All else works: readings, steps and alarms need none. "
    "To have them: sudo sh deploy/install.sh --parts all"
)
LEAST_MS: Final = 1_800_000
"""A rest shorter than this is none."""
SOON_H: Final = 1 / 12
UNKNOWN: Final = "Cannot say whether you may sleep."


NOT_YET: Final = "No forecast yet: the first comes a minute or two after the spores went on."
NO_PROBE: Final = "No forecast: that takes a probe in the koji or its air. Look at the koji, and read it by hand."
BY_AIR: Final = "This forecast was made without a reading of the koji: it goes by the box's air and batches in general."


def rest(incubator: Box, speech: Speech, now_ms: int, now_utc: str) -> Sentence:
    """Whether one may sleep, and until when: the koji's own calm, or the next step where that comes sooner.

    Args:
        incubator: from the state document, with its stamps (`*_utc`).
        now_ms, now_utc: the document's moment.
    """
    if not incubator.batch:
        return Sentence("No batch is open, so there is nothing to forecast.", "plain")
    urgent = _urgent(incubator, speech, now_ms)
    if urgent is not None:
        return urgent
    forecast = incubator.forecast
    if not forecast:
        bare = not any(probe.place in ("bed", "air") for probe in incubator.probes)
        return Sentence(NO_PROBE if bare else NOT_YET, "plain")
    if not forecast.fresh:
        return Sentence(_stale(forecast), "look")
    if not forecast.known and not _says(forecast, now_ms):
        return Sentence(" ".join(filter(None, [UNKNOWN, reason(forecast), cold(forecast, speech.fahrenheit)])), "plain")
    return _calm(incubator, forecast, speech, now_ms, now_utc)


def _says(forecast: Foreseen, now_ms: int) -> bool:
    """Whether it can promise a rest before the koji has shown its own warmth."""
    return forecast.calm_until_t_ms is not None and forecast.calm_until_t_ms - now_ms >= LEAST_MS


def brief(incubator: Box, speech: Speech, now_ms: int, now_utc: str) -> Sentence | None:
    """The same for the page and `status`, only where a forecast can promise something: the rest is said there."""
    forecast = incubator.forecast
    if not incubator.batch or not forecast or not forecast.fresh or not (forecast.known or _says(forecast, now_ms)):
        return None
    if _urgent(incubator, speech, now_ms) is not None:
        return None
    step = _first_step(incubator)
    if step is not None and step[1] <= now_ms:
        return None
    return _calm(incubator, forecast, speech, now_ms, now_utc)


def tonight(document: Document, speech: Speech) -> tuple[Sentence, ...]:
    """What stands beside the night check: `rest` of each box that is forecast, named where there are several."""
    boxes, found = document.incubators, []
    for box in boxes:
        if box.batch and box.forecast:
            one = rest(box, speech, document.t_ms, document.now.utc)
            head = f"Forecast for {box.label}" if len(boxes) > 1 else "Forecast"
            found.append(Sentence(f"{head}: {small_first(one.text)}", one.tone))
    return tuple(found)


def _urgent(incubator: Box, speech: Speech, now_ms: int) -> Sentence | None:
    """An alarm that calls, or the koji beyond a limit that will as soon as its delay has run; None for neither."""
    worst, row = status.worst_alarm(incubator), first_pending(incubator)
    if worst is not None and worst.priority == "wake":
        return Sentence(f"Not now: {status.first_line(worst, incubator, speech, now_ms)}", "wrong")
    if row is not None and row.priority == "wake" and not row.held:
        return Sentence(f"Not now. {status.sentence(incubator, speech, now_ms).text}", "look")
    return None


def _calm(incubator: Box, forecast: Foreseen, speech: Speech, now_ms: int, now_utc: str) -> Sentence:
    step = _first_step(incubator)
    until_ms = forecast.calm_until_t_ms
    if step is not None and step[1] <= now_ms:
        return Sentence(f"Do this first: {speech.step(step[0].name)}.", "look")
    if until_ms is None or until_ms - now_ms < LEAST_MS:
        return Sentence("Stay near: the koji may need you within the hour.", "look")
    koji = f"{speech.moment(forecast.calm_until_utc or '', now_utc)} ({odds(SURE)})"
    doubt = "The koji does not follow the forecast: trust this less." if forecast.check.contradicts else ""
    mixed = _best_mixed(incubator, forecast, speech, until_ms, now_utc)
    if mixed:
        said = f"{mixed} Left alone, the koji is not likely to need you before {koji}."
    elif step is not None and step[1] < until_ms:
        due = speech.moment(step[0].due_utc or "", now_utc)
        said = (f"Nothing is likely to need you before {due}. Then it is time to {speech.step(step[0].name)}. Left"
                f" alone, the koji is not likely to need you before {koji}.")  # fmt: skip
    else:
        said = f"Nothing is likely to need you before {koji}."
    unseen = BY_AIR if not forecast.known and forecast.reading_age_s is None else ""
    said = " ".join(filter(None, [said, cold(forecast, speech.fahrenheit), unseen, doubt, "Alarms stay on."]))
    return Sentence(said, "look" if doubt else "good")


def _best_mixed(incubator: Box, forecast: Foreseen, speech: Speech, until_ms: int, now_utc: str) -> str:
    """When the koji is best mixed, where that comes before its step is due and before it needs a hand; else ""."""
    step, best_h = _first_step(incubator), forecast.mix.best_in_h
    if not forecast.known or best_h is None or step is None or step[0].work != "mix":
        return ""
    best_ms = forecast.made_t_ms + round(best_h * 3_600_000)
    if best_ms >= min(step[1], until_ms) or not mixing_helps(forecast):
        return ""
    made_ms = moment_utc(forecast.made_utc or now_utc).timestamp() * 1000
    when = "now" if best_h < SOON_H else f"at {speech.moment(made_ms + best_h * 3_600_000, now_utc)}"
    return f"Best mixed {when}, {speech.moment(step[0].due_utc or '', now_utc)} at the latest."


def ready(incubator: Box, speech: Speech, now_utc: str) -> str:
    """When the koji is ready by the forecast, within the schedule's hours, where the harvest is next; else ""."""
    forecast, following = incubator.forecast, incubator.next
    if not forecast or not forecast.fresh or not forecast.known or not following:
        return ""
    step, harvest = incubator.step(following.step), forecast.harvest
    if step is None or harvest is None or step.work != "harvest" or not harvest.by_forecast or not harvest.opens_utc:
        return ""
    if step.status in ("due", "missed"):
        return ""  # its hour has come, whatever was expected
    opens, closes = (speech.moment(at, now_utc) if at else "" for at in (harvest.opens_utc, harvest.closes_utc))
    until = f", at the latest {closes}" if closes not in ("", opens) else ""
    return f"Ready by clock and temperature from {opens}{until}; you judge by eye and nose."


def _first_step(incubator: Box) -> tuple[Step, int] | None:
    """The step that is due first, of those that are not optional, and when."""
    waiting = [
        (step, step.due_t_ms) for step in incubator.steps
        if not step.optional and step.status != "done" and step.due_t_ms is not None
    ]  # fmt: skip
    return min(waiting, key=lambda found: found[1], default=None)


def _stale(forecast: Foreseen) -> str:
    age_s = forecast.age_s
    if age_s * 1000 <= WAITING_MS:
        return "The koji was just worked on. A new forecast comes within two minutes."
    return f"The last forecast is {show_duration(age_s)} old: too old to go by. Alarms stay on without it."


def told(key: str, what: Forecast) -> tuple[str, str]:
    """What changes about the forecasts as such, and its tone; "" for nothing. Each single one is no event."""
    count = what.batches or 1
    texts = {
        "known": "The forecast goes by this koji from now on: it has seen enough of it.",
        "contradicted": "The koji does not follow the forecast. Look at it and at its probe.",
        "agrees": "The koji follows the forecast again.",
        "forgotten": "The forecasts have forgotten what they learned from earlier batches.",
        "learnt": f"The forecasts have learned from {count} batch{'es' if count != 1 else ''} so far.",
        "refused": f"A forecast made no sense and was left aside: {what.reason}.",
    }
    return texts.get(key, ""), "look" if key == "contradicted" else "plain"
