"""Whether the probe is back in the koji, in words."""

from __future__ import annotations

import pytest
from msgspec.structs import replace

from kojimon.contract.state import Box, Question
from kojimon.words.events import line
from kojimon.words.question import open_question
from kojimon.words.speech import Speech
from tests.parts.inputs import event_row

NOW = "2026-01-31T20:00:00+00:00"


def box(probes: int) -> Box:
    asked = Question("probe-back", "mix", 3, 0, 1, probes, until_utc="2026-01-31T21:40:00+00:00")
    return Box("box", "Box", question=asked)


def test_one_probe_and_several() -> None:
    one, many = (open_question(box(count), Speech(), NOW) for count in (1, 2))
    assert one is not None and many is not None
    assert (one.text, one.yes) == (
        "Is the probe back in the koji, half-way down in the middle of the warmest tray?", "Yes, it is",
    )  # fmt: skip
    assert many.text.startswith("Are the probes back in the koji") and many.yes == "Yes, they are"
    assert one.meanwhile.startswith("Until 21:40 kojimon looks for a probe left out more closely.")
    assert open_question(Box("box", "Box"), Speech(), NOW) is None


def test_a_mixing_that_is_guessed_has_three_answers() -> None:
    asked = Question("mix-guess", "mix", 0, 0, None, 1, at_utc="2026-01-31T14:20:00+00:00")
    found = open_question(Box("box", "Box", question=asked), Speech(), NOW)
    assert found is not None
    assert (found.text, found.yes) == ("Mixed at 14:20? The koji cooled suddenly then.", "Yes, at 14:20")
    assert (found.other, found.no) == ("Another time …", "No, something else")
    assert "kojimon batch mixed" in found.command


def test_a_guess_is_told_with_its_time_where_that_is_known() -> None:
    event = event_row(1, 300_000, "mix-guess", "box", "b", "b", {"at_ms": 0, "step": "mix"})
    known = replace(event, utc="2026-01-31T14:25:00+00:00")
    lines = [line(one, Speech()) for one in (event, known)]
    assert [one.text for one in lines if one] == [
        "Mixed? The koji cooled suddenly.", "Mixed at 14:20? The koji cooled suddenly then.",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("key", "text"),
    [
        ("asked", "Is the probe back in the koji, half-way down in the middle of the warmest tray?"),
        ("said", "Saved: the probe is back in the koji."),
        ("seen", None), ("withdrawn", None),
        (
            "unanswered",
            "It is not known whether the probe is back in the koji. Look.",
        ),
    ],
)  # fmt: skip
def test_only_the_question_and_its_answer_are_lines(key: str, text: str | None) -> None:
    event = event_row(1, 0, "probe-back", "box", "b", key, {"probes": 1, "until_ms": 7_200_000})
    found = line(event, Speech())
    assert (found.text if found else None) == text
