"""How the koji was, by a person: said during a batch or after it, of 1 to 5, refused whole where it makes no sense."""

from typing import Any

import pytest

from kojimon import engine
from kojimon.model import Event
from kojimon.words.events import line
from kojimon.words.speech import Speech
from tests.engine.build import Rows
from tests.parts.inputs import event_row, says


def said(batch_open: bool, **data: Any) -> Event:
    rows = Rows()
    rows.act("batch.start", id="b-1", name="first")
    if not batch_open:
        rows.at(60).act("batch.harvest", yield_kg=2.0)
    rows.at(120).act("batch.verdict", **data)
    _, outcome = engine.advance(engine.initial_state(), rows.take(), rows.t_ms)
    return outcome.events[-1]


def test_a_verdict_may_come_after_the_harvest() -> None:
    event = said(False, batch="b-1", look="white to the core", look_score=5, smell="chestnut", text="use it for miso")
    assert (event.kind, event.batch, event.key) == ("verdict", "b-1", "b-1")
    assert says(event)["look"] == "white to the core" and says(event)["look_score"] == 5
    assert says(event)["who"] == "anna" and "taste" not in says(event)


def test_of_an_open_batch_it_needs_no_name() -> None:
    assert said(True, taste_score=3).batch == "b-1"


@pytest.mark.parametrize(
    ("data", "code"),
    [
        ({"look": "white"}, "no-batch"),
        ({"batch": "b-1"}, "empty-verdict"),
        ({"batch": "b-1", "look": "  "}, "empty-verdict"),
        ({"batch": "b-1", "look_score": 0}, "bad-score"),
        ({"batch": "b-1", "look_score": 6}, "bad-score"),
    ],
)
def test_what_makes_no_sense_is_refused(data: dict[str, Any], code: str) -> None:
    event = said(False, **data)
    assert (event.kind, event.key, says(event)["code"]) == ("refused", "batch.verdict", code)


def test_a_verdict_in_words() -> None:
    event = event_row(1, 0, "verdict", "box", "b", "b", {"look": "white", "look_score": 5, "smell_score": 4})
    told = line(event, Speech())
    assert told is not None and told.text == "Your verdict: look 5 of 5, smell 4 of 5 (white)."
