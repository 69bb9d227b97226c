"""What a gate asks and answers, in words. The schedules' gates ask one thing: is the rice fit for the spores by now?"""

from __future__ import annotations

from kojimon.contract.events import Checked, Refused
from kojimon.contract.steps import Gate
from kojimon.words.speech import Speech

COLD = "In rice so cold the spores wake hours late, and unwanted microbes gain."


def question(at_least: float | None, at_most: float | None) -> str:
    """`Cool enough?`, `Warm enough?`, or both where the gate has two ends."""
    if at_least is not None and at_most is not None:
        return "Cool enough, and still warm enough?"
    return "Warm enough?" if at_most is None else "Cool enough?"


def asked(gate: Gate, speech: Speech) -> str:
    """The question with what is expected, and its answer now: `Cool enough (at most 32.2 °C)? No.`"""
    limits = gate.at_least, gate.at_most
    answer = {True: "Yes.", False: "No.", None: "Measure it."}[gate.passed]
    return f"{question(*limits)[:-1]} ({_wanted(*limits, speech)})? {answer}"


def _wanted(at_least: float | None, at_most: float | None, speech: Speech) -> str:
    if at_least is not None and at_most is not None:
        return f"{speech.value('temperature', at_least).split(' ')[0]} to {speech.value('temperature', at_most)}"
    limit, side = (at_least, "at least") if at_most is None else (at_most, "at most")
    return f"{side} {speech.value('temperature', limit)}"


def _cold(told: Checked | Refused) -> bool:
    value, low, high = told.value, told.at_least, told.at_most
    return value is not None and low is not None and (high is None or value <= high) and value < low


def answered(gate: Checked, speech: Speech) -> str:
    """What a gate that was passed came to: ` Cool enough? Yes, 31.0 °C by the kitchen thermometer.`; "" for none."""
    if gate.override:
        return f" Done anyway: {gate.override}."
    value = gate.value
    if value is None:
        return ""
    by = " by the kitchen thermometer" if gate.by == "thermometer" else ""
    asks = question(None if gate.at_most is not None else gate.at_least, gate.at_most)
    return f" {asks} Yes, {speech.value('temperature', value)}{by}."


def refusal(told: Refused, speech: Speech) -> str:
    """Why a gate did not let a step pass: too hot, too cold, or not known.

    Args:
        told: of the event `refused` with code `gate` or `gate-unknown`.
    """
    low, high, value = told.at_least, told.at_most, told.value
    if _cold(told) and value is not None:
        return (
            f"Too cold: it is at {speech.value('temperature', value)}; expected {_wanted(low, None, speech)}. {COLD}"
        )
    found = "No probe shows it" if value is None else f"No, it is at {speech.value('temperature', value)}"
    wanted = _wanted(low, high, speech) if value is None else _wanted(None if high is not None else low, high, speech)
    return f"{question(low if value is None else None, high)} {found}; expected {wanted}."


def way_on(told: Refused) -> str:
    """What to do first: `Wait`, `Warm it first`; `Measure it` where nothing is known."""
    if told.value is None:
        return "Measure it"
    return "Warm it first, in the box" if _cold(told) else "Wait"
