"""A forecast in short plain sentences, °C or °F. Pure text; loads no numpy.

Moments are said from now on ("in 3 h 20 min") unless the caller gives a way to say them by the clock. A range is a
"likely" (8 in 10), a probability "9 chances in 10".
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from kojimon.forecast.answers import Forecast, LimitAnswer, Range
from kojimon.forecast.kept import calm_chances, calm_until_h
from kojimon.units import show_difference, show_duration, show_temperature

SURE: Final = 0.9
"""How sure a quiet night must be to be promised: 9 in 10."""
LIKELY: Final = 0.5
LEAST_TOLD: Final = 0.05
"""Less of a chance of cold is no number: a heater that goes off is not in the model."""
ALONE_H: Final = 8.0
"""From this hour on koji may warm itself (the schedules look for it then). Without a probe in it no chance of cold is
told any more: in 39 simulated batches what was told from hour 16 on, in the mean 1 chance in 10, never came."""
NEVER_SEEN: Final = (
    "The forecast has no reading of the koji, and by now that may warm itself: how warm it gets is not known. "
    "Look at it."
)
UNSURE_TAIL: Final = "Alarms stay on."
UNLIKELY_COLD: Final = "Cold is not likely while the heater works."
GENERAL: Final = "This is how batches go in general."
Say = Callable[[float], str]


def from_now(in_h: float) -> str:
    """A moment some hours from now, as a person says it: `now`, `in 3 h 20 min`."""
    minutes = round(in_h * 12) * 5
    return "now" if minutes < 5 else f"in {show_duration(minutes * 60)}"


def _bare(moment: str) -> str:
    """`in 3 h` or `at 05:40` without its first word."""
    return moment.removeprefix("in ").removeprefix("at ")


def odds(probability: float) -> str:
    """A probability as `9 chances in 10`: no finer than a tenth, and never more, for mishaps are not in the model."""
    count = min(max(round(probability * 10), 1), 9)
    return f"{count} chance{'s' if count > 1 else ''} in 10"


def sleep(forecast: Forecast, say: Say = from_now) -> str:
    """May one sleep? One line, 9 in 10; what makes it doubtful comes first."""
    calm_h, best_h = calm_until_h(forecast), forecast.mix.best_in_h
    if forecast.known and forecast.check.contradicts:
        return "do not rely on it: the koji does not follow the forecast"
    if calm_h is None and not forecast.known:
        return f"cannot say whether you may sleep. {reason(forecast)}"
    if calm_h is None:
        chances = calm_chances(forecast)
        return f"stay up: {odds(1.0 - (chances[0] if chances else 0.0))} that it needs you within 30 min"
    until = _bare(say(calm_h))
    how = f"for {until}" if say is from_now else f"before {until}"
    end = "; the forecast ends there" if calm_h >= forecast.quiet_in_h[-1] else ""
    rest = f"likely to need you {how} ({odds(SURE)}){end}"
    if forecast.known and best_h is not None and best_h < calm_h and mixing_helps(forecast):
        return f"best mixed {say(best_h)}; left alone, the koji is not {rest}"
    return f"nothing is {rest}"


def reason(forecast: Forecast) -> str:
    """Why a forecast does not know more than air and batches in general tell."""
    if _alone(forecast):
        return NEVER_SEEN
    why = forecast.why_not.removeprefix("Not yet: ")
    return f"{why[:1].upper()}{why[1:]}"


def cold(forecast: Forecast, fahrenheit: bool) -> str:
    """The chance that the koji falls below its lower limit, where there is one worth a word; else "".

    Until the koji warms itself cold is its danger, so that is told even where it is small.
    """
    chance = forecast.too_cold[-1] if forecast.too_cold else 0.0
    if forecast.low_c is None or not forecast.too_cold or _alone(forecast):
        return ""
    if chance < LEAST_TOLD:
        return "" if forecast.known else UNLIKELY_COLD
    edge = show_temperature(forecast.low_c, fahrenheit, digits=0 if fahrenheit else 1)
    low = f"under {edge} within {show_duration(3600 * forecast.quiet_in_h[-1])}: {odds(chance)}"
    return f"Cold is the risk: {low}." if chance >= 1.0 - min(_hot(forecast)) else f"{low[:1].upper()}{low[1:]}."


def _alone(forecast: Forecast) -> bool:
    """Whether the koji may warm itself and no probe ever read it."""
    return forecast.reading_age_s is None and forecast.at_s >= 3600 * ALONE_H


def _hot(forecast: Forecast) -> tuple[float, ...]:
    return (1.0, *(one.quiet[-1] for one in forecast.limits if one.quiet))


def sleep_first(forecast: Forecast, fahrenheit: bool = False, say: Say = from_now) -> tuple[str, ...]:
    """The whole forecast, beginning with whether one may sleep."""
    chill = cold(forecast, fahrenheit)
    if not forecast.known:
        why = () if calm_until_h(forecast) is None else (f"{reason(forecast)} {GENERAL}",)
        return tuple(filter(None, (sleep(forecast, say), chill, *why, done(forecast, say), UNSURE_TAIL)))
    horizon_h = forecast.horizon_s / 3600.0
    lines = [contradiction(forecast, fahrenheit)] if forecast.check.contradicts else []
    lines += [limit(answer, horizon_h, fahrenheit, say) for answer in forecast.limits]
    lines += [chill, mixing(forecast, fahrenheit, say), *what_if(forecast, fahrenheit), done(forecast, say)]
    return (sleep(forecast, say), *filter(None, lines), UNSURE_TAIL)


def limit(answer: LimitAnswer, horizon_h: float, fahrenheit: bool = False, say: Say = from_now) -> str:
    """When the koji passes one limit if nobody touches it."""
    what = show_temperature(answer.limit_c, fahrenheit)
    within = f"within {show_duration(horizon_h * 3600)}"
    if answer.in_h.p50 is None or answer.passes < 0.05:
        return f"Not over {what} {within} ({odds(1.0 - answer.passes)})."
    if answer.in_h.p90 == 0.0:
        return f"Over {what} now."
    when = f"{say(answer.in_h.p50)}{_range(answer.in_h, say)}"
    if odds(answer.passes) == odds(LIKELY):
        return f"As likely as not over {what} {within}; if so, {when}."
    if answer.passes < LIKELY:
        return f"Not over {what} {within} ({odds(1.0 - answer.passes)}); else {when}."
    return f"Over {what} {when} if left alone ({odds(answer.passes)} {within})."


def mixing(forecast: Forecast, fahrenheit: bool = False, say: Say = from_now) -> str:
    """When to mix, and what two hours of waiting cost."""
    mix = forecast.mix
    if mix.best_in_h is None:
        return f"No mixing is due within {show_duration(forecast.horizon_s)}."
    if not mixing_helps(forecast):
        return "Mixing now does not lower the peak."
    line = f"Best mixed {say(mix.best_in_h)}{_range(mix.wanted_in_h, say)}."
    first = mix.waits[0]
    later = next((wait for wait in mix.waits if wait.wait_h >= mix.best_in_h + 2.0), None)
    if later is None:
        return line
    hotter = later.highest_c - first.highest_c
    if hotter >= 0.2:
        higher = show_difference(hotter, fahrenheit)
        return f"{line} Mixing only {say(later.wait_h)} makes its peak {higher} higher than mixing now."
    return f"{line} The peak is the same if you mix {say(later.wait_h)}."


def mixing_helps(forecast: Forecast) -> bool:
    """Whether mixing lowers the peak, where it would be best now; of one that is best later nothing is said here."""
    best_h = forecast.mix.best_in_h
    now = best_h is not None and from_now(best_h) == "now"
    return not now or not any(one.change == "mix-now" and one.lower_k < TELLING_K for one in forecast.what_if)


def done(forecast: Forecast, say: Say = from_now) -> str:
    """When growth is complete and when to harvest; eye and nose have the last word."""
    answer, now_h = forecast.done, forecast.at_s / 3600.0
    if answer.hour.p50 is None:
        line = "The end of growth is too far off to say."
    elif not answer.prior_only and answer.complete_now >= LIKELY:
        line = "Growth looks complete by temperature."
    else:
        line = f"Growth complete near hour {answer.hour.p50:.0f}{_hours(answer.hour)}"
        line += ", as batches go in general." if answer.prior_only else "."
    if answer.harvest_from_hour is None or answer.harvest_until_hour is None:
        return line
    if answer.harvest_until_hour <= now_h:
        return f"{line} The harvest window closed at hour {answer.harvest_until_hour:.0f}; judge by eye and nose now."
    if answer.prior_only:
        return f"{line} The harvest window of the schedule stands until the koji has shown its own warmth."
    opens = "now" if answer.harvest_from_hour <= now_h else f"from hour {answer.harvest_from_hour:.0f}"
    until = f"hour {answer.harvest_until_hour:.0f}"
    when = f"at {until}" if opens == f"from {until}" else f"{opens}, {until} at the latest"
    return f"{line} Ready by clock and temperature {when}; you judge by eye and nose."


def contradiction(forecast: Forecast, fahrenheit: bool = False) -> str:
    """The batch does not follow the forecast."""
    miss = forecast.check.miss_k
    if miss is None:
        return "The koji does not follow the forecast, so its ranges are wider now."
    way = "warmer" if miss > 0 else "cooler"
    return (
        f"The koji is {show_difference(abs(miss), fahrenheit)} {way} than forecast two hours before, and not for the "
        "first time. The ranges are wider now; look at the koji and its probe."
    )


TELLING_K: Final = 0.1
"""Less than this is the same."""
CHANGES: Final = {
    "mix-now": "Mixed now",
    "spread-thinner": "Spread thinner now",
    "box-2c-lower": "With the box {} lower",
}


def what_if(forecast: Forecast, fahrenheit: bool = False) -> tuple[str, ...]:
    """The peak if nobody does anything, then one line a change."""
    lines = []
    for change in forecast.what_if:
        name = CHANGES[change.change].format(show_difference(2.0, fahrenheit, digits=0 if not fahrenheit else 1))
        falls, less = (show_difference(by_k, fahrenheit) for by_k in (change.falls_k, change.lower_k))
        at_once = f"{falls} cooler at once, " if change.falls_k >= TELLING_K else ""
        hottest = show_temperature(change.highest_c, fahrenheit)
        peak = f"peak {hottest}, {less} lower" if change.lower_k >= TELLING_K else "the same peak"
        lines.append(f"{name}: {at_once}{peak}.")
    if lines:
        alone_c = max(change.highest_c + change.lower_k for change in forecast.what_if)
        lines.insert(0, f"Peak if left alone: {show_temperature(alone_c, fahrenheit)}.")
    return tuple(lines)


def _range(values: Range, say: Say) -> str:
    if values.p10 is None or values.p90 is None:
        return ""
    low, high = (_bare(say(value)) for value in (values.p10, values.p90))
    return "" if low == high else f" (likely {low} to {high})"


def _hours(values: Range) -> str:
    if values.p10 is None or values.p90 is None:
        return ""
    return f" (likely {values.p10:.0f} to {values.p90:.0f})"
