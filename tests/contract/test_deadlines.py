"""Deadlines as values: the text that snapshots hold, and that none is lost on the way there and back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from kojimon.contract import deadlines, keys

PARTS = ["", "trace", "silent", "again", "hush", "box", "test", "1", "01", "\u0663"]
TEXTS = {
    "trace": deadlines.TRACE,
    "silent/3": deadlines.Silent(3),
    "probe-test/1": deadlines.ProbeTest(1),
    "old/-7": deadlines.Old(-7),
    "blind/box": deadlines.Blind("box"),
    "plan/box": deadlines.Plan("box"),
    "work/box": deadlines.Work("box"),
    "test/": deadlines.Test(""),
    "asked/box": deadlines.Asked("box"),
    "shelf/box/silent/koji": deadlines.Shelf("box", keys.Silent("koji")),
    "again/box/limit/bed/temperature/high": deadlines.Again("box", keys.HOT_KOJI),
    "hush//health/disk": deadlines.Hush("", keys.Health("disk")),
}


@pytest.mark.parametrize("text", TEXTS)
def test_each_kind_has_the_text_that_snapshots_hold(text: str) -> None:
    assert deadlines.parse(text) == TEXTS[text]
    assert str(TEXTS[text]) == text


def test_every_kind_is_among_them() -> None:
    assert {type(one) for one in TEXTS.values()} == set(deadlines.Deadline.__subclasses__()) - {deadlines.Other}


@given(st.text() | st.lists(st.sampled_from(PARTS)).map("/".join))
def test_any_text_comes_back_as_it_was(text: str) -> None:
    assert str(deadlines.parse(text)) == text


@pytest.mark.parametrize("text", ["silent/koji", "silent/01", "probe-test/", "trace/1", "again/box", "later/box", ""])
def test_what_is_no_known_deadline_stays_as_it_was_written(text: str) -> None:
    assert str(deadlines.parse(text)) == text
    assert isinstance(deadlines.parse(text), deadlines.Other)
