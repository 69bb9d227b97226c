"""A gate with two ends says which end it is about; overcooled rice never reads as cool enough."""

from __future__ import annotations

from kojimon.contract.events import Checked, Refused
from kojimon.contract.steps import Gate
from kojimon.words.gates import answered, asked, refusal, way_on
from kojimon.words.speech import Speech

SPEECH = Speech(fahrenheit=True)


def test_overcooled_rice_is_called_too_cold_with_the_reason_and_what_to_do() -> None:
    cold = Refused(at_least=28.0, at_most=32.2, value=20.0)
    assert refusal(cold, SPEECH) == (
        "Too cold: it is at 68.0 °F; expected at least 82.4 °F. In rice so cold the spores wake hours late, and "
        "unwanted microbes gain."
    )
    assert way_on(cold) == "Warm it first, in the box"


def test_hot_rice_is_not_cool_enough() -> None:
    hot = Refused(at_least=28.0, at_most=32.2, value=45.0)
    assert refusal(hot, SPEECH) == "Cool enough? No, it is at 113.0 °F; expected at most 90.0 °F."
    assert way_on(hot) == "Wait"


def test_between_the_ends_it_passes_and_unknown_names_both() -> None:
    assert answered(Checked(at_least=28.0, at_most=32.2, value=31.0), SPEECH) == " Cool enough? Yes, 87.8 °F."
    assert refusal(Refused(at_least=28.0, at_most=32.2), SPEECH) == (
        "Cool enough, and still warm enough? No probe shows it; expected 82.4 to 90.0 °F."
    )
    both = "Cool enough, and still warm enough (82.4 to 90.0 °F)?"
    answers = [asked(Gate("bed", 28.0, 32.2, passed), SPEECH) for passed in (None, True, False)]
    assert answers == [f"{both} Measure it.", f"{both} Yes.", f"{both} No."]
    assert asked(Gate("bed", at_most=32.2, passed=True), SPEECH) == "Cool enough (at most 90.0 °F)? Yes."
