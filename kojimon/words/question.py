"""The one question kojimon asks by itself: whether the probe is back in the koji after work on it. Pure."""

from __future__ import annotations

from typing import NamedTuple

from kojimon.contract.events import ProbeBack
from kojimon.contract.state import Box
from kojimon.words.speech import Speech, big_first


class Asked(NamedTuple):
    """The question, the word for yes, and what is done until it is answered."""

    text: str
    yes: str
    meanwhile: str


def open_question(box: Box, speech: Speech, now_utc: str) -> Asked | None:
    """The question that is open for a box of the state document; None for none."""
    question = box.question
    if not question:
        return None
    end = f"until {speech.moment(question.until_utc, now_utc)}" if question.until_utc else "for a while"
    many = question.probes > 1
    return Asked(
        text_of(question.probes), "Yes, they are" if many else "Yes, it is",
        f"{big_first(end)} a probe left out is noticed sooner. Nothing calls because this is not answered.",
    )  # fmt: skip


def text_of(probes: int) -> str:
    """The question itself.

    Args:
        probes: how many there are in the koji by the settings.
    """
    if probes > 1:
        return "Are the probes back in the koji, each at mid-depth in the middle of its tray?"
    return "Is the probe back in the koji, at mid-depth of the warmest tray?"


def told(key: str, what: ProbeBack, speech: Speech) -> tuple[str, str]:
    """The words of an event about it, and their tone; "" for one that says nothing to a person."""
    many = what.probes > 1
    if key == "asked":
        return text_of(what.probes or 1), "plain"
    if key == "said":
        return f"Noted: the probe{'s are' if many else ' is'} back in the koji.", "good"
    if key == "follows":
        return (
            "The koji probes follow the box air since the work on it. Are they back in the koji?" if many else
            "The koji probe follows the box air since the work on it. Is it back in the koji?"
        ), "look"  # fmt: skip
    if key == "unanswered":
        asked = "whether the probes are back in the koji" if many else "whether the probe is back in the koji"
        return f"Nobody has said {asked}, and the readings do not show it. Look.", "look"
    if key == "fell":
        before, now = (speech.value("temperature", value or 0.0) for value in (what.from_c, what.value))
        return (
            f"Probe {what.probe} fell from {before} to {now} within minutes: no longer in the koji? Not counted as "
            "back to normal. Put it back, or enter what you did.", "look",
        )  # fmt: skip
    return "", "plain"
