"""`kojimon undo` against a running daemon: a harvest by mistake, and what journal and review make of it."""

from __future__ import annotations

import json

import pytest

from tests.cli.conftest import Kitchen

pytestmark = pytest.mark.slow


def plain(text: str) -> str:
    return " ".join(text.split())


def test_a_harvest_by_mistake_is_undone_and_the_batch_goes_on_to_its_own(kitchen: Kitchen) -> None:
    kitchen.start()
    kitchen.run("batch", "start", "first", "--hours-ago", "20 h", "--note", "new starter")
    kitchen.run("batch", "done", "first-check", "--ago", "1 h")
    kitchen.run("batch", "harvest", "--yield", "4 lb", "--note", "oops")
    assert "Batch first is cooling" in kitchen.run("status").stdout
    said = plain(kitchen.run("undo").stdout)
    assert "The harvest of batch first is taken back: kojimon goes on watching." in said
    assert "You can now:" in said or "Due now:" in said
    (row,) = json.loads(kitchen.run("batch", "list", "--json").stdout)
    assert (row["ended_t_ms"], row["outcome"], row["yield_kg"], row["note"]) == (None, "", None, "new starter")
    assert "Taken back: look, break up and mix." in plain(kitchen.run("undo").stdout)

    kitchen.run("batch", "discard", "--reason", "slimy")
    kitchen.run("batch", "start", "second")
    assert "nothing to take back" in kitchen.run("undo", code=2).stderr, "the first belongs to the past now"
    kitchen.run("batch", "discard", "--reason", "not begun")
    assert "The end of batch second is taken back" in plain(kitchen.run("undo").stdout)
    assert kitchen.stop()[0] == 0
    rows = json.loads(kitchen.run("batch", "list", "--json").stdout)
    assert [(row["name"], row["outcome"]) for row in rows] == [("first", "discard"), ("second", "")]
    assert "Thrown away 20.0 hours after the spores" in plain(kitchen.run("review", "first").stdout)


def test_undo_goes_by_the_order_of_the_entries_not_by_the_times_given_with_them(kitchen: Kitchen) -> None:
    kitchen.start()
    kitchen.run("batch", "start", "first", "--hours-ago", "24 h")
    kitchen.run("reading", "80", "F", "--room")
    kitchen.run("batch", "done", "mix", "--ago", "2 h")
    assert "Taken back: mix and spread thinner." in plain(kitchen.run("undo").stdout), "entered after what was read"
    assert "Taken back: room" in plain(kitchen.run("undo").stdout)
    kitchen.run("reading", "81", "F", "--room")
    kitchen.run("batch", "harvest")
    assert "The harvest of batch first is taken back" in plain(kitchen.run("undo").stdout)
    assert "Taken back: room" in plain(kitchen.run("undo").stdout)
    said = plain(kitchen.run("undo", "inoculate").stdout)
    assert "Stage: none until the spores are on." in said and "Stage: ." not in said
    kitchen.run("batch", "discard", "--reason", "a try")
    kitchen.run("reading", "82", "F", "--room")
    assert "Taken back: room" in plain(kitchen.run("undo").stdout), "read after the end, so taken back before it"
    assert "The end of batch first is taken back" in plain(kitchen.run("undo").stdout)
    assert kitchen.stop()[0] == 0
