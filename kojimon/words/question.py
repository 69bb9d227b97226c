"""What kojimon asks by itself: whether the probe is back in the koji after work on it, and whether koji that cooled
suddenly was mixed. Pure."""

from __future__ import annotations

from typing import Final

from msgspec import Struct

from kojimon.contract.events import MixDenied, MixGuess, ProbeBack
from kojimon.contract.state import Box
from kojimon.words.speech import Speech, big_first

MIX_COMMAND: Final = "Yes: kojimon batch mixed. At another time: --at 14:20. Something else: --no"


class Asked(Struct, frozen=True):
    """The question, the word for yes, what is done until it is answered, and how it is answered by a command.

    `other`, `no`: the words for another time, and for something else; "" where it is yes or nothing.
    """

    text: str
    yes: str
    meanwhile: str
    command: str
    other: str = ""
    no: str = ""


def open_question(box: Box, speech: Speech, now_utc: str) -> Asked | None:
    """The question that is open for a box of the state document; None for none."""
    question = box.question
    if not question:
        return None
    if question.key == "mix-guess":
        at = speech.moment(question.at_utc, now_utc) if question.at_utc else ""
        return Asked(
            mixed_text(at), f"Yes, at {at}" if at else "Yes, then",
            "Until you answer, the next steps count from then. You need not answer: no alarm comes of it.",
            MIX_COMMAND,
            "Another time …", "No, something else",
        )  # fmt: skip
    end = f"until {speech.moment(question.until_utc, now_utc)}" if question.until_utc else "for a while"
    many = question.probes > 1
    return Asked(
        text_of(question.probes), "Yes, they are" if many else "Yes, it is",
        f"{big_first(end)} kojimon looks for a probe left out more closely. No alarm comes if you do not answer.",
        "If so: kojimon probes in-koji",
    )  # fmt: skip


def told_mixed(what: MixGuess | MixDenied, when: str) -> tuple[str, str]:
    """The words of an event about a sudden fall, and their tone; `when`: `, at 14:20`, as far as it is known."""
    if isinstance(what, MixDenied):
        return f"The koji was not mixed{when}: it cooled for another reason.", "plain"
    return mixed_text(when.removeprefix(", at ") if when.startswith(", at ") else ""), "look"


def mixed_text(at: str) -> str:
    """`Mixed at 14:20?`; `at` is "" where no time of day is known."""
    return f"Mixed at {at}? The koji cooled suddenly then." if at else "Mixed? The koji cooled suddenly."


def text_of(probes: int) -> str:
    """The question itself.

    Args:
        probes: how many there are in the koji by the settings.
    """
    if probes > 1:
        return "Are the probes back in the koji, each half-way down in the middle of its tray?"
    return "Is the probe back in the koji, half-way down in the middle of the warmest tray?"


def told(key: str, what: ProbeBack, speech: Speech) -> tuple[str, str]:
    """The words of an event about it, and their tone; "" for one that says nothing to a person."""
    many = what.probes > 1
    if key == "asked":
        return text_of(what.probes or 1), "plain"
    if key == "said":
        return f"Saved: the probe{'s are' if many else ' is'} back in the koji.", "good"
    if key == "follows":
        value, air = (speech.value("temperature", one or 0.0) for one in (what.value, what.air_c))
        return (
            f"The koji cooled suddenly. Now {what.probe} shows {value}, the air {air}. Is it in the koji?"
            if not what.step else
            "Since the work on the koji its probes follow the box air. Are they back in the koji?" if many else
            "Since the work on the koji its probe follows the box air. Is it back in the koji?"
        ), "look"  # fmt: skip
    if key == "unanswered":
        asked = "whether the probes are back in the koji" if many else "whether the probe is back in the koji"
        return f"It is not known {asked}. Look.", "look"
    if key == "fell":
        before, now = (speech.value("temperature", value or 0.0) for value in (what.from_c, what.value))
        return (
            f"Probe {what.probe} fell from {before} to {now}: out of the koji? Until it is back its value does not "
            "count. Put it back; or, if it is in the koji: kojimon probes in-koji", "look",
        )  # fmt: skip
    return "", "plain"
